"""One channel of two tests of a person: both curves over one axis, and below them the difference with its error."""

from collections.abc import Mapping, Sequence
from typing import Any

from service.charts.look import (
    BAND,
    CARBON_DIOXIDE,
    INK,
    LOAD_FILL,
    PAPER,
    UPTAKE,
    Spec,
    axis_title,
    chart,
    empty_chart,
    legend_scales,
    quantity_of,
)
from service.charts.traces import legend_kind, line, room, upright_axis

_HEIGHT, _DIFFERENCE_HEIGHT = 260, 110
_AXIS_EXTENT = 46
#: With more values than this a curve is a line alone, and marks stand where the two are compared.
_MOST_MARKS = 20
_DASH = [6, 4]
_AXES: Mapping[str, str] = {
    "percent_of_peak": "Percent of each test's own peak oxygen uptake (%)",
    "stage": "Stages of the same speed and grade",
}


def comparison_spec(
    comparison: Mapping[str, Any],
    *,
    channel: str,
    against: str,
    title: str | None = None,
    width: int = 740,
) -> Spec:
    """Vega-Lite specification of one channel of two tests.

    Parameters
    ----------
    comparison : mapping
        The comparison resource.
    channel : str
        Key of a channel, or of a load along the percent of the peak.
    against : {"work_rate", "percent_of_peak"}
    title : str, optional
        Default: the label of the channel and what it is drawn along.
    width : int
        px.

    Returns
    -------
    dict
        Serializable as JSON, data inside. Where nothing can be compared it says why.
    """
    quantity = quantity_of(channel)
    axis = comparison[against]
    where = "at the same work rate" if against == "work_rate" else "at the same percent of peak"
    title = title or f"{quantity.label} {where}"
    told = next((one for one in axis["channels"] if one["channel"] == channel), None)
    if told is None or not told["points"]:
        reason = axis["reason"] or (None if told is None else told["reason"])
        sentence = reason or f"{quantity.label} is not drawn along this axis."
        return empty_chart(title=title, sentence=sentence, width=width, height=240)
    names = [comparison[side]["date"] for side in ("first", "second")]
    if names[0] == names[1]:
        names = [f"{names[0]}, first", f"{names[1]}, second"]
    kinds = [
        legend_kind(names[0], "diamond", CARBON_DIOXIDE, hollow=True),
        legend_kind(names[1], "circle", UPTAKE),
    ]
    along = [*told["first"]["along"], *told["second"]["along"]]
    low, high = min(along), max(along)
    domain = room(along, below=0.03, above=0.03) if high > low else (low - 1.0, high + 1.0)
    points = told["points"]
    panels = [
        {
            "width": width,
            "height": _HEIGHT,
            "layer": _curves(told, kinds, _along(axis, points, domain, bottom=False), axis_title(quantity)),
        },
        {
            "width": width,
            "height": _DIFFERENCE_HEIGHT,
            "layer": _difference(points, _along(axis, points, domain), quantity.unit),
        },
    ]
    sentences = _sentences(axis, told, names)
    apart = dict.fromkeys(("shape", "stroke", "fill"), "independent")
    return chart(
        title=title,
        subtitle=sentences,
        description=" ".join((f"{title}.", *sentences, *_in_words(axis, told, names))),
        body={"vconcat": panels, "spacing": 10, "resolve": {"scale": apart, "legend": apart}},
    )


def _along(
    axis: Mapping[str, Any],
    points: Sequence[Mapping[str, Any]],
    domain: tuple[float, float],
    *,
    bottom: bool = True,
) -> Spec:
    """The level axis; its words stand below the lower panel only."""
    answer: Spec = {
        "field": "along",
        "type": "quantitative",
        "scale": {"domain": list(domain), "nice": False, "zero": False},
        "axis": None,
    }
    if not bottom:
        return answer
    along = axis["along"]
    drawn: Spec = {
        "title": _AXES.get(along) or axis_title(quantity_of(along)),
        "format": ",.2~f",
        "tickCount": 8,
    }
    if along == "stage":
        # Numbers alone go into the expression: the words are data, and data is not code.
        labels = [str(one["label"]).split(", ") for one in points]
        drawn |= {
            "values": [one["along"] for one in points],
            "labelExpr": f"{labels!r}[datum.value - {points[0]['along']:g}]",
            "labelOverlap": True,
        }
    return {**answer, "axis": drawn}


def _curves(told: Mapping[str, Any], kinds: Sequence[Mapping[str, str]], x: Spec, heading: str) -> list[Spec]:
    seen = [value for side in ("first", "second") for value in told[side]["values"] if value is not None]
    y = _upright("value", heading, room(seen, below=0.08, above=0.1))
    layers: list[Spec] = []
    points = told["points"]
    if points[-1]["along"] > points[0]["along"]:
        # What both tests have: there is no difference elsewhere.
        layers.append(
            {
                "data": {"values": [{"along": points[0]["along"], "until": points[-1]["along"]}]},
                "mark": {"type": "rect", "color": LOAD_FILL, "opacity": 0.55},
                "encoding": {"x": x, "x2": {"field": "until"}},
            }
        )
    marks: list[Spec] = []
    for side, kind, dash in zip(("first", "second"), kinds, (_DASH, None), strict=True):
        curve = told[side]
        pairs = [
            (at, float("nan") if value is None else value)
            for at, value in zip(curve["along"], curve["values"], strict=True)
        ]
        layers.append(line(pairs, x, y, kind["stroke"], **({"strokeDash": dash} if dash else {})))
        few = len(pairs) <= _MOST_MARKS
        marked = pairs if few else [(one["along"], one[side]) for one in points]
        marks += [
            {"along": round(at, 4), "value": round(value, 4), "kind": kind["name"]}
            for at, value in marked
            if value == value  # noqa: PLR0124 NaN test
        ]
    layers.append(
        {
            "data": {"values": marks},
            "mark": {"type": "point", "size": 70, "strokeWidth": 1.8, "opacity": 1},
            "encoding": {"x": x, "y": y, **legend_scales(kinds)},
        }
    )
    return layers


