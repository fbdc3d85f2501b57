"""The look every chart shares: colours, type, axes and the empty chart.

Colours are the project's own. Each is told from the others with normal vision and with either red-green
deficiency, and nothing is told by colour alone: series differ in shape, fits in dash, rows not counted are hollow.
"""

import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from service.quantities import QUANTITIES, Quantity

Spec = dict[str, Any]

#: The version whose schema the specifications are held to; the renderer is asked for the same.
VEGA_LITE = "6.4"
SCHEMA = "https://vega.github.io/schema/vega-lite/v6.json"

PAPER = "#ffffff"
INK = "#24313b"
QUIET = "#566470"
HAIRLINE = "#dfe4e7"
UPTAKE = "#0b4a66"
CARBON_DIOXIDE = "#bf6f14"
PEAK = "#b03fae"
LOAD = "#5f6f7a"
LOAD_FILL = "#e6eaec"
BAND = "#8497a3"

#: Colour and shape of the first, second, ... series of a trend; both change together.
SERIES_COLOURS: tuple[str, ...] = (UPTAKE, CARBON_DIOXIDE, PEAK, "#7d919d", "#2d2a26")
#: The same, dark enough for small type.
SERIES_TEXT_COLOURS: tuple[str, ...] = (UPTAKE, "#8a4d07", PEAK, "#4d6370", "#2d2a26")
SERIES_SHAPES: tuple[str, ...] = ("circle", "diamond", "square", "triangle-up", "cross")

#: What stands for each colour on a dark page; nothing may be drawn in a colour that is not here.
ON_DARK: Mapping[str, str] = {
    PAPER: "#1b2026",
    INK: "#e6e4de",
    QUIET: "#a9b3bd",
    HAIRLINE: "#313942",
    UPTAKE: "#4089e6",
    CARBON_DIOXIDE: "#f8a547",
    PEAK: "#e99ad5",
    LOAD: "#94a4b0",
    LOAD_FILL: "#2b333b",
    BAND: "#7d92a0",
    "#7d919d": "#666f7a",
    "#2d2a26": "#f5f0e8",
    "#8a4d07": "#f8a547",
    "#4d6370": "#a6b7c2",
    "#b9c3ca": "#4a555f",
    "#c9d6de": "#3a4a56",
    "#edf0f2": "#262d34",
}

#: Symbols of lines in a legend, as paths in the unit square.
LINE_SYMBOL = "M-1.3,0L1.3,0"
DOT_SYMBOL = "M-1.3,0L-0.95,0M-0.55,0L-0.2,0M0.2,0L0.55,0M0.95,0L1.3,0"
DASH_SYMBOL = "M-1.3,0L-0.45,0M0.45,0L1.3,0"

#: The renderer brings the first with it; the next two have its widths, so that a picture is laid out alike anywhere.
FONT = "Liberation Sans, Arial, Helvetica, sans-serif"
_WRAP_CHARACTERS = 132
_LEGEND_CHARACTERS = 125


def axis_title(quantity: Quantity) -> str:
    """What an axis of this quantity is headed by: words, symbol and unit."""
    symbol = "" if quantity.symbol.lower() in quantity.label.lower() else f", {quantity.symbol}"
    unit = f" ({quantity.unit})" if quantity.unit else ""
    return f"{quantity.label}{symbol}{unit}"


def quantity_of(key: str) -> Quantity:
    """The registry's entry.

    Raises
    ------
    KeyError
        For a quantity the registry does not know.
    """
    return QUANTITIES[key]


def wrapped(sentences: Iterable[str]) -> list[str]:
    """Sentences as lines short enough for a subtitle."""
    return [line for sentence in sentences for line in textwrap.wrap(sentence, _WRAP_CHARACTERS)]


def config() -> Spec:
    """Vega-Lite configuration of every chart."""
    return {
        "background": PAPER,
        "font": FONT,
        "padding": 14,
        "view": {"stroke": None},
        "title": {
            "anchor": "start",
            "color": INK,
            "fontSize": 16,
            "fontWeight": 600,
            "subtitleColor": QUIET,
            "subtitleFontSize": 12,
            "subtitleLineHeight": 17,
            "subtitlePadding": 5,
            "offset": 12,
        },
        "axis": {
            "labelColor": QUIET,
            "labelFontSize": 11,
            "titleColor": INK,
            "titleFontSize": 12,
            "titleFontWeight": 500,
            "titlePadding": 9,
            "gridColor": HAIRLINE,
            "gridWidth": 0.8,
            "domain": False,
            "tickColor": HAIRLINE,
            "tickSize": 4,
            "labelFlush": False,
        },
        "axisX": {"grid": False, "domain": True, "domainColor": "#b9c3ca"},
        "legend": {
            "orient": "top",
            "direction": "horizontal",
            "labelColor": INK,
            "labelFontSize": 12,
            "labelLimit": 420,
            "symbolSize": 70,
            "symbolStrokeWidth": 1.8,
            "symbolOpacity": 1,
            "columnPadding": 18,
            "rowPadding": 5,
            "offset": 8,
        },
        "text": {"color": INK, "fontSize": 12},
    }


def chart(
    *, title: str, subtitle: Iterable[str], description: str, body: Mapping[str, Any], padding: int = 14
) -> Spec:
    """A whole specification round a body (``layer`` or ``vconcat`` and what belongs to it)."""
    settings = config() | {"padding": padding}
    lines = wrapped(subtitle)
    return {
        "$schema": SCHEMA,
        "description": description,
        "title": {"text": title, **({"subtitle": lines} if lines else {})},
        **body,
        "config": settings,
    }


def empty_chart(*, title: str, sentence: str, width: int, height: int) -> Spec:
    """A chart that says why it is empty."""
    return chart(
        title=title,
        subtitle=(),
        description=f"{title}. {sentence}",
        body={
            "width": width,
            "height": height,
            "data": {"values": [{}]},
            "mark": {
                "type": "text",
                "text": textwrap.wrap(sentence, 70),
                "fontSize": 14,
                "color": QUIET,
                "lineHeight": 20,
            },
        },
    )


#: Where a specification holds words for people.
_WORDS = frozenset({"title", "subtitle", "text", "description", "words"})


def reworded(spec: Mapping[str, Any], say: Callable[[str], str]) -> Spec:
    """A specification with its words as `say` writes them; data, scales and formats stay as they are."""

    def walk(value: Any, *, of_words: bool) -> Any:
        if isinstance(value, Mapping):
            return {key: walk(inner, of_words=key in _WORDS) for key, inner in value.items()}
        if isinstance(value, list | tuple):
            return [walk(inner, of_words=of_words) for inner in value]
        return say(value) if of_words and isinstance(value, str) else value

    answer: Spec = walk(spec, of_words=False)
    return answer


def legend_scales(kinds: Sequence[Mapping[str, str]]) -> Spec:
    """Shape, stroke and fill of a points layer by its field ``kind``, shown as one legend.

    Parameters
    ----------
    kinds : sequence of mapping
        Each with ``name``, ``shape``, ``stroke`` and ``fill``, in the order of the legend.
    """
    names = [kind["name"] for kind in kinds]
    # One row where it fits, else two of about the same length.
    columns = (
        len(kinds) if sum(len(name) + 6 for name in names) <= _LEGEND_CHARACTERS else (len(kinds) + 1) // 2
    )

    def channel(key: str) -> Spec:
        return {
            "field": "kind",
            "type": "nominal",
            "scale": {"domain": names, "range": [kind[key] for kind in kinds]},
            "legend": {"title": None, "columns": columns},
        }

    return {key: channel(key) for key in ("shape", "stroke", "fill")}
