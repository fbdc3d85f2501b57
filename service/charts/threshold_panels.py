"""What a threshold is set on by hand: small drawings with a line that can be moved, as numbers of the picture.

The charts of a test are pictures of one specification. Here the line is a field of a form, so the page draws it itself and
has to know at which place of each drawing a moment of the test lies.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.charts.traces import Columns, Floats, TestRows, read_rows, room, running_mean

WIDTH, HEIGHT = 460, 300
_LEFT, _RIGHT, _TOP, _BOTTOM = 64, 14, 14, 46
_AVERAGED_S = 10.0
_TICKS = 6


@dataclass(frozen=True, slots=True)
class Tick:
    """A place on an axis, px, and the value that stands there."""

    at: float
    value: float
    decimals: int


@dataclass(frozen=True, slots=True)
class Cloud:
    """Points of one kind."""

    name: str
    shape: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Panel:
    """One drawing.

    Attributes
    ----------
    name : str
    title, x_title, y_title : str
    x_ticks, y_ticks : tuple of Tick
    clouds : tuple of Cloud
    moments : tuple of (float, float)
        Seconds of the recording in rising order, and where each lies from left to right, px.
    """

    name: str
    title: str
    x_title: str
    y_title: str
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    clouds: tuple[Cloud, ...]
    moments: tuple[tuple[float, float], ...]

    def at(self, time_s: float | None) -> float | None:
        """Where a moment lies, px; None outside what is drawn."""
        if time_s is None or not self.moments[0][0] <= time_s <= self.moments[-1][0]:
            return None
        times, places = zip(*self.moments, strict=True)
        return round(float(np.interp(time_s, times, places)), 1)


@dataclass(frozen=True, slots=True)
class Panels:
    """All drawings of one threshold.

    Attributes
    ----------
    panels : tuple of Panel
    uptake : tuple of (float, float)
        Seconds of the recording, and the uptake about then, mL/min.
    """

    panels: tuple[Panel, ...] = ()
    uptake: tuple[tuple[float, float], ...] = ()

    def time_of(self, vo2_ml_min: float | None) -> float | None:
        """When the uptake is first reached; None where it is not."""
        if vo2_ml_min is None:
            return None
        return next((time for time, uptake in self.uptake if uptake >= vo2_ml_min), None)


def threshold_panels(threshold: str, analysis: Mapping[str, Any], intervals: Columns) -> Panels:
    """The drawings a threshold is set on.

    Parameters
    ----------
    threshold : {"vt1", "vt2", "lt"}
    analysis : mapping
        The analysis object; ``marks`` and ``lactate`` are read.
    intervals : mapping of str to sequence, each of length n
        As of `service.charts.uptake.columns_of`.

    Returns
    -------
    Panels
        Empty where exercise or uptake is not known.
    """
    marks = analysis.get("marks") or {}
    start, end = marks.get("exercise_start_s"), marks.get("exercise_end_s")
    rows = read_rows(intervals)
    if start is None or end is None or not rows.end_s.size:
        return Panels()
    means = _means(rows, start, end)
    time, uptake = _trend(rows, start, end)
    if time.size < 2:
        return Panels()
    trend = tuple((round(t, 1), round(v)) for t, v in zip(time.tolist(), uptake.tolist(), strict=True))
    made: list[Panel | None] = []
    if threshold == "vt1":
        clouds = [("VCO2", "diamond", means["vo2_ml_min"], means["vco2_ml_min"])]
        made.append(
            _panel(
                "v-slope",
                "CO2 output on oxygen uptake",
                "VO2 (mL/min)",
                "VCO2 (mL/min)",
                clouds,
                (time, uptake),
            )
        )
    if threshold == "vt2":
        output = _at(means["time_s"], means["vco2_ml_min"], time)
        clouds = [("VE", "circle", means["vco2_ml_min"], means["ve_l_min"])]
        made.append(
            _panel(
                "ve-vco2", "Ventilation on CO2 output", "VCO2 (mL/min)", "VE (L/min)", clouds, (time, output)
            )
        )
    if threshold == "lt":
        stages = [
            one
            for one in (analysis.get("lactate") or {}).get("stages") or []
            if one.get("vo2_ml_min") is not None
        ]
        clouds = [
            (
                "lactate",
                "circle",
                np.array([one["vo2_ml_min"] for one in stages], dtype=np.float64),
                np.array([one["lactate_mmol_l"] for one in stages], dtype=np.float64),
            )
        ]
        made.append(
            _panel(
                "lactate",
                "Blood lactate on oxygen uptake",
                "VO2 (mL/min)",
                "lactate (mmol/L)",
                clouds,
                (time, uptake),
            )
        )
    else:
        minutes = means["time_s"] / 60
        with np.errstate(divide="ignore", invalid="ignore"):
            clouds = [
                (name, shape, minutes, 1000 * means["ve_l_min"] / means[channel])
                for name, shape, channel in (
                    ("VE/VO2", "circle", "vo2_ml_min"),
                    ("VE/VCO2", "diamond", "vco2_ml_min"),
                )
            ]
        made.append(
            _panel(
                "equivalents",
                "Ventilatory equivalents over time",
                "time (min)",
                "VE/VO2, VE/VCO2",
                clouds,
                (time, time / 60),
            )
        )
    return Panels(tuple(one for one in made if one is not None), trend)


def _means(rows: TestRows, start: float, end: float) -> dict[str, Floats]:
    """Rows of exercise; of single breaths means of 10 s, weighted by their time."""
    inside = (rows.end_s > start) & (rows.start_s < end)
    middle = (rows.start_s + rows.end_s)[inside] / 2
    weight = (rows.end_s - rows.start_s)[inside]
    channels = {name: rows.known(name)[inside] for name in ("vo2_ml_min", "vco2_ml_min", "ve_l_min")}
    if not rows.dense:
        return {"time_s": middle, **channels}
    bins = (middle // _AVERAGED_S).astype(int)
    kept = np.unique(bins)

    def averaged(values: Floats) -> Floats:
        known = np.isfinite(values)
        total = np.array([np.sum(weight[(bins == one) & known]) for one in kept])
        mass = np.array([np.sum((weight * values)[(bins == one) & known]) for one in kept])
        mean: Floats = np.where(total > 0, mass / np.where(total > 0, total, 1.0), np.nan)
        return mean

    return {"time_s": averaged(middle), **{name: averaged(values) for name, values in channels.items()}}


def _trend(rows: TestRows, start: float, end: float) -> tuple[Floats, Floats]:
    """Uptake over time, smoothed enough to be read."""
    grid, uptake = running_mean(rows, rows.known("vo2_ml_min"))
    inside = (grid >= start) & (grid <= end) & np.isfinite(uptake)
    return grid[inside], uptake[inside]


def _at(time: Floats, values: Floats, wanted: Floats) -> Floats:
    known = np.isfinite(values)
    if not known.any():
        return np.full(wanted.size, np.nan)
    read: Floats = np.interp(wanted, time[known], values[known])
    return read


def _panel(
    name: str,
    title: str,
    x_title: str,
    y_title: str,
    clouds: list[tuple[str, str, Floats, Floats]],
    moments: tuple[Floats, Floats],
) -> Panel | None:
    """A drawing; None where nothing can be drawn."""
    known = [(one, shape, *_both(x, y)) for one, shape, x, y in clouds]
    known = [one for one in known if one[2].size > 1]
    along = np.isfinite(moments[1])
    if not known or along.sum() < 2:
        return None
    x_low, x_high = room([*np.concatenate([one[2] for one in known]).tolist()], below=0.04, above=0.04)
    x_low, x_high = min(x_low, float(moments[1][along].min())), max(x_high, float(moments[1][along].max()))
    y_low, y_high = room([*np.concatenate([one[3] for one in known]).tolist()], below=0.06, above=0.08)

    def across(value: float) -> float:
        return round(_LEFT + (WIDTH - _LEFT - _RIGHT) * (value - x_low) / (x_high - x_low), 1)

    def up(value: float) -> float:
        return round(HEIGHT - _BOTTOM - (HEIGHT - _TOP - _BOTTOM) * (value - y_low) / (y_high - y_low), 1)

    return Panel(
        name,
        title,
        x_title,
        y_title,
        tuple(Tick(across(value), value, decimals) for value, decimals in _ticks(x_low, x_high)),
        tuple(Tick(up(value), value, decimals) for value, decimals in _ticks(y_low, y_high)),
        tuple(
            Cloud(one, shape, tuple((across(a), up(b)) for a, b in zip(x.tolist(), y.tolist(), strict=True)))
            for one, shape, x, y in known
        ),
        tuple(
            (round(time, 1), across(place))
            for time, place in zip(moments[0][along].tolist(), moments[1][along].tolist(), strict=True)
        ),
    )


def _both(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    known = np.isfinite(x) & np.isfinite(y)
    return x[known], y[known]


def _ticks(low: float, high: float) -> list[tuple[float, int]]:
    """Round values between two ends, with the digits they need."""
    rough = (high - low) / _TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(one * power for one in (1, 2, 5, 10) if one * power >= rough)
    decimals = max(0, -math.floor(math.log10(step)))
    first = math.ceil(low / step)
    return [(one * step, decimals) for one in range(first, math.floor(high / step) + 1)]
