"""A control chart: measurements of a known person, gas or volume against limits from a baseline."""

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from service.charts.look import (
    BAND,
    INK,
    LOAD_FILL,
    PAPER,
    PEAK,
    QUIET,
    UPTAKE,
    Spec,
    chart,
    empty_chart,
    legend_scales,
)

_DAY_MS = 86_400_000
_BASELINE = "in the baseline"
_IN_CONTROL = "no rule met"
_SIGNAL = "a rule met"
_KINDS = (
    {"name": _BASELINE, "shape": "circle", "stroke": UPTAKE, "fill": PAPER},
    {"name": _IN_CONTROL, "shape": "circle", "stroke": UPTAKE, "fill": UPTAKE},
    {"name": _SIGNAL, "shape": "diamond", "stroke": PEAK, "fill": PEAK},
)


def control_spec(document: Mapping[str, Any], *, width: int = 740, height: int = 320) -> Spec:
    """Vega-Lite specification of a control chart.

    Parameters
    ----------
    document : mapping
        The chart resource: JSON form of `service.analysis.control.ControlChart` with ``title``, ``label``, ``unit``,
        ``decimals`` and ``events``.
    width, height : int
        Of the drawing area, in px.

    Returns
    -------
    dict
        Serializable as JSON, data inside.
    """
    points = document["points"]
    title = document["title"]
    if not points:
        return empty_chart(
            title=title,
            sentence="There is no measurement yet, so there is nothing to draw.",
            width=width,
            height=height,
        )
    x_domain = _x_domain(points)
    y_domain = _y_domain(document)
    unit = f" ({document['unit']})" if document["unit"] else ""
    x = {
        "field": "at",
        "type": "temporal",
        "scale": {"type": "utc", "domain": x_domain, "nice": False},
        "axis": {"title": "Date", "labelOverlap": True, "tickCount": 8, "format": _date_format(x_domain)},
    }
    y = {
        "field": "value",
        "type": "quantitative",
        "scale": {"domain": y_domain, "nice": False, "zero": False},
        "axis": {"title": f"{document['label']}{unit}", "tickCount": 6, "format": ",~f", "grid": False},
    }
    sentences = _sentences(document)
    layers = [
        *_baseline_layer(document, x),
        *_event_layers(document, x_domain, x),
        *_line_layers(document, x_domain, x, y),
        {
            "data": {"values": [{"at": _ms(one["on"]), "value": one["value"]} for one in points]},
            "mark": {"type": "line", "color": UPTAKE, "strokeWidth": 1, "opacity": 0.45},
            "encoding": {"x": x, "y": y},
        },
        _points_layer(points, x, y),
        *_signal_labels(document, x, y),
    ]
    return chart(
        title=title,
        subtitle=sentences,
        description=" ".join((f"{title}.", *sentences, _in_words(document))),
        body={"width": width, "height": height, "layer": layers},
        padding=18,
    )


def _ms(date: str) -> int:
    return (dt.date.fromisoformat(date) - dt.date(1970, 1, 1)).days * _DAY_MS


def _x_domain(points: Sequence[Mapping[str, Any]]) -> list[int]:
    at = [_ms(one["on"]) for one in points]
    first, last = min(at), max(at)
    pad = max(round(0.04 * (last - first)), 3 * _DAY_MS)
    return [first - pad, last + pad]


def _date_format(domain: Sequence[int]) -> str:
    return "%b %Y" if (domain[1] - domain[0]) / _DAY_MS > 150 else "%-d %b %Y"


def _y_domain(document: Mapping[str, Any]) -> list[float]:
    values = [one["value"] for one in document["points"]]
    lines = [document[name] for name in ("lower_limit", "upper_limit", "published_low", "published_high")]
    everything = [*values, *(one for one in lines if one is not None)]
    low, high = min(everything), max(everything)
    pad = max(0.08 * (high - low), 10.0 ** -document["decimals"])
    return [low - pad, high + pad]


def _shown(document: Mapping[str, Any], value: float) -> str:
    return f"{value:,.{document['decimals']}f}"


def _sentences(document: Mapping[str, Any]) -> list[str]:
    if document["mean"] is None:
        return [document["reason"] or "There are no limits."]
    unit = f" {document['unit']}" if document["unit"] else ""
    days = f"{document['baseline_from']} to {document['baseline_to']}"
    limits = (
        f"Mean {_shown(document, document['mean'])}{unit}, limits {_shown(document, document['lower_limit'])} to "
        f"{_shown(document, document['upper_limit'])} (2.66 mean moving ranges), from {document['n_baseline']} measurements, "
        f"{days}."
    )
    answer = [limits, _state(document)]
    if document["published_low"] is not None:
        answer.append("Dotted: 5 % from the mean (published for a known person, value from memory).")
    return answer


def _state(document: Mapping[str, Any]) -> str:
    shifts = document["shifts"]
    if not shifts:
        return "In control: no rule is met after the baseline."
    last = shifts[-1]
    began = f"a shift {last['direction']} the mean was signalled on {last['signal_on']}"
    if last["ended_on"] is None:
        return f"Out of control: {began}."
    how = "an event of the device" if last["ended_by"] == "event" else "three measurements without a signal"
    return f"In control again: {began} and ended on {last['ended_on']} with {how}."


