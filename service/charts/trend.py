"""One quantity of one person over the years, with the error of measurement and, where asked, a reference table.

What happened to the person and at the site stands in a strip below, on the same time line.
"""

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.charts.look import (
    BAND,
    INK,
    PAPER,
    QUIET,
    SERIES_COLOURS,
    SERIES_SHAPES,
    SERIES_TEXT_COLOURS,
    Spec,
    axis_title,
    chart,
    empty_chart,
    legend_scales,
    quantity_of,
)
from service.quantities import Quantity

_DAY_MS = 86_400_000
#: Room either side of a single date.
_LONE_PAD_DAYS = 200
#: Up to this many counted points each carries its value; with more, the first, the last and the best do.
_ALL_LABELLED_UP_TO = 8
#: Series that are told apart by colour and shape; further ones share the last.
_MOST_SERIES = len(SERIES_COLOURS)

_VERDICT_WORDS = {
    "improved": "improved",
    "declined": "declined",
    "within_error": "within the error of measurement",
    "unclear": "unclear",
}
_MEDIAN = 50
#: Events drawn, at most; the later ones where there are more.
_MOST_EVENTS = 8
_EVENT_ROW_PX = 21
#: Part of the time line from which on an event's words stand to the left of it.
_WORDS_LEFT_FROM = 0.55
_EVENT_WORDS_CHARACTERS = 70
#: Whose an event is, as the legend has it.
_OF_THE_PERSON, _OF_THE_SITE = "of the person", "of the site"


@dataclass(frozen=True, slots=True)
class _Line:
    """One series made ready for drawing."""

    name: str
    colour: str
    text_colour: str
    shape: str
    series: Mapping[str, Any]

    @property
    def points(self) -> Sequence[Mapping[str, Any]]:
        return self.series.get("points") or ()

    @property
    def counted(self) -> list[Mapping[str, Any]]:
        return [point for point in self.points if point.get("counted")]


def trend_spec(
    trend: Mapping[str, Any],
    *,
    title: str | None = None,
    quantity: Quantity | None = None,
    norm_bands: Mapping[str, Any] | None = None,
    width: int = 740,
    height: int = 340,
) -> Spec:
    """Vega-Lite specification of a trend.

    Parameters
    ----------
    trend : mapping
        The trend resource (JSON form of `service.analysis.trends.Trend`).
    title : str, optional
        Default: the label of the quantity.
    quantity : Quantity, optional
        With the unit of the values, where it is not the registry's.
    norm_bands : mapping, optional
        A reference table along the person's age: ``{"title": str, "bands": [{"from": ISO date, "to": ISO date,
        "percentiles": [[50, 38.1], ...]}]}``, one band for each age band passed, values in the unit of the
        quantity. A table of medians has one percentile, 50.
    width, height : int
        Of the drawing area, in px.

    Returns
    -------
    dict
        Serializable as JSON, data inside.

    Raises
    ------
    KeyError
        For a quantity the registry does not know.
    """
    quantity = quantity or quantity_of(trend["quantity"])
    title = title or quantity.label
    lines = _lines(trend)
    if not any(line.points for line in lines):
        return empty_chart(
            title=title,
            sentence=f"There is no result of {quantity.label.lower()} yet, so there is no trend to draw.",
            width=width,
            height=height,
        )
    x_domain = _x_domain(lines)
    y_domain = _y_domain(quantity, lines, norm_bands, x_domain)
    sentences = _sentences(quantity, lines, norm_bands, x_domain, y_domain)
    x = {
        "field": "at",
        "type": "temporal",
        "scale": {"type": "utc", "domain": x_domain, "nice": False},
        "axis": {
            "title": "Date of the test",
            "labelOverlap": True,
            "tickCount": 8,
            "format": _date_format(x_domain),
        },
    }
    y = {
        "field": "value",
        "type": "quantitative",
        "scale": {"domain": y_domain, "nice": False, "zero": False},
        # The percentiles are the grid where there are any.
        "axis": {
            "title": axis_title(quantity),
            "tickCount": 6,
            "format": ",~f",
            "grid": not _visible_bands(norm_bands, x_domain),
        },
    }
    events = _events(trend, x_domain)
    layers = [
        *_event_layers(events, x, y),
        *_norm_layers(norm_bands, x_domain, x, y),
        *_error_layers(lines, x_domain, x, y),
        *_expected_layers(lines, x, y),
        *(_joining_line(line, x, y) for line in lines),
        _points_layer(lines, x, y),
        *_value_labels(quantity, lines, x, y),
        *_beyond_labels(quantity, lines, x, y),
    ]
    sentences.extend(_event_sentences(trend, events))
    body: Spec = {"width": width, "height": height, "layer": layers}
    if events:
        strip = _event_strip(events, x_domain, x, width)
        apart = dict.fromkeys(("shape", "stroke", "fill"), "independent")
        body = {"vconcat": [body, strip], "spacing": 12, "resolve": {"scale": apart, "legend": apart}}
    words = (*sentences, *_points_in_words(quantity, lines), *_events_in_words(events))
    return chart(
        title=title,
        subtitle=sentences,
        description=" ".join((f"{title} over time.", *words)),
        body=body,
    )


