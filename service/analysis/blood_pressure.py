"""Blood pressure over a test, from the resting values and what was noted at the stages."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from service.analysis.formulas import applied
from service.analysis.lines import fit_line
from service.analysis.loads import Loads
from service.analysis.marks import Marks
from service.analysis.plain import record_dict
from service.analysis.series import StageNote, TestInput
from service.analysis.stage_values import StageValues, stage_of_note, stage_values
from service.findings import Finding, finding
from service.quantities import QUANTITIES

#: Peak systolic pressures, mmHg, that a scientific statement names as excessive (fletcher_2013, values from memory).
PEAK_LIMIT_MMHG = {"male": 210.0, "female": 190.0}
PEAK_LIMIT_SOURCE = "fletcher_2013 (values from memory)"
#: Stop limits and fall, mmHg.
STOP_SYSTOLIC_MMHG, STOP_DIASTOLIC_MMHG, FALL_MMHG = 250.0, 115.0, 10.0
STOP_SOURCE = "fletcher_2013 (values from memory)"
_LEAST_FOR_SLOPE = 3
_ADULT_YEARS = 18.0
_SYMPTOM_LIMITED = frozenset({"exhaustion", "legs", "breath", "symptom"})
_SLACK_S = 1.0


@dataclass(frozen=True, slots=True)
class PressureReading:
    """One reading.

    Attributes
    ----------
    phase : str
        ``rest``, ``warm_up``, ``exercise`` or ``recovery``.
    stage : int or None
    time_s : float or None
    systolic_mmhg, diastolic_mmhg : float or None
    work_rate_w, speed_km_h, grade_percent : float or None
    mets : float or None
        Measured uptake of the stage, in METs.
    """

    phase: str
    stage: int | None
    time_s: float | None
    systolic_mmhg: float | None
    diastolic_mmhg: float | None
    work_rate_w: float | None
    speed_km_h: float | None
    grade_percent: float | None
    mets: float | None


@dataclass(frozen=True, slots=True)
class PressureLimit:
    """A published value, where its conditions match.

    Attributes
    ----------
    limit_mmhg : float
    at_or_above : bool
    statement, source : str
    """

    limit_mmhg: float
    at_or_above: bool
    statement: str
    source: str


@dataclass(frozen=True, slots=True)
class BloodPressure:
    """Response of blood pressure to the test.

    None has its reason in `reasons` under the field's name.

    Attributes
    ----------
    resting_systolic_mmhg, resting_diastolic_mmhg : float or None
        Of the visit, else noted at rest.
    highest_systolic_mmhg, highest_diastolic_mmhg : float or None
        Noted in exercise.
    systolic_rise_mmhg, diastolic_change_mmhg : float or None
        From rest to the highest.
    systolic_rise_per_met_mmhg, rise_per_met_ci_low_mmhg, rise_per_met_ci_high_mmhg : float or None
        Slope of systolic pressure on measured METs over the stages, with its 95 % interval.
    largest_fall_mmhg : float or None
        Largest fall below an earlier reading, resting ones included, while the load was not lower; 0 where there is none.
    published_limit : PressureLimit or None
    readings : tuple of PressureReading
    reasons : mapping of str to str
    findings : tuple of Finding
    """

    resting_systolic_mmhg: float | None
    resting_diastolic_mmhg: float | None
    highest_systolic_mmhg: float | None
    highest_diastolic_mmhg: float | None
    systolic_rise_mmhg: float | None
    diastolic_change_mmhg: float | None
    systolic_rise_per_met_mmhg: float | None
    rise_per_met_ci_low_mmhg: float | None
    rise_per_met_ci_high_mmhg: float | None
    largest_fall_mmhg: float | None
    published_limit: PressureLimit | None
    readings: tuple[PressureReading, ...] = ()
    reasons: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        answer = record_dict(self, without="findings")
        answer["readings"] = [record_dict(one) for one in self.readings]
        limit = self.published_limit
        answer["published_limit"] = None if limit is None else record_dict(limit)
        answer["reasons"] = dict(self.reasons)
        answer["reason"] = self.reasons.get("highest_systolic_mmhg")
        return answer


def find_blood_pressure(
    test: TestInput,
    marks: Marks | None = None,
    loads: Loads | None = None,
    stages: tuple[StageValues, ...] | None = None,
) -> BloodPressure:
    """Blood pressure at rest, in exercise and after it.

    Parameters
    ----------
    test : TestInput
    marks : Marks, optional
        None for a test without intervals.
    loads : Loads, optional
    stages : tuple of StageValues, optional
        Of the same test, where they are at hand.

    Returns
    -------
    BloodPressure

    Notes
    -----
    Readings that cannot be are left out, and so are their rises. Published: a peak systolic pressure of 210 mmHg (men) and
    190 mmHg (women) (fletcher_2013, values from memory), for adults in a symptom-limited test without a medication that
    limits heart rate. A rise of about 10 mmHg for each MET is common practice with no source; it is not compared.
    """
    values = stages
    if values is None:
        values = () if loads is None else stage_values(test.series, loads)
    readings = _readings(test, marks, values)
    reasons: dict[str, str] = {}
    exercise = [one for one in readings if one.phase == "exercise"]
    resting = _resting(test, readings, reasons)
    highest = _highest(exercise, reasons)
    systolic_rise = _change(resting[0], highest[0], "systolic", "systolic_rise_mmhg", reasons)
    diastolic_change = _change(resting[1], highest[1], "diastolic", "diastolic_change_mmhg", reasons)
    per_met = _per_met(exercise, reasons)
    fall, where = _largest_fall(exercise, resting[0])
    if fall is None:
        reasons["largest_fall_mmhg"] = "Fewer than two systolic pressures can be compared."
    limit, why = _limit(test, highest[0])
    if why is not None:
        reasons["published_limit"] = why
    return BloodPressure(
        *resting,
        *highest,
        systolic_rise,
        diastolic_change,
        *per_met,
        fall,
        limit,
        tuple(readings),
        reasons,
        _findings(fall, where, exercise),
    )


def _change(
    resting: float | None, highest: float | None, word: str, name: str, reasons: dict[str, str]
) -> float | None:
    if resting is not None and highest is not None:
        return highest - resting
    reasons[name] = reasons[f"{'resting' if resting is None else 'highest'}_{word}_mmhg"]
    return None


def _readings(test: TestInput, marks: Marks | None, stages: Sequence[StageValues]) -> list[PressureReading]:
    found = []
    for note in test.notes:
        systolic, diastolic = (
            value if value is not None and QUANTITIES[key].possible(value) else None
            for key, value in (
                ("systolic_mmhg", note.systolic_mmhg),
                ("diastolic_mmhg", note.diastolic_mmhg),
            )
        )
        if systolic is None and diastolic is None:
            continue
        stage = stage_of_note(note, stages)
        vo2 = None if stage is None else stage.vo2_ml_min
        mass = test.person.body_mass_kg
        mets = None
        if vo2 is not None and mass is not None:
            relative = applied("vo2_per_body_mass", {"vo2_ml_min": vo2, "body_mass_kg": mass}).value
            mets = (
                None
                if relative is None
                else applied("metabolic_equivalents", {"vo2_ml_kg_min": relative}).value
            )
        found.append(
            PressureReading(
                _phase(note, marks),
                note.stage,
                note.time_s,
                systolic,
                diastolic,
                _as_set(note.work_rate_w, stage, "work_rate_w"),
                _as_set(note.speed_km_h, stage, "speed_km_h"),
                _as_set(note.grade_percent, stage, "grade_percent"),
                mets,
            )
        )
    order = {"rest": 0, "warm_up": 1, "exercise": 2, "recovery": 3}
    return sorted(
        found,
        key=lambda one: (
            order[one.phase],
            one.time_s if one.time_s is not None else -1.0 if one.stage is None else float(one.stage),
        ),
    )


def _as_set(noted: float | None, stage: StageValues | None, key: str) -> float | None:
    if noted is not None or stage is None:
        return noted
    value: float | None = getattr(stage, key)
    return value


def _phase(note: StageNote, marks: Marks | None) -> str:
    if note.phase is not None:
        return note.phase
    if note.time_s is not None and marks is not None:
        if note.time_s < marks.exercise_start_s - _SLACK_S:
            return "rest"
        if note.time_s > marks.exercise_end_s + _SLACK_S:
            return "recovery"
    return "exercise"


def _resting(
    test: TestInput, readings: Sequence[PressureReading], reasons: dict[str, str]
) -> tuple[float | None, float | None]:
    found = []
    for word, given in (
        ("systolic", test.person.resting_systolic_mmhg),
        ("diastolic", test.person.resting_diastolic_mmhg),
    ):
        noted = [getattr(one, f"{word}_mmhg") for one in readings if one.phase == "rest"]
        known = [value for value in noted if value is not None]
        value = given if given is not None else float(known[-1]) if known else None
        if value is None:
            reasons[f"resting_{word}_mmhg"] = f"No resting {word} pressure was recorded."
        found.append(value)
    return found[0], found[1]


def _highest(
    exercise: Sequence[PressureReading], reasons: dict[str, str]
) -> tuple[float | None, float | None]:
    found = []
    for word in ("systolic", "diastolic"):
        known = [value for one in exercise if (value := getattr(one, f"{word}_mmhg")) is not None]
        if not known:
            reasons[f"highest_{word}_mmhg"] = f"No {word} pressure was noted in exercise."
        found.append(float(max(known)) if known else None)
    return found[0], found[1]


def _per_met(
    exercise: Sequence[PressureReading], reasons: dict[str, str]
) -> tuple[float | None, float | None, float | None]:
    pairs = [
        (one.mets, one.systolic_mmhg)
        for one in exercise
        if one.mets is not None and one.systolic_mmhg is not None
    ]
    line = None
    if len(pairs) >= _LEAST_FOR_SLOPE:
        mets, systolic = (np.array(column, dtype=np.float64) for column in zip(*pairs, strict=True))
        line = fit_line(mets, systolic)
    if line is None:
        why = (
            f"{len(pairs)} stages have both a systolic pressure and a measured uptake; a slope needs {_LEAST_FOR_SLOPE}."
            if len(pairs) < _LEAST_FOR_SLOPE
            else "Uptake does not vary over the stages with a systolic pressure."
        )
        reasons |= dict.fromkeys(
            ("systolic_rise_per_met_mmhg", "rise_per_met_ci_low_mmhg", "rise_per_met_ci_high_mmhg"), why
        )
        return None, None, None
    return line.slope, line.ci_low, line.ci_high


def _load(one: PressureReading) -> tuple[float, float] | None:
    """What may be compared between two readings: work rate alone, or speed and grade."""
    if one.work_rate_w is not None:
        return one.work_rate_w, 0.0
    if one.speed_km_h is not None:
        return one.speed_km_h, one.grade_percent or 0.0
    return None


def _largest_fall(
    exercise: Sequence[PressureReading], resting: float | None
) -> tuple[float | None, PressureReading | None]:
    known = [one for one in exercise if one.systolic_mmhg is not None]
    falls: list[tuple[float, PressureReading]] = []
    for place, one in enumerate(known):
        here = float(one.systolic_mmhg or 0.0)
        if resting is not None:
            falls.append((resting - here, one))
        for earlier in known[:place]:
            before, after = _load(earlier), _load(one)
            if before is None or after is None or all(b <= a for b, a in zip(before, after, strict=True)):
                falls.append((float(earlier.systolic_mmhg or 0.0) - here, one))
    if not falls:
        return None, None
    fall, where = max(falls, key=lambda pair: pair[0])
    return (fall, where) if fall > 0 else (0.0, None)


def _limit(test: TestInput, highest: float | None) -> tuple[PressureLimit | None, str | None]:
    if highest is None:
        return None, "There is no systolic pressure in exercise to compare."
    person = test.person
    wrong = []
    if person.sex is None:
        wrong.append("the sex is not known")
    if person.age_years is None or person.age_years < _ADULT_YEARS:
        wrong.append("the person is not known to be an adult")
    if test.purpose != "maximal" or test.stop_reason not in _SYMPTOM_LIMITED:
        wrong.append("the test is not recorded as maximal and symptom-limited")
    if person.limits_heart_rate:
        wrong.append("a medication acts on heart rate and pressure")
    applies = "adults in a symptom-limited maximal test, by sex"
    if wrong or person.sex is None:
        return None, f"The published values apply to {applies}; here {'; '.join(wrong)}."
    limit = PEAK_LIMIT_MMHG[person.sex]
    at_or_above = highest >= limit
    whom = "men" if person.sex == "male" else "women"
    return (
        PressureLimit(
            limit,
            at_or_above,
            f"The highest systolic pressure of {highest:.0f} mmHg is {'at or above' if at_or_above else 'below'} the "
            f"published value of {limit:.0f} mmHg, which applies to {whom} in a symptom-limited maximal test.",
            PEAK_LIMIT_SOURCE,
        ),
        None,
    )


def _findings(
    fall: float | None, where: PressureReading | None, exercise: Sequence[PressureReading]
) -> tuple[Finding, ...]:
    found = []
    if fall is not None and fall > FALL_MMHG and where is not None:
        place = "" if where.stage is None else f" in stage {where.stage}"
        found.append(
            finding(
                "systolic_fell",
                f"Systolic pressure{place} was {fall:.0f} mmHg below an earlier reading although the load was not lower; "
                f"published lists name a fall of more than {FALL_MMHG:.0f} mmHg ({STOP_SOURCE}).",
            )
        )
    for word, limit in (("systolic", STOP_SYSTOLIC_MMHG), ("diastolic", STOP_DIASTOLIC_MMHG)):
        beyond = [
            value for one in exercise if (value := getattr(one, f"{word}_mmhg")) is not None and value > limit
        ]
        if beyond:
            found.append(
                finding(
                    "pressure_beyond_stop_limit",
                    f"A {word} pressure of {max(beyond):.0f} mmHg was noted in exercise; published lists consider stopping "
                    f"above {limit:.0f} mmHg ({STOP_SOURCE}).",
                )
            )
    return tuple(found)