def _in_words(document: Mapping[str, Any]) -> str:
    return (
        "; ".join(
            f"{one['on']} {_shown(document, one['value'])}" + (" (signal)" if one["signals"] else "")
            for one in document["points"]
        )
        + "."
    )


def _baseline_layer(document: Mapping[str, Any], x: Spec) -> list[Spec]:
    if document["mean"] is None:
        return []
    half = _DAY_MS
    span = {"at": _ms(document["baseline_from"]) - half, "until": _ms(document["baseline_to"]) + half}
    return [
        {
            "data": {"values": [span]},
            "mark": {"type": "rect", "color": LOAD_FILL, "opacity": 0.75},
            "encoding": {"x": x, "x2": {"field": "until"}},
        }
    ]


def _event_layers(document: Mapping[str, Any], x_domain: Sequence[int], x: Spec) -> list[Spec]:
    days = [{"at": _ms(day)} for day in document["events"] if x_domain[0] <= _ms(day) <= x_domain[1]]
    if not days:
        return []
    return [
        {
            "data": {"values": days},
            "mark": {"type": "rule", "color": INK, "strokeWidth": 1, "opacity": 0.7},
            "encoding": {"x": x},
        },
        {
            "data": {"values": days},
            "mark": {
                "type": "text",
                "text": "event",
                "align": "left",
                "baseline": "top",
                "dx": 4,
                "fontSize": 11,
                "color": QUIET,
            },
            "encoding": {"x": x, "y": {"value": 2}},
        },
    ]


def _line_layers(document: Mapping[str, Any], x_domain: Sequence[int], x: Spec, y: Spec) -> list[Spec]:
    """Mean, limits and published limits, each with its word at the right."""
    if document["mean"] is None:
        return []
    wanted = (
        ("mean", "mean", UPTAKE, [1, 0], 1.4),
        ("lower_limit", "lower limit", INK, [6, 3], 1.2),
        ("upper_limit", "upper limit", INK, [6, 3], 1.2),
        ("published_low", "5 % below", BAND, [1, 3], 1.2),
        ("published_high", "5 % above", BAND, [1, 3], 1.2),
    )
    drawn = [one for one in wanted if document[one[0]] is not None]
    layers: list[Spec] = [
        {
            "data": {"values": [{"at": x_domain[0], "until": x_domain[1], "value": document[name]}]},
            "mark": {"type": "rule", "color": colour, "strokeDash": dash, "strokeWidth": stroke},
            "encoding": {"x": x, "x2": {"field": "until"}, "y": y},
        }
        for name, _, colour, dash, stroke in drawn
    ]
    labels = _apart(
        [(document[name], f"{words} {_shown(document, document[name])}") for name, words, *_ in drawn],
        y["scale"]["domain"],
    )
    layers.append(
        {
            "data": {
                "values": [{"at": x_domain[1], "value": value, "words": words} for value, words in labels]
            },
            "mark": {"type": "text", "align": "left", "dx": 6, "fontSize": 11, "color": QUIET},
            "encoding": {"x": x, "y": y, "text": {"field": "words"}},
        }
    )
    return layers


def _apart(labels: Sequence[tuple[float, str]], domain: Sequence[float]) -> list[tuple[float, str]]:
    """Labels moved up where they would lie on each other."""
    least = 0.045 * (domain[1] - domain[0])
    placed: list[tuple[float, str]] = []
    for value, words in sorted(labels):
        free = value if not placed else max(value, placed[-1][0] + least)
        placed.append((free, words))
    return placed


def _points_layer(points: Sequence[Mapping[str, Any]], x: Spec, y: Spec) -> Spec:
    drawn = [
        {
            "at": _ms(one["on"]),
            "date": one["on"],
            "value": one["value"],
            "kind": _SIGNAL if one["signals"] else _BASELINE if one["in_baseline"] else _IN_CONTROL,
        }
        for one in points
    ]
    present = {one["kind"] for one in drawn}
    return {
        "data": {"values": drawn},
        "mark": {"type": "point", "size": 70, "strokeWidth": 1.6, "opacity": 1},
        "encoding": {
            "x": x,
            "y": y,
            **legend_scales([kind for kind in _KINDS if kind["name"] in present]),
        },
    }


def _signal_labels(document: Mapping[str, Any], x: Spec, y: Spec) -> list[Spec]:
    """The value at the first signal of each shift."""
    firsts = {shift["signal_on"] for shift in document["shifts"]}
    labels = []
    for one in document["points"]:
        if one["signals"] and one["on"] in firsts:
            firsts.discard(one["on"])
            labels.append(
                {
                    "at": _ms(one["on"]),
                    "value": one["value"],
                    "words": f"{_shown(document, one['value'])}, {one['on']}",
                }
            )
    if not labels:
        return []
    return [
        {
            "data": {"values": labels},
            "mark": {
                "type": "text",
                "dy": -11,
                "baseline": "bottom",
                "align": "center",
                "fontSize": 11,
                "fontWeight": 600,
                "color": PEAK,
            },
            "encoding": {"x": x, "y": y, "text": {"field": "words"}},
        }
    ]
