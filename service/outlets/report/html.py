"""A report as one HTML file: nothing is loaded from anywhere, and it prints as a page."""

import base64
import hashlib
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template

from service.outlets.report.document import NOT_RECORDED, Report

_HERE = Path(__file__).parent


def html_of(report: Report) -> str:
    """The report as an HTML document.

    Parameters
    ----------
    report : Report

    Returns
    -------
    str
        The same for the same report.
    """
    return _template().render(report=report, style=_style(), missing=NOT_RECORDED)


def content_policy() -> str:
    """What a browser may do with it: show its own style and its own pictures."""
    digest = base64.b64encode(hashlib.sha256(_style().encode()).digest()).decode()
    return (
        f"default-src 'none'; img-src data:; style-src 'sha256-{digest}'; form-action 'none'; "
        "frame-ancestors 'none'; base-uri 'none'"
    )


def _as_address(svg: str) -> str:
    """A picture inside the file: as an image it can neither run nor load anything."""
    return f"data:image/svg+xml;base64,{base64.b64encode(svg.encode()).decode()}"


@cache
def _style() -> str:
    return (_HERE / "report.css").read_text(encoding="utf-8")


@cache
def _template() -> Template:
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["as_address"] = _as_address
    return environment.get_template("report.html")