def _lines(trend: Mapping[str, Any]) -> list[_Line]:
    series = trend.get("series") or []
    return [
        _Line(
            _name(each, series),
            SERIES_COLOURS[min(i, _MOST_SERIES - 1)],
            SERIES_TEXT_COLOURS[min(i, _MOST_SERIES - 1)],
            SERIES_SHAPES[min(i, _MOST_SERIES - 1)],
            each,
        )
        for i, each in enumerate(series)
    ]


def _name(series: Mapping[str, Any], among: Sequence[Mapping[str, Any]]) -> str:
    """What tells this series from the others: mode, and basis and family where they differ or say something."""
    words = [str(series.get("mode") or "all modes")]
    if series.get("basis") != "measured" or any(other.get("basis") != "measured" for other in among):
        words.append(str(series.get("basis")))
    family = series.get("protocol_family")
    if family is not None:
        words.append(str(family).replace("_", " "))
    elif any(other.get("protocol_family") is not None for other in among):
        words.append("no protocol family")
    return ", ".join(words)


def _ms(date: str) -> int:
    day = dt.date.fromisoformat(date[:10])
    return (day - dt.date(1970, 1, 1)).days * _DAY_MS


def _x_domain(lines: Sequence[_Line]) -> list[int]:
    at = [_ms(point["date"]) for line in lines for point in line.points]
    first, last = min(at), max(at)
    pad = _LONE_PAD_DAYS * _DAY_MS if first == last else max(round(0.06 * (last - first)), 10 * _DAY_MS)
    return [first - pad, last + pad]


def _date_format(domain: Sequence[int]) -> str:
    days = (domain[1] - domain[0]) / _DAY_MS
    if days > 8 * 366:
        return "%Y"
    return "%b %Y" if days > 150 else "%-d %b %Y"


def _y_domain(
    quantity: Quantity, lines: Sequence[_Line], norm_bands: Mapping[str, Any] | None, x_domain: Sequence[int]
) -> list[float]:
    everything = [float(point["value"]) for line in lines for point in line.points]
    values = [float(point["value"]) for line in lines for point in line.counted] or everything
    values.extend(value for line in lines[:1] for _, value in _expected(line))
    for line in lines[:1]:
        values.extend(_detectable(line) or ())
    low, high = min(values), max(values)
    # A value that does not count may be absurd (a lost decimal point): it must not flatten those that do.
    spread = max(high - low, 0.25 * abs(high), 10.0**-quantity.decimals)
    near = [value for value in everything if low - spread <= value <= high + spread]
    low, high = min([low, *near]), max([high, *near])
    inside = [value for band in _visible_bands(norm_bands, x_domain) for _, value in band["percentiles"]]
    # The table gives way to the person: its nearest lines are shown, the far ones are cut off.
    reach = max(high - low, 0.25 * abs(high), 10.0**-quantity.decimals)
    low = min([low, *(value for value in inside if value >= low - 0.6 * reach)])
    high = max([high, *(value for value in inside if value <= high + 0.6 * reach)])
    pad = max(0.12 * (high - low), 0.02 * abs(high), 2 * 10.0**-quantity.decimals)
    floor = low - pad
    if low >= 0 and floor < 0:
        floor = 0.0
    return [floor, high + 1.2 * pad]


