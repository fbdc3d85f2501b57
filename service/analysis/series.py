"""What the analysis starts from: the intervals of a test, and what is known about the test beside them."""

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, field, fields
from functools import wraps
from typing import Any, Concatenate, Literal, ParamSpec, TypeVar

import numpy as np
from numpy.typing import NDArray

Mode = Literal["treadmill", "cycle", "arm", "row", "ski", "step", "walk", "run"]
Shape = Literal["step", "ramp", "constant", "field", "other"]
Purpose = Literal["maximal", "submaximal", "verification", "other"]
Phase = Literal["rest", "warm_up", "exercise", "recovery"]
Sex = Literal["female", "male"]
RpeScale = Literal["6-20", "0-10"]
StopReason = Literal[
    "exhaustion",
    "legs",
    "breath",
    "symptom",
    "target_reached",
    "tester",
    "equipment",
    "subject_request",
    "other",
]
ThresholdName = Literal["vt1", "vt2", "lt"]
LactateSampleSite = Literal["fingertip", "earlobe", "venous", "arterial", "other"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Channels that one breath gives: a breath out of line spoils them together, and not the load or the heart rate.
OF_THE_BREATH = frozenset(
    {
        "vo2_ml_min",
        "vco2_ml_min",
        "ve_l_min",
        "respiratory_rate_per_min",
        "tidal_volume_l",
        "feo2_fraction",
        "feco2_fraction",
        "peto2_mmhg",
        "petco2_mmhg",
    }
)

#: Order of the phases in storage and in arrays; -1 is "not stated".
PHASES: tuple[Phase, ...] = ("rest", "warm_up", "exercise", "recovery")


def _no_rows() -> Bools:
    return np.zeros(0, dtype=np.bool_)


@dataclass(frozen=True, slots=True)
class Series:
    """The intervals of one test, as recorded.

    Attributes
    ----------
    end_s, duration_s : ndarray of float, shape (n,)
        End and length of each interval, seconds from the start of the recording. `end_s` strictly rises.
    channels : mapping of str to ndarray of float, shape (n,)
        Keys of `service.quantities.CHANNELS` that the test has; NaN where a value is missing.
    phase : ndarray of int8, shape (n,)
        Index into `PHASES`, -1 where not stated.
    stage : ndarray of int, shape (n,)
        Stage number, -1 where not stated.
    excluded : ndarray of bool, shape (n,)
        Rows taken out by hand.
    kept : ndarray of bool, shape (n,) or (0,)
        Rows that a person keeps, whatever a rule says of them; empty where there is none.
    aberrant : ndarray of bool, shape (n,) or (0,)
        Rows whose `OF_THE_BREATH` a rule leaves out; empty where there is none. Never stored: one analysis sets them.
    known : dict
        What `known_of_series` keeps; a series that is made from this one begins without.
    """

    end_s: Floats
    duration_s: Floats
    channels: Mapping[str, Floats]
    phase: NDArray[np.int8]
    stage: NDArray[np.int64]
    excluded: Bools
    kept: Bools = field(default_factory=_no_rows)
    aberrant: Bools = field(default_factory=_no_rows)
    known: dict[Hashable, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    def __len__(self) -> int:
        return int(self.end_s.size)

    def __reduce__(self) -> tuple[type["Series"], tuple[Any, ...]]:
        """What was recorded, for a copy or another process: what is kept with it is worked out anew there."""
        return Series, tuple(getattr(self, one.name) for one in fields(self) if one.init)

    @property
    def start_s(self) -> Floats:
        """Start of each interval."""
        return _start_s(self)

    def channel(self, key: str) -> Floats:
        """A channel, all NaN where the test does not have it."""
        found = self.channels.get(key)
        return found if found is not None else _nowhere(self)

    def has(self, key: str) -> bool:
        """Whether a channel holds at least one value."""
        return _has(self, key)


_Arguments = ParamSpec("_Arguments")
_Answer = TypeVar("_Answer")


def known_of_series(
    function: Callable[Concatenate[Series, _Arguments], _Answer],
) -> Callable[Concatenate[Series, _Arguments], _Answer]:
    """Let a function of a series and of what can be hashed work each answer out once, and keep it with the series.

    The parts of an analysis ask the same of one series many times over. An array that is kept cannot be written to, so
    nobody changes what another one reads.
    """

    @wraps(function)
    def asked(series: Series, /, *args: _Arguments.args, **named: _Arguments.kwargs) -> _Answer:
        key = (function, args, tuple(named.items())) if named else (function, args)
        try:
            answer: _Answer = series.known[key]
        except KeyError:
            answer = function(series, *args, **named)
            if isinstance(answer, np.ndarray):
                answer.setflags(write=False)
            series.known[key] = answer
        return answer

    return asked


@known_of_series
def _start_s(series: Series) -> Floats:
    return series.end_s - series.duration_s


@known_of_series
def _nowhere(series: Series) -> Floats:
    return np.full(series.end_s.shape, np.nan)


@known_of_series
def _has(series: Series, key: str) -> bool:
    found = series.channels.get(key)
    return found is not None and bool(np.isfinite(found).any())


@dataclass(frozen=True, slots=True)
class StageNote:
    """What was written down at the end of a stage, or at a time.

    `stage` and `phase` say where; `time_s` is on the clock of the series where it was noted.
    """

    stage: int | None
    phase: Phase | None
    time_s: float | None
    work_rate_w: float | None = None
    speed_km_h: float | None = None
    grade_percent: float | None = None
    heart_rate_bpm: float | None = None
    rpe: float | None = None
    rpe_scale: RpeScale | None = None
    rpe_legs: float | None = None
    rpe_breathing: float | None = None
    systolic_mmhg: float | None = None
    diastolic_mmhg: float | None = None
    lactate_mmol_l: float | None = None
    spo2_percent: float | None = None
    symptoms: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Conditions:
    """Room and gas of the visit; None where not recorded."""

    barometric_pressure_mmhg: float | None = None
    temperature_c: float | None = None
    relative_humidity_percent: float | None = None
    altitude_m: float | None = None
    fio2_fraction: float | None = None


@dataclass(frozen=True, slots=True)
class Person:
    """Who was tested, as far as the analysis needs it.

    Attributes
    ----------
    sex : {"female", "male"} or None
        For reference tables.
    age_years : float or None
        Decimal age on the day of the test (birth date), at mid-year (birth year), or as given.
    age_low_years, age_high_years : float or None
        The possible ages; equal to `age_years` where a birth date is kept.
    age_basis : {"birth_date", "birth_year", "given"} or None
    body_mass_kg, height_cm : float or None
    limits_heart_rate : bool
        Whether a medication of the visit limits heart rate.
    """

    sex: Sex | None = None
    age_years: float | None = None
    age_low_years: float | None = None
    age_high_years: float | None = None
    age_basis: Literal["birth_date", "birth_year", "given"] | None = None
    body_mass_kg: float | None = None
    body_mass_source: Literal["measured", "stated"] | None = None
    height_cm: float | None = None
    limits_heart_rate: bool = False
    resting_heart_rate_bpm: float | None = None
    resting_systolic_mmhg: float | None = None
    resting_diastolic_mmhg: float | None = None
    fev1_l: float | None = None
    vital_capacity_l: float | None = None
    mvv_l_min: float | None = None
    hours_since_meal: float | None = None


@dataclass(frozen=True, slots=True)
class VerificationBout:
    """A verification bout, as the main test's analysis needs it.

    Attributes
    ----------
    peak_vo2_ml_min : float or None
        Its own peak, by the same convention.
    duration_s : float or None
        Length of its exercise.
    work_rate_w, speed_km_h, grade_percent : float or None
        Its highest load.
    days_after : float
        Days between the two tests.
    same_visit : bool
    test_id : str
        Opaque id, handed through.
    """

    test_id: str
    peak_vo2_ml_min: float | None
    duration_s: float | None
    work_rate_w: float | None
    speed_km_h: float | None
    grade_percent: float | None
    days_after: float
    same_visit: bool


@dataclass(frozen=True, slots=True)
class ReportedValue:
    """A result that came without intervals."""

    quantity: str
    value: float
    method: str | None
    source: str


@dataclass(frozen=True, slots=True)
class TesterThreshold:
    """A threshold that a person set.

    Attributes
    ----------
    threshold : {"vt1", "vt2", "lt"}
    who, why : str
        Who set it, and from what.
    vo2_ml_min, time_s, heart_rate_bpm, work_rate_w, speed_km_h : float, optional
        What was stated; what was not is read from the series where uptake or time tells it.
    """

    threshold: ThresholdName
    who: str
    why: str
    vo2_ml_min: float | None = None
    time_s: float | None = None
    heart_rate_bpm: float | None = None
    work_rate_w: float | None = None
    speed_km_h: float | None = None


@dataclass(frozen=True, slots=True)
class TestInput:
    """Everything one analysis rests on.

    Attributes
    ----------
    exercise_start_s, exercise_end_s : float or None
        Marks given by the tester, on the clock of the series.
    shape : str or None
        As stated; None means that it may be inferred.
    protocol_family : str or None
        Of the stored protocol; never inferred.
    recovery_active, recovery_posture
        As recorded; needed before a published limit of heart-rate recovery may be shown.
    tester_thresholds : tuple of TesterThreshold
        Set by a person.
    calibrations : tuple of mapping
        Each with ``when``, ``kind``, ``expected``, ``measured`` and ``unit``.
    field_inputs : mapping, optional
        ``method`` and its inputs, of a submaximal or field test.
    lactate_sample_site, lactate_analyser : str, optional
        Where blood was taken for lactate, and what it was measured with.
    """

    __test__ = False  # its name is the trade's, not a test class

    series: Series
    mode: Mode
    person: Person
    purpose: Purpose = "maximal"
    shape: Shape | None = None
    conditions: Conditions = field(default_factory=Conditions)
    notes: tuple[StageNote, ...] = ()
    exercise_start_s: float | None = None
    exercise_end_s: float | None = None
    stop_reason: StopReason | None = None
    protocol_family: str | None = None
    handrail_support: bool | None = None
    recovery_active: bool | None = None
    recovery_posture: str | None = None
    verification: VerificationBout | None = None
    reported: tuple[ReportedValue, ...] = ()
    tester_thresholds: tuple[TesterThreshold, ...] = ()
    calibrations: tuple[Mapping[str, Any], ...] = ()
    field_inputs: Mapping[str, Any] | None = None
    lactate_sample_site: LactateSampleSite | None = None
    lactate_analyser: str | None = None
