"""Oxygen uptake over one test: what was recorded, where the peak is, and what the plateau rests on."""

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.analysis.series import PHASES, Series
from service.charts.look import (
    CARBON_DIOXIDE,
    DASH_SYMBOL,
    DOT_SYMBOL,
    INK,
    LINE_SYMBOL,
    LOAD,
    LOAD_FILL,
    PAPER,
    PEAK,
    QUIET,
    UPTAKE,
    Spec,
    axis_title,
    chart,
    empty_chart,
    legend_scales,
    quantity_of,
)
from service.quantities import QUANTITIES, Quantity

Floats = NDArray[np.float64]
Columns = Mapping[str, Sequence[Any]]

#: Intervals shorter than this are drawn light, under a line of means.
_DENSE_BELOW_S = 8.0
#: More rows than this are thinned for drawing.
_MOST_POINTS = 3000
_MEAN_GRID_STEPS = 500
_HEADROOM = 1.2
#: Where rows beyond the axis are drawn: above what counts, below the words at the top.
_BEYOND_AT = 0.895
#: Roughly how wide a character of the small type is, to leave out words that would not fit.
_CHARACTER_PX = 6.4
_LEAST_HELD_S = 40.0
_AXIS_EXTENT = 54

_VO2, _VCO2 = "VO2", "VCO2"
_HOLLOW = "not counted"
_ABERRANT = "breath out of line, left out"
_CROSS_SYMBOL = "M-1,-1L1,1M1,-1L-1,1"
_BEYOND = "not counted, beyond the axis"

_EFFORT_WORDS = {
    "verified": "confirmed by a verification bout",
    "plateau": "shown by a plateau",
    "secondary_criteria": "shown by secondary criteria",
    "submaximal": "submaximal",
    "undetermined": "not decided by this test",
}
_PHASE_WORDS = {"rest": "rest", "warm_up": "warm-up", "exercise": "exercise", "recovery": "recovery"}


@dataclass(frozen=True, slots=True)
class _Rows:
    """The columns as arrays; `counts` is False for rows excluded, left out by a rule, or impossible in VO2."""

    start_s: Floats
    end_s: Floats
    vo2: Floats
    vco2: Floats
    counts: NDArray[np.bool_]
    aberrant: NDArray[np.bool_]
    phase: tuple[str | None, ...]
    columns: Columns

    @property
    def middle_min(self) -> Floats:
        return (self.start_s + self.end_s) / 120

    @property
    def dense(self) -> bool:
        return bool(np.median(self.end_s - self.start_s) < _DENSE_BELOW_S)

    def column(self, key: str) -> Floats:
        return _floats(self.columns.get(key), self.end_s.size)


def _floats(values: Sequence[Any] | None, size: int) -> Floats:
    if values is None:
        return np.full(size, np.nan)
    return np.array([np.nan if value is None else float(value) for value in values], dtype=np.float64)


def _read(intervals: Columns) -> _Rows:
    end = _floats(intervals.get("end_s"), 0)
    size = end.size
    for key, values in intervals.items():
        if len(values) != size:
            raise ValueError(f"intervals: column {key!r} has {len(values)} rows, end_s has {size}")
    duration = _floats(intervals.get("duration_s"), size)
    before = np.concatenate(([np.nan], end[:-1])) if size else end
    step = end - before
    if size:
        step[0] = step[1] if size > 1 else end[0]
    start = end - np.where(np.isfinite(duration), duration, step)
    vo2 = _floats(intervals.get("vo2_ml_min"), size)
    vco2 = _floats(intervals.get("vco2_ml_min"), size)
    # A channel that fell to zero is not a measurement: its line ends there.
    output = quantity_of("vco2_ml_min")
    vco2[[not output.possible(value) for value in vco2.tolist()]] = np.nan
    excluded, aberrant = (
        np.array([bool(value) for value in intervals.get(name, [None] * size)], dtype=bool)
        for name in ("excluded", "aberrant")
    )
    quantity = quantity_of("vo2_ml_min")
    possible = np.array([math.isfinite(value) and quantity.possible(value) for value in vo2], dtype=bool)
    phase = tuple(intervals.get("phase", [None] * size))
    counts = ~excluded & ~aberrant & possible
    return _Rows(start, end, vo2, vco2, counts, aberrant & ~excluded & possible, phase, intervals)