def _detectable(line: _Line) -> tuple[float, float] | None:
    low, high = line.series.get("detectable_low"), line.series.get("detectable_high")
    return None if low is None or high is None or not line.counted else (float(low), float(high))


# --- words -----------------------------------------------------------------------------------------------------


def _signed(quantity: Quantity, value: float, *, unit: bool = True) -> str:
    number = f"{value:+,.{quantity.decimals}f}"
    return f"{number} {quantity.unit}".rstrip() if unit else number


def _sentences(
    quantity: Quantity,
    lines: Sequence[_Line],
    norm_bands: Mapping[str, Any] | None,
    x_domain: Sequence[int],
    y_domain: Sequence[float],
) -> list[str]:
    answer = []
    main = lines[0]
    prefix = f"{main.name}: " if len(lines) > 1 else ""
    last = main.counted[-1] if main.counted else None
    change = last.get("change_from_first") if last is not None else None
    if last is None:
        answer.append(f"{prefix}no test counts.")
    elif change is None:
        answer.append(f"{prefix}one test counts so far: {quantity.show(last['value'])} on {last['date']}.")
    else:
        answer.append(f"{prefix}{_change_words(quantity, change)}")
    answer = [f"{words[0].upper()}{words[1:]}" for words in answer]
    if _detectable(main) is not None:
        error = main.series.get("typical_error") or {}
        which = f" (typical error {error['value']:g} {error['unit']})" if error else ""
        answer.append(f"Shaded: within the error of the first counted test{which}.")
    if _expected(main):
        expected = main.series["expected"]
        answer.append(
            f"Dotted: expected with age from the {expected['start']} counted test ({expected['label']}); it is no aim."
        )
    hollow = sum(not point.get("counted") for line in lines for point in line.points)
    if hollow:
        tests = "1 test is" if hollow == 1 else f"{hollow} tests are"
        answer.append(f"{tests} not counted (hollow).")
    if norm_bands is not None:
        visible = _visible_bands(norm_bands, x_domain)
        drawn = [
            value
            for band in visible
            for _, value in band["percentiles"]
            if y_domain[0] <= value <= y_domain[1]
        ]
        told = "at the age of the time" if drawn else "outside this drawing"
        answer.append(f"Grey lines: {norm_bands['title']}, {told}.")
    return answer


def _change_words(quantity: Quantity, change: Mapping[str, Any]) -> str:
    percent = change.get("percent")
    words = f"last against first {_signed(quantity, change['absolute'])}"
    if percent is not None:
        words += f" ({percent:+.1f} %)"
    if change.get("ci_low") is not None and change.get("ci_high") is not None:
        low = _signed(quantity, change["ci_low"], unit=False)
        words += f", 95 % interval {low} to {_signed(quantity, change['ci_high'], unit=False)}"
    return f"{words}: {_VERDICT_WORDS.get(change['verdict'], change['verdict'])}."


def _points_in_words(quantity: Quantity, lines: Sequence[_Line]) -> list[str]:
    return [
        f"{line.name}: "
        + "; ".join(
            f"{point['date']} {quantity.show(point['value'])}"
            + ("" if point.get("counted") else " (not counted)")
            for point in line.points
        )
        + "."
        for line in lines
    ]


# --- layers ----------------------------------------------------------------------------------------------------


def _points_layer(lines: Sequence[_Line], x: Spec, y: Spec) -> Spec:
    kinds: list[dict[str, str]] = []
    drawn: list[Spec] = []
    for line in lines:
        hollow = f"{line.name}, not counted"
        drawn.extend(
            {
                "at": _ms(point["date"]),
                "date": point["date"],
                "value": min(max(point["value"], y["scale"]["domain"][0]), y["scale"]["domain"][1]),
                "kind": line.name if point.get("counted") else hollow,
            }
            for point in line.points
        )
        kinds.append({"name": line.name, "shape": line.shape, "stroke": line.colour, "fill": line.colour})
        if len(line.counted) < len(line.points):
            kinds.append({"name": hollow, "shape": line.shape, "stroke": line.colour, "fill": PAPER})
    scales = legend_scales(kinds)
    if len(kinds) == 1:
        for scale in scales.values():
            scale["legend"] = None
    return {
        "data": {"values": drawn},
        "mark": {"type": "point", "size": 95, "strokeWidth": 1.8, "opacity": 1},
        "encoding": {"x": x, "y": y, **scales},
    }


