"""Pictures of a specification, in process and with no network."""

from collections.abc import Mapping
from typing import Any

from service.charts.look import VEGA_LITE, empty_chart

#: No address may be loaded from while drawing; every specification carries its data.
_ALLOWED_ADDRESSES: list[str] = []


def render_svg(spec: Mapping[str, Any]) -> str:
    """The chart as SVG text.

    Parameters
    ----------
    spec : mapping
        A Vega-Lite specification with its data inside.

    Raises
    ------
    ValueError
        Where the specification cannot be drawn, or asks for data from elsewhere.
    """
    import vl_convert

    return str(
        vl_convert.vegalite_to_svg(dict(spec), vl_version=VEGA_LITE, allowed_base_urls=_ALLOWED_ADDRESSES)
    )


def render_png(spec: Mapping[str, Any], *, scale: float = 2.0) -> bytes:
    """The chart as PNG bytes.

    Parameters
    ----------
    spec : mapping
        A Vega-Lite specification with its data inside.
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
            dict(spec), vl_version=VEGA_LITE, scale=scale, allowed_base_urls=_ALLOWED_ADDRESSES
        )
    )


def warm_up() -> None:
    """Start the renderer once, so that the first chart asked for is as quick as the next."""
    render_svg(empty_chart(title="", sentence="ready", width=40, height=20))