def columns_of(series: Series, left_out: Iterable[int] = ()) -> dict[str, list[Any]]:
    """A series as plain lists for a chart.

    Parameters
    ----------
    series : Series
    left_out : iterable of int
        Breaths that the rule of the analysis leaves out, counted from 0.

    Returns
    -------
    dict of list
        Missing values are None; `excluded` is whether a row was taken out by hand, `aberrant` whether by the rule.
    """
    aberrant = np.zeros(len(series), dtype=np.bool_)
    aberrant[list(left_out)] = True

    def plain(values: Any) -> list[Any]:
        return [None if value != value else value for value in values.tolist()]  # noqa: PLR0124 NaN is a missing value

    return {
        "end_s": plain(series.end_s),
        "duration_s": plain(series.duration_s),
        "excluded": series.excluded.tolist(),
        "aberrant": aberrant.tolist(),
        "phase": [None if code < 0 else PHASES[code] for code in series.phase.tolist()],
        **{name: plain(values) for name, values in series.channels.items()},
    }


def uptake_spec(
    analysis: Mapping[str, Any],
    intervals: Columns,
    *,
    title: str = "Oxygen uptake during the test",
    exercise_start_s: float | None = None,
    exercise_end_s: float | None = None,
    quantities: Mapping[str, Quantity] = QUANTITIES,
    width: int = 760,
) -> Spec:
    """Vega-Lite specification of uptake against time, with peak, plateau fit, phases and load.

    Parameters
    ----------
    analysis : mapping
        The analysis object of the test; ``peak``, ``plateau``, ``effort`` and ``marks`` are read.
    intervals : mapping of str to sequence, each of length n
        Columns ``end_s``, ``duration_s``, ``vo2_ml_min``, ``vco2_ml_min``, ``work_rate_w``, ``speed_km_h``,
        ``grade_percent``, ``phase``, ``stage``, ``excluded``, ``aberrant``; None where a value is missing, absent where a
        channel is. `end_s` is in seconds and rises.
    title : str, optional
        What was tested, in one line.
    exercise_start_s, exercise_end_s : float, optional
        Marks of exercise on the clock of the intervals; default: those of the analysis. Without any, the phases
        of the rows show where exercise was.
    quantities : mapping of str to Quantity
        The units that loads are in.
    width : int
        Of the drawing area, in px.

    Returns
    -------
    dict
        Serializable as JSON, data inside.

    Raises
    ------
    ValueError
        Where the columns are of different lengths.
    """
    rows = _read(intervals)
    used = analysis.get("marks") or {}
    exercise_start_s = used.get("exercise_start_s") if exercise_start_s is None else exercise_start_s
    exercise_end_s = used.get("exercise_end_s") if exercise_end_s is None else exercise_end_s
    if not np.isfinite(rows.vo2).any():
        return empty_chart(
            title=title,
            sentence="No interval of this test holds an oxygen uptake, so there is nothing to draw.",
            width=width,
            height=300,
        )
    peak = analysis.get("peak") or {}
    plateau = _plateau_lines(analysis, rows, exercise_end_s)
    sentences = _sentences(analysis, rows)
    x_domain = [float(rows.start_s.min()) / 60, float(rows.end_s.max()) / 60]
    x_scale = {"domain": x_domain, "nice": False, "zero": False}
    marks = [mark / 60 for mark in (exercise_start_s, exercise_end_s) if mark is not None]
    segments = _segments(rows, exercise_start_s, exercise_end_s)
    loads = _load_panels(rows, x_scale, marks, width, quantities)
    panels = [_uptake_panel(rows, peak, plateau, x_scale, marks, width, bottom=not segments and not loads)]
    if segments:
        panels.append(_phase_strip(segments, x_scale, width, bottom=not loads))
    panels.extend(loads)
    return chart(
        title=title,
        subtitle=sentences,
        description=" ".join((f"{title}.", _what_is_drawn(rows, loads), *sentences)),
        body={"vconcat": panels, "spacing": 8, "bounds": "full"},
    )


def _x(field: str, scale: Spec, *, bottom: bool) -> Spec:
    axis: Spec = {"title": "Time from the start of the recording (min)", "tickMinStep": 1, "format": "d"}
    return {"field": field, "type": "quantitative", "scale": scale, "axis": axis if bottom else None}


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


