"""Lactate thresholds of a test in stages, by several methods that are never mixed.

Between stages everything is read along straight lines from one stage to the next: load, heart rate and uptake at a fixed
lactate follow from the two stages around it and from no model. Two methods need a curve: modified maximal distance a cubic
polynomial, log-log two straight lines on logarithms.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any, Literal

import numpy as np

from service.analysis.loads import ERGOMETERS, SAME_LOAD, Loads
from service.analysis.marks import Marks
from service.analysis.plain import record_dict
from service.analysis.segmented import fit_broken_line
from service.analysis.series import Floats, StageNote, TestInput
from service.analysis.stage_values import StageValues, stage_values
from service.findings import Finding, finding
from service.methods.metabolic_equations import acsm_running, acsm_walking
from service.quantities import QUANTITIES

LactateMethod = Literal[
    "lactate_2",
    "lactate_4",
    "lactate_baseline_0_5",
    "lactate_baseline_1_0",
    "lactate_modified_dmax",
    "lactate_log_log",
]
LoadKey = Literal["work_rate_w", "speed_km_h", "cost_ml_kg_min"]

SOURCES: Mapping[LactateMethod, str] = {
    "lactate_2": "kindermann_1979 (value from memory)",
    "lactate_4": "heck_1985 (value from memory)",
    "lactate_baseline_0_5": "jamnick_2018 (definition from memory)",
    "lactate_baseline_1_0": "jamnick_2018 (definition from memory)",
    "lactate_modified_dmax": "bishop_1998 (definition from memory)",
    "lactate_log_log": "beaver_1985 (definition from memory; with load in place of oxygen uptake)",
}
LABELS: Mapping[LactateMethod, str] = {
    "lactate_2": "2 mmol/L",
    "lactate_4": "4 mmol/L",
    "lactate_baseline_0_5": "Baseline + 0.5 mmol/L",
    "lactate_baseline_1_0": "Baseline + 1.0 mmol/L",
    "lactate_modified_dmax": "Modified maximal distance",
    "lactate_log_log": "Log-log",
}
#: The rise from one stage to the next that modified maximal distance begins before, mmol/L (bishop_1998).
FIRST_RISE_MMOL_L = 0.4
#: Fewest stages: to read between, for the cubic, for two lines.
LEAST_READ, LEAST_CUBIC, LEAST_LOG = 2, 4, 5
#: A sample is drawn at the end of a stage or in the pause after it.
_PAUSE_S = 120.0
_SHORT_STAGE_S = 180.0
_CURVE_POINTS = 61
_SLACK_S = 1.0
_READ_BETWEEN = (
    "Read between stages: it has no time and no interval, and no load of a kind that the stages do not have."
)


@dataclass(frozen=True, slots=True)
class LactateStage:
    """Lactate of one stage with what else was measured in it.

    Attributes
    ----------
    stage : int
        As noted; the place in exercise where only a time was.
    load : float or None
        In the unit of the curve; None where it is not known.
    lactate_mmol_l : float
    work_rate_w, speed_km_h, grade_percent, heart_rate_bpm, vo2_ml_min : float or None
        Heart rate and uptake of the last minute of the stage; heart rate as noted where the intervals have none.
    length_s : float or None
        Of the stage.
    """

    stage: int
    load: float | None
    lactate_mmol_l: float
    work_rate_w: float | None
    speed_km_h: float | None
    grade_percent: float | None
    heart_rate_bpm: float | None
    vo2_ml_min: float | None
    length_s: float | None


@dataclass(frozen=True, slots=True)
class LactateThreshold:
    """One lactate threshold.

    Attributes
    ----------
    method : str
    lactate_mmol_l : float or None
        There.
    load : float or None
        In the unit of the curve.
    work_rate_w, speed_km_h, heart_rate_bpm, vo2_ml_min, percent_of_peak : float or None
    source : str
    reason : str or None
        Why there is none; or, where there is one, why a part of it is missing.
    """

    method: LactateMethod
    lactate_mmol_l: float | None
    load: float | None
    work_rate_w: float | None
    speed_km_h: float | None
    heart_rate_bpm: float | None
    vo2_ml_min: float | None
    percent_of_peak: float | None
    source: str
    reason: str | None

    def as_dict(self) -> dict[str, Any]:
        """JSON form: an item of the thresholds of an analysis."""
        return {
            "threshold": "lt",
            "method": self.method,
            "basis": "computed",
            "vo2_ml_min": self.vo2_ml_min,
            "percent_of_peak": self.percent_of_peak,
            "time_s": None,
            "heart_rate_bpm": self.heart_rate_bpm,
            "work_rate_w": self.work_rate_w,
            # Read at the ends of stages, where uptake has caught up with the load: nothing to correct.
            "work_rate_lag_corrected_w": self.work_rate_w,
            "speed_km_h": self.speed_km_h,
            "ci_low_ml_min": None,
            "ci_high_ml_min": None,
            "lactate_mmol_l": self.lactate_mmol_l,
            "source": self.source,
            "reason": self.reason or _READ_BETWEEN,
        }


@dataclass(frozen=True, slots=True)
class LactateCurve:
    """The cubic through the stages.

    Attributes
    ----------
    loads, lactates_mmol_l : tuple of float
        Points along it, for a chart.
    residual_sd_mmol_l : float or None
        None where four stages leave nothing over.
    line : tuple of two points, optional
        The straight line of modified maximal distance, (load, lactate).
    """

    loads: tuple[float, ...]
    lactates_mmol_l: tuple[float, ...]
    residual_sd_mmol_l: float | None
    line: tuple[tuple[float, float], tuple[float, float]] | None = None


@dataclass(frozen=True, slots=True)
class LactateAnalysis:
    """Lactate over the stages of one test.

    Attributes
    ----------
    stages : tuple of LactateStage
        In order of load.
    load_key : {"work_rate_w", "speed_km_h", "cost_ml_kg_min"} or None
        What the curve is drawn along: work rate, speed, or the oxygen cost of speed and grade.
    baseline_mmol_l : float or None
        The lowest of the stages.
    curve : LactateCurve or None
    thresholds : tuple of LactateThreshold
        One a method, always all.
    remarks : tuple of str
        What a reader has to know: short stages, samples not used.
    sample_site, analyser : str or None
        As recorded.
    reason : str or None
        Why there is none at all.
    findings : tuple of Finding
        What was not recorded beside the samples.
    """

    stages: tuple[LactateStage, ...]
    load_key: LoadKey | None
    baseline_mmol_l: float | None
    curve: LactateCurve | None
    thresholds: tuple[LactateThreshold, ...]
    remarks: tuple[str, ...] = ()
    sample_site: str | None = None
    analyser: str | None = None
    reason: str | None = None
    findings: tuple[Finding, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form; the thresholds stand among those of the analysis."""
        return {
            "stages": [record_dict(one) for one in self.stages],
            "load": self.load_key,
            "baseline_mmol_l": self.baseline_mmol_l,
            "curve": None if self.curve is None else record_dict(self.curve),
            "thresholds": [one.as_dict() for one in self.thresholds],
            "sample_site": self.sample_site,
            "analyser": self.analyser,
            "remarks": list(self.remarks),
            "reason": self.reason,
        }


