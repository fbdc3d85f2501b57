"""Signatures of faults in a recording: leaks, drift, wrong scales, mistaken units, identities that do not hold.

The signatures are those of the trade; where no source stands beside a limit it is a default of this project. Nothing
here changes a number, and a fault that leaves no signature (a small drift, a wrong scale of everything) is not found:
calibration before and after the test, and a comparison at one load across visits, see more.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from service.analysis.marks import Marks, counted_rows, rows_in_exercise, running_of
from service.analysis.moments import median
from service.analysis.peaks import carbon_dioxide_lost
from service.analysis.series import PHASES, Bools, Floats, Series, StageNote, TestInput
from service.analysis.windows import LEAST_COVERED_FRACTION, means_from, starts_without_overlap
from service.findings import Finding, finding
from service.methods.metabolic_equations import (
    KGM_MIN_PER_W,
    KM_H_PER_MPH,
    RESTING_ML_KG_MIN,
    acsm_leg_cycling,
)

_SLACK_S = 1e-6
_LOAD_KEYS = ("work_rate_w", "speed_km_h", "grade_percent")
_FLOWS = ("vo2_ml_min", "vco2_ml_min", "ve_l_min")

# Sudden changes, mean against mean.
_CHANGE_WINDOW_S = 30.0
_FALL = 0.12
_RATIO_SHIFT = 0.06
_UNCHANGED = 0.04
# As much may ventilation and CO2 output grow with the load of a steep ramp in 30 s.
_GROWN = 0.12
_OXYGEN_ALONE_FALL, _OXYGEN_ALONE_RISE = 0.10, 0.16

# Slow changes, means of a minute.
_MINUTE_S = 60.0
_RATIO_FALL = 0.06
_LOAD_RISE = 1.15
# Outside these a resting ratio is suspect (published; at rest nobody burns outside them).
_RESTING_RATIO = (0.67, 1.3)

# The lowest VE/VCO2 of an exercise test. Below 19 more than 6.4 % of the expired gas would be CO2.
_LEAST_EQUIVALENT = (19.0, 50.0)
# VE of BTPS over STPD at sea level is 1/0.826; back-computed fractions beyond these cannot be exercise on room air.
_STPD_PER_BTPS = 0.826
_ROOM_AIR = 0.2093
_FEO2, _FECO2_HIGHEST = (0.14, 0.20), 0.07

# Uptake over the ACSM cost of leg cycling; the medians of 76 real tests in stages (Sylta 2016) lie from 1.00 to 1.26.
_CYCLE_COST = (0.72, 1.35)

_IDENTITY_VE, _IDENTITY_WORK = 0.05, 0.05
_GRAVITY = 9.80665
_COUNT_HIGHEST = 55.0
_UNIT_SLACK = 0.025


@dataclass(frozen=True, slots=True)
class _Moments:
    """Times in exercise, and the change of each channel from before to after each of them."""

    series: Series
    at: Floats
    length_s: float

    def change(self, key: str) -> Floats:
        """Relative change of the mean; NaN where it is not known."""
        moments = np.concatenate((self.at - self.length_s, self.at))
        means, covered = running_of(self.series, key).means(moments, self.length_s)
        before, after = np.split(means, 2)
        enough = np.minimum(*np.split(covered, 2)) >= LEAST_COVERED_FRACTION - 1e-9
        known = enough & (before != 0)
        answer: Floats = np.divide(after, before, out=np.full(before.shape, np.nan), where=known) - 1
        return answer

    def rows_from(self, moment: float) -> tuple[int, int]:
        """First and last row of the window after a moment."""
        starts = self.series.start_s
        (within,) = np.nonzero((starts >= moment - _SLACK_S) & (starts < moment + self.length_s))
        return int(within[0]), int(within[-1])


def find_signatures(test: TestInput, marks: Marks) -> list[Finding]:
    """Look for the signatures of faults.

    Parameters
    ----------
    test : TestInput
        With at least one interval.
    marks : Marks

    Returns
    -------
    list of Finding
        Empty for a clean test.
    """
    series = test.series
    found = [
        *_sudden(series, marks),
        *_ratio_falls(series, marks),
        *_resting_ratio(series, marks),
        *_ventilation_out_of_line(series, marks),
        *_expired_fractions(test, marks),
        *_ventilation_identity(series, marks),
        *_against_cycle_cost(test, marks),
        *_heart_rate_counted(test, marks),
        *_heart_rate_follows_cadence(series, marks),
        *_grade_as_fraction(test),
        *_work_rate_identity(test, marks),
        *_noted_loads(test),
    ]
    return found + _times(test)


# -- sudden changes ---------------------------------------------------------------------------------------------------


def _sudden(series: Series, marks: Marks) -> list[Finding]:
    loads = [key for key in _LOAD_KEYS if series.has(key)]
    if not loads or not all(series.has(key) for key in _FLOWS):
        return []
    length = max(_CHANGE_WINDOW_S, 2 * median(series.duration_s))
    edges = series.end_s
    at = np.flatnonzero(
        (edges >= marks.exercise_start_s + length + 60.0) & (edges <= marks.exercise_end_s - length)
    )
    if not at.size:
        return []
    moments = _Moments(series, edges[at], length)
    uptake, output, ventilation = (moments.change(key) for key in _FLOWS)
    steady = ~(moments.change("heart_rate_bpm") < -0.05)
    still = np.ones(at.size, dtype=np.bool_)
    for key in loads:
        change = moments.change(key)
        steady &= ~(change < -0.02)
        still &= ~(np.abs(change) > 0.02)
        if key != "grade_percent":
            load = np.nan_to_num(series.channel(key))
            steady &= load[at] >= 0.25 * load.max()
    together = np.abs((1 + output) / (1 + uptake) - 1) <= _RATIO_SHIFT
    gases = (uptake <= -_FALL) & (output <= -_FALL) & together & steady
    found = []
    leak = gases & (ventilation <= -_FALL)
    if leak.any():
        worst = int(np.argmin(np.where(leak, uptake, np.inf)))
        found.append(
            _at(
                moments,
                worst,
                "leak_signature",
                f"uptake, CO2 output and ventilation fall together, uptake by {-100 * uptake[worst]:.0f} %, while the load "
                "does not.",
            )
        )
    grown = _GROWN * length / _CHANGE_WINDOW_S
    air = gases & (ventilation >= -_UNCHANGED) & (ventilation <= grown)
    if air.any():
        worst = int(np.argmin(np.where(air, uptake, np.inf)))
        found.append(
            _at(
                moments,
                worst,
                "sample_line_air",
                f"uptake and CO2 output fall together, uptake by {-100 * uptake[worst]:.0f} %, while ventilation and load "
                "do not.",
            )
        )
    equivalent = (1 + ventilation) / (1 + output) - 1
    falls = (uptake <= -_OXYGEN_ALONE_FALL) & (output >= -_UNCHANGED) & (output <= grown)
    rises = (uptake >= _OXYGEN_ALONE_RISE) & (np.abs(output) <= _UNCHANGED) & still
    alone = (falls | rises) & (np.abs(equivalent) <= _UNCHANGED) & steady
    if alone.any():
        worst = int(np.argmax(np.where(alone, np.abs(uptake), -np.inf)))
        found.append(
            _at(
                moments,
                worst,
                "oxygen_signal_shift",
                f"uptake {'falls' if uptake[worst] < 0 else 'rises'} by {100 * abs(uptake[worst]):.0f} % at once while CO2 "
                "output, ventilation and load do not.",
            )
        )
    return found


def _at(moments: _Moments, index: int, code: str, said: str) -> Finding:
    moment = float(moments.at[index])
    first, last = moments.rows_from(moment)
    return finding(code, f"At {moment:.0f} s {said}", first_seq=first, last_seq=last)


# -- slow changes -----------------------------------------------------------------------------------------------------


def _minutes(
    series: Series, values: Floats, counts: Bools, from_s: float, to_s: float
) -> tuple[Floats, Floats]:
    """Starts and means of consecutive minutes, the last one at the end; NaN where one is not covered."""
    n = int((to_s - from_s + _SLACK_S) // _MINUTE_S)
    starts: Floats = to_s - _MINUTE_S * np.arange(n, 0, -1, dtype=np.float64)
    if not n:
        return starts, starts
    means, covered = means_from(series.start_s, series.end_s, values, counts, starts, _MINUTE_S)
    known: Floats = np.where(covered >= LEAST_COVERED_FRACTION - 1e-9, means, np.nan)
    return starts, known


def _exercise_load(series: Series) -> Floats | None:
    """Work rate, or speed times what the grade adds: it need only tell whether the load rose."""
    if series.has("work_rate_w"):
        return series.channel("work_rate_w")
    if series.has("speed_km_h"):
        return series.channel("speed_km_h") * (
            1 + np.nan_to_num(series.channel("grade_percent"), posinf=0.0, neginf=0.0) / 20
        )
    return None


def _ratio_falls(series: Series, marks: Marks) -> list[Finding]:
    load = _exercise_load(series)
    if load is None or not (series.has("vo2_ml_min") and series.has("vco2_ml_min")):
        return []
    counts = counted_rows(series) & counted_rows(series, "vco2_ml_min") & ~carbon_dioxide_lost(series, marks)
    first, last = marks.exercise_start_s + 180.0, marks.exercise_end_s
    starts, uptake = _minutes(series, series.channel("vo2_ml_min"), counts, first, last)
    if len(starts) < 4:
        return []
    _, output = _minutes(series, series.channel("vco2_ml_min"), counts, first, last)
    _, work = _minutes(series, load, np.isfinite(load), first, last)
    ratio = output / uptake
    if not np.isfinite(ratio[-1]) or not np.isfinite(ratio[:-2]).any():
        return []
    top = int(np.nanargmax(ratio[:-2]))
    fall = float(ratio[top] - ratio[-1])
    if fall < _RATIO_FALL or not work[-1] >= _LOAD_RISE * work[top]:
        return []
    (within,) = np.nonzero((series.start_s >= starts[top]) & (series.end_s <= last + _SLACK_S))
    return [
        finding(
            "ratio_falls_as_load_rises",
            f"RER falls from {ratio[top]:.2f} in the minute from {starts[top]:.0f} s to {ratio[-1]:.2f} in the last minute "
            "of exercise although the load rises.",
            first_seq=int(within[0]),
            last_seq=int(within[-1]),
        )
    ]


def _resting_ratio(series: Series, marks: Marks) -> list[Finding]:
    rest = (series.phase == PHASES.index("rest")) & (series.end_s <= marks.exercise_start_s + _SLACK_S)
    rest &= counted_rows(series) & counted_rows(series, "vco2_ml_min")
    if series.duration_s[rest].sum() < _MINUTE_S - _SLACK_S:
        return []
    weights = series.duration_s[rest]
    ratio = float(
        np.dot(weights, series.channel("vco2_ml_min")[rest])
        / np.dot(weights, series.channel("vo2_ml_min")[rest])
    )
    if _RESTING_RATIO[0] <= ratio <= _RESTING_RATIO[1]:
        return []
    (at,) = np.nonzero(rest)
    return [
        finding(
            "resting_ratio_suspect",
            f"RER at rest is {ratio:.2f}; outside {_RESTING_RATIO[0]:g} to {_RESTING_RATIO[1]:g} calibration or a leak is "
            "suspected.",
            first_seq=int(at[0]),
            last_seq=int(at[-1]),
        )
    ]


# -- scales and identities of the gases -------------------------------------------------------------------------------


def _settled_minutes(series: Series, marks: Marks, *keys: str) -> tuple[Floats, list[Floats]]:
    """Means of the minutes of exercise from its third on, of several channels over the same rows."""
    counts = np.ones(len(series), dtype=np.bool_)
    for key in keys:
        counts &= counted_rows(series, key)
    if "vco2_ml_min" in keys:
        counts &= ~carbon_dioxide_lost(series, marks)
    span = marks.exercise_start_s + 120.0, marks.exercise_end_s
    means = [_minutes(series, series.channel(key), counts, *span) for key in keys]
    return means[0][0], [values for _, values in means]


def _ventilation_out_of_line(series: Series, marks: Marks) -> list[Finding]:
    _, (ventilation, output) = _settled_minutes(series, marks, "ve_l_min", "vco2_ml_min")
    equivalent = 1000 * ventilation / output
    if not np.isfinite(equivalent).any():
        return []
    least = float(np.nanmin(equivalent))
    if _LEAST_EQUIVALENT[0] <= least <= _LEAST_EQUIVALENT[1]:
        return []
    return [
        finding(
            "ventilation_out_of_line",
            f"The lowest VE/VCO2 of a minute of exercise is {least:.1f}; usual are {_LEAST_EQUIVALENT[0]:g} to "
            f"{_LEAST_EQUIVALENT[1]:g}.",
        )
    ]


def expired_fractions(
    ve_stpd: Floats, vo2: Floats, vco2: Floats, fio2_fraction: float
) -> tuple[Floats, Floats]:
    """Expired fractions that ventilation and gas exchange imply.

    Parameters
    ----------
    ve_stpd, vo2, vco2 : ndarray of float, shape (n,)
        L/min STPD, all three.
    fio2_fraction : float

    Returns
    -------
    feo2, feco2 : ndarray of float, shape (n,)

    Notes
    -----
    With c = VCO2/VE and e = VO2/VE the Haldane transformation solved for the fraction is FEO2 = FIO2 (1 - c) - e (1 - FIO2),
    inspired CO2 taken as none (derived).
    """
    feco2: Floats = vco2 / ve_stpd
    feo2: Floats = fio2_fraction * (1 - feco2) - vo2 / ve_stpd * (1 - fio2_fraction)
    return feo2, feco2


def _expired_fractions(test: TestInput, marks: Marks) -> list[Finding]:
    fio2 = test.conditions.fio2_fraction
    if fio2 is not None and abs(fio2 - _ROOM_AIR) > 0.002:
        return []
    series = test.series
    starts, (ventilation, uptake, output) = _settled_minutes(
        series, marks, "ve_l_min", "vo2_ml_min", "vco2_ml_min"
    )
    feo2, feco2 = expired_fractions(_STPD_PER_BTPS * ventilation, uptake / 1000, output / 1000, _ROOM_AIR)
    known = np.isfinite(feo2)
    wrong = known & ((feo2 < _FEO2[0]) | (feo2 > _FEO2[1]) | (feco2 > _FECO2_HIGHEST))
    if not wrong.any():
        return []
    worst = int(np.argmax(np.where(wrong, np.abs(feo2 - np.mean(_FEO2)), -np.inf)))
    (within,) = np.nonzero(
        (series.end_s > starts[wrong][0]) & (series.start_s < starts[wrong][-1] + _MINUTE_S)
    )
    return [
        finding(
            "expired_fractions_impossible",
            f"In {int(wrong.sum())} of {int(known.sum())} minutes of exercise VE, VO2 and VCO2 cannot belong together: in "
            f"that from {starts[worst]:.0f} s they ask for an expired O2 fraction of {feo2[worst]:.3f} and a CO2 fraction of "
            f"{feco2[worst]:.3f}; possible are {_FEO2[0]:g} to {_FEO2[1]:g}, and up to {_FECO2_HIGHEST:g}.",
            first_seq=int(within[0]),
            last_seq=int(within[-1]),
        )
    ]


def _ventilation_identity(series: Series, marks: Marks) -> list[Finding]:
    keys = ("ve_l_min", "respiratory_rate_per_min", "tidal_volume_l")
    if not all(series.has(key) for key in keys):
        return []
    used = rows_in_exercise(series, marks)
    for key in keys:
        used = used & counted_rows(series, key)
    if used.sum() < 4:
        return []
    ventilation, rate, volume = (series.channel(key)[used] for key in keys)
    ratio = median(ventilation / (rate * volume))
    if abs(ratio - 1) <= _IDENTITY_VE:
        return []
    why = ""
    for factor, said in (
        (_STPD_PER_BTPS, "one is STPD and the other BTPS"),
        (1 / _STPD_PER_BTPS, "one is STPD and the other BTPS"),
        (1000.0, "one is in mL and the other in L"),
        (0.001, "one is in mL and the other in L"),
    ):
        if abs(ratio / factor - 1) <= 0.03:
            why = f" It would be so if {said}."
    (at,) = np.nonzero(used)
    return [
        finding(
            "ventilation_identity",
            f"Ventilation is {ratio:.3g} times respiratory rate x tidal volume (median of the rows); they should agree "
            f"within {100 * _IDENTITY_VE:.0f} %.{why}",
            first_seq=int(at[0]),
            last_seq=int(at[-1]),
        )
    ]


def _against_cycle_cost(test: TestInput, marks: Marks) -> list[Finding]:
    """Uptake against the cost of the work rate as a whole: a wrong scale of the flow sensor moves all of it."""
    series, mass = test.series, test.person.body_mass_kg
    if test.mode != "cycle" or mass is None:
        return []
    used = (
        counted_rows(series)
        & counted_rows(series, "work_rate_w")
        & (series.start_s >= marks.exercise_start_s + 120.0)
        & (series.end_s <= marks.exercise_end_s + _SLACK_S)
        & (series.channel("work_rate_w") >= 30.0)
    )
    if series.duration_s[used].sum() < 120.0:
        return []
    cost = acsm_leg_cycling(series.channel("work_rate_w")[used], mass) * mass
    ratio = median(series.channel("vo2_ml_min")[used] / cost)
    if _CYCLE_COST[0] <= ratio <= _CYCLE_COST[1]:
        return []
    (at,) = np.nonzero(used)
    return [
        finding(
            "uptake_scale",
            f"Uptake is {ratio:.2f} times the usual cost of this work rate (ACSM equation, median of the rows); usual are "
            f"{_CYCLE_COST[0]:g} to {_CYCLE_COST[1]:g}. A wrong scale of the flow sensor or of the ergometer, or kgm/min read "
            "as watts, would look like this.",
            first_seq=int(at[0]),
            last_seq=int(at[-1]),
        )
    ]


# -- heart rate -------------------------------------------------------------------------------------------------------


def _heart_rate_counted(test: TestInput, marks: Marks) -> list[Finding]:
    series = test.series
    beats = series.channel("heart_rate_bpm")
    middle = (marks.exercise_start_s + marks.exercise_end_s) / 2
    late = rows_in_exercise(series, marks) & (series.start_s >= middle) & ~series.excluded
    late &= beats > 0
    first = last = None
    if late.any():
        if not _works(test, late):
            return []
        counts = beats[late]
        (at,) = np.nonzero(late)
        first, last = int(at[0]), int(at[-1])
    else:
        counts = np.array(
            [
                note.heart_rate_bpm
                for note in test.notes
                if note.heart_rate_bpm is not None and note.phase in {None, "exercise"}
            ]
        )
        if counts.size < 2:
            return []
    if float(np.max(counts)) > _COUNT_HIGHEST or float(np.min(counts)) < 8:
        return []
    highest = float(np.max(counts))
    shown = [
        f"{factor * highest:.0f} beats/min if they are counts over {seconds} s"
        for seconds, factor in ((10, 6), (15, 4))
        if 90 <= factor * highest <= 215
    ]
    if not shown:
        return []
    return [
        finding(
            "heart_rate_counted",
            f"Heart rates of up to {highest:.0f} in exercise would be {', or '.join(shown)}.",
            first_seq=first,
            last_seq=last,
        )
    ]


def _works(test: TestInput, rows: Bools) -> bool:
    """Whether the person works hard in these rows: well above rest by the uptake, or else by the load."""
    series, mass = test.series, test.person.body_mass_kg
    uptake = (
        series.channel("vo2_ml_min")[rows & counted_rows(series)] if series.has("vo2_ml_min") else np.zeros(0)
    )
    if uptake.size:
        return median(uptake) >= 3 * RESTING_ML_KG_MIN * (mass or 75.0)
    load = _exercise_load(series)
    return load is not None and bool((load[rows] > 0).any())


def _heart_rate_follows_cadence(series: Series, marks: Marks) -> list[Finding]:
    if not (series.has("cadence_per_min") and series.has("heart_rate_bpm")):
        return []
    used = (
        rows_in_exercise(series, marks)
        & counted_rows(series, "heart_rate_bpm")
        & counted_rows(series, "cadence_per_min")
        & counted_rows(series)
        & (series.channel("cadence_per_min") >= 40)
    )
    if used.sum() < 8:
        return []
    rows = np.flatnonzero(used)
    beats, turns, uptake = (
        series.channel(key)[rows] for key in ("heart_rate_bpm", "cadence_per_min", "vo2_ml_min")
    )
    for factor, said in ((1.0, "the cadence"), (2.0, "twice the cadence")):
        near = np.abs(beats - factor * turns) <= 2.0
        for first, last in _long_runs(near):
            seconds = float(series.end_s[rows[last]] - series.start_s[rows[first]])
            part = slice(first, last + 1)
            half = (last - first + 1) // 2
            if seconds < 120.0 or half < 3:
                continue
            rise = float(np.mean(uptake[part][-half:]) / np.mean(uptake[part][:half]))
            # A heart rate that happens to equal the cadence does not stay with it while the work grows.
            if rise < 1.10:
                continue
            return [
                finding(
                    "heart_rate_follows_cadence",
                    f"Heart rate is {said} from {series.start_s[rows[first]]:.0f} s to {series.end_s[rows[last]]:.0f} s "
                    f"while uptake rises by {100 * (rise - 1):.0f} %.",
                    first_seq=int(rows[first]),
                    last_seq=int(rows[last]),
                )
            ]
    return []


def _long_runs(near: Bools) -> list[tuple[int, int]]:
    """First and last index of runs of True, one odd row in between allowed."""
    bridged = near.copy()
    bridged[1:-1] |= near[:-2] & near[2:]
    edges = np.flatnonzero(np.diff(np.concatenate(([False], bridged, [False])).astype(np.int8)))
    return [(int(first), int(after) - 1) for first, after in edges.reshape(-1, 2)]


# -- loads ------------------------------------------------------------------------------------------------------------


def _grade_as_fraction(test: TestInput) -> list[Finding]:
    if test.mode not in {"treadmill", "walk", "run"}:
        return []
    series = test.series
    grades = series.channel("grade_percent")
    grades = grades[np.isfinite(grades)]
    if not grades.size:
        noted = [note.grade_percent for note in test.notes if note.grade_percent is not None]
        grades = np.array(noted, dtype=np.float64)
    if not grades.size:
        return []
    highest = float(np.abs(grades).max())
    # Treadmills are set in steps of half a per cent or more.
    if not 0.004 < highest < 0.45:
        return []
    return [
        finding(
            "grade_as_fraction",
            f"The highest grade is {highest:g} %. If grades are fractions it would be {100 * highest:g} %.",
        )
    ]


def _work_rate_identity(test: TestInput, marks: Marks) -> list[Finding]:
    series, mass = test.series, test.person.body_mass_kg
    if test.mode != "treadmill" or mass is None:
        return []
    used = rows_in_exercise(series, marks)
    for key in _LOAD_KEYS:
        used = used & counted_rows(series, key)
    used &= (series.channel("grade_percent") >= 1.0) & (series.channel("speed_km_h") > 0)
    if used.sum() < 3:
        return []
    grade = np.arctan(series.channel("grade_percent")[used] / 100)
    raised = mass * _GRAVITY * series.channel("speed_km_h")[used] / 3.6 * np.sin(grade)
    ratio = median(series.channel("work_rate_w")[used] / raised)
    if abs(ratio - 1) <= _IDENTITY_WORK:
        return []
    (at,) = np.nonzero(used)
    return [
        finding(
            "work_rate_identity",
            f"The work rate is {ratio:.3g} times mass x gravity x speed x sine of the grade; they should agree within "
            f"{100 * _IDENTITY_WORK:.0f} %.{_as_unit(ratio)}",
            first_seq=int(at[0]),
            last_seq=int(at[-1]),
        )
    ]


_RATIOS: tuple[tuple[float, str], ...] = (
    (KM_H_PER_MPH, "miles per hour and km/h"),
    (KGM_MIN_PER_W, "watts and kgm/min"),
    (2.20462, "kilograms and pounds"),
    (100.0, "fractions and per cent"),
    (26.8224, "miles per hour and m/min"),
    (1000 / 60, "km/h and m/min"),
)


def _as_unit(ratio: float) -> str:
    """The two units a ratio looks like, as a sentence."""
    for factor, units in _RATIOS:
        if min(abs(ratio / factor - 1), abs(ratio * factor - 1)) <= _UNIT_SLACK:
            return f" {units[0].upper()}{units[1:]} taken for each other differ by this factor."
    return ""


def _noted_loads(test: TestInput) -> list[Finding]:
    """Loads noted for a stage against those recorded in it."""
    series = test.series
    if not (series.stage >= 0).any():
        return []
    found = []
    for key, label, unit in (
        ("work_rate_w", "work rate", "W"),
        ("speed_km_h", "speed", "km/h"),
        ("grade_percent", "grade", "%"),
    ):
        if not series.has(key):
            continue
        pairs = [
            (note, getattr(note, key), float(np.median(values)))
            for note in test.notes
            if getattr(note, key) is not None and (values := _recorded(series, key, note)).size
        ]
        apart = [pair for pair in pairs if abs(pair[1] - pair[2]) > max(0.5, 0.1 * abs(pair[2]))]
        # One slip of the pen is not a unit.
        if len(apart) < max(2, (len(pairs) + 1) // 2):
            continue
        ratios = [noted / recorded for _, noted, recorded in apart if recorded]
        ratio = float(np.median(ratios)) if ratios else float("nan")
        note, noted, recorded = apart[0]
        found.append(
            finding(
                "noted_load_differs",
                f"The {label} noted differs from the recorded one in {len(apart)} of {len(pairs)} stages: in stage "
                f"{note.stage} {noted:g} {unit} was noted and {recorded:g} {unit} recorded.{_as_unit(ratio)}",
            )
        )
    return found


def _recorded(series: Series, key: str, note: StageNote) -> Floats:
    if note.stage is None:
        return np.zeros(0)
    rows = (series.stage == note.stage) & counted_rows(series, key)
    if note.phase is not None and (series.phase >= 0).any():
        rows &= series.phase == PHASES.index(note.phase)
    recorded: Floats = series.channel(key)[rows]
    return recorded


# -- times ------------------------------------------------------------------------------------------------------------


def _times(test: TestInput) -> list[Finding]:
    series = test.series
    found = []
    shared = starts_without_overlap(series.start_s, series.end_s) - series.start_s
    overlap, span = float(shared.sum()), float(series.end_s[-1] - series.start_s[0])
    if overlap > max(5.0, 0.02 * span):
        (at,) = np.nonzero(shared > _SLACK_S)
        found.append(
            finding(
                "durations_do_not_add_up",
                f"The durations add up to {float(series.duration_s.sum()):.0f} s over {span:.0f} s of recording: rows "
                f"overlap by {overlap:.0f} s.",
                first_seq=int(at[0]),
                last_seq=int(at[-1]),
            )
        )
    return found + _note_times(test.notes, series)


def _note_times(notes: Sequence[StageNote], series: Series) -> list[Finding]:
    timed = sorted(
        (
            note
            for note in notes
            if note.phase == "exercise" and note.stage is not None and note.time_s is not None
        ),
        key=lambda note: note.stage or 0,
    )
    if not timed:
        return []
    found = []
    backward = [
        (one, other)
        for one, other in pairwise(timed)
        if (one.stage or 0) < (other.stage or 0) and _time(other) <= _time(one)
    ]
    if backward:
        one, other = backward[0]
        found.append(
            finding(
                "note_times_out_of_order",
                f"Stage {other.stage} was noted at {_time(other):.0f} s, which is not after stage {one.stage} at "
                f"{_time(one):.0f} s.",
            )
        )
    slack = max(60.0, 2 * median(series.duration_s))
    late = [note for note in timed if _time(note) > float(series.end_s[-1]) + slack]
    if late:
        found.append(
            finding(
                "note_times_out_of_order",
                f"Stage {late[0].stage} was noted at {_time(late[0]):.0f} s; the recording ends at {series.end_s[-1]:.0f} s.",
            )
        )
    return found


def _time(note: StageNote) -> float:
    return note.time_s if note.time_s is not None else float("nan")