# --- words -----------------------------------------------------------------------------------------------------


def _peak_words(peak: Mapping[str, Any]) -> str | None:
    value = peak.get("vo2_ml_min")
    if value is None:
        return None
    label = peak.get("label") or "VO2peak"
    words = f"{label} {quantity_of('vo2_ml_min').show(value)}"
    per_mass = peak.get("vo2_ml_kg_min")
    return words if per_mass is None else f"{words} ({quantity_of('vo2_ml_kg_min').show(per_mass)})"


def _sentence(words: str) -> str:
    return words if words.endswith(".") else f"{words}."


def _sentences(analysis: Mapping[str, Any], rows: _Rows) -> list[str]:
    peak = analysis.get("peak") or {}
    words = _peak_words(peak)
    answer = []
    if words is None:
        reason = peak.get("reason")
        answer.append(_sentence(f"No peak: {reason}" if reason else "No peak could be found"))
    else:
        window = peak.get("effective_window_s") or peak.get("window_s")
        breaths = peak.get("window_breaths")
        over = f"mean of {breaths:g} breaths" if breaths else f"mean of {window:g} s" if window else "mean"
        where = ""
        if peak.get("start_s") is not None and peak.get("end_s") is not None:
            where = f", {_clock(peak['start_s'])}-{_clock(peak['end_s'])} min"
        answer.append(f"{words}: {over}{where}.")
    judged = []
    effort = (analysis.get("effort") or {}).get("verdict")
    if effort:
        judged.append(f"Effort {_EFFORT_WORDS.get(effort, effort)}.")
    judged.append(_plateau_words(analysis))
    answer.append(" ".join(word for word in judged if word))
    by_rule = int(rows.aberrant.sum())
    left_out = int((~rows.counts & ~rows.aberrant & np.isfinite(rows.vo2)).sum())
    not_counted = []
    if by_rule:
        not_counted.append(
            f"{'1 breath is' if by_rule == 1 else f'{by_rule} breaths are'} left out as out of line."
        )
    if left_out:
        rows_words = "1 row does" if left_out == 1 else f"{left_out} rows do"
        not_counted.append(f"{rows_words} not count (excluded, or impossible values).")
    answer.append(" ".join(not_counted))
    if any(remark.get("code") == "ratio_channel_lost" for remark in analysis.get("findings") or []):
        answer.append("The CO2 channel is lost in a part of the test; its impossible values are not drawn.")
    return [sentence for sentence in answer if sentence]


def _primary_rule(analysis: Mapping[str, Any]) -> Mapping[str, Any] | None:
    rules = (analysis.get("plateau") or {}).get("rules") or []
    return next((rule for rule in rules if rule.get("primary")), None)


def _plateau_words(analysis: Mapping[str, Any]) -> str:
    verdict = (analysis.get("plateau") or {}).get("verdict")
    rule = _primary_rule(analysis) or {}
    observed, expected = rule.get("observed"), rule.get("expected_rise")
    if verdict == "not_assessable":
        reason = rule.get("reason")
        return _sentence(f"Plateau not assessable: {reason}" if reason else "Plateau not assessable")
    if verdict not in {"seen", "not_seen"}:
        return ""
    words = "Plateau seen" if verdict == "seen" else "No plateau seen"
    if observed is None or expected is None:
        return f"{words}."
    unit = rule.get("unit") or "mL/min"
    rose = f"rose {observed:,.0f}" if observed >= 0 else f"fell {-observed:,.0f}"
    return f"{words}: uptake {rose} {unit} where a rise of {expected:,.0f} was expected."


def _what_is_drawn(rows: _Rows, loads: Sequence[Spec]) -> str:
    what = "Oxygen uptake and carbon dioxide output" if np.isfinite(rows.vco2).any() else "Oxygen uptake"
    below = ", above the load on the same time axis" if loads else ""
    minutes = float(rows.end_s.max() - rows.start_s.min()) / 60
    return f"{what} of {rows.end_s.size} intervals over {minutes:.1f} min{below}."


# --- the main panel --------------------------------------------------------------------------------------------