def _difference(points: Sequence[Mapping[str, Any]], x: Spec, unit: str) -> list[Spec]:
    known = [
        value
        for one in points
        for value in (one["difference"], one["ci_low"], one["ci_high"])
        if value is not None
    ]
    heading = ["Second", "less first", *([f"({unit})"] if unit else [])]
    y = _upright("difference", heading, room([0.0, *known], below=0.12, above=0.12))
    y["axis"]["tickCount"] = 4
    drawn = [
        {
            "along": one["along"],
            "difference": round(one["difference"], 4),
            "low": one["ci_low"],
            "high": one["ci_high"],
            # Beyond error is a full mark, so that it is told without colour too.
            "fill": INK if one["beyond_error"] else PAPER,
        }
        for one in points
    ]
    layers: list[Spec] = []
    if points[0]["ci_low"] is not None:
        band: Spec = {
            "data": {"values": drawn},
            "encoding": {"x": x, "y": {**y, "field": "low"}, "y2": {"field": "high"}},
        }
        kind: Spec = (
            {"type": "area", "color": BAND, "opacity": 0.28}
            if len(points) > 1
            else {"type": "rule", "color": BAND}
        )
        layers.append({**band, "mark": kind})
    layers.append(
        {
            "data": {"values": [{"difference": 0}]},
            "mark": {"type": "rule", "color": INK, "strokeWidth": 1},
            "encoding": {"y": y},
        }
    )
    layers.append(line([(one["along"], one["difference"]) for one in points], x, y, INK, strokeWidth=1.4))
    layers.append(
        {
            "data": {"values": drawn},
            "mark": {
                "type": "point",
                "shape": "square",
                "size": 42,
                "stroke": INK,
                "strokeWidth": 1.4,
                "opacity": 1,
            },
            "encoding": {"x": x, "y": y, "fill": {"field": "fill", "type": "nominal", "scale": None}},
        }
    )
    return layers


def _upright(field: str, heading: str | Sequence[str], domain: tuple[float, float]) -> Spec:
    y = upright_axis(field, heading, domain, ",.2~f")
    return {**y, "axis": {**y["axis"], "minExtent": _AXIS_EXTENT}}


# --- words -------------------------------------------------------------------------------------------------------


def _place(axis: Mapping[str, Any], point: Mapping[str, Any]) -> str:
    if point["label"]:
        return f"At {point['label']}"
    if axis["along"] == "percent_of_peak":
        return f"At {point['along']:g} % of peak"
    return f"At {quantity_of(axis['along']).show(point['along'])}"


def _sentences(
    axis: Mapping[str, Any],
    told: Mapping[str, Any],
    names: Sequence[str],
) -> list[str]:
    quantity = quantity_of(told["channel"])
    points = told["points"]
    middle = 0.5 * (points[0]["along"] + points[-1]["along"])
    point = min(points, key=lambda one: (abs(one["along"] - middle), one["along"]))
    words = (
        f"{_place(axis, point)}: {quantity.show(point['first'])} on {names[0]}, "
        f"{quantity.show(point['second'])} on {names[1]}"
    )
    if point["ci_low"] is not None:
        difference, low, high = (
            _signed(point[name], quantity.decimals) for name in ("difference", "ci_low", "ci_high")
        )
        words += f" (difference {difference}, 95 % interval {low} to {high})"
    sentences = [f"{words}."]
    if told["typical_error"] is not None:
        error = told["typical_error"]
        band = (
            f"Band below: 95 % interval of the difference (typical error {error['value']:g} {error['unit']})"
        )
        judged = points[0]["beyond_error"] is not None
        sentences.append(
            f"{band}; filled squares are beyond error."
            if judged
            else f"{band}; the two tests are not alike enough to judge it."
        )
    else:
        sentences.append("No typical error is known here, so a difference cannot be told from chance.")
    if len(points) > 1:
        sentences.append("Shaded above: what both tests have.")
    sentences.extend(axis["notes"])
    return sentences


def _signed(value: float, decimals: int) -> str:
    """A difference with its sign; nothing has none."""
    text = f"{value:+,.{decimals}f}"
    return text if float(text.replace(",", "")) else text.lstrip("+-")


def _in_words(axis: Mapping[str, Any], told: Mapping[str, Any], names: Sequence[str]) -> list[str]:
    quantity = quantity_of(told["channel"])
    return [
        f"{_place(axis, one)}: {names[0]} {quantity.show(one['first'])}, {names[1]} {quantity.show(one['second'])}."
        for one in told["points"]
    ]
