"""Where exercise begins and ends, and which rows count.

The marks a tester gave win; else the phase column; else they are inferred from the load, and where there is
no load from the uptake. What was not given is said in a finding.
"""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from service.analysis.series import OF_THE_BREATH, PHASES, Bools, Floats, Series, TestInput, known_of_series
from service.analysis.windows import Running
from service.findings import Finding, finding
from service.quantities import QUANTITIES

Basis = Literal["given", "phases", "inferred"]

_EXERCISE = PHASES.index("exercise")
_RECOVERY = PHASES.index("recovery")
_SLACK_S = 1e-6
# Project defaults for inferred marks.
_LOADED = 0.5  # of the highest load: still exercising
_LONGEST_PAUSE_S = 120.0  # between stages, for a blood sample; a verification bout starts later
_WARM_UP_HOLD_S = 60.0  # a first load held this long before a ramp is the warm-up
_RAMP_HOLD_S = 45.0  # loads held shorter than this are a ramp


@dataclass(frozen=True, slots=True)
class Marks:
    """The exercise of one test.

    Attributes
    ----------
    exercise_start_s, exercise_end_s : float
        On the clock of the series.
    basis : {"given", "phases", "inferred"}
        Where they come from; the weaker of the two where they differ.
    findings : tuple of Finding
        What was taken from phases or inferred.
    """

    exercise_start_s: float
    exercise_end_s: float
    basis: Basis
    findings: tuple[Finding, ...] = field(default=(), hash=False)

    @property
    def duration_s(self) -> float:
        """Length of exercise, seconds."""
        return self.exercise_end_s - self.exercise_start_s