def _top(rows: _Rows, peak: Mapping[str, Any], plateau: Sequence[Spec]) -> float:
    """Upper end of the axis, with room for words above what counts."""
    counted = rows.counts if rows.counts.any() else np.isfinite(rows.vo2)
    highest = [float(rows.vo2[counted].max())]
    carbon_dioxide = rows.vco2[counted & np.isfinite(rows.vco2)]
    limit = quantity_of("vco2_ml_min")
    highest.extend(float(value) for value in carbon_dioxide if limit.possible(value))
    highest.append(float(peak.get("vo2_ml_min") or 0))
    highest.extend(line["y2"] for line in plateau)
    return _HEADROOM * max(highest)


def _uptake_panel(
    rows: _Rows,
    peak: Mapping[str, Any],
    plateau: Sequence[Spec],
    x_scale: Spec,
    marks: Sequence[float],
    width: int,
    *,
    bottom: bool,
) -> Spec:
    top = _top(rows, peak, plateau)
    has_vco2 = bool(np.isfinite(rows.vco2).any())
    window_s = _mean_window_s(peak)
    points, beyond = _points(rows, top, has_vco2=has_vco2)
    y_title = (
        f"VO2 and VCO2 ({quantity_of('vo2_ml_min').unit})"
        if has_vco2
        else axis_title(quantity_of("vo2_ml_min"))
    )
    y = {
        "type": "quantitative",
        "scale": {"domain": [0, top], "nice": False, "clamp": True},
        "axis": {"title": y_title, "format": ",d", "minExtent": _AXIS_EXTENT, "tickCount": 6},
    }
    x = _x("t", x_scale, bottom=bottom)
    layers = [*_peak_shade(peak, x), *_mark_rules(marks, x)]
    if rows.dense:
        # Breath by breath: the cloud is context, the line of means is what is read.
        layers.append(_mean_line(rows, rows.vo2, window_s, UPTAKE, 2.4, x, y))
        if has_vco2:
            layers.append(_mean_line(rows, rows.vco2, window_s, CARBON_DIOXIDE, 1.8, x, y))
    else:
        layers.append(_joining_line(rows, rows.vo2, UPTAKE, x, y))
        if has_vco2:
            layers.append(_joining_line(rows, rows.vco2, CARBON_DIOXIDE, x, y))
    kinds = _kinds(rows, points, plateau, window_s, has_vco2=has_vco2, beyond=beyond)
    cloud: Spec = {
        "data": {"values": points},
        "mark": {
            "type": "point",
            "size": 9 if rows.dense else 34,
            "strokeWidth": 0.6 if rows.dense else 1.3,
            "opacity": 0.38 if rows.dense else 1,
        },
        "encoding": {"x": x, "y": {"field": "value", **y}, **legend_scales(kinds)},
    }
    # Light points lie under the line of means; larger ones on top of their line.
    layers.insert(len(layers) - 1 - has_vco2 if rows.dense else len(layers), cloud)
    if rows.dense:
        # What does not count stays large enough to be seen as hollow.
        unseen = {_HOLLOW, _ABERRANT, _BEYOND}
        left_out = [point for point in points if point["kind"] in unseen]
        cloud["data"] = {"values": [point for point in points if point["kind"] not in unseen]}
        mark = {"type": "point", "size": 26, "strokeWidth": 1.2}
        layers.append({"data": {"values": left_out}, "mark": mark, "encoding": cloud["encoding"]})
    layers.extend(_plateau_layers(plateau, x, y))
    layers.extend(_peak_value(peak, x_scale, x, y, top))
    return {"width": width, "height": 320, "layer": layers}


