"""What the charts of single channels share: rows read from columns, running means, layers against time or load."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.analysis.series import OF_THE_BREATH
from service.charts.look import (
    INK,
    LINE_SYMBOL,
    LOAD,
    LOAD_FILL,
    PAPER,
    QUIET,
    Spec,
    legend_scales,
    quantity_of,
)

Floats = NDArray[np.float64]
Columns = Mapping[str, Sequence[Any]]

#: Rows shorter than this are drawn light, under a line of means.
_DENSE_BELOW_S = 8.0
_MEAN_STEPS = 500
_MOST_POINTS = 3000
#: Panels that stand above each other begin at the same place.
_LOW_AXIS_EXTENT = 44
MEAN_S = 30.0


@dataclass(frozen=True, slots=True)
class TestRows:
    """The rows of a test as arrays.

    Attributes
    ----------
    start_s, end_s : ndarray of float, shape (n,)
    excluded : ndarray of bool, shape (n,)
    columns : mapping of str to sequence
    """

    __test__ = False  # its name is the trade's, not a test class

    start_s: Floats
    end_s: Floats
    excluded: NDArray[np.bool_]
    columns: Columns

    @property
    def dense(self) -> bool:
        """Whether rows are single breaths or as short."""
        return bool(self.end_s.size and np.median(self.end_s - self.start_s) < _DENSE_BELOW_S)

    @property
    def middle_min(self) -> Floats:
        """Middle of each row, minutes."""
        return (self.start_s + self.end_s) / 120

    def known(self, key: str) -> Floats:
        """A channel, NaN where it is missing, excluded, of a breath that the rule leaves out, or impossible."""
        given = self.columns.get(key)
        if given is None:
            return np.full(self.end_s.size, np.nan)
        quantity = quantity_of(key)
        values = np.array([np.nan if value is None else float(value) for value in given], dtype=np.float64)
        sound = np.array([math.isfinite(one) and quantity.possible(one) for one in values], dtype=bool)
        if key in OF_THE_BREATH:
            sound &= ~np.array(
                [bool(one) for one in self.columns.get("aberrant", [False] * sound.size)], dtype=bool
            )
        return np.where(sound & ~self.excluded, values, np.nan)


def read_rows(intervals: Columns) -> TestRows:
    """Columns as arrays; a row without a duration lasts from the end before.

    Parameters
    ----------
    intervals : mapping of str to sequence, each of length n
        As of `service.charts.uptake.columns_of`.

    Raises
    ------
    ValueError
        Where the columns are of different lengths.
    """
    end = np.array([float(value) for value in intervals.get("end_s", [])], dtype=np.float64)
    for key, values in intervals.items():
        if len(values) != end.size:
            raise ValueError(f"intervals: column {key!r} has {len(values)} rows, end_s has {end.size}")
    step = np.diff(end, prepend=np.nan)
    if end.size:
        step[0] = step[1] if end.size > 1 else end[0]
    given = intervals.get("duration_s", [None] * end.size)
    duration = np.array([np.nan if one is None else float(one) for one in given], dtype=np.float64)
    excluded = np.array([bool(one) for one in intervals.get("excluded", [None] * end.size)], dtype=bool)
    return TestRows(end - np.where(np.isfinite(duration), duration, step), end, excluded, intervals)


def running_mean(
    rows: TestRows, values: Floats, window_s: float = MEAN_S, weights: Floats | None = None
) -> tuple[Floats, Floats]:
    """Means over windows round a grid of times, each row weighted by its time.

    Parameters
    ----------
    rows : TestRows
    values : ndarray of float, shape (n,)
        NaN where a row does not count.
    window_s : float
    weights : ndarray of float, shape (n,), optional
        Per second; with the denominator of a ratio the mean is the ratio of the means.

    Returns
    -------
    grid_s, means : ndarray of float, shape (m,)
        NaN where less than half the window is covered.
    """
    if not rows.end_s.size:
        return np.empty(0), np.empty(0)
    heavy = np.ones(rows.end_s.size) if weights is None else weights
    counts = np.isfinite(values) & np.isfinite(heavy)
    edges = np.maximum.accumulate(np.column_stack((rows.start_s, rows.end_s)).ravel())
    inside = np.zeros_like(edges)
    inside[1::2] = np.diff(edges)[::2]

    def running(per_second: Floats) -> Floats:
        summed: Floats = np.cumsum(inside * np.repeat(per_second, 2))
        return summed

    step = max(2.0, float(edges[-1] - edges[0]) / _MEAN_STEPS)
    grid = np.arange(edges[0] + window_s / 2, edges[-1] - window_s / 2 + step / 2, step)
    low, high = grid - window_s / 2, grid + window_s / 2

    def between(summed: Floats) -> Floats:
        difference: Floats = np.interp(high, edges, summed) - np.interp(low, edges, summed)
        return difference

    time = between(running(counts.astype(np.float64)))
    mass = between(running(np.where(counts, heavy, 0.0)))
    total = between(running(np.where(counts, heavy * np.where(counts, values, 0.0), 0.0)))
    enough = (time >= window_s / 2) & (mass > 0)
    return grid, np.where(enough, total / np.where(enough, mass, 1.0), np.nan)


def time_axis(field: str, rows: TestRows, *, bottom: bool = True) -> Spec:
    """Minutes from the start of the recording."""
    domain = [float(rows.start_s.min()) / 60, float(rows.end_s.max()) / 60]
    axis: Spec = {"title": "Time from the start of the recording (min)", "tickMinStep": 1, "format": "d"}
    return {
        "field": field,
        "type": "quantitative",
        "scale": {"domain": domain, "nice": False, "zero": False},
        "axis": axis if bottom else None,
    }


def upright_axis(
    field: str, title: str | Sequence[str], domain: tuple[float, float], text: str = "~g"
) -> Spec:
    """An upright axis with its range."""
    return {
        "field": field,
        "type": "quantitative",
        "stack": None,
        "scale": {"domain": list(domain), "nice": False, "zero": False, "clamp": True},
        "axis": {"title": title if isinstance(title, str) else list(title), "format": text, "tickCount": 6},
    }


def room(values: Sequence[float], *, below: float = 0.06, above: float = 0.14) -> tuple[float, float]:
    """A range that holds the values with some room."""
    low, high = min(values), max(values)
    span = (high - low) or max(abs(high), 1.0)
    return low - below * span, high + above * span


def low_axis(domain: tuple[float, float], text: str) -> Spec:
    """An upright axis of a low panel among others, whose heading names what it shows."""
    y = upright_axis("value", "", domain, text)
    return {**y, "axis": {**y["axis"], "title": None, "tickCount": 3, "minExtent": _LOW_AXIS_EXTENT}}


def load_steps(rows: TestRows, values: Floats) -> Callable[[Spec], list[Spec]]:
    """The load, as it was held."""
    known = values[np.isfinite(values)].tolist()
    low = min([0.0, *known])
    y = low_axis((low, room([low, *known])[1]), ",.1~f")
    held: list[Spec] = []
    for start, end, value in zip(rows.start_s.tolist(), rows.end_s.tolist(), values.tolist(), strict=True):
        shown = round(value, 3) if np.isfinite(value) else None
        held += [{"t": round(start / 60, 4), "value": shown}, {"t": round(end / 60, 4), "value": shown}]

    def layers(x: Spec) -> list[Spec]:
        return [
            {
                "data": {"values": held},
                "mark": {
                    "type": "area",
                    "color": LOAD_FILL,
                    "line": {"color": LOAD, "strokeWidth": 1.4},
                    "clip": True,
                },
                "encoding": {"x": x, "y": y},
            }
        ]

    return layers


def points_of(rows: TestRows, values: Floats, kind: str, domain: tuple[float, float]) -> list[Spec]:
    """Rows as points, thinned where there are very many; those beyond the range stand at its edge."""
    every = max(1, math.ceil(rows.end_s.size / _MOST_POINTS))
    return [
        {"t": round(t, 4), "value": round(min(max(value, domain[0]), domain[1]), 4), "kind": kind}
        for i, (t, value) in enumerate(zip(rows.middle_min.tolist(), values.tolist(), strict=True))
        if math.isfinite(value) and i % every == 0
    ]


def cloud(points: Sequence[Spec], x: Spec, y: Spec, scales: Spec, *, dense: bool) -> Spec:
    """A layer of points with its legend."""
    return {
        "data": {"values": list(points)},
        "mark": {
            "type": "point",
            "size": 9 if dense else 32,
            "strokeWidth": 0.6 if dense else 1.3,
            "opacity": 0.38 if dense else 1,
        },
        "encoding": {"x": x, "y": y, **scales},
    }


def line(pairs: Sequence[tuple[float, float]], x: Spec, y: Spec, colour: str, **mark: Any) -> Spec:
    """A line through points given as (x, value); NaN breaks it."""
    x_name, y_name = x["field"], y["field"]
    return {
        "data": {
            "values": [
                {x_name: round(at, 4), y_name: round(value, 4) if math.isfinite(value) else None}
                for at, value in pairs
            ]
        },
        "mark": {
            "type": "line",
            "color": colour,
            "strokeWidth": 1.8,
            "strokeJoin": "round",
            "clip": True,
            **mark,
        },
        "encoding": {"x": x, "y": y},
    }


def curve(
    rows: TestRows,
    values: Floats,
    kind: Mapping[str, str],
    x: Spec,
    y: Spec,
    *,
    weights: Floats | None = None,
) -> list[Spec]:
    """One channel with its legend: single breaths under their running mean, longer rows on a thin line.

    Parameters
    ----------
    rows : TestRows
    values : ndarray of float, shape (n,)
        NaN where a row does not count.
    kind : mapping
        As of `legend_kind`.
    x, y : mapping
        The axes.
    weights : ndarray of float, shape (n,), optional
        As of `running_mean`.
    """
    low, high = y["scale"]["domain"]
    kinds = [
        kind,
        *([legend_kind(f"mean over {MEAN_S:g} s", LINE_SYMBOL, kind["stroke"])] if rows.dense else []),
    ]
    points = cloud(
        points_of(rows, values, kind["name"], (low, high)), x, y, legend_scales(kinds), dense=rows.dense
    )
    if rows.dense:
        return [points, line(path_of(rows, values, weights), x, y, kind["stroke"], strokeWidth=2.2)]
    return [line(path_of(rows, values), x, y, kind["stroke"], strokeWidth=1.1, opacity=0.55), points]


def path_of(rows: TestRows, values: Floats, weights: Floats | None = None) -> list[tuple[float, float]]:
    """Minutes and values of a line through a channel: of running means where rows are single breaths."""
    if not rows.dense:
        return list(zip(rows.middle_min.tolist(), values.tolist(), strict=True))
    grid, means = running_mean(rows, values, weights=weights)
    return list(zip((grid / 60).tolist(), means.tolist(), strict=True))


def upright_rules(places: Sequence[tuple[float, str]], x: Spec, colour: str = LOAD) -> list[Spec]:
    """Upright rules, each with its words at the top, stepping down so that neighbours do not cover each other.

    Parameters
    ----------
    places : sequence of (place, words)
        In the unit of `x`; words may be empty.
    x : mapping
        The axis.
    colour : str
    """
    if not places:
        return []
    name = x["field"]
    ordered = sorted(places)
    low, high = x["scale"]["domain"]
    drawn = [{name: round(at, 4), "words": words} for at, words in ordered]
    layers: list[Spec] = [
        {
            "data": {"values": drawn},
            "mark": {"type": "rule", "color": colour, "strokeWidth": 1.1, "strokeDash": [3, 3]},
            "encoding": {"x": x},
        }
    ]
    span = (high - low) or 1.0
    for place, one in enumerate(drawn):
        if not one["words"]:
            continue
        at = ordered[place][0]
        # To the left near the right end, and where the next rule would cross the words.
        close = place + 1 < len(ordered) and (ordered[place + 1][0] - at) / span < 0.15
        left = (at - low) / span > (0.25 if close else 0.6)
        layers += haloed_words(
            [one],
            str(one["words"]),
            {"x": x, "y": {"value": 0}},
            align="right" if left else "left",
            baseline="top",
            dx=-4 if left else 4,
            dy=3 + 15 * place,
            color=colour,
            fontSize=11,
        )
    return layers


def haloed_words(data: Sequence[Spec], words: str, encoding: Spec, **mark: Any) -> list[Spec]:
    """Words on a halo of paper, so that lines behind do not cut them."""
    shape = {"type": "text", "text": words, **mark}
    halo = {**shape, "stroke": PAPER, "strokeWidth": 4, "strokeJoin": "round"}
    return [{"data": {"values": list(data)}, "mark": one, "encoding": encoding} for one in (halo, shape)]


def level_rule(
    value: float, words: str, x: Spec, y: Spec, colour: str = QUIET, *, below: bool = False
) -> list[Spec]:
    """A level rule with its words at the left end, above it or below."""
    one = {x["field"]: x["scale"]["domain"][0], y["field"]: value}
    return [
        {
            "data": {"values": [one]},
            "mark": {"type": "rule", "color": colour, "strokeWidth": 1.1, "strokeDash": [3, 3]},
            "encoding": {"y": y},
        },
        {
            "data": {"values": [one]},
            "mark": {
                "type": "text",
                "text": words,
                "align": "left",
                "baseline": "top" if below else "bottom",
                "dx": 5,
                "dy": 4 if below else -3,
                "color": colour,
                "fontSize": 11,
            },
            "encoding": {"x": x, "y": y},
        },
    ]


def marks_of(analysis: Mapping[str, Any]) -> list[tuple[float, str]]:
    """Start and end of exercise, minutes, with words."""
    marks = analysis.get("marks") or {}
    return [
        (mark / 60, words)
        for mark, words in (
            (marks.get("exercise_start_s"), "exercise begins"),
            (marks.get("exercise_end_s"), "exercise ends"),
        )
        if mark is not None
    ]


def legend_kind(name: str, shape: str, colour: str, *, hollow: bool = False) -> dict[str, str]:
    """One entry of a legend."""
    return {"name": name, "shape": shape, "stroke": colour, "fill": PAPER if hollow else colour}


def words_at(
    at: float, value: float, words: str, x: Spec, y: Spec, *, colour: str = INK, left: bool = False
) -> Spec:
    """Words beside a point."""
    return {
        "data": {"values": [{x["field"]: at, y["field"]: value}]},
        "mark": {
            "type": "text",
            "text": words,
            "align": "right" if left else "left",
            "baseline": "bottom",
            "dx": -6 if left else 6,
            "dy": -5,
            "color": colour,
            "fontSize": 12,
            "fontWeight": 600,
        },
        "encoding": {"x": x, "y": y},
    }