def _joining_line(line: _Line, x: Spec, y: Spec) -> Spec:
    drawn = [{"at": _ms(point["date"]), "value": point["value"]} for point in line.counted]
    return {
        "data": {"values": drawn},
        "mark": {"type": "line", "color": line.colour, "strokeWidth": 1.6, "opacity": 0.75},
        "encoding": {"x": x, "y": y},
    }


def _error_layers(lines: Sequence[_Line], x_domain: Sequence[int], x: Spec, y: Spec) -> list[Spec]:
    """The values that do not differ from the first counted one by more than error, for the main series."""
    if not lines or (limits := _detectable(lines[0])) is None:
        return []
    line = lines[0]
    first = line.counted[0]
    drawn = {
        "at": _ms(first["date"]),
        "until": x_domain[1],
        "value": limits[0],
        "high": limits[1],
        "first": first["value"],
    }
    span = {"x": x, "x2": {"field": "until"}}
    return [
        {
            "data": {"values": [drawn]},
            "mark": {"type": "rect", "color": line.colour, "opacity": 0.1},
            "encoding": {**span, "y": y, "y2": {"field": "high"}},
        },
        {
            "data": {"values": [drawn]},
            "mark": {"type": "rule", "color": line.colour, "opacity": 0.5, "strokeDash": [4, 3]},
            "encoding": {**span, "y": {**y, "field": "first"}},
        },
    ]


# --- what age alone would make of it -------------------------------------------------------------------------------


def _expected(line: _Line) -> list[tuple[int, float]]:
    """Date and expected value along a series, where a model of ageing was asked for and says something."""
    return [
        (_ms(point["date"]), float(point["expected_value"]))
        for point in line.points
        if point.get("expected_value") is not None
    ]


def _expected_layers(lines: Sequence[_Line], x: Spec, y: Spec) -> list[Spec]:
    """The expected line of the main series, thin and dotted."""
    drawn = _expected(lines[0]) if lines else []
    if len({at for at, _ in drawn}) < 2:
        return []
    return [
        {
            "data": {"values": [{"at": at, "value": value} for at, value in drawn]},
            "mark": {
                "type": "line",
                "color": INK,
                "strokeWidth": 1.2,
                "strokeDash": [1.5, 3],
                "opacity": 0.9,
            },
            "encoding": {"x": x, "y": y},
        }
    ]


# --- events --------------------------------------------------------------------------------------------------------


def _events(trend: Mapping[str, Any], x_domain: Sequence[int]) -> list[Spec]:
    """What happened in the time that is drawn, the later ones where there are too many, by begin."""
    answer = []
    for event in trend.get("events") or ():
        start = _ms(event["started_on"])
        lasted = event["ended_on"] is not None and event["ended_on"] != event["started_on"]
        end = _ms(event["ended_on"]) if lasted else start
        if end < x_domain[0] or start > x_domain[1]:
            continue
        answer.append(
            {
                "at": max(start, x_domain[0]),
                "until": min(end, x_domain[1]),
                "lasted": lasted,
                "of": _OF_THE_SITE if event["of"] == "site" else _OF_THE_PERSON,
                "words": _event_words(event),
            }
        )
    return answer[-_MOST_EVENTS:]


def _event_words(event: Mapping[str, Any]) -> str:
    kind = str(event["kind"]).replace("_", " ")
    device = "" if event.get("device") is None else f" ({event['device']})"
    words = f"{event['title']}{device}" if kind == "other" else f"{kind}: {event['title']}{device}"
    return (
        words
        if len(words) <= _EVENT_WORDS_CHARACTERS
        else f"{words[: _EVENT_WORDS_CHARACTERS - 1].rstrip()}…"
    )


def _event_sentences(trend: Mapping[str, Any], events: Sequence[Spec]) -> list[str]:
    left = len(trend.get("events") or ()) - len(events)
    if not left:
        return []
    return ["1 further event is not drawn." if left == 1 else f"{left} further events are not drawn."]