def _kinds(
    rows: _Rows,
    points: Sequence[Spec],
    plateau: Sequence[Spec],
    window_s: float,
    *,
    has_vco2: bool,
    beyond: bool,
) -> list[dict[str, str]]:
    def kind(name: str, shape: str, stroke: str, fill: str) -> dict[str, str]:
        return {"name": name, "shape": shape, "stroke": stroke, "fill": fill}

    kinds = [kind(_VO2, "circle", UPTAKE, UPTAKE)]
    if has_vco2:
        kinds.append(kind(_VCO2, "diamond", CARBON_DIOXIDE, CARBON_DIOXIDE))
    if rows.dense:
        kinds.append(kind(f"mean over {window_s:g} s", LINE_SYMBOL, UPTAKE, UPTAKE))
    if any(point["kind"] == _ABERRANT for point in points):
        kinds.append(kind(_ABERRANT, _CROSS_SYMBOL, INK, PAPER))
    if any(point["kind"] == _HOLLOW for point in points):
        kinds.append(kind(_HOLLOW, "circle", QUIET, PAPER))
    if beyond:
        kinds.append(kind(_BEYOND, "triangle-up", QUIET, PAPER))
    if plateau:
        kinds.append(kind("means compared for a plateau", LINE_SYMBOL, INK, INK))
        kinds.append(kind("rise expected without one", DASH_SYMBOL, INK, INK))
        if any(line["line"] == "submaximal" for line in plateau):
            kinds.append(kind("line through the submaximal part", DOT_SYMBOL, INK, INK))
    return kinds


def _points(rows: _Rows, top: float, *, has_vco2: bool) -> tuple[list[Spec], bool]:
    """Rows as points, thinned where there are very many; whether any lies beyond the axis."""
    every = max(1, math.ceil(rows.end_s.size / _MOST_POINTS))
    points: list[Spec] = []
    beyond = False
    columns = (rows.middle_min, rows.vo2, rows.vco2, rows.counts, rows.aberrant)
    for i, (t, vo2, vco2, counts, aberrant) in enumerate(
        zip(*(column.tolist() for column in columns), strict=True)
    ):
        if i % every and counts:
            continue
        if has_vco2 and counts and math.isfinite(vco2) and 0 <= vco2 <= top:
            points.append({"t": round(t, 4), "value": round(vco2, 1), "kind": _VCO2})
        if math.isfinite(vo2):
            outside = not 0 <= vo2 <= top
            beyond = beyond or outside
            kind = _VO2 if counts else _BEYOND if outside else _ABERRANT if aberrant else _HOLLOW
            drawn = _BEYOND_AT * top if vo2 > top else max(vo2, 0.0)
            points.append({"t": round(t, 4), "value": round(drawn, 1), "kind": kind})
    return points, beyond


def _joining_line(rows: _Rows, values: Floats, colour: str, x: Spec, y: Spec) -> Spec:
    drawn = [
        {"t": round(t, 4), "value": round(value, 1) if counts and math.isfinite(value) else None}
        for t, value, counts in zip(
            rows.middle_min.tolist(), values.tolist(), rows.counts.tolist(), strict=True
        )
    ]
    return {
        "data": {"values": drawn},
        "mark": {"type": "line", "color": colour, "strokeWidth": 1.1, "opacity": 0.55},
        "encoding": {"x": x, "y": {"field": "value", **y}},
    }


def _mean_window_s(peak: Mapping[str, Any]) -> float:
    """The peak's own window where it is one of seconds, so that the line passes through the peak."""
    window = peak.get("effective_window_s") or peak.get("window_s")
    return float(round(window)) if window and 10 <= window <= 90 else 30.0


def _running_mean(rows: _Rows, values: Floats, window_s: float) -> tuple[Floats, Floats]:
    """Time-weighted means round a grid of times; NaN where less than half the window is covered."""
    counts = rows.counts & np.isfinite(values)
    edges = np.column_stack((rows.start_s, rows.end_s)).ravel()
    edges = np.maximum.accumulate(edges)
    length = np.diff(edges, prepend=edges[0])
    inside = np.zeros_like(edges)
    inside[1::2] = length[1::2]
    covered = np.cumsum(inside * np.repeat(counts, 2))
    area = np.cumsum(inside * np.repeat(np.where(counts, values, 0.0), 2))
    step = max(2.0, float(edges[-1] - edges[0]) / _MEAN_GRID_STEPS)
    grid = np.arange(edges[0] + window_s / 2, edges[-1] - window_s / 2 + step / 2, step)
    low, high = grid - window_s / 2, grid + window_s / 2
    time = np.interp(high, edges, covered) - np.interp(low, edges, covered)
    total = np.interp(high, edges, area) - np.interp(low, edges, area)
    enough = time >= window_s / 2
    return grid, np.where(enough, total / np.where(enough, time, 1.0), np.nan)