def lactate_thresholds(
    test: TestInput,
    marks: Marks | None = None,
    loads: Loads | None = None,
    *,
    vo2_peak_ml_min: float | None = None,
    stages: tuple[StageValues, ...] | None = None,
) -> LactateAnalysis:
    """Lactate thresholds from the samples in the stage notes.

    Parameters
    ----------
    test : TestInput
        Lactate stands in its notes; where blood was taken and with what it was measured in fields of its own, since values
        of different sites or analysers do not compare.
    marks : Marks, optional
        None for a test without intervals.
    loads : Loads, optional
        Its stages; None for a test without intervals, whose notes then have to name the load.
    vo2_peak_ml_min : float, optional
        For the share of the peak.
    stages : tuple of StageValues, optional
        Of the same test, where they are at hand.

    Returns
    -------
    LactateAnalysis
        With a reason for each threshold that cannot be had.

    Notes
    -----
    Fixed 2 and 4 mmol/L and baseline + 0.5 and + 1.0, the baseline being the lowest stage: where the line from stage to
    stage last rises through the value and stays above it. Modified maximal distance: on the cubic polynomial through all
    stages, the point furthest below the straight line from the stage before the first rise of more than 0.4 mmol/L to the
    last stage (bishop_1998). Log-log: the break of two straight lines that meet, lactate against load, both as logarithms
    (beaver_1985), exactly by least squares.
    """
    told = _Told(test, marks, loads, stages)
    found, remarks, reason = told.stages()
    key = None
    if reason is None:
        found, key, reason = _along(test, found)
    base = LactateAnalysis(
        tuple(found),
        key,
        None,
        None,
        (),
        tuple(remarks),
        test.lactate_sample_site,
        test.lactate_analyser,
        reason,
        _unrecorded(test),
    )
    if reason is not None:
        return replace(base, thresholds=tuple(_none(method, reason) for method in SOURCES))
    load = np.array([one.load for one in found], dtype=np.float64)
    lactate = np.array([one.lactate_mmol_l for one in found])
    baseline = float(lactate.min())
    curve = _cubic(load, lactate)
    reader = _Reader(found, key, vo2_peak_ml_min)
    distance, line, why = _modified_dmax(load, lactate)
    log_log, why_log = _log_log(load, lactate)
    thresholds = [
        reader.fixed("lactate_2", load, lactate, 2.0),
        reader.fixed("lactate_4", load, lactate, 4.0),
        reader.fixed("lactate_baseline_0_5", load, lactate, baseline + 0.5),
        reader.fixed("lactate_baseline_1_0", load, lactate, baseline + 1.0),
        _none("lactate_modified_dmax", why or "")
        if distance is None
        else reader.at("lactate_modified_dmax", *distance),
        _none("lactate_log_log", why_log or "")
        if log_log is None
        else reader.at("lactate_log_log", *log_log),
    ]
    return replace(
        base,
        baseline_mmol_l=baseline,
        curve=None if curve is None else replace(curve, line=line),
        thresholds=tuple(thresholds),
    )


