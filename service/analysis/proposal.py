"""A ramp and a step protocol for one person, so that exercise should last 8 to 12 minutes.

A maximal test that lasts 8 to 12 minutes gives the highest peak (buchfuhrer_1983: 10 minutes, give or take 2). The load
that should end the test follows from the last peak, or else from a predicted one; how fast the load rises follows from
that. A proposal is a starting point for the person who runs the test, nothing more.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import floor
from typing import Any, Literal

from service.analysis.series import Mode, Person
from service.errors import InvalidContent, Place
from service.methods.catalogue import run
from service.methods.metabolic_equations import acsm_running, acsm_walking, foster_graded_treadmill
from service.methods.method import OURS
from service.reference.protocols import STANDARD_PROTOCOLS, Protocol, ProtocolStage

#: Modes there are proposals for.
PROPOSED_MODES: tuple[Mode, ...] = ("cycle", "treadmill", "row")
SHORTEST_S, LONGEST_S, AIM_S = 480.0, 720.0, 600.0

CAUTION = (
    "A proposal to start from. Who runs the test decides, by local rules and by what the person can do; a person known to "
    "be weaker than expected starts lower."
)

# Cost of a watt, mL/min. Cycle: common value, 10 (value from memory). Rowing: about a fifth of the energy becomes work
# (value from memory), which is 14 (default of this project).
_ML_MIN_PER_W = {"cycle": 10.0, "row": 14.0}
_GREATEST_STEP_W = 30.0
_WALKS_KM_H = (1.6, 2.4, 3.2, 4.0, 4.8, 5.6)
_STEEPEST_WALK_PERCENT = 20.0
_RUN_GRADE_PERCENT = 1.0
_SLOWEST_RUN_KM_H = 8.5
_GREATEST_STEP_KM_H = 1.5
_GREATEST_RISE_KM_H = 10.0
_YEARS = (18.0, 90.0)
_WEAKEST_ML_KG_MIN, _STRONGEST_ML_KG_MIN = 8.0, 90.0
_RESERVE = 1.5  # the protocol goes on this much beyond the load that should end it


@dataclass(frozen=True, slots=True)
class LastPeak:
    """What the last test of a person found.

    Attributes
    ----------
    vo2_ml_min : float or None
        Peak uptake, in this mode.
    work_rate_w : float or None
        Highest work rate, in this mode; used where there is no uptake.
    basis : {"measured", "estimated", "reported"}
    """

    vo2_ml_min: float | None = None
    work_rate_w: float | None = None
    basis: Literal["measured", "estimated", "reported"] = "measured"


@dataclass(frozen=True, slots=True)
class Proposal:
    """One protocol for one person.

    Attributes
    ----------
    protocol : Protocol
        A standard one where its load rises as proposed, else one of this project, in the same form.
    expected_duration_s : float
        Of exercise, from 480 to 720.
    expected_peak_vo2_ml_min : float
        What the proposal reckons with.
    expected_work_rate_w, expected_speed_km_h, expected_grade_percent : float or None
        The load that should end the test.
    reason : str
    sources : tuple of str
        Citation keys, and what is this project's own.
    """

    protocol: Protocol
    expected_duration_s: float
    expected_peak_vo2_ml_min: float
    reason: str
    sources: tuple[str, ...]
    expected_work_rate_w: float | None = None
    expected_speed_km_h: float | None = None
    expected_grade_percent: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """JSON form: the protocol resource, and what was reckoned with."""
        own = {name: getattr(self, name) for name in self.__slots__ if name not in {"protocol", "sources"}}
        return {**self.protocol.as_dict(), **own, "sources": list(self.sources), "caution": CAUTION}


@dataclass(frozen=True, slots=True)
class _Expected:
    """Peak uptake reckoned with, and where it is from."""

    vo2_ml_min: float
    said: str
    source: str


def propose(mode: Mode, person: Person, last_peak: LastPeak | None = None) -> tuple[Proposal, ...]:
    """Propose a ramp and a step protocol.

    Parameters
    ----------
    mode : {"cycle", "treadmill", "row"}
    person : Person
        Body mass always; age, sex and height where there is no last peak.
    last_peak : LastPeak, optional
        Of the last test in this mode.

    Returns
    -------
    tuple of Proposal
        The ramp, then the steps.

    Raises
    ------
    InvalidContent
        Another mode; no last peak and a person without age, sex, height or body mass, or under 18; a place each.

    Notes
    -----
    Cycle: unloaded pedalling costs 150 + 6 mass, a watt 10 mL/min, so a ramp of 10 minutes rises by (peak - unloaded)/100
    W/min; without a last peak, peak is (height - age) times 20 for men and 14 for women (wasserman_2012, values from
    memory). Treadmill: peak by age, sex and mass (myers_2017); the load that ends a graded test has a steady-state cost
    x with peak = 0.869 x - 0.07 (foster_1996), speed and grade by the ACSM equations (acsm_2021). Rowing: as the cycle, at
    14 mL/min a watt (default of this project).
    """
    if mode not in PROPOSED_MODES:
        message = f"mode is one of {', '.join(PROPOSED_MODES)}; for {mode} there is no rule to propose by"
        raise InvalidContent(f"No protocol can be proposed: {message}.", (Place("mode", message, mode),))
    expected = _expected(mode, person, last_peak)
    if mode == "treadmill":
        return _on_treadmill(expected, _mass(person))
    return _on_ergometer(mode, expected, _mass(person))


def _mass(person: Person) -> float:
    if person.body_mass_kg is None:
        raise _lacking("body_mass_kg")
    return person.body_mass_kg


def _lacking(*names: str) -> InvalidContent:
    places = tuple(Place(f"person.{name}", f"{name} is missing") for name in names)
    return InvalidContent(
        f"No protocol can be proposed: the record has no {', no '.join(names)}, and no last peak in this mode to reckon with.",
        places,
    )


def _expected(mode: Mode, person: Person, last: LastPeak | None) -> _Expected:
    mass = _mass(person)
    found = None
    if last is not None and last.vo2_ml_min is not None:
        found = _Expected(
            last.vo2_ml_min,
            f"the {last.basis} peak of the last test, {last.vo2_ml_min:.0f} mL/min",
            "the person's last test",
        )
    elif last is not None and last.work_rate_w is not None and mode in _ML_MIN_PER_W:
        uptake = _unloaded(mass) + _ML_MIN_PER_W[mode] * last.work_rate_w
        found = _Expected(
            uptake,
            f"the highest work rate of the last test, {last.work_rate_w:.0f} W",
            "the person's last test",
        )
    if found is None:
        found = _predicted(mode, person)
    relative = found.vo2_ml_min / mass
    if not _WEAKEST_ML_KG_MIN <= relative <= _STRONGEST_ML_KG_MIN:
        message = (
            f"a peak of {relative:.1f} mL/kg/min ({found.said}) is outside {_WEAKEST_ML_KG_MIN:g} to "
            f"{_STRONGEST_ML_KG_MIN:g}, where a protocol can be reckoned"
        )
        raise InvalidContent(
            f"No protocol can be proposed: {message}.", (Place("last_peak", message, round(relative, 1)),)
        )
    return found


def _predicted(mode: Mode, person: Person) -> _Expected:
    needed = ("age_years", "sex") if mode == "treadmill" else ("age_years", "sex", "height_cm")
    missing = [name for name in needed if getattr(person, name) is None]
    if missing:
        raise _lacking(*missing)
    age, sex, mass = person.age_years or 0.0, person.sex, _mass(person)
    if not _YEARS[0] <= age <= _YEARS[1]:
        message = f"without a last peak there are proposals from {_YEARS[0]:g} to {_YEARS[1]:g} years, and the age is {age:.1f}"
        raise InvalidContent(
            f"No protocol can be proposed: {message}.", (Place("person.age_years", message, age),)
        )
    if mode == "treadmill":
        value = run("predicted_vo2max_myers_2017", {"age_years": age, "sex": sex, "body_mass_kg": mass}).value
        uptake = max(value or 0.0, _WEAKEST_ML_KG_MIN) * mass
        return _Expected(
            uptake, f"the predicted peak for age, sex and body mass, {uptake:.0f} mL/min", "myers_2017"
        )
    per_unit = 20 if sex == "male" else 14
    uptake = ((person.height_cm or 0.0) - age) * per_unit
    # Small old people of large mass: at least three minutes of rise above unloaded pedalling.
    uptake = max(uptake, _unloaded(mass) + 300.0, _WEAKEST_ML_KG_MIN * mass)
    return _Expected(
        uptake,
        f"the usual peak for height, age and sex, {uptake:.0f} mL/min",
        "wasserman_2012 (value from memory)",
    )


def _unloaded(mass: float) -> float:
    return 150.0 + 6.0 * mass


def _rounded(value: float, to: float) -> float:
    return round(floor(value / to + 0.5) * to, 6)


def _rate(total: float, minutes: float, coarse: float, fine: float) -> float:
    """What to rise by in `minutes`/10 of the aim: a round number if the test still lasts 8 to 12 minutes, else a finer one."""
    wanted = total / minutes
    for grid in (coarse, fine):
        rate = max(_rounded(wanted, grid), grid)
        if SHORTEST_S <= total / rate * (AIM_S / minutes) <= LONGEST_S:
            return rate
    return wanted


def _loads(first: float, step: float, highest: float) -> list[float]:
    n = max(3, int((highest - first) / step) + 1)
    return [round(first + step * i, 6) for i in range(n)]


# -- cycle and rowing -------------------------------------------------------------------------------------------------


def _on_ergometer(mode: Mode, expected: _Expected, mass: float) -> tuple[Proposal, ...]:
    per_watt = _ML_MIN_PER_W[mode]
    highest = (expected.vo2_ml_min - _unloaded(mass)) / per_watt
    if highest < 20.0:
        message = f"{expected.said} leaves {highest:.0f} W above unloaded work at {mass:g} kg, too little for a graded test"
        raise InvalidContent(f"No protocol can be proposed: {message}.", (Place("last_peak", message),))
    return (_watt_ramp(mode, expected, highest), _watt_steps(mode, expected, highest))


def _watt_sources(mode: Mode, expected: _Expected) -> tuple[str, ...]:
    cost = "wasserman_2012 (value from memory)" if mode == "cycle" else f"{OURS}: 14 mL/min a watt of rowing"
    return tuple(dict.fromkeys(("buchfuhrer_1983", expected.source, cost)))


def _watt_reason(mode: Mode, expected: _Expected, highest: float, rises: str, seconds: float) -> str:
    return (
        f"Reckoned with {expected.said}; at {_ML_MIN_PER_W[mode]:g} mL/min a watt that is about {highest:.0f} W. {rises} "
        f"exercise should last about {seconds / 60:.0f} min."
    )


def _watt_ramp(mode: Mode, expected: _Expected, highest: float) -> Proposal:
    rate = _rate(highest, 10.0, 5.0, 1.0)
    seconds = highest / rate * 60
    standard = STANDARD_PROTOCOLS.get(f"cycle_ramp_{rate:g}") if mode == "cycle" else None
    text = f"{rate:.3g}"
    shown = text.replace(".", "_")
    protocol = standard or Protocol(
        f"proposed_{mode}_ramp_{shown}",
        f"{mode.capitalize()} ramp, {text} W/min",
        f"{mode}_ramp",
        mode,
        "ramp",
        "maximal",
        "buchfuhrer_1983",
        "Proposed for one person.",
        _cycle_ramp(rate) if mode == "cycle" else _row_ramp(rate, highest),
    )
    return Proposal(
        protocol,
        seconds,
        expected.vo2_ml_min,
        _watt_reason(mode, expected, highest, f"At {text} W/min", seconds),
        _watt_sources(mode, expected),
        expected_work_rate_w=highest,
    )


def _cycle_ramp(rate: float) -> tuple[ProtocolStage, ...]:
    turns = 60.0
    return (
        ProtocolStage("rest", 180.0, 0.0),
        ProtocolStage("warm_up", 180.0, 0.0, cadence_per_min=turns),
        ProtocolStage("exercise", 1200.0, 0.0, cadence_per_min=turns, ramp_w_per_min=rate),
        ProtocolStage("recovery", 180.0, 0.0, cadence_per_min=turns),
    )


def _row_ramp(rate: float, highest: float) -> tuple[ProtocolStage, ...]:
    # No rower follows a line: half a minute at each load.
    loads = _loads(rate / 2, rate / 2, _RESERVE * highest)
    return _around(
        [ProtocolStage("exercise", 30.0, load) for load in loads], ProtocolStage("warm_up", 180.0, 0.0)
    )


def _around(exercise: Sequence[ProtocolStage], warm_up: ProtocolStage) -> tuple[ProtocolStage, ...]:
    """The stages with a warm-up before and a cool-down after."""
    cool_down = ProtocolStage(
        "recovery", 300.0, None if warm_up.work_rate_w is None else 0.0, warm_up.speed_km_h
    )
    if cool_down.speed_km_h is not None:
        cool_down = ProtocolStage("recovery", 300.0, None, min(cool_down.speed_km_h, 4.0), 0.0)
    return (warm_up, *exercise, cool_down)


def _watt_steps(mode: Mode, expected: _Expected, highest: float) -> Proposal:
    warm = _rounded(0.2 * highest, 5.0)
    lengths = (3.0,) if mode == "row" else (2.0, 1.0)
    for minutes in lengths:
        step = _rate(highest - warm, 10.0 / minutes, 5.0, 1.0)
        if step <= _GREATEST_STEP_W:
            break
    seconds = (highest - warm) / step * minutes * 60
    text = f"{step:.3g}"
    protocol = Protocol(
        f"proposed_{mode}_step_{text.replace('.', '_')}w_{minutes:g}min_from_{warm + step:.0f}w",
        f"{mode.capitalize()} step, {text} W every {minutes:g} min from {warm + step:.0f} W",
        f"{mode}_step_{text.replace('.', '_')}w_{minutes:g}min",
        mode,
        "step",
        "maximal",
        OURS,
        "Proposed for one person.",
        _around(
            [
                ProtocolStage("exercise", 60 * minutes, load)
                for load in _loads(warm + step, step, _RESERVE * highest)
            ],
            ProtocolStage("warm_up", 180.0, warm),
        ),
    )
    return Proposal(
        protocol,
        seconds,
        expected.vo2_ml_min,
        _watt_reason(
            mode,
            expected,
            highest,
            f"After 3 min at {warm:.0f} W, with {text} W more every {minutes:g} min,",
            seconds,
        ),
        (*_watt_sources(mode, expected), f"{OURS}: length and height of the steps"),
        expected_work_rate_w=highest,
    )


# -- treadmill --------------------------------------------------------------------------------------------------------


def _on_treadmill(expected: _Expected, mass: float) -> tuple[Proposal, ...]:
    # The steady-state cost of the last load of a graded test whose measured peak this is.
    cost = _through_line(foster_graded_treadmill, expected.vo2_ml_min / mass)
    walk = next((v for v in _WALKS_KM_H if acsm_walking(v, _STEEPEST_WALK_PERCENT) >= cost), None)
    if walk is not None:
        top = _through_line(lambda grade: float(acsm_walking(walk, grade)), cost)
        if top < 1.0:
            message = f"{expected.said} is hardly above level walking, too little for a graded test"
            raise InvalidContent(f"No protocol can be proposed: {message}.", (Place("last_peak", message),))
        return _walks(expected, walk, top)
    top = _through_line(lambda speed: float(acsm_running(speed, _RUN_GRADE_PERCENT)), cost)
    return _runs(expected, top)


def _through_line(method: Callable[[float], float], value: float) -> float:
    """Where a method of the catalogue that is a straight line in its input comes to a value."""
    at_zero, at_one = method(0.0), method(1.0)
    return (value - at_zero) / (at_one - at_zero)


def _treadmill_sources(expected: _Expected, own: str) -> tuple[str, ...]:
    return ("buchfuhrer_1983", expected.source, "foster_1996", "acsm_2021", f"{OURS}: {own}")


def _walks(expected: _Expected, speed: float, top: float) -> tuple[Proposal, ...]:
    def stage(seconds: float, grade: float) -> ProtocolStage:
        return ProtocolStage("exercise", seconds, None, speed, round(min(grade, 25.0), 3))

    warm_up = ProtocolStage("warm_up", 180.0, None, speed, 0.0)
    rate = _rate(top, 10.0, 0.5, 0.1)
    step = _rate(top, 5.0, 0.5, 0.1)
    said = f"Reckoned with {expected.said}: walking at {speed:g} km/h a grade of about {top:.1f} % should end the test."
    return tuple(
        _treadmill(
            "walk", shape, f"{speed:g} km/h, {rise:.2g} % every {every}", seconds, (expected, said),
            _around([stage(length, grade) for grade in _until(rise_of_stage, top, 25.0)], warm_up),
            (speed, top),
        )
        for shape, rise, every, length, rise_of_stage, seconds in (
            ("ramp", rate, "minute", 30.0, rate / 2, top / rate * 60),
            ("step", step, "2 min", 120.0, step, top / step * 120),
        )
    )  # fmt: skip


def _until(rise: float, top: float, limit: float) -> list[float]:
    """Loads from the first rise to well beyond the one that should end the test; none above what the belt can do."""
    loads = [value for value in _loads(rise, rise, _RESERVE * top) if value <= limit]
    return loads or [rise]


def _runs(expected: _Expected, top: float) -> tuple[Proposal, ...]:
    slowest = max(_SLOWEST_RUN_KM_H, _rounded(top - _GREATEST_RISE_KM_H, 0.5))
    span = top - slowest
    warm_up = ProtocolStage("warm_up", 180.0, None, slowest, _RUN_GRADE_PERCENT)

    def stages(rise: float, seconds: float) -> tuple[ProtocolStage, ...]:
        speeds = [slowest + gain for gain in _until(rise, span, 30.0 - slowest)]
        return _around(
            [ProtocolStage("exercise", seconds, None, round(v, 3), _RUN_GRADE_PERCENT) for v in speeds],
            warm_up,
        )

    rate = _rate(span, 10.0, 0.5, 0.1)
    minutes: float = 2.0
    step = _rate(span, 5.0, 0.5, 0.1)
    if step > _GREATEST_STEP_KM_H:
        minutes, step = 1.0, rate
    said = (
        f"Reckoned with {expected.said}: running at {_RUN_GRADE_PERCENT:g} % a speed of about {top:.1f} km/h should end the "
        "test."
    )
    load = (top, _RUN_GRADE_PERCENT)
    return (
        _treadmill(
            "run", "ramp", f"{rate:.2g} km/h a minute from {slowest:g}", span / rate * 60, (expected, said),
            stages(rate / 2, 30.0), load,
        ),
        _treadmill(
            "run", "step", f"{step:.2g} km/h every {minutes:g} min from {slowest:g}", span / step * minutes * 60,
            (expected, said), stages(step, 60 * minutes), load,
        ),
    )  # fmt: skip


def _treadmill(
    gait: str,
    shape: str,
    rises: str,
    seconds: float,
    reckoned: tuple[_Expected, str],
    stages: tuple[ProtocolStage, ...],
    load: tuple[float, float],
) -> Proposal:
    expected, said = reckoned
    word = "".join(letter if letter.isalnum() else "_" for letter in rises.replace("%", "percent")).lower()
    while "__" in word:
        word = word.replace("__", "_")
    family = f"treadmill_{gait}_{shape}"
    protocol = Protocol(
        f"proposed_{family}_{word}"[:64],
        f"Treadmill {'walk' if gait == 'walk' else 'run'}, {shape}: {rises}",
        family,
        "treadmill",
        "ramp" if shape == "ramp" else "step",
        "maximal",
        OURS,
        "Proposed for one person.",
        stages,
    )
    return Proposal(
        protocol,
        seconds,
        expected.vo2_ml_min,
        f"{said} With {rises}, exercise should last about {seconds / 60:.0f} min; the handrail is not held.",
        _treadmill_sources(expected, "speeds, grades and length of the stages"),
        expected_speed_km_h=load[0],
        expected_grade_percent=load[1],
    )