def _mean_line(
    rows: _Rows, values: Floats, window_s: float, colour: str, thickness: float, x: Spec, y: Spec
) -> Spec:
    grid, means = _running_mean(rows, values, window_s)
    drawn = [
        {"t": round(t / 60, 4), "value": round(mean, 1) if math.isfinite(mean) else None}
        for t, mean in zip(grid.tolist(), means.tolist(), strict=True)
    ]
    return {
        "data": {"values": drawn},
        "mark": {"type": "line", "color": colour, "strokeWidth": thickness, "strokeJoin": "round"},
        "encoding": {"x": x, "y": {"field": "value", **y}},
    }


def _mark_rules(marks: Sequence[float], x: Spec) -> list[Spec]:
    if not marks:
        return []
    return [
        {
            "data": {"values": [{"t": round(mark, 4)} for mark in marks]},
            "mark": {"type": "rule", "color": LOAD, "strokeWidth": 1, "strokeDash": [2, 3]},
            "encoding": {"x": x},
        }
    ]


def _has_window(peak: Mapping[str, Any]) -> bool:
    return all(peak.get(key) is not None for key in ("vo2_ml_min", "start_s", "end_s"))


def _peak_shade(peak: Mapping[str, Any], x: Spec) -> list[Spec]:
    if not _has_window(peak):
        return []
    return [
        {
            "data": {"values": [{"t": peak["start_s"] / 60, "until": peak["end_s"] / 60}]},
            "mark": {"type": "rect", "color": PEAK, "opacity": 0.12},
            "encoding": {"x": x, "x2": {"field": "until"}},
        }
    ]


def _peak_value(peak: Mapping[str, Any], x_scale: Spec, x: Spec, y: Spec, top: float) -> list[Spec]:
    if not _has_window(peak):
        return []
    first, last = x_scale["domain"]
    late = (peak["end_s"] / 60 - first) / (last - first) > 0.5
    drawn = {
        "t": peak["start_s"] / 60,
        "until": peak["end_s"] / 60,
        "value": peak["vo2_ml_min"],
        "top": top,
        "at": (peak["end_s"] if late else peak["start_s"]) / 60,
    }
    return [
        {
            "data": {"values": [drawn]},
            "mark": {"type": "rule", "color": PEAK, "strokeWidth": 3.5},
            "encoding": {"x": x, "x2": {"field": "until"}, "y": {"field": "value", **y}},
        },
        {
            "data": {"values": [drawn]},
            "mark": {
                "type": "text",
                "text": _peak_words(peak),
                "align": "right" if late else "left",
                "baseline": "top",
                "dx": -4 if late else 4,
                "dy": 5,
                "color": PEAK,
                "fontSize": 13,
                "fontWeight": 600,
            },
            "encoding": {"x": {**x, "field": "at"}, "y": {"field": "top", **y}},
        },
    ]


# --- the plateau -----------------------------------------------------------------------------------------------


def _mean_between(rows: _Rows, start_s: float, end_s: float) -> float | None:
    overlap = np.minimum(rows.end_s, end_s) - np.maximum(rows.start_s, start_s)
    weight = np.where(rows.counts, np.maximum(overlap, 0.0), 0.0)
    total = float(weight.sum())
    return None if total <= 0 else float((weight * np.where(rows.counts, rows.vo2, 0.0)).sum() / total)


def _plateau_lines(analysis: Mapping[str, Any], rows: _Rows, exercise_end_s: float | None) -> list[Spec]:
    """The two means compared and the rise expected between them, as lines; none where not assessable."""
    rule = _primary_rule(analysis)
    if rule is None or rule.get("verdict") not in {"seen", "not_seen"}:
        return []
    expected = rule.get("expected_rise")
    fit = (analysis.get("plateau") or {}).get("fit") or _fit_of_a_ramp(rule, rows, exercise_end_s)
    if fit is None or expected is None or rule.get("unit") != quantity_of("vo2_ml_min").unit:
        return []
    first_start, first_end, before = fit["earlier"]
    last_start, last_end, after = fit["later"]
    lines: list[Spec] = [
        {"t": at / 60, "t2": until / 60, "y": value, "y2": value, "line": "compared"}
        for at, until, value in ((first_start, first_end, before), (last_start, last_end, after))
    ]
    # The rise that the rule worked with is drawn, not one computed anew.
    lines.append(
        {
            "t": (first_start + first_end) / 120,
            "t2": (last_start + last_end) / 120,
            "y": before,
            "y2": before + expected,
            "line": "expected",
        }
    )
    points = fit.get("points") or []
    lines.extend(
        {"t": one[0] / 60, "t2": other[0] / 60, "y": one[1], "y2": other[1], "line": "submaximal"}
        for one, other in itertools.pairwise(points)
    )
    return lines