def _unrecorded(test: TestInput) -> tuple[Finding, ...]:
    """What nobody recorded about samples that there are."""
    samples = sum(note.lactate_mmol_l is not None for note in test.notes)
    missing = [
        words
        for words, value in (
            ("where the blood was taken (lactate_sample_site)", test.lactate_sample_site),
            ("what it was measured with (lactate_analyser)", test.lactate_analyser),
        )
        if value is None
    ]
    if not samples or not missing:
        return ()
    return (
        finding(
            "lactate_samples_not_described", f"{samples} samples; not recorded: {' and '.join(missing)}."
        ),
    )


def _none(method: LactateMethod, reason: str) -> LactateThreshold:
    return LactateThreshold(method, None, None, None, None, None, None, None, SOURCES[method], reason)


# -- which sample belongs to which stage --------------------------------------------------------------------


@dataclass(frozen=True)
class _Told:
    test: TestInput
    marks: Marks | None
    loads: Loads | None
    given: tuple[StageValues, ...] | None
    values: tuple[StageValues, ...] = field(init=False)

    def __post_init__(self) -> None:
        values = self.given
        if values is None:
            values = () if self.loads is None else stage_values(self.test.series, self.loads)
        object.__setattr__(self, "values", values)

    def stages(self) -> tuple[list[LactateStage], list[str], str | None]:
        """The stages with lactate, remarks, and why there are none."""
        samples = [note for note in self.test.notes if note.lactate_mmol_l is not None]
        remarks: list[str] = []
        if not samples:
            return [], remarks, "No lactate was noted."
        if self.loads is not None and self.loads.shape in {"ramp", "constant"}:
            return (
                [],
                remarks,
                f"Lactate thresholds need a test in stages; this one is {_SHAPE_WORDS[self.loads.shape]}.",
            )
        drawn: dict[int, tuple[StageNote, StageValues | None]] = {}
        unplaced = impossible = 0
        for note in sorted(samples, key=lambda one: -1.0 if one.time_s is None else one.time_s):
            if not self._in_exercise(note):
                continue
            if not QUANTITIES["lactate_mmol_l"].possible(float(note.lactate_mmol_l or 0.0)):
                impossible += 1
                continue
            value = self._stage_of(note)
            number = note.stage if note.stage is not None else None if value is None else _number(value)
            if number is None:
                unplaced += 1
                continue
            # The last sample of a stage is the one at its end.
            drawn[number] = (note, value)
        if unplaced:
            remarks.append(f"{unplaced} samples name no stage and no time within one; they were not used.")
        if impossible:
            remarks.append(f"{impossible} samples hold a value that cannot be; they were not used.")
        found = [self._joined(number, note, value) for number, (note, value) in sorted(drawn.items())]
        broken = [
            one
            for one, (_, value) in zip(found, (drawn[key] for key in sorted(drawn)), strict=True)
            if value is not None and not value.stage.counts
        ]
        if broken:
            remarks.append(
                "Stages broken off early were left out: " + ", ".join(str(one.stage) for one in broken) + "."
            )
        found = [one for one in found if one not in broken]
        short = [one for one in found if one.length_s is not None and one.length_s < _SHORT_STAGE_S - 5.0]
        if short:
            remarks.append(
                f"Stages lasted about {np.median([one.length_s for one in short]):.0f} s; lactate lags behind the load in "
                "stages shorter than 3 min, and thresholds come out too high (common practice, no source)."
            )
        return (
            found,
            remarks,
            None if found else "Lactate was noted only at rest, in the warm-up or in recovery.",
        )

    def _in_exercise(self, note: StageNote) -> bool:
        if note.phase not in {None, "exercise"}:
            return False
        if note.time_s is None or self.marks is None:
            return True
        return (
            self.marks.exercise_start_s - _SLACK_S
            <= note.time_s
            <= self.marks.exercise_end_s + (_PAUSE_S if note.stage is not None else _SLACK_S)
        )

    def _stage_of(self, note: StageNote) -> StageValues | None:
        time_s = note.time_s
        if note.stage is not None:
            for one in self.values:
                if note.stage == _number(one):
                    return one
            # Stages at one load are one stretch of load, which has the number of only one of them.
            (rows,) = np.nonzero(self.test.series.stage == note.stage)
            if not rows.size:
                return None
            time_s = float(self.test.series.end_s[rows[-1]])
        if time_s is None:
            return None
        for one in self.values:
            if one.start_s + _SLACK_S < time_s <= one.end_s + _SLACK_S:
                return one
        # In the pause after a stage.
        before = [one for one in self.values if 0 <= time_s - one.end_s <= _PAUSE_S]
        return before[-1] if before else None

    def _joined(self, number: int, note: StageNote, value: StageValues | None) -> LactateStage:
        def either(noted: float | None, measured: float | None) -> float | None:
            return noted if noted is not None else measured

        work = either(note.work_rate_w, None if value is None else value.work_rate_w)
        speed = either(note.speed_km_h, None if value is None else value.speed_km_h)
        grade = either(note.grade_percent, None if value is None else value.grade_percent)
        heart = either(None if value is None else value.heart_rate_bpm, note.heart_rate_bpm)
        return LactateStage(
            number,
            None,
            float(note.lactate_mmol_l or 0.0),
            work,
            speed,
            grade,
            heart,
            None if value is None else value.vo2_ml_min,
            None if value is None else value.end_s - value.start_s,
        )