@known_of_series
def counted_rows(series: Series, key: str = "vo2_ml_min") -> Bools:
    """Rows whose value of one channel counts: there, not left out by hand or by a rule, and possible.

    A rule about breaths leaves out what the breath gives, not the load or the heart rate beside it.

    Parameters
    ----------
    series : Series
    key : str
        A channel.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    values = series.channel(key)
    there = np.isfinite(values) & ~series.excluded
    if key in OF_THE_BREATH and series.aberrant.size:
        there &= ~series.aberrant
    limits = QUANTITIES[key].hard
    if limits is None:
        return there
    possible = (np.where(there, values, limits[0]) >= limits[0]) & (
        np.where(there, values, limits[0]) <= limits[1]
    )
    return there & possible


@known_of_series
def counted_values(series: Series, key: str) -> Floats:
    """The values of one channel, NaN in rows where it does not count."""
    return np.where(counted_rows(series, key), series.channel(key), np.nan)


@known_of_series
def running_of(series: Series, key: str) -> Running:
    """Running integrals of one channel over the rows in which it counts."""
    return Running(series.start_s, series.end_s, series.channel(key), counted_rows(series, key))


@known_of_series
def rows_in_exercise(series: Series, marks: Marks) -> Bools:
    """Rows of which some part lies between the marks."""
    return (series.end_s > marks.exercise_start_s + _SLACK_S) & (
        series.start_s < marks.exercise_end_s - _SLACK_S
    )


@known_of_series
def full_rows_in_exercise(series: Series, marks: Marks) -> Bools:
    """Rows that lie wholly between the marks."""
    return (series.start_s >= marks.exercise_start_s - _SLACK_S) & (
        series.end_s <= marks.exercise_end_s + _SLACK_S
    )


@known_of_series
def exercise_load(series: Series, marks: Marks, key: str) -> Floats:
    """Work rate, speed or grade between the marks, fit for a mean over a window.

    A row cut by the end of exercise mixes load and recovery, so its load is that of the last full row. A row
    cut by the start has no load of its own and does not count.

    Parameters
    ----------
    series : Series
    marks : Marks
    key : {"work_rate_w", "speed_km_h", "grade_percent"}

    Returns
    -------
    ndarray of float, shape (n,)
        NaN outside exercise and where a row does not count.
    """
    values = counted_values(series, key)
    full = full_rows_in_exercise(series, marks)
    load = np.where(full, values, np.nan)
    cut = (
        (series.start_s >= marks.exercise_start_s - _SLACK_S)
        & (series.start_s < marks.exercise_end_s - _SLACK_S)
        & (series.end_s > marks.exercise_end_s + _SLACK_S)
    )
    (known,) = np.nonzero(np.isfinite(load))
    if cut.any() and known.size:
        load[cut & ~series.excluded] = load[known[-1]]
    return load


def find_marks(test: TestInput) -> Marks:
    """Find where exercise begins and ends.

    Parameters
    ----------
    test : TestInput
        With at least one interval.

    Returns
    -------
    Marks

    Raises
    ------
    ValueError
        The series is empty.
    """
    series = test.series
    if not len(series):
        raise ValueError("A test without intervals has no exercise to mark; enter its intervals first.")
    start, end = test.exercise_start_s, test.exercise_end_s
    if start is not None and end is not None:
        return Marks(start, end, "given")

    from_phases: list[str] = []
    phase_start, phase_end = _phase_marks(series)
    if start is None and phase_start is not None:
        start = phase_start
        from_phases.append("start")
    if end is None and phase_end is not None:
        end = phase_end
        from_phases.append("end")
    findings: list[Finding] = []
    if from_phases:
        findings.append(
            finding(
                "marks_from_phases",
                f"The {' and '.join(from_phases)} of exercise "
                f"{'was' if len(from_phases) == 1 else 'were'} taken from the phases of the rows: "
                f"{_span_text(start, end)}.",
            )
        )
    if start is not None and end is not None:
        return Marks(start, end, "phases", tuple(findings))

    missing = [name for name, mark in (("start", start), ("end", end)) if mark is None]
    seen_start, seen_end, seen_in = _inferred_marks(series, start, end)
    start = seen_start if start is None else start
    end = seen_end if end is None else end
    findings.append(
        finding(
            "phases_inferred",
            f"The {' and '.join(missing)} of exercise {'was' if len(missing) == 1 else 'were'} inferred from the "
            f"{seen_in}: {_span_text(start, end)}.",
        )
    )
    return Marks(start, end, "inferred", tuple(findings))


def _span_text(start: float | None, end: float | None) -> str:
    shown = ["?" if mark is None else f"{mark:.1f}" for mark in (start, end)]
    return f"{shown[0]} s to {shown[1]} s"


def _phase_marks(series: Series) -> tuple[float | None, float | None]:
    (exercise,) = np.nonzero(series.phase == _EXERCISE)
    if exercise.size:
        return float(series.start_s[exercise[0]]), float(series.end_s[exercise[-1]])
    start = end = None
    (before,) = np.nonzero((series.phase >= 0) & (series.phase < _EXERCISE))
    (after,) = np.nonzero(series.phase == _RECOVERY)
    if before.size:
        start = float(series.end_s[before[-1]])
    if after.size:
        end = float(series.start_s[after[0]])
    return start, end


def _inferred_marks(series: Series, start: float | None, end: float | None) -> tuple[float, float, str]:
    for key, name in (("work_rate_w", "work rate"), ("speed_km_h", "speed")):
        load = counted_values(series, key)
        if np.isfinite(load).any() and np.nanmax(load) > 0:
            return *_marks_from_load(series, load, start), name
    grade = counted_values(series, "grade_percent")
    if np.isfinite(grade).any() and np.nanmax(grade) > max(0.0, float(np.nanmin(grade))):
        return *_marks_from_load(series, grade, start), "grade"
    if series.has("vo2_ml_min"):
        return *_marks_from_uptake(series), "uptake"
    first = float(series.start_s[0]) if start is None else start
    last = float(series.end_s[-1]) if end is None else end
    return first, last, "length of the recording, for want of load and uptake"


def _marks_from_load(series: Series, load: Floats, given_start: float | None) -> tuple[float, float]:
    (loaded,) = np.nonzero(load >= _LOADED * np.nanmax(load))
    # Stretches of high load, pauses between stages included; a verification bout later on is another stretch.
    apart = np.flatnonzero(series.start_s[loaded[1:]] - series.end_s[loaded[:-1]] > _LONGEST_PAUSE_S)
    begins = loaded[np.concatenate(([0], apart + 1))]
    finishes = loaded[np.concatenate((apart, [loaded.size - 1]))]
    longest = int(np.argmax(series.end_s[finishes] - series.start_s[begins]))
    last = int(finishes[longest])
    if given_start is not None:
        return given_start, float(series.end_s[last])
    after = int(finishes[longest - 1]) + 1 if longest else 0
    moving = after + np.flatnonzero(np.nan_to_num(load[after : last + 1]) > 0)
    if longest:
        # What lies between two bouts is the recovery of the first.
        moving = moving[moving >= begins[longest]]
    first = int(moving[0])
    # A low load held for long before one that then keeps changing is a warm-up, not a stage.
    known = moving[moving >= first]
    # Differences of rounding are none.
    changes = np.flatnonzero(np.abs(np.diff(load[known])) > 1e-4 * np.nanmax(load))
    begins = np.concatenate(([0], changes + 1))
    finishes = np.concatenate((changes, [known.size - 1]))
    held_s = series.end_s[known[finishes]] - series.start_s[known[begins]]
    low = load[known[begins]] <= _LOADED * np.nanmax(load) + _SLACK_S
    long = np.flatnonzero((held_s >= _WARM_UP_HOLD_S) & (low | (begins == 0)))
    if long.size and held_s.size - long[-1] > 3 and np.median(held_s[long[-1] + 1 : -1]) < _RAMP_HOLD_S:
        first = int(known[begins[long[-1] + 1]])
    return float(series.start_s[first]), float(series.end_s[last])


def _marks_from_uptake(series: Series) -> tuple[float, float]:
    starts, ends = series.start_s, series.end_s
    # Means of 15 s on either side of each row's end: smooth enough for breaths, quick enough for an end.
    smooth, _ = running_of(series, "vo2_ml_min").means(ends - 15.0, 30.0)
    if not np.isfinite(smooth).any():
        return float(starts[0]), float(ends[-1])
    top = int(np.nanargmax(smooth))
    fallen = np.nonzero(smooth[top:] < 0.9 * smooth[top])[0]
    last = top + int(fallen[0]) - 1 if fallen.size else len(series) - 1
    early = smooth[: top + 1]
    low = float(np.nanmin(early))
    risen = np.nonzero(early > low + 0.2 * (smooth[top] - low))[0]
    lowest = int(np.nanargmin(early))
    risen = risen[risen >= lowest]
    first = int(risen[0]) if risen.size and lowest > 0 else 0
    return float(starts[first]), float(ends[max(last, first)])