def _fit_of_a_ramp(
    rule: Mapping[str, Any], rows: _Rows, exercise_end_s: float | None
) -> Mapping[str, Any] | None:
    """The two windows of the ramp rule from the end of exercise, where the analysis does not hold them."""
    observed, window = rule.get("observed"), rule.get("window_s")
    if "ramp" not in str(rule.get("rule")) or observed is None or not window or exercise_end_s is None:
        return None
    middle = exercise_end_s - window
    before = _mean_between(rows, middle - window, middle)
    if before is None:
        return None
    return {
        "earlier": (middle - window, middle, before),
        "later": (middle, exercise_end_s, before + observed),
    }


def _plateau_layers(plateau: Sequence[Spec], x: Spec, y: Spec) -> list[Spec]:
    if not plateau:
        return []
    ends = {"x": x, "x2": {"field": "t2"}, "y": {"field": "y", **y}, "y2": {"field": "y2"}}
    return [
        {
            "data": {"values": [line for line in plateau if line["line"] == kind]},
            "mark": {"type": "rule", "color": INK, "strokeWidth": thickness, **dash},
            "encoding": ends,
        }
        for kind, thickness, dash in (
            ("submaximal", 1.1, {"strokeDash": [1, 3], "strokeCap": "round"}),
            ("expected", 1.8, {"strokeDash": [5, 3]}),
            ("compared", 2.8, {}),
        )
    ]


# --- phases and load -------------------------------------------------------------------------------------------


def _segments(rows: _Rows, exercise_start_s: float | None, exercise_end_s: float | None) -> list[Spec]:
    """Runs of one phase; marks decide about exercise, the phase column about the rest."""
    marked = exercise_start_s is not None and exercise_end_s is not None
    if not marked and not any(rows.phase):
        return []
    runs: list[Spec] = []
    for start, end, phase in zip(rows.start_s.tolist(), rows.end_s.tolist(), rows.phase, strict=True):
        words = _PHASE_WORDS.get(phase or "")
        pieces: list[tuple[float, float, str | None]] = [(start, end, words)]
        if exercise_start_s is not None and exercise_end_s is not None:
            pieces = _cut(start, end, words, exercise_start_s, exercise_end_s)
        for at, until, name in pieces:
            if name is None:
                continue
            if runs and runs[-1]["phase"] == name:
                runs[-1]["until"] = until / 60
            else:
                runs.append({"t": at / 60, "until": until / 60, "phase": name})
    return runs


def _cut(
    start: float, end: float, phase: str | None, exercise_start_s: float, exercise_end_s: float
) -> list[tuple[float, float, str | None]]:
    """One interval cut at the marks, each piece with the words for its phase."""
    before = phase if phase in {"rest", "warm-up"} else "before exercise"
    pieces: tuple[tuple[float, float, str | None], ...] = (
        (start, min(end, exercise_start_s), before),
        (max(start, exercise_start_s), min(end, exercise_end_s), "exercise"),
        (max(start, exercise_end_s), end, "recovery"),
    )
    return [piece for piece in pieces if piece[1] > piece[0]]


def _phase_strip(segments: Sequence[Spec], x_scale: Spec, width: int, *, bottom: bool) -> Spec:
    x = _x("t", x_scale, bottom=bottom)
    first, last = x_scale["domain"]
    px_per_min = width / (last - first)
    words = [
        {"at": (segment["t"] + segment["until"]) / 2, "phase": segment["phase"]}
        for segment in segments
        if (segment["until"] - segment["t"]) * px_per_min > _CHARACTER_PX * len(segment["phase"]) + 6
    ]
    return {
        "width": width,
        "height": 18,
        "layer": [
            {
                "data": {"values": list(segments)},
                "mark": {"type": "rect", "stroke": PAPER, "strokeWidth": 2, "cornerRadius": 3},
                "encoding": {
                    "x": x,
                    "x2": {"field": "until"},
                    "color": {
                        "condition": {"test": "datum.phase === 'exercise'", "value": "#c9d6de"},
                        "value": "#edf0f2",
                    },
                },
            },
            {
                "data": {"values": words},
                "mark": {"type": "text", "fontSize": 11, "color": INK},
                "encoding": {"x": {**x, "field": "at"}, "text": {"field": "phase"}},
            },
        ],
    }