def _number(value: StageValues) -> int:
    """How a stage is called: as recorded, else by its place."""
    return value.stage.recorded_stage if value.stage.recorded_stage is not None else value.number


_SHAPE_WORDS = {"ramp": "a ramp", "constant": "at one constant load"}


def _along(
    test: TestInput, found: list[LactateStage]
) -> tuple[list[LactateStage], LoadKey | None, str | None]:
    """The stages with their load, what the load is, and why there is no curve."""
    if len(found) < LEAST_READ:
        return found, None, "Lactate was noted in one stage only; a threshold lies between stages."
    key: LoadKey = "work_rate_w"
    values: list[float | None] = [one.work_rate_w for one in found]
    if test.mode not in ERGOMETERS:
        key, values = "speed_km_h", [one.speed_km_h for one in found]
        grades = [0.0 if one.grade_percent is None else one.grade_percent for one in found]
        if max(grades) - min(grades) > SAME_LOAD["grade_percent"]:
            key, values = "cost_ml_kg_min", _costs(test, found)
    words = _LOAD_WORDS[key]
    missing = [one.stage for one, value in zip(found, values, strict=True) if value is None]
    if missing:
        return (
            found,
            None,
            f"The {words} of stage {', '.join(map(str, missing))} is not known.",
        )
    known = [float(value) for value in values if value is not None]
    placed = [replace(one, load=value) for one, value in zip(found, known, strict=True)]
    for (one, low), (other, high) in pairwise(zip(placed, known, strict=True)):
        rise = high - low
        if rise <= _SAME[key]:
            said = "falls" if rise < -_SAME[key] else "never rises"
            return (
                placed,
                key,
                f"The {words} {said} from stage {one.stage} to stage {other.stage}; a curve needs a load that rises.",
            )
    return placed, key, None


