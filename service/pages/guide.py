"""The user's guide: Markdown pages shipped with the program, with the catalogues written in."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from markdown_it import MarkdownIt

from service import errors
from service.errors import UpslopeError
from service.findings import FINDINGS
from service.http.problems import FRAMEWORK, status_of
from service.methods.catalogue import METHODS
from service.quantities import QUANTITIES, TypicalError
from service.settings import Settings


@dataclass(frozen=True, slots=True)
class GuidePage:
    """One page.

    Attributes
    ----------
    name : str
        Last part of its address.
    title : str
    markdown, html : str
    """

    name: str
    title: str
    markdown: str
    html: str


def _cell(text: object) -> str:
    return str(text).replace("|", "\\|").replace("\n", " ")


def _table(head: list[str], rows: list[list[object]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    lines += ["| " + " | ".join(_cell(cell) for cell in row) + " |" for row in rows]
    return "\n".join(lines)


def error_kinds() -> list[type[UpslopeError]]:
    """Every kind of error, in the order of the tree."""

    def below(kind: type[UpslopeError]) -> list[type[UpslopeError]]:
        return [kind, *(deeper for child in kind.__subclasses__() for deeper in below(child))]

    return [kind for kind in below(errors.UpslopeError) if kind.__module__ == errors.__name__]


def _errors_list() -> str:
    parts = []
    for kind in error_kinds():
        meaning = (kind.__doc__ or "").split("\n\n", maxsplit=1)[0].strip()
        if kind is UpslopeError:
            meaning = "A fault of the service. Nothing was stored; the log of the server says more."
        parts.append(
            f'<a id="{kind.slug}"></a>\n\n### {kind.title}\n\n`{kind.slug}`, status {status_of(kind(""))}. {meaning}\n'
        )
    for status, (slug, title) in FRAMEWORK.items():
        if slug not in {kind.slug for kind in error_kinds()}:
            parts.append(f'<a id="{slug}"></a>\n\n### {title}\n\n`{slug}`, status {status}.\n')
    return "\n".join(parts)


def _findings_list() -> str:
    return "\n".join(
        f'<a id="{kind.code}"></a>\n\n### {kind.title}\n\n`{kind.code}`, {kind.severity}. {kind.meaning} '
        f"**What to do:** {kind.what_to_do}\n"
        for kind in FINDINGS.values()
    )


def _methods_table() -> str:
    return _table(
        ["Method", "Gives", "Inputs", "For", "Source", "Trust"],
        [
            [
                f"`{one.id}`",
                f"{one.label} ({one.unit})",
                ", ".join(f"`{i.name}`" for i in one.inputs),
                one.validity,
                one.source,
                one.trust,
            ]
            for one in METHODS.values()
        ],
    )


def _quantities_table() -> str:
    return _table(
        ["Quantity", "Means", "Unit", "Possible", "Typical error"],
        [
            [
                f"`{one.key}`",
                one.label,
                one.unit or "-",
                "-" if one.hard is None else f"{one.hard[0]:g} to {one.hard[1]:g}",
                _typical_error(one.typical_error, one.unit),
            ]
            for one in QUANTITIES.values()
        ],
    )


def _typical_error(error: TypicalError | None, unit: str) -> str:
    if error is None:
        return "-"
    return f"{error.value:g} {'%' if error.scale == 'log' else unit} ({error.source})"


def _settings_table() -> str:
    return _table(
        ["Variable", "Default", "Meaning"],
        [[f"`{one['name']}`", f"`{one['default']}`", one["description"]] for one in Settings.described()],
    )


#: What a page may have written in by the line ``{{ name }}``.
INSERTS: dict[str, Callable[[], str]] = {
    "errors": _errors_list,
    "findings": _findings_list,
    "methods": _methods_table,
    "quantities": _quantities_table,
    "settings": _settings_table,
}

_INSERT = re.compile(r"^\{\{ (\w+) \}\}$", re.MULTILINE)


@cache
def pages() -> dict[str, GuidePage]:
    """All pages by name, the index first.

    Raises
    ------
    KeyError
        A page asks for an insert that there is not.
    """
    # HTML is allowed: the pages are the project's own, and anchors of findings and errors are HTML.
    renderer = MarkdownIt("commonmark", {"html": True}).enable("table")
    answer: dict[str, GuidePage] = {}
    folder = files("service.pages") / "guide"
    found = sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".md"))
    for filename in sorted(found, key=lambda name: (name != "index.md", name)):
        markdown = (folder / filename).read_text(encoding="utf-8")
        markdown = _INSERT.sub(lambda match: INSERTS[match.group(1)](), markdown)
        first = markdown.lstrip().splitlines()[0]
        name = filename.removesuffix(".md")
        answer[name] = GuidePage(name, first.lstrip("# ").strip(), markdown, renderer.render(markdown))
    return answer