def _load_panels(
    rows: _Rows, x_scale: Spec, marks: Sequence[float], width: int, quantities: Mapping[str, Quantity]
) -> list[Spec]:
    """Stepped lines of what was demanded: work rate, or speed and grade."""
    keys = [
        key
        for key in ("work_rate_w", "speed_km_h", "grade_percent")
        if np.isfinite(values := rows.column(key)).any() and np.nanmax(np.abs(values)) > 0
    ]
    if "work_rate_w" in keys:
        keys = ["work_rate_w"]
    return [
        _load_panel(
            rows,
            quantities[key],
            x_scale,
            marks,
            width,
            height=84 if len(keys) == 1 else 62,
            bottom=key == keys[-1],
        )
        for key in keys
    ]


def _load_panel(
    rows: _Rows,
    quantity: Quantity,
    x_scale: Spec,
    marks: Sequence[float],
    width: int,
    *,
    height: int,
    bottom: bool,
) -> Spec:
    values = rows.column(quantity.key)
    held = _held(rows, values)
    first, last = x_scale["domain"]
    px_per_min = width / (last - first)
    highest, lowest = max(float(run["value"]) for run in held), min(float(run["value"]) for run in held)
    domain = [min(0.0, lowest), 1.32 * highest if highest > 0 else 1.0]

    def words_of(run: Spec) -> str:
        return f"{round(run['value'], quantity.decimals):g}"

    steps: list[Spec] = []
    previous_end: float | None = None
    for run in held:
        if previous_end is not None and run["t"] - previous_end > 1e-6:
            steps.append({"t": previous_end, "value": None})
        steps.append({"t": run["t"], "value": run["value"]})
        steps.append({"t": run["until"], "value": run["value"]})
        previous_end = run["until"]
    words = [
        {"at": (run["t"] + run["until"]) / 2, "value": run["value"], "words": words_of(run)}
        for run in held
        if (run["until"] - run["t"]) * 60 >= _LEAST_HELD_S
        and (run["until"] - run["t"]) * px_per_min > _CHARACTER_PX * len(words_of(run)) + 4
        and run["value"] != 0
    ]
    x = _x("t", x_scale, bottom=bottom)
    y = {
        "field": "value",
        "type": "quantitative",
        "stack": None,
        "scale": {"domain": domain, "nice": False},
        "axis": {"title": [quantity.label, f"({quantity.unit})"], "tickCount": 3, "minExtent": _AXIS_EXTENT},
    }
    return {
        "width": width,
        "height": height,
        "layer": [
            {
                "data": {"values": steps},
                "mark": {
                    "type": "area",
                    "color": LOAD_FILL,
                    "line": {"color": LOAD, "strokeWidth": 1.6},
                    "interpolate": "linear",
                },
                "encoding": {"x": x, "y": y},
            },
            *_mark_rules(marks, x),
            {
                "data": {"values": words},
                "mark": {"type": "text", "baseline": "bottom", "dy": -3, "fontSize": 11, "color": QUIET},
                "encoding": {"x": {**x, "field": "at"}, "y": y, "text": {"field": "words"}},
            },
        ],
    }


def _held(rows: _Rows, values: Floats) -> list[Spec]:
    """Runs of equal, adjoining values, times in minutes."""
    held: list[Spec] = []
    for start, end, value in zip(rows.start_s.tolist(), rows.end_s.tolist(), values.tolist(), strict=True):
        if not math.isfinite(value):
            continue
        t, until = round(start / 60, 4), round(end / 60, 4)
        if held and held[-1]["value"] == value and abs(t - held[-1]["until"]) < 1e-3:
            held[-1]["until"] = until
        else:
            held.append({"t": t, "until": until, "value": value})
    return held