#: Loads nearer to each other than these are one load.
_SAME: Mapping[LoadKey, float] = {
    "work_rate_w": SAME_LOAD["work_rate_w"],
    "speed_km_h": SAME_LOAD["speed_km_h"],
    "cost_ml_kg_min": 0.3,
}
_LOAD_WORDS: Mapping[LoadKey, str] = {
    "work_rate_w": "work rate",
    "speed_km_h": "speed",
    "cost_ml_kg_min": "oxygen cost of speed and grade",
}


def _costs(test: TestInput, found: Sequence[LactateStage]) -> list[float | None]:
    """Oxygen cost of speed and grade, where all stages are of one gait."""
    running = test.mode == "run" or (
        test.mode != "walk" and all((one.speed_km_h or 0.0) >= 8.0 for one in found)
    )
    walking = test.mode == "walk" or (
        test.mode != "run" and all((one.speed_km_h or 99.0) <= 6.0 for one in found)
    )
    if running == walking or test.handrail_support:
        return [None] * len(found)
    cost: Callable[[float, float], float] = acsm_running if running else acsm_walking
    return [
        None
        if one.speed_km_h is None
        else float(cost(one.speed_km_h, 0.0 if one.grade_percent is None else one.grade_percent))
        for one in found
    ]


# -- the methods --------------------------------------------------------------------------------------------


def crossing(load: Floats, lactate: Floats, value_mmol_l: float) -> tuple[float | None, str | None]:
    """Load at which lactate, along straight lines from stage to stage, last rises through a value and stays above it.

    Parameters
    ----------
    load, lactate : ndarray of float, shape (n,)
        `load` strictly rises.
    value_mmol_l : float

    Returns
    -------
    load : float or None
    reason : str or None
        Why there is none.
    """
    if lactate.size < LEAST_READ:
        return None, "Lactate was noted in fewer than two stages."
    above = lactate >= value_mmol_l
    if not above.any():
        return None, f"Lactate stayed below {value_mmol_l:.1f} mmol/L; the highest was {lactate.max():.1f}."
    if not above[-1]:
        return None, f"Lactate fell back below {value_mmol_l:.1f} mmol/L before the last stage."
    if above.all():
        return None, f"Lactate was at or above {value_mmol_l:.1f} mmol/L from the first stage on."
    last_below = int(np.nonzero(~above)[0][-1])
    low, high = lactate[last_below], lactate[last_below + 1]
    part = (value_mmol_l - low) / (high - low)
    return float(load[last_below] + part * (load[last_below + 1] - load[last_below])), None


def _polynomial(load: Floats, lactate: Floats) -> tuple[Floats, float, float] | None:
    """Coefficients of the cubic on load scaled to -1 .. 1, highest power first, with middle and half width."""
    if lactate.size < LEAST_CUBIC:
        return None
    middle, half = 0.5 * (load[0] + load[-1]), 0.5 * (load[-1] - load[0])
    return np.polyfit((load - middle) / half, lactate, 3), float(middle), float(half)


def _cubic(load: Floats, lactate: Floats) -> LactateCurve | None:
    found = _polynomial(load, lactate)
    if found is None:
        return None
    coefficients, middle, half = found
    along = np.linspace(-1.0, 1.0, _CURVE_POINTS)
    misses = lactate - np.polyval(coefficients, (load - middle) / half)
    left = lactate.size - 4
    return LactateCurve(
        tuple((middle + half * along).tolist()),
        tuple(np.polyval(coefficients, along).tolist()),
        float(np.sqrt(np.dot(misses, misses) / left)) if left else None,
    )


_Line = tuple[tuple[float, float], tuple[float, float]]