def _events_in_words(events: Sequence[Spec]) -> list[str]:
    return (
        [
            "Events: "
            + "; ".join(
                f"{_day_of(event['at'])}"
                + (f" to {_day_of(event['until'])}" if event["lasted"] else "")
                + f" {event['words']} ({event['of']})"
                for event in events
            )
            + "."
        ]
        if events
        else []
    )


def _day_of(ms: int) -> str:
    return (dt.date(1970, 1, 1) + dt.timedelta(days=ms // _DAY_MS)).isoformat()


def _event_layers(events: Sequence[Spec], x: Spec, y: Spec) -> list[Spec]:
    """Behind the points: a pale band for a time, a hairline for a day; the site's are dashed."""
    low, high = y["scale"]["domain"]
    layers: list[Spec] = []
    for event in events:
        site = event["of"] == _OF_THE_SITE
        drawn = {"at": event["at"], "until": event["until"], "value": low, "high": high}
        span = {"x": x, "y": y, "y2": {"field": "high"}}
        if event["lasted"] and not site:
            layers.append(
                {
                    "data": {"values": [drawn]},
                    "mark": {"type": "rect", "color": BAND, "opacity": 0.16},
                    "encoding": {**span, "x2": {"field": "until"}},
                }
            )
            continue
        ends = ("at", "until") if event["lasted"] else ("at",)
        layers.extend(
            {
                "data": {"values": [{**drawn, "at": drawn[end]}]},
                "mark": {
                    "type": "rule",
                    "color": QUIET,
                    "strokeWidth": 1,
                    "opacity": 0.75,
                    **({"strokeDash": [5, 4]} if site else {}),
                },
                "encoding": span,
            }
            for end in ends
        )
    return layers


def _event_strip(events: Sequence[Spec], x_domain: Sequence[int], x: Spec, width: int) -> Spec:
    """A row an event: a bar for a time, a mark for a day, with its words; filled for the person, hollow for the site."""
    turn = x_domain[0] + _WORDS_LEFT_FROM * (x_domain[1] - x_domain[0])
    rows = [{**event, "row": i + 0.5, "kind": event["of"]} for i, event in enumerate(events)]
    y = {
        "field": "row",
        "type": "quantitative",
        "scale": {"domain": [len(rows), 0], "nice": False, "zero": False},
        "axis": None,
    }
    plain = {**x, "axis": None}
    kinds = [
        {"name": name, "shape": shape, "stroke": QUIET, "fill": fill}
        for name, shape, fill in (
            (_OF_THE_PERSON, "circle", QUIET),
            (_OF_THE_SITE, "square", PAPER),
        )
        if any(row["of"] == name for row in rows)
    ]
    scales = legend_scales(kinds)
    for scale in scales.values():
        scale["legend"] = {"title": "Events", "orient": "bottom", "titleOrient": "left"}
    layers: list[Spec] = []
    for name, fill in ((_OF_THE_PERSON, QUIET), (_OF_THE_SITE, PAPER)):
        bars = [row for row in rows if row["lasted"] and row["of"] == name]
        if bars:
            layers.append(
                {
                    "data": {"values": bars},
                    "mark": {
                        "type": "bar",
                        "height": 7,
                        "color": fill,
                        "stroke": QUIET,
                        "strokeWidth": 1,
                        **({"strokeDash": [3, 2]} if name == _OF_THE_SITE else {}),
                    },
                    "encoding": {"x": plain, "x2": {"field": "until"}, "y": y},
                }
            )
    layers.append(
        {
            "data": {"values": rows},
            "mark": {"type": "point", "size": 55, "strokeWidth": 1.4, "opacity": 1},
            "encoding": {"x": plain, "y": y, **scales},
        }
    )
    for left in (False, True):
        worded = [
            {**row, "at": row["at"] if left else row["until"]} for row in rows if (row["at"] >= turn) == left
        ]
        if worded:
            layers.append(
                {
                    "data": {"values": worded},
                    "mark": {
                        "type": "text",
                        "align": "right" if left else "left",
                        "dx": -9 if left else 9,
                        "baseline": "middle",
                        "fontSize": 11,
                        "color": INK,
                    },
                    "encoding": {"x": plain, "y": y, "text": {"field": "words"}},
                }
            )
    return {"width": width, "height": _EVENT_ROW_PX * len(rows) + 6, "layer": layers}


def _value_labels(quantity: Quantity, lines: Sequence[_Line], x: Spec, y: Spec) -> list[Spec]:
    """Values in words beside the points that are read most, above or below, away from the line to the neighbours."""
    layers: list[Spec] = []
    for line in lines:
        counted = line.counted
        values = [float(point["value"]) for point in counted]
        chosen = set(range(len(counted)))
        if len(counted) > _ALL_LABELLED_UP_TO:
            best = line.series.get("best")
            chosen = {0, len(counted) - 1} | ({values.index(best)} if best in values else set())
        above: list[Spec] = []
        below: list[Spec] = []
        for i in sorted(chosen):
            neighbours = [values[j] for j in (i - 1, i + 1) if 0 <= j < len(values)]
            low_point = bool(neighbours) and values[i] < math.fsum(neighbours) / len(neighbours)
            words = f"{values[i]:,.{quantity.decimals}f}"
            (below if low_point else above).append(
                {"at": _ms(counted[i]["date"]), "value": values[i], "words": words}
            )
        layers.extend(
            {
                "data": {"values": data},
                "mark": {
                    "type": "text",
                    "dy": -12 if data is above else 13,
                    "baseline": "bottom" if data is above else "top",
                    "color": line.text_colour,
                    "fontSize": 12,
                    "fontWeight": 600,
                },
                "encoding": {"x": x, "y": y, "text": {"field": "words"}},
            }
            for data in (above, below)
            if data
        )
    return layers


def _beyond_labels(quantity: Quantity, lines: Sequence[_Line], x: Spec, y: Spec) -> list[Spec]:
    """The value of a point that lies outside the drawing, beside where it stands at the edge."""
    low, high = y["scale"]["domain"]
    beyond = [
        {
            "at": _ms(point["date"]),
            "value": low if point["value"] < low else high,
            "words": f"{point['value']:,.{quantity.decimals}f}, outside this drawing",
        }
        for line in lines
        for point in line.points
        if not low <= point["value"] <= high
    ]
    if not beyond:
        return []
    mark = {"type": "text", "align": "left", "dx": 10, "fontSize": 11, "color": QUIET}
    return [
        {"data": {"values": beyond}, "mark": mark, "encoding": {"x": x, "y": y, "text": {"field": "words"}}}
    ]


# --- the reference table ---------------------------------------------------------------------------------------


def _visible_bands(norm_bands: Mapping[str, Any] | None, x_domain: Sequence[int]) -> list[Spec]:
    answer = []
    for band in (norm_bands or {}).get("bands", ()):
        start, end = max(_ms(band["from"]), x_domain[0]), min(_ms(band["to"]), x_domain[1])
        if start < end:
            answer.append({"start": start, "end": end, "percentiles": sorted(band["percentiles"])})
    return answer


def _norm_layers(
    norm_bands: Mapping[str, Any] | None, x_domain: Sequence[int], x: Spec, y: Spec
) -> list[Spec]:
    """Tabulated percentiles as hairlines, the median heavier, labelled at the right."""
    bands = _visible_bands(norm_bands, x_domain)
    if not bands:
        return []
    low, high = y["scale"]["domain"]
    hairlines, labels = [], []
    last = max(band["end"] for band in bands)
    for band in bands:
        for percentile, value in band["percentiles"]:
            if not low <= value <= high:
                continue
            hairlines.append(
                {"at": band["start"], "until": band["end"], "value": value, "median": percentile == _MEDIAN}
            )
            if band["end"] == last:
                words = "median" if percentile == _MEDIAN else f"{percentile:g}th"
                labels.append({"at": band["end"], "value": value, "words": words})
    span = {"x": x, "x2": {"field": "until"}}
    return [
        {
            "data": {"values": hairlines},
            "mark": {"type": "rule", "color": BAND, "opacity": 0.85},
            "encoding": {
                **span,
                "y": y,
                "strokeWidth": {"condition": {"test": "datum.median", "value": 1.6}, "value": 0.8},
            },
        },
        {
            "data": {"values": labels},
            "mark": {"type": "text", "align": "left", "dx": 6, "fontSize": 11, "color": QUIET},
            "encoding": {"x": x, "y": y, "text": {"field": "words"}},
        },
    ]
