"""Pictures of a specification, in process and with no network."""

import hashlib
import re
from collections.abc import Mapping
from typing import Any

from service.charts.look import ON_DARK, VEGA_LITE, empty_chart

#: No address may be loaded from while drawing; every specification carries its data.
_ALLOWED_ADDRESSES: list[str] = []


#: The marks of numbers that the specifications themselves are written with.
_MARKS: Mapping[str, Any] = {"decimal": ".", "thousands": ",", "grouping": [3], "currency": ["", ""]}


def render_svg(
    spec: Mapping[str, Any], *, marks: Mapping[str, Any] = _MARKS, follows_theme: bool = False
) -> str:
    """The chart as SVG text.

    Parameters
    ----------
    spec : mapping
        A Vega-Lite specification with its data inside.
    marks : mapping
        Marks of the numbers on axes, as a d3-format locale.
    follows_theme : bool
        Whether it is dark where the reader's screen is; on paper it is light always.

    Raises
    ------
    ValueError
        Where the specification cannot be drawn, or asks for data from elsewhere.
    """
    import vl_convert

    text = _with_steady_names(
        vl_convert.vegalite_to_svg(
            _without_labels(spec),
            vl_version=VEGA_LITE,
            allowed_base_urls=_ALLOWED_ADDRESSES,
            format_locale=dict(marks),
        )
    )
    if not follows_theme:
        return text
    head, close, rest = text.partition(">")
    return f"{head}{close}<style>@media screen and (prefers-color-scheme:dark){{{_DARK}}}</style>{rest}"


#: Rules of a style sheet win over the attributes that the renderer writes.
_DARK = "".join(
    f'[fill="{light}"]{{fill:{dark}}}[stroke="{light}"]{{stroke:{dark}}}' for light, dark in ON_DARK.items()
)


def _without_labels(spec: Mapping[str, Any]) -> dict[str, Any]:
    """The same drawing without a label on each of its marks: they are a third of a picture, and an image has one description."""
    return {**spec, "config": {**spec.get("config", {}), "aria": False}}


_CLIP = re.compile(r'(<clipPath id="|clip-path="url\(#)clip(\d+)')


def _with_steady_names(svg: str) -> str:
    """The same drawing has the same names of its clips whenever it is drawn, and another drawing has others.

    The renderer numbers them through, so that no two pictures were the same, and what is made from them had to be made anew.
    """
    numbers: dict[str, int] = {}
    plain = _CLIP.sub(lambda found: f"{found[1]}clip{numbers.setdefault(found[2], len(numbers))}", svg)
    digest = hashlib.blake2s(plain.encode(), digest_size=4).hexdigest()
    return _CLIP.sub(rf"\1clip-{digest}-\2", plain)


def render_png(spec: Mapping[str, Any], *, marks: Mapping[str, Any] = _MARKS, scale: float = 2.0) -> bytes:
    """The chart as PNG bytes.

    Parameters
    ----------
    spec : mapping
        A Vega-Lite specification with its data inside.
    marks : mapping
        As for `render_svg`.
    scale : float
        Pixels for each unit of the specification; 2 is sharp on paper and on fine screens.

    Raises
    ------
    ValueError
        Where `scale` is not above zero, or as for `render_svg`.
    """
    if not scale > 0:
        raise ValueError(f"scale {scale!r}: it has to be above 0")
    import vl_convert

    return bytes(
        vl_convert.vegalite_to_png(
            _without_labels(spec),
            vl_version=VEGA_LITE,
            scale=scale,
            allowed_base_urls=_ALLOWED_ADDRESSES,
            format_locale=dict(marks),
        )
    )


def warm_up() -> None:
    """Start the renderer once, so that the first chart asked for is as quick as the next."""
    render_svg(empty_chart(title="", sentence="ready", width=40, height=20))