def _modified_dmax(
    load: Floats, lactate: Floats
) -> tuple[tuple[float, float] | None, _Line | None, str | None]:
    """Load and lactate on the cubic, the straight line, and why there is none."""
    found = _polynomial(load, lactate)
    if found is None:
        return (
            None,
            None,
            f"{lactate.size} stages have lactate; the cubic curve needs at least {LEAST_CUBIC}.",
        )
    rises = np.nonzero(np.diff(lactate) > FIRST_RISE_MMOL_L)[0]
    if not rises.size:
        return (
            None,
            None,
            f"Lactate never rises by more than {FIRST_RISE_MMOL_L:g} mmol/L from one stage to the next.",
        )
    first = int(rises[0])
    line = ((float(load[first]), float(lactate[first])), (float(load[-1]), float(lactate[-1])))
    if lactate[-1] <= lactate[first]:
        return None, line, "Lactate of the last stage is not above that before the first rise."
    coefficients, middle, half = found
    start, end = (load[first] - middle) / half, 1.0
    slope = (lactate[-1] - lactate[first]) / (end - start)
    # Distance at right angles to a straight line is largest where the curve runs parallel to it, bending upward.
    roots = np.roots(np.polyder(coefficients) - np.array([0.0, 0.0, slope]))
    real = roots.real[np.abs(roots.imag) < 1e-9]
    bending = [
        float(root)
        for root in real
        if start < root < end and np.polyval(np.polyder(coefficients, 2), root) > 0.0
    ]
    if not bending:
        return None, line, "The fitted curve does not sag below the straight line, so no distance is largest."
    at = bending[0]
    height = float(np.polyval(coefficients, at))
    if lactate[first] + slope * (at - start) - height <= 0.0 or height <= 0.0:
        return None, line, "The fitted curve does not sag below the straight line, so no distance is largest."
    return (float(middle + half * at), height), line, None


def _log_log(load: Floats, lactate: Floats) -> tuple[tuple[float, float] | None, str | None]:
    """Load and lactate at the break of two lines on logarithms, and why there is none."""
    used = load > 0.0
    if int(used.sum()) < LEAST_LOG:
        return (
            None,
            f"{int(used.sum())} stages with a load above 0 have lactate; two lines need at least {LEAST_LOG}.",
        )
    found = fit_broken_line(np.log(load[used]), np.log(lactate[used]), upward=True, least_points=2)
    if found is None or not found.slope_after > found.slope_before or found.sse >= found.sse_line:
        return None, "On logarithms lactate does not bend upward: one straight line fits as well."
    if found.slope_after <= 0.0:
        return None, "On logarithms lactate does not rise after the break."
    if not load[used][0] < np.exp(found.position) < load[used][-1]:
        return None, "The break lies at the first or last stage, where it cannot be told."
    return (float(np.exp(found.position)), float(np.exp(found.value))), None


@dataclass(frozen=True, slots=True)
class _Reader:
    """What belongs to a load between the stages."""

    stages: Sequence[LactateStage]
    key: LoadKey | None
    vo2_peak_ml_min: float | None

    def fixed(
        self, method: LactateMethod, load: Floats, lactate: Floats, value_mmol_l: float
    ) -> LactateThreshold:
        at, reason = crossing(load, lactate, value_mmol_l)
        return _none(method, reason or "") if at is None else self.at(method, at, value_mmol_l)

    def at(self, method: LactateMethod, load: float, lactate_mmol_l: float) -> LactateThreshold:
        vo2 = self._between(load, "vo2_ml_min")
        heart = self._between(load, "heart_rate_bpm")
        absent = [name for name, value in (("VO2", vo2), ("heart rate", heart)) if value is None]
        peak = self.vo2_peak_ml_min
        return LactateThreshold(
            method,
            lactate_mmol_l,
            load,
            load if self.key == "work_rate_w" else None,
            load if self.key == "speed_km_h" else self._between(load, "speed_km_h"),
            heart,
            vo2,
            None if vo2 is None or not peak else 100.0 * vo2 / peak,
            SOURCES[method],
            f"The stages on either side have no {' and no '.join(absent)}." if absent else None,
        )

    def _between(self, load: float, name: str) -> float | None:
        for one, other in pairwise(self.stages):
            if one.load is not None and other.load is not None and one.load <= load <= other.load:
                low, high = getattr(one, name), getattr(other, name)
                if low is None or high is None:
                    return None
                return float(low + (load - one.load) / (other.load - one.load) * (high - low))
        return None
