"""Peak uptake estimated without gas exchange: from the stages of a submaximal test, from a maximal one, from a field test.

Which methods a test allows, what each says, and why another says nothing. An estimate is never a measurement: its
basis is "estimated", its method is the series it belongs to in a trend, and it is never mixed with measured values.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

from service.analysis.loads import FASTEST_WALK_KM_H, find_loads
from service.analysis.marks import Marks, counted_rows, find_marks, rows_in_exercise
from service.analysis.peaks import ML_KG_MIN_PER_MET, find_maxima
from service.analysis.series import Mode, Person, StageNote, TestInput
from service.analysis.windows import LEAST_COVERED_FRACTION, mean_of_rows
from service.errors import InvalidContent, Place
from service.findings import Finding, finding
from service.methods.catalogue import METHODS
from service.methods.heart_rate import heart_rate_max_tanaka
from service.methods.metabolic_equations import acsm_walking
from service.methods.method import Method, Trust, checked
from service.quantities import QUANTITIES

#: Methods that estimate peak uptake, by id: what `field_inputs` may name.
ESTIMATION_METHODS: Mapping[str, Method] = MappingProxyType(
    {
        method.id: method
        for method in METHODS.values()
        if method.quantity.startswith("vo2_peak_") and not method.predicts
    }
)

_HEART_RATES = ("heart_rate_bpm", "heart_rate_1_bpm", "heart_rate_2_bpm", "stages")
_OF_THE_PERSON = ("sex", "age_years", "body_mass_kg", "height_cm")
_OWN_EXHAUSTION = {"exhaustion", "legs", "breath", None}
_HEART_RATE_WINDOW_S = 30.0
_STEADY_BPM = 5.0
_SLACK_S = 15.0
# A ramp of 15 W/min, as built by steps or recorded in rows (project default).
_STORER_W_PER_MIN = (12.0, 18.0)
_ASTRAND_S, _YMCA_S, _EBBELING_S = 300.0, 180.0, 240.0
_NO_STAGES = (
    "neither the stage notes nor the intervals have a stage with a load and a heart rate; note both at the end of each "
    "stage."
)


@dataclass(frozen=True, slots=True)
class Estimate:
    """What one method says.

    Attributes
    ----------
    method, label : str
        Of the catalogue of methods.
    value_ml_kg_min, value_ml_min : float or None
        The same uptake in both forms; one is None where the body mass is not known, both where no estimate is given.
    unit : str
        Unit of the method itself.
    standard_error : float or None
        Published standard error of the estimate, in `unit`.
    standard_error_ml_kg_min : float or None
    inputs : mapping
        What went in, by the names of the method.
    applies : bool
        Whether an estimate is given.
    reason : str or None
        Why not.
    source : str
        Citation key.
    trust : str
    findings : tuple of Finding
        Inputs outside the range of the method.
    """

    method: str
    label: str
    unit: str
    inputs: Mapping[str, Any]
    source: str
    trust: Trust
    value_ml_kg_min: float | None = None
    value_ml_min: float | None = None
    standard_error: float | None = None
    standard_error_ml_kg_min: float | None = None
    applies: bool = False
    reason: str | None = None
    findings: tuple[Finding, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        answer = {name: getattr(self, name) for name in self.__slots__}
        answer["inputs"] = {
            name: [dict(row) for row in value] if isinstance(value, tuple) else value
            for name, value in self.inputs.items()
        }
        answer["findings"] = [remark.as_dict() for remark in self.findings]
        return answer


@dataclass(frozen=True, slots=True)
class EstimatedResult:
    """One result of an estimate as the index of results keeps it.

    Attributes
    ----------
    quantity : str
        ``vo2_peak_ml_min``, ``vo2_peak_ml_kg_min`` or ``mets_peak``.
    value : float
    method : str
        Also the key of the series in a trend: estimates of two methods are two series.
    has_error : bool
        Beyond what is possible, so kept out of change and trend.
    reason : str or None
    basis : {"estimated"}
    """

    quantity: str
    value: float
    method: str
    has_error: bool = False
    reason: str | None = None
    basis: Literal["estimated"] = "estimated"


@dataclass(frozen=True, slots=True)
class Estimates:
    """All estimates of one test.

    Attributes
    ----------
    items : tuple of Estimate
        Every method that the mode and what was recorded bring into question, the one chosen first.
    chosen : Estimate or None
        The one that stands for the test: the one named in the field inputs, else the one whose conditions fit best.
    reason : str or None
        Why there is none.
    findings : tuple of Finding
        Of the one chosen.
    """

    items: tuple[Estimate, ...]
    chosen: Estimate | None
    reason: str | None
    findings: tuple[Finding, ...]

    @property
    def results(self) -> tuple[EstimatedResult, ...]:
        """The results for the index, of the chosen method."""
        one = self.chosen
        if one is None:
            return ()
        relative, absolute = one.value_ml_kg_min, one.value_ml_min
        values = {
            "vo2_peak_ml_min": absolute,
            "vo2_peak_ml_kg_min": relative,
            "mets_peak": None if relative is None else relative / ML_KG_MIN_PER_MET,
        }
        beyond = _beyond(one)
        return tuple(
            EstimatedResult(quantity, value, one.method, beyond is not None, beyond)
            for quantity, value in values.items()
            if value is not None
        )

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "basis": "estimated",
            "chosen": None if self.chosen is None else self.chosen.method,
            "items": [one.as_dict() for one in self.items],
            "reason": self.reason,
        }


@dataclass(frozen=True, slots=True)
class SteadyStage:
    """The end of one stage.

    Attributes
    ----------
    number : int
        In the order of the stages, from 1.
    heart_rate_bpm : float
        At its end.
    earlier_heart_rate_bpm : float or None
        About a minute before.
    length_s : float or None
        How long the load was held; None where nothing says it.
    work_rate_w, speed_km_h, grade_percent : float or None
    """

    number: int
    heart_rate_bpm: float
    earlier_heart_rate_bpm: float | None
    length_s: float | None
    work_rate_w: float | None
    speed_km_h: float | None
    grade_percent: float | None

    @property
    def drift_bpm(self) -> float | None:
        """How far heart rate still moved in the last minute."""
        if self.earlier_heart_rate_bpm is None:
            return None
        return self.heart_rate_bpm - self.earlier_heart_rate_bpm


@dataclass(frozen=True, slots=True)
class _Case:
    """One method on one test: its inputs, or why there are none; and doubts that do not forbid it."""

    inputs: Mapping[str, Any]
    reason: str | None = None
    doubts: tuple[str, ...] = ()


def check_field_inputs(mode: Mode, field_inputs: Mapping[str, Any], *, where: str = "field_inputs") -> Method:
    """Check the inputs of a field test as they arrive.

    Parameters
    ----------
    mode : str
        Of the test.
    field_inputs : mapping
        ``method``, an id of `ESTIMATION_METHODS`, and the inputs of that method by name. Sex, age, body mass and height
        may be left out where the record has them.
    where : str
        What the places of errors begin with.

    Returns
    -------
    Method

    Raises
    ------
    InvalidContent
        No such method, a method of another mode, an input that is missing, unknown or impossible; a place per field.
    """
    named = field_inputs.get("method")
    method = ESTIMATION_METHODS.get(named) if isinstance(named, str) else None
    if method is None:
        message = f"method is one of {', '.join(ESTIMATION_METHODS)}"
        shown = named[:80] if isinstance(named, str) else None
        raise InvalidContent(
            f"The field inputs name no method: {message}.", (Place(f"{where}.method", message, shown),)
        )
    if (wrong := _wrong_mode(method, mode)) is not None:
        raise InvalidContent(
            f"The field inputs do not fit the test: {wrong}", (Place(f"{where}.method", wrong, named),)
        )
    known, places = checked(method.inputs, _without_method(field_inputs), f"{where}.")
    of_person = {f"{where}.{name}" for name in _OF_THE_PERSON if field_inputs.get(name) is None}
    places = [place for place in places if place.location not in of_person]
    if not places and all(one.optional or known.get(one.name) is not None for one in method.inputs):
        places = [
            Place(f"{where}.{name}", message, known.get(name)) for name, message in method.refused(known)
        ]
    if places:
        raise InvalidContent(
            f"{method.label} cannot be computed: " + "; ".join(place.message for place in places),
            tuple(places),
        )
    return method


def estimate(test: TestInput, field_inputs: Mapping[str, Any] | None = None) -> Estimates:
    """Estimate peak uptake from what was recorded besides gas exchange.

    Parameters
    ----------
    test : TestInput
        With stage notes, or intervals with load and heart rate, or neither where `field_inputs` has what is needed.
    field_inputs : mapping, optional
        ``method`` and its inputs; see `check_field_inputs`. What is left out of sex, age, body mass and height is taken
        from the person.

    Returns
    -------
    Estimates
        No estimate from heart rate with medication that limits it, from a heart rate outside the range of the method or
        not rising, of another mode, from a maximal method where the person did not stop by own exhaustion.

    Raises
    ------
    InvalidContent
        Field inputs that cannot be; a place per field.

    Notes
    -----
    Heart rate at the end of a stage is the last one noted for it, else the mean of the last 30 s of its intervals. Stages
    of the treadmill become uptakes by the ACSM walking equation (acsm_2021).
    """
    items: list[Estimate] = []
    if field_inputs is not None:
        method = check_field_inputs(test.mode, field_inputs)
        items.append(_answer(method, test, _from_field(method, test.person, field_inputs)))
    named = items[0].method if items else None
    for method_id, case in _cases(test).items():
        if method_id != named:
            items.append(_answer(ESTIMATION_METHODS[method_id], test, case))
    chosen = next((one for one in items if one.applies), None)
    if named is not None and not items[0].applies:
        # The tester named a method; another one does not silently stand in for it.
        chosen = None
    items.sort(key=lambda one: (one is not chosen, one.method != named, not one.applies))
    reason = None
    findings: tuple[Finding, ...] = ()
    if chosen is None:
        reason = (
            f"{items[0].label}: {items[0].reason}"
            if items
            else f"No method estimates peak uptake in mode {test.mode}."
        )
    else:
        findings = (*_told(chosen), *chosen.findings)
    return Estimates(tuple(items), chosen, reason, findings)


def _told(one: Estimate) -> list[Finding]:
    value = one.value_ml_kg_min if one.unit == "mL/kg/min" else one.value_ml_min
    error = (
        "no standard error is published"
        if one.standard_error is None
        else f"standard error {one.standard_error:g}"
    )
    remarks = [
        finding("peak_estimated", f"Peak uptake is estimated: {one.label}, {value:.4g} {one.unit} ({error}).")
    ]
    if (beyond := _beyond(one)) is not None:
        remarks.insert(0, finding("impossible_value", beyond, severity="error"))
    return remarks


def _beyond(one: Estimate) -> str | None:
    for key, value in (("vo2_peak_ml_kg_min", one.value_ml_kg_min), ("vo2_peak_ml_min", one.value_ml_min)):
        quantity = QUANTITIES[key]
        if value is not None and not quantity.possible(value):
            low, high = quantity.hard or (0.0, float("inf"))
            return f"{quantity.label} is estimated as {quantity.show(value)}; possible are {low:g} to {high:g} {quantity.unit}."
    return None


def _wrong_mode(method: Method, mode: str) -> str | None:
    if not method.modes or mode in method.modes:
        return None
    return f"{method.label} is for {' or '.join(method.modes)}, the test is of mode {mode}."


def _without_method(field_inputs: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in field_inputs.items() if name != "method"}


def _from_field(method: Method, person: Person, field_inputs: Mapping[str, Any]) -> _Case:
    inputs = _without_method(field_inputs)
    doubts = []
    for one in method.inputs:
        if one.name not in _OF_THE_PERSON:
            continue
        recorded = getattr(person, one.name)
        given = inputs.get(one.name)
        if given is None:
            inputs[one.name] = recorded
        elif recorded is not None and _differ(given, recorded):
            doubts.append(
                f"{one.label} was given as {given:g} and is {recorded:g} in the record; the given one was used."
                if isinstance(recorded, float | int)
                else f"{one.label} was given as {given} and is {recorded} in the record; the given one was used."
            )
    return _Case(inputs, doubts=tuple(doubts))


def _differ(given: Any, recorded: Any) -> bool:
    if isinstance(recorded, str):
        return bool(given != recorded)
    # A year of age (a birthday, a rounded age) is no contradiction.
    return bool(abs(float(given) - recorded) > max(0.01 * abs(recorded), 1.0))


def _answer(method: Method, test: TestInput, case: _Case) -> Estimate:
    shown = {name: tuple(value) if isinstance(value, list) else value for name, value in case.inputs.items()}
    blank: dict[str, Any] = {
        "method": method.id,
        "label": method.label,
        "unit": method.unit,
        "inputs": MappingProxyType(shown),
        "source": method.source,
        "trust": method.trust,
    }
    reason = case.reason or _refusal(method, test, case.inputs)
    if reason is not None:
        return Estimate(**blank, reason=reason)
    answer = method.answer(case.inputs, where="field_inputs")
    if answer.value is None:
        return Estimate(
            **blank, reason=" ".join(one.message for one in answer.findings), findings=answer.findings
        )
    mass = case.inputs.get("body_mass_kg") or test.person.body_mass_kg
    relative = absolute = error = None
    if method.unit == "mL/kg/min":
        relative, error = answer.value, answer.standard_error
        absolute = None if mass is None else answer.value * mass
    else:
        absolute = answer.value
        relative = None if mass is None else answer.value / mass
        error = None if mass is None or answer.standard_error is None else answer.standard_error / mass
    return Estimate(
        **blank,
        value_ml_kg_min=relative,
        value_ml_min=absolute,
        standard_error=answer.standard_error,
        standard_error_ml_kg_min=error,
        applies=True,
        findings=(*(finding("outside_method_range", doubt) for doubt in case.doubts), *answer.findings),
    )


def _refusal(method: Method, test: TestInput, inputs: Mapping[str, Any]) -> str | None:
    """Why a method may say nothing about this test, whatever the formula would give."""
    if (wrong := _wrong_mode(method, test.mode)) is not None:
        return wrong
    names = {one.name for one in method.inputs}
    if test.person.limits_heart_rate and names & set(_HEART_RATES):
        return (
            "a medication of the visit limits heart rate, so heart rate does not tell how hard the work was."
        )
    missing = [
        one.label.lower() for one in method.inputs if not one.optional and inputs.get(one.name) is None
    ]
    if missing:
        return f"the record has no {' and no '.join(missing)}."
    sex = inputs.get("sex") or test.person.sex
    if len(method.sexes) == 1 and sex not in method.sexes:
        whom = {"female": "women", "male": "men"}[method.sexes[0]]
        return f"it is for {whom}." if sex is not None else f"it is for {whom}, and the record has no sex."
    if method.ages is not None:
        age = test.person.age_years
        if age is None or not method.ages[0] <= age <= method.ages[1]:
            return f"it is for ages {method.ages[0]:g} to {method.ages[1]:.0f}."
    for one in method.inputs:
        given = inputs.get(one.name)
        if one.name == "heart_rate_bpm" and one.valid is not None and given is not None:
            low, high = one.valid
            if not low <= given <= high:
                return f"a heart rate of {given:.0f} beats/min is outside the range of the method, {low:g} to {high:g}."
    return None


# -- what a test allows -----------------------------------------------------------------------------------------------


def _cases(test: TestInput) -> dict[str, _Case]:
    """Methods in question by mode, in the order of preference, each with its inputs or why there are none."""
    marks = find_marks(test) if len(test.series) else None
    if test.mode == "cycle":
        stages = steady_stages(test)
        maximal = {
            "storer_cycle": _storer(test, marks),
            "kokkinos_cycle": _work_rate(test, marks),
        }
        submaximal = {"ymca_cycle": _ymca(test, stages), "astrand_ryhming_cycle": _astrand(test, stages)}
        return maximal | submaximal if test.purpose == "maximal" else submaximal | maximal
    if test.mode == "treadmill":
        stages = steady_stages(test)
        timed = {
            "bruce_foster_men": "bruce",
            "bruce_pollock_women": "bruce",
            "balke_pollock_men": "balke",
            "balke_pollock_women": "balke",
            "naughton_foster_men": "naughton",
        }
        maximal = {
            method_id: _timed(test, marks, family)
            for method_id, family in timed.items()
            if test.protocol_family == family
        }
        submaximal = {
            "ebbeling_treadmill": _ebbeling(test, stages),
            "two_stage_treadmill": _two_stage(test, stages),
        }
        return maximal | submaximal
    return {}


def steady_stages(test: TestInput) -> tuple[SteadyStage, ...]:
    """The ends of the stages of exercise that have a load and a heart rate.

    Parameters
    ----------
    test : TestInput

    Returns
    -------
    tuple of SteadyStage
        From the stage notes; where these have none, from the intervals.
    """
    return _noted_stages(test) or _recorded_stages(test)


def _noted_stages(test: TestInput) -> tuple[SteadyStage, ...]:
    by_stage: dict[int, list[StageNote]] = {}
    for note in test.notes:
        if note.stage is not None and note.phase in {None, "exercise"} and note.heart_rate_bpm is not None:
            by_stage.setdefault(note.stage, []).append(note)
    found: list[SteadyStage] = []
    before = test.exercise_start_s
    if before is None and len(test.series):
        before = find_marks(test).exercise_start_s
    for number, stage in enumerate(sorted(by_stage), 1):
        notes = sorted(by_stage[stage], key=lambda note: note.time_s if note.time_s is not None else 0.0)
        last = notes[-1]
        if last.heart_rate_bpm is None or (last.work_rate_w is None and last.speed_km_h is None):
            continue
        length = None
        if last.time_s is not None and before is not None:
            length = last.time_s - before
        before = last.time_s  # a stage without a time leaves the next one without a length
        earlier = None
        for note in notes[:-1]:
            if note.time_s is not None and last.time_s is not None and 40 <= last.time_s - note.time_s <= 90:
                earlier = note.heart_rate_bpm
        found.append(
            SteadyStage(
                number,
                last.heart_rate_bpm,
                earlier,
                length if length is not None and length > 0 else None,
                last.work_rate_w,
                last.speed_km_h,
                last.grade_percent,
            )
        )
    return tuple(found)


def _recorded_stages(test: TestInput) -> tuple[SteadyStage, ...]:
    series = test.series
    if not len(series) or not series.has("heart_rate_bpm"):
        return ()
    marks = find_marks(test)
    beats, counts = series.channel("heart_rate_bpm"), counted_rows(series, "heart_rate_bpm")

    def mean_before(moment: float) -> float | None:
        value, covered = mean_of_rows(series, beats, counts, moment - _HEART_RATE_WINDOW_S, moment)
        return value if covered >= LEAST_COVERED_FRACTION - 1e-9 else None

    found: list[SteadyStage] = []
    for stage in find_loads(test, marks).stages:
        rate = mean_before(stage.end_s) if stage.counts else None
        if rate is None:
            continue
        # A minute before, and still within the stage.
        earlier = mean_before(stage.end_s - 60.0) if stage.length_s >= 120.0 else None
        found.append(
            SteadyStage(
                len(found) + 1,
                rate,
                earlier,
                stage.length_s,
                stage.work_rate_w,
                stage.speed_km_h,
                stage.grade_percent,
            )
        )
    return tuple(found)


def _person(test: TestInput, *names: str) -> dict[str, Any]:
    return {name: getattr(test.person, name) for name in names}


def _unsteady(stage: SteadyStage) -> str | None:
    drift = stage.drift_bpm
    if drift is None or abs(drift) <= _STEADY_BPM:
        return None
    return f"in stage {stage.number} heart rate still moved by {drift:+.0f} beats/min in the last minute"


def _short(stage: SteadyStage, least_s: float) -> str | None:
    if stage.length_s is None or stage.length_s >= least_s - _SLACK_S:
        return None
    return (
        f"stage {stage.number} lasted {stage.length_s / 60:.1f} min, and the method needs {least_s / 60:.0f}"
    )


def _astrand(test: TestInput, stages: tuple[SteadyStage, ...]) -> _Case:
    person = _person(test, "sex", "age_years")
    loaded = [stage for stage in stages if stage.work_rate_w is not None]
    if not loaded:
        return _Case(person, _NO_STAGES)
    own = len(loaded) == 1 or test.protocol_family == "astrand_cycle"
    held = [
        stage for stage in loaded if (own or stage.length_s is not None) and not _short(stage, _ASTRAND_S)
    ]
    if not held:
        short = next((text for stage in reversed(loaded) if (text := _short(stage, _ASTRAND_S))), None)
        return _Case(
            person, f"{short or 'nothing says how long the loads were held; the method needs 5 min'}."
        )
    steady = [stage for stage in held if not _unsteady(stage)]
    if not steady:
        return _Case(person, f"{_unsteady(held[-1])}; the method needs it steady within {_STEADY_BPM:.0f}.")
    within = [stage for stage in steady if 125 <= stage.heart_rate_bpm <= 170]
    stage = (within or steady)[-1]
    doubts: list[str] = []
    if stage.length_s is None:
        doubts.append("Nothing says how long the load was held; the method needs 5 to 6 min.")
    if stage.drift_bpm is None:
        doubts.append("Only one heart rate is known, so nothing says that it was steady.")
    return _Case(
        {"work_rate_w": stage.work_rate_w, "heart_rate_bpm": stage.heart_rate_bpm, **person},
        doubts=tuple(doubts),
    )


def _ymca(test: TestInput, stages: tuple[SteadyStage, ...]) -> _Case:
    person = _person(test, "body_mass_kg", "age_years")
    loaded = [stage for stage in stages if stage.work_rate_w is not None]
    if len(loaded) < 2:
        return _Case(
            person, _NO_STAGES if not loaded else "only one stage has a load and a heart rate; it needs two."
        )
    if test.person.age_years is None:
        return _Case(person, "the record has no age.")
    left_out = [text for stage in loaded if (text := _short(stage, _YMCA_S) or _unsteady(stage))]
    kept = [stage for stage in loaded if not _short(stage, _YMCA_S) and not _unsteady(stage)]
    if len(kept) < 2:
        return _Case(person, f"fewer than two stages can be used: {'; '.join(left_out)}.")
    limit = 0.85 * heart_rate_max_tanaka(test.person.age_years)
    within = [stage for stage in kept if 110 <= stage.heart_rate_bpm <= limit]
    if len(within) < 2:
        beats = ", ".join(f"{stage.heart_rate_bpm:.0f}" for stage in kept)
        return _Case(
            person,
            f"fewer than two stages have a heart rate from 110 to {limit:.0f} beats/min (85 % of the predicted maximum): "
            f"{beats}.",
        )
    rows = [{"work_rate_w": stage.work_rate_w, "heart_rate_bpm": stage.heart_rate_bpm} for stage in within]
    doubts = [f"A stage was left out: {text}." for text in left_out]
    return _Case({"stages": rows, **person}, doubts=tuple(doubts))


def _two_stage(test: TestInput, stages: tuple[SteadyStage, ...]) -> _Case:
    person = _person(test, "age_years")
    if test.handrail_support:
        return _Case(person, "the handrail was held, so speed and grade do not tell the oxygen cost.")
    moving = [stage for stage in stages if stage.speed_km_h is not None]
    if len(moving) < 2:
        return _Case(
            person, _NO_STAGES if not moving else "only one stage has a speed and a heart rate; it needs two."
        )
    walked = [stage for stage in moving if (stage.speed_km_h or 0.0) <= FASTEST_WALK_KM_H + 1e-9]
    if len(walked) < 2:
        return _Case(
            person,
            f"fewer than two stages were walked at up to {FASTEST_WALK_KM_H:g} km/h, and the oxygen cost of the others is not "
            "known well enough.",
        )
    first, second = walked[-2:]
    ungraded = [stage for stage in (first, second) if stage.grade_percent is None]
    doubts = ("No grade is recorded; the treadmill was taken as level.",) if ungraded else ()
    cost_1, cost_2 = (
        acsm_walking(stage.speed_km_h or 0.0, stage.grade_percent or 0.0) for stage in (first, second)
    )
    return _Case(
        {
            "vo2_1_ml_kg_min": cost_1,
            "heart_rate_1_bpm": first.heart_rate_bpm,
            "vo2_2_ml_kg_min": cost_2,
            "heart_rate_2_bpm": second.heart_rate_bpm,
            **person,
        },
        doubts=doubts,
    )


def _ebbeling(test: TestInput, stages: tuple[SteadyStage, ...]) -> _Case:
    person = _person(test, "age_years", "sex")
    if test.handrail_support:
        return _Case(person, "the handrail was held, so the speed does not tell how hard the work was.")
    at_five = [
        stage
        for stage in stages
        if stage.speed_km_h is not None
        and stage.grade_percent is not None
        and abs(stage.grade_percent - 5.0) <= 0.25
    ]
    if not at_five:
        return _Case(person, "no stage was walked at a grade of 5 %." if stages else _NO_STAGES)
    stage = at_five[-1]
    if (short := _short(stage, _EBBELING_S)) is not None:
        return _Case(person, f"{short}.")
    doubts = () if stage.length_s is not None else ("Nothing says that the stage lasted 4 min.",)
    return _Case(
        {"speed_km_h": stage.speed_km_h, "heart_rate_bpm": stage.heart_rate_bpm, **person}, doubts=doubts
    )


def _not_to_the_end(test: TestInput) -> str | None:
    """Why a method that needs a maximal effort has none."""
    if test.purpose != "maximal":
        return f"it needs a maximal test, and this one is {test.purpose}."
    if test.stop_reason not in _OWN_EXHAUSTION:
        return f"it needs a test to own exhaustion, and this one was stopped otherwise ({test.stop_reason})."
    return None


def _work_rate(test: TestInput, marks: Marks | None) -> _Case:
    person = _person(test, "body_mass_kg")
    if (reason := _not_to_the_end(test)) is not None:
        return _Case(person, reason)
    if marks is not None:
        highest = find_maxima(test, marks).work_rate_w
    else:
        noted = [
            note.work_rate_w
            for note in test.notes
            if note.work_rate_w is not None and note.phase in {None, "exercise"}
        ]
        highest = max(noted, default=None)
    if highest is None:
        return _Case(person, "the test has no work rate.")
    doubts = () if test.stop_reason is not None else ("No reason for stopping is recorded.",)
    return _Case({"work_rate_w": highest, **person}, doubts=doubts)


def _storer(test: TestInput, marks: Marks | None) -> _Case:
    case = _work_rate(test, marks)
    inputs = {**case.inputs, **_person(test, "age_years", "sex")}
    if case.reason is not None:
        return _Case(inputs, case.reason)
    rise = _rise_w_per_min(test, marks)
    low, high = _STORER_W_PER_MIN
    if rise is None:
        return _Case(inputs, doubts=(*case.doubts, "Nothing says that the load rose by 15 W/min."))
    if not low <= rise <= high:
        return _Case(
            inputs,
            f"it is for a load that rises by 15 W/min, and this one rose by {rise:.0f}; the highest work rate depends on it.",
        )
    return _Case(inputs, doubts=case.doubts)


def _rise_w_per_min(test: TestInput, marks: Marks | None) -> float | None:
    if marks is None:
        timed = [
            note
            for note in test.notes
            if note.phase in {None, "exercise"} and note.work_rate_w is not None and note.time_s is not None
        ]
        minutes = np.array([note.time_s for note in timed], dtype=np.float64) / 60
        watts = np.array([note.work_rate_w for note in timed], dtype=np.float64)
    else:
        series = test.series
        used = rows_in_exercise(series, marks) & counted_rows(series, "work_rate_w")
        used &= series.end_s <= marks.exercise_end_s + 1e-6
        minutes = (series.start_s + series.end_s)[used] / 120
        watts = series.channel("work_rate_w")[used]
    if minutes.size < 3 or np.ptp(minutes) < 2.0:
        return None
    return float(np.polynomial.polynomial.polyfit(minutes, watts, 1)[1])


def _timed(test: TestInput, marks: Marks | None, family: str) -> _Case:
    if (reason := _not_to_the_end(test)) is not None:
        return _Case({}, reason)
    if test.handrail_support:
        return _Case({}, "the handrail was held, which makes the time on the protocol longer.")
    start, end = test.exercise_start_s, test.exercise_end_s
    if marks is not None:
        minutes = marks.duration_s / 60
    elif start is not None and end is not None:
        minutes = (end - start) / 60
    else:
        noted = [
            note.time_s for note in test.notes if note.time_s is not None and note.phase in {None, "exercise"}
        ]
        if not noted:
            return _Case({}, f"nothing says how long the person stayed on the protocol ({family}).")
        minutes = (max(noted) - (start or 0.0)) / 60
    doubts = []
    if test.handrail_support is None:
        doubts.append(
            "It is not recorded whether the handrail was held; holding it makes the estimate too high."
        )
    if test.stop_reason is None:
        doubts.append("No reason for stopping is recorded.")
    return _Case({"time_min": minutes}, doubts=tuple(doubts))
