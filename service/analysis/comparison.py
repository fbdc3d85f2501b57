"""Two tests of one person beside each other: at the same work rate, and at the same percent of each one's peak uptake.

A test in stages gives one value a stage, a ramp is read on a smooth trend along it. Between neighbouring values the
curves are straight; beyond the first and the last, and across what is missing, they are not drawn on.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from service.analysis.change import OwnTypicalError, TypicalErrorUsed, interval_of_change, typical_error_for
from service.analysis.loads import ERGOMETERS, SAME_LOAD, Loads
from service.analysis.marks import Marks, counted_rows, exercise_load, full_rows_in_exercise
from service.analysis.peaks import carbon_dioxide_lost
from service.analysis.series import Bools, Floats, Series, TestInput
from service.analysis.smoothing import Smoothing, to_seconds
from service.analysis.stage_values import LAST_S, STEADY_STAGE_S, StageValues, stage_of_note, stage_values
from service.methods.ratios import respiratory_exchange_ratio, vo2_per_body_mass
from service.quantities import QUANTITIES

Against = Literal["work_rate", "percent_of_peak"]
LoadKey = Literal["work_rate_w", "speed_km_h", "grade_percent", "stage"]

#: Raised with any change after which the same two tests may give other numbers.
COMPARISON_VERSION = "1"
#: A ramp is read every few seconds on a smooth trend: means over 30 s of two equal ramps differ by so much that at low loads
#: one place in four would be beyond the typical error by chance, on the trend hardly any (simulated tests).
SMOOTHING = Smoothing("trend", 6)
STEP_S = 5.0

#: What is compared, in this order.
CHANNELS: tuple[str, ...] = (
    "vo2_ml_min",
    "vo2_ml_kg_min",
    "vco2_ml_min",
    "ve_l_min",
    "heart_rate_bpm",
    "rer",
    "ve_vo2",
    "ve_vco2",
    "lactate_mmol_l",
    "rpe",
)
_LOADS = ("work_rate_w", "speed_km_h", "grade_percent")
_MEASURED = ("vo2_ml_min", "vco2_ml_min", "ve_l_min", "heart_rate_bpm")
_NOTED = ("lactate_mmol_l", "rpe")
#: At a percent of the peak uptake itself is given; the load is what is worth knowing instead.
_UPTAKE = frozenset({"vo2_ml_min", "vo2_ml_kg_min"})

#: Whose typical error stands for a channel at one work rate.
_ERROR_OF: Mapping[str, str] = {
    "vo2_ml_min": "vo2_at_100_w_ml_min",
    "vo2_ml_kg_min": "vo2_at_100_w_ml_min",
    "heart_rate_bpm": "heart_rate_bpm",
}
_NO_ERROR = (
    "No typical error of this quantity at one work rate is known, so its difference cannot be told from chance; for most "
    "such quantities coefficients of variation below 9 % were found (wilmore_1998)."
)
_NO_ERROR_OF_PERCENT = (
    "No typical error is known for values at one percent of the peak: the peak, which tells the percent, carries an error of "
    "its own."
)
#: Distances of a grid of round values, and about how many are shown.
_ROUND: Mapping[str, tuple[float, ...]] = {
    "work_rate_w": (5.0, 10.0, 20.0, 25.0, 50.0, 100.0),
    "speed_km_h": (0.25, 0.5, 1.0, 2.0, 5.0),
    "grade_percent": (0.5, 1.0, 2.0, 5.0),
}
_PERCENT_STEP = 5.0
_MOST_ROUND = 12
#: Rises of two ramps, and lengths of stages, nearer to each other than this are alike (project default).
_ALIKE = 0.10
#: A difference of body mass that is worth a remark (project default).
_MASS_APART = 0.02

#: What the comparison rests on beside its own settings.
SOURCES = (
    "wilmore_2001 (heart rate at the same work rate falls with endurance training)",
    "lamberts_2004, wilmore_1998 (error of submaximal values)",
    "straight lines between neighbouring values: common practice, no source",
)


@dataclass(frozen=True, slots=True)
class ComparedTest:
    """One of the two tests, as its analysis took it.

    Attributes
    ----------
    test : TestInput
        With computed uptake, and with the breaths left out that its analysis left out.
    marks, loads : Marks and Loads, or None
        None for a test without intervals.
    vo2_peak_ml_min : float or None
        Peak of its analysis, mL/min.
    effort : str or None
        Verdict of its analysis.
    """

    test: TestInput
    marks: Marks | None
    loads: Loads | None
    vo2_peak_ml_min: float | None
    effort: str | None = None


@dataclass(frozen=True, slots=True)
class Course:
    """What a test read, in order of time.

    Attributes
    ----------
    in_stages : bool
        One value a stage; else values every `STEP_S` on the trend along the test.
    values : mapping of str to ndarray of float, shape (n,)
        By load and by channel; NaN where missing.
    rise_per_min : mapping of str to float
        How fast each load of a ramp rose; empty in stages.
    stage_s : float or None
        Usual length of a stage.
    remarks : mapping of str to tuple of str
        By channel, what must be said of it.
    rpe_scales : frozenset
        Scales on which exertion was rated; None where one is not recorded.
    reason : str or None
        Why there are no values at all.
    """

    in_stages: bool = False
    values: Mapping[str, Floats] = field(default_factory=dict)
    rise_per_min: Mapping[str, float] = field(default_factory=dict)
    stage_s: float | None = None
    remarks: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    rpe_scales: frozenset[str | None] = frozenset()
    reason: str | None = None

    def has(self, key: str) -> bool:
        """Whether a load or channel holds at least one value."""
        return key in self.values and bool(np.isfinite(self.values[key]).any())


@dataclass(frozen=True, slots=True)
class Curve:
    """Values of one channel along a load, or along the percent of the peak.

    Attributes
    ----------
    along : ndarray of float, shape (n,)
        Strictly rising.
    values : ndarray of float, shape (n,)
        NaN where missing.
    """

    along: Floats
    values: Floats

    def at(self, places: Floats) -> Floats:
        """Values at places by straight lines between neighbours; NaN beyond the ends and beside what is missing."""
        inside = np.searchsorted(self.along, places, side="left")
        last = self.along.size - 1
        right = np.clip(inside, 0, last)
        exact = np.isclose(self.along[right], places, rtol=0, atol=1e-9)
        left = np.clip(inside - 1, 0, last)
        exact_left = np.isclose(self.along[left], places, rtol=0, atol=1e-9)
        within = (inside > 0) & (inside <= last)
        span = np.where(within, self.along[right] - self.along[left], 1.0)
        part = np.where(within, (places - self.along[left]) / span, np.nan)
        between = self.values[left] + part * (self.values[right] - self.values[left])
        answer: Floats = np.where(exact, self.values[right], np.where(exact_left, self.values[left], between))
        return answer

    def known(self) -> "Curve":
        """Without leading and trailing places that have no value."""
        (there,) = np.nonzero(np.isfinite(self.values))
        kept = slice(there[0], there[-1] + 1) if there.size else slice(0, 0)
        return Curve(self.along[kept], self.values[kept])

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "along": self.along.tolist(),
            "values": [float(one) if np.isfinite(one) else None for one in self.values],
        }


@dataclass(frozen=True, slots=True)
class ComparedPoint:
    """Both tests at one place.

    Attributes
    ----------
    along : float
        Work rate, speed or grade; the number of the stage, from 1; or percent of the peak.
    speed_km_h, grade_percent : float or None
        Of a stage, where speed and grade are what both have.
    first, second : float
        In the unit of the channel.
    difference : float
        Second less first.
    percent : float or None
        Of the first; None where that is not above zero.
    ci_low, ci_high : float or None
        95 % interval of the difference, each place by itself; None without a typical error.
    beyond_error : bool or None
        Whether the interval excludes 0; None without one, and where the two protocols are not alike.
    first_between_stages, second_between_stages : bool
        Whether the value lies on the line between two stages.
    """

    along: float
    speed_km_h: float | None
    grade_percent: float | None
    first: float
    second: float
    difference: float
    percent: float | None
    ci_low: float | None
    ci_high: float | None
    beyond_error: bool | None
    first_between_stages: bool
    second_between_stages: bool

    @property
    def label(self) -> str | None:
        """Speed and grade of a stage in words."""
        if self.speed_km_h is None or self.grade_percent is None:
            return None
        speed, grade = (QUANTITIES[key] for key in ("speed_km_h", "grade_percent"))
        return f"{speed.show(self.speed_km_h)}, {grade.show(self.grade_percent)}"

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {**{name: getattr(self, name) for name in self.__slots__}, "label": self.label}


@dataclass(frozen=True, slots=True)
class ComparedChannel:
    """One quantity of both tests.

    Attributes
    ----------
    channel : str
        Key of the registry.
    first, second : Curve or None
        Of each test as far as it goes; None where it has none.
    points : tuple of ComparedPoint
        On the range that both have.
    typical_error : TypicalErrorUsed or None
    error_reason : str or None
        Why there is no typical error.
    reason : str or None
        Why nothing can be compared.
    notes : tuple of str
    """

    channel: str
    first: Curve | None = None
    second: Curve | None = None
    points: tuple[ComparedPoint, ...] = ()
    typical_error: TypicalErrorUsed | None = None
    error_reason: str | None = None
    reason: str | None = None
    notes: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        quantity = QUANTITIES[self.channel]
        return {
            "channel": self.channel,
            "label": quantity.label,
            "unit": quantity.unit,
            "first": None if self.first is None else self.first.as_dict(),
            "second": None if self.second is None else self.second.as_dict(),
            "points": [one.as_dict() for one in self.points],
            "typical_error": None if self.typical_error is None else self.typical_error.as_dict(),
            "error_reason": self.error_reason,
            "reason": self.reason,
            "notes": list(self.notes),
        }


@dataclass(frozen=True, slots=True)
class Curves:
    """All channels along one axis.

    Attributes
    ----------
    against : {"work_rate", "percent_of_peak"}
    along : str or None
        What the axis is: a load, ``"stage"`` for stages of the same speed and grade, or ``"percent_of_peak"``.
    channels : tuple of ComparedChannel
    reason : str or None
        Why there are none.
    notes : tuple of str
        What must be said beside all of them.
    """

    against: Against
    along: str | None
    channels: tuple[ComparedChannel, ...]
    reason: str | None
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        unit = "%" if self.along == "percent_of_peak" else None
        if self.along is not None and self.along in QUANTITIES:
            unit = QUANTITIES[self.along].unit
        return {
            "against": self.against,
            "along": self.along,
            "unit": unit,
            "channels": [one.as_dict() for one in self.channels],
            "reason": self.reason,
            "notes": list(self.notes),
        }


@dataclass(frozen=True, slots=True)
class Comparison:
    """Both axes of one comparison."""

    work_rate: Curves
    percent_of_peak: Curves

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {"work_rate": self.work_rate.as_dict(), "percent_of_peak": self.percent_of_peak.as_dict()}


@dataclass(frozen=True, slots=True)
class _Axis:
    """Where the values of each test lie, and where the two are set beside each other."""

    along: str
    first: Floats
    second: Floats
    grid: Floats
    loads: Mapping[float, tuple[float, float]] = field(default_factory=dict)


def method_in_words() -> str:
    """How the curves are made, for a reader."""
    return (
        f"Stages: means of the last {LAST_S:.0f} s, or of half of a stage shorter than {2 * LAST_S:.0f} s, of stages that were "
        f"completed or nearly so. Ramps: {SMOOTHING.text}, through the rows wholly within exercise, read every {STEP_S:.0f} s. "
        "Ratios are ratios of such values. Between neighbouring values the lines are straight, "
        "and nothing is drawn on beyond what both tests reached. Along the percent of the peak uptake that fell "
        "back is pooled with what was before it, so that it never falls (isotonic regression, least squares)."
    )


def errors_at_one_work_rate(
    own: Mapping[str, OwnTypicalError], *, watts: bool
) -> dict[str, TypicalErrorUsed]:
    """Typical errors of channels at one work rate, where one is known.

    Parameters
    ----------
    own : mapping of str to OwnTypicalError
        The site's own, by quantity.
    watts : bool
        Whether the load is the work rate of an ergometer: what the site found at 100 W says nothing of a treadmill.

    Returns
    -------
    dict of str to TypicalErrorUsed
    """
    answer = {}
    for channel, key in _ERROR_OF.items():
        # A site's error in mL/min is none per body mass.
        of_site = own.get(key) if watts and channel == "vo2_ml_min" else None
        error = typical_error_for(QUANTITIES[key], of_site)
        if error is not None:
            answer[channel] = error
    return answer


def compare(
    first: ComparedTest, second: ComparedTest, errors: Mapping[str, TypicalErrorUsed] | None = None
) -> Comparison:
    """Set two tests of one person beside each other.

    Parameters
    ----------
    first, second : ComparedTest
        The earlier and the later one.
    errors : mapping of str to TypicalErrorUsed, optional
        By channel, at one work rate; see `errors_at_one_work_rate`.

    Returns
    -------
    Comparison

    Notes
    -----
    A stage gives the means of `service.analysis.stage_values`, a ramp values on the trend `SMOOTHING`. Between neighbouring
    values the curve is straight; it is not carried on beyond its ends (common practice, no source). The interval of a
    difference is 95 %, from sqrt(2) typical errors, each place by itself. Along the percent of the peak the uptake of a
    ramp, which scatters, is made to rise by isotonic regression, and what was read at pooled times is averaged.
    """
    courses = course_of(first), course_of(second)
    along_load = _work_rate(first, second, *courses, errors or {})
    return Comparison(along_load, _percent_of_peak(first, second, *courses, along_load))


# --- what each test read -----------------------------------------------------------------------------------------


def course_of(one: ComparedTest) -> Course:
    """What one test read, stage by stage or along its ramp.

    Parameters
    ----------
    one : ComparedTest

    Returns
    -------
    Course
        Without values, and with the reason, where there are no intervals of exercise.
    """
    if one.marks is None or one.loads is None or not len(one.test.series):
        return Course(reason="it has no intervals, only results")
    course = (
        _in_stages(one, one.loads, one.marks)
        if one.loads.shape in {"step", "constant"} and one.loads.stages
        else _along_ramp(one, one.marks)
    )
    if not any(course.has(key) for key in CHANNELS):
        return replace(course, reason="none of its intervals of exercise holds a value that counts")
    return course


def _in_stages(one: ComparedTest, loads: Loads, marks: Marks) -> Course:
    stages = [each for each in stage_values(one.test.series, loads) if each.stage.counts]

    def column(name: str) -> Floats:
        return np.array(
            [np.nan if (value := getattr(each, name)) is None else value for each in stages], dtype=np.float64
        )

    values = {key: column(key) for key in (*_LOADS, *_MEASURED)}
    values["grade_percent"] = _level_where_unsaid(values)
    remarks: dict[str, tuple[str, ...]] = {}
    for key in _NOTED:
        values[key] = _noted(one, marks, stages, key)
    if not np.isfinite(values["heart_rate_bpm"]).any():
        noted = _noted(one, marks, stages, "heart_rate_bpm")
        if np.isfinite(noted).any():
            values["heart_rate_bpm"] = noted
            remarks["heart_rate_bpm"] = ("is what was noted at the end of each stage",)
    lengths = [each.stage.length_s for each in stages]
    return Course(
        True,
        _with_ratios(values, one.test.person.body_mass_kg),
        stage_s=float(np.median(lengths)) if lengths else None,
        remarks=remarks,
        rpe_scales=frozenset(note.rpe_scale for note in one.test.notes if note.rpe is not None),
    )


def _noted(one: ComparedTest, marks: Marks, stages: Sequence[StageValues], key: str) -> Floats:
    """What was noted of each stage; the last of several."""
    answer = np.full(len(stages), np.nan)
    for note in one.test.notes:
        value = getattr(note, key)
        stage = stage_of_note(note, stages)
        if value is None or stage is None or not QUANTITIES[key].possible(float(value)):
            continue
        if note.time_s is not None and note.time_s < marks.exercise_start_s:
            continue
        answer[stages.index(stage)] = float(value)
    return answer


def _level_where_unsaid(values: Mapping[str, Floats]) -> Floats:
    """Grade, 0 where the speed is known and no grade was ever recorded."""
    grade = values["grade_percent"]
    if np.isfinite(grade).any():
        return grade
    answer: Floats = np.where(np.isfinite(values["speed_km_h"]), 0.0, np.nan)
    return answer


def _along_ramp(one: ComparedTest, marks: Marks) -> Course:
    series = _without_lost_carbon_dioxide(one.test.series, marks)
    # A belt at rest is a pause, whatever the marks say.
    within = full_rows_in_exercise(series, marks) & ~(series.channel("speed_km_h") <= 0)

    def every_few_seconds(values: Floats, counts: Bools) -> tuple[Floats, Floats]:
        at, found = to_seconds(series, values, counts, marks.exercise_start_s, marks.exercise_end_s)
        return at[:: int(STEP_S)], found[:: int(STEP_S)]

    values: dict[str, Floats] = {}
    times = np.empty(0)
    for key in _MEASURED:
        counts = counted_rows(series, key) & within
        smoothed = SMOOTHING.of(series, series.channel(key), counts)
        times, values[key] = every_few_seconds(smoothed, counts)
    for key in _LOADS:
        load = exercise_load(series, marks, key)
        _, values[key] = every_few_seconds(load, np.isfinite(load) & within)
    values["grade_percent"] = _level_where_unsaid(values)
    rises = {}
    for key in _LOADS:
        known = np.isfinite(values[key])
        if known.sum() > 1:
            rises[key] = float(np.polyfit(times[known] / 60.0, values[key][known], 1)[0])
    return Course(False, _with_ratios(values, one.test.person.body_mass_kg), rise_per_min=rises)


def _without_lost_carbon_dioxide(series: Series, marks: Marks) -> Series:
    """Where the CO2 channel is lost a ratio would be false."""
    lost = carbon_dioxide_lost(series, marks)
    if not lost.any():
        return series
    output = np.where(lost, np.nan, series.channel("vco2_ml_min"))
    return replace(series, channels={**series.channels, "vco2_ml_min": output})


def _with_ratios(values: Mapping[str, Floats], body_mass_kg: float | None) -> dict[str, Floats]:
    uptake, output, ventilation = (values[key] for key in ("vo2_ml_min", "vco2_ml_min", "ve_l_min"))
    ratios = {
        "vo2_ml_kg_min": np.full(uptake.shape, np.nan)
        if not body_mass_kg
        else np.asarray(vo2_per_body_mass(uptake, body_mass_kg)),
        "rer": np.asarray(respiratory_exchange_ratio(uptake, output)),
        # Litres of ventilation per litre of gas.
        "ve_vo2": 1000.0 * ventilation / uptake,
        "ve_vco2": 1000.0 * ventilation / output,
    }
    nothing = np.full(uptake.shape, np.nan)
    possible = {
        key: np.array([one if QUANTITIES[key].possible(one) else np.nan for one in column], dtype=np.float64)
        for key, column in ratios.items()
    }
    return {**dict.fromkeys(_NOTED, nothing), **values, **possible}


# --- at the same work rate ---------------------------------------------------------------------------------------


def _work_rate(
    first: ComparedTest,
    second: ComparedTest,
    one: Course,
    other: Course,
    errors: Mapping[str, TypicalErrorUsed],
) -> Curves:
    axis = _load_axis(first, second, one, other)
    if isinstance(axis, str):
        return Curves("work_rate", None, (), axis, ())
    unlike = _unlike(axis.along, one, other)
    notes = [*unlike, *_body_masses(first, second)]
    channels = []
    for key in CHANNELS:
        error = errors.get(key)
        blocked = list(unlike)
        if (
            key == "heart_rate_bpm"
            and first.test.person.limits_heart_rate != second.test.person.limits_heart_rate
        ):
            blocked.append("A medication that limits heart rate was taken at one of the two tests only.")
        compared = _channel(key, axis, one, other, error, _NO_ERROR, judged=not blocked)
        own = [] if blocked == unlike else blocked[len(unlike) :]
        channels.append(replace(compared, notes=(*compared.notes, *own)))
    if not any(each.points for each in channels):
        return Curves("work_rate", axis.along, tuple(channels), _no_common(axis), tuple(notes))
    return Curves("work_rate", axis.along, tuple(channels), None, tuple(notes))


def _no_common(axis: _Axis) -> str:
    def told(values: Floats) -> str:
        known = values[np.isfinite(values)]
        if axis.along == "stage" or not known.size:
            return "none"
        quantity = QUANTITIES[axis.along]
        return f"{quantity.show(float(known.min()))} to {quantity.show(float(known.max()))}"

    return f"The two tests have no work rate in common: {told(axis.first)} and {told(axis.second)}."


def _load_axis(first: ComparedTest, second: ComparedTest, one: Course, other: Course) -> _Axis | str:
    """What tells the same work in both tests, or why nothing does."""
    for name, course in (("first", one), ("second", other)):
        if course.reason is not None:
            return f"There is nothing to compare. The {name} test: {course.reason}."
    if first.test.mode != second.test.mode:
        return (
            f"The tests were done in different modes ({first.test.mode} and {second.test.mode}): the same work rate is not the "
            "same task in both, so only the same percent of each one's peak is compared."
        )
    if first.test.mode in ERGOMETERS:
        for name, course in (("first", one), ("second", other)):
            if not course.has("work_rate_w"):
                return f"The {name} test has no work rates."
        return _numeric_axis("work_rate_w", one, other)
    if first.test.handrail_support or second.test.handrail_support:
        return "The handrail was held, so the same speed and grade is not the same work."
    for name, course in (("first", one), ("second", other)):
        if not course.has("speed_km_h"):
            return f"The {name} test has no speeds."
    if _held_alike("grade_percent", one, other):
        return _numeric_axis("speed_km_h", one, other)
    if _held_alike("speed_km_h", one, other):
        return _numeric_axis("grade_percent", one, other)
    if one.in_stages and other.in_stages:
        return _same_stages(one, other)
    return (
        "Speed and grade did not rise in the same way: at the same speed the grade was another, so neither tells the same "
        "work. An estimate from both would compare two estimates, not two tests."
    )


def _held_alike(key: str, one: Course, other: Course) -> bool:
    """Whether a load stayed the same through both tests, and the same in both."""
    both = np.concatenate([course.values[key][np.isfinite(course.values[key])] for course in (one, other)])
    return bool(both.size) and float(np.ptp(both)) <= SAME_LOAD[key] + 1e-9


def _numeric_axis(key: LoadKey, one: Course, other: Course) -> _Axis:
    first, second = one.values[key], other.values[key].copy()
    if one.in_stages and other.in_stages:
        # What is one load within the resolution of the ergometer is one place.
        for place, value in enumerate(second):
            near = np.abs(first - value)
            if np.isfinite(near).any() and np.nanmin(near) <= SAME_LOAD[key]:
                second[place] = first[int(np.nanargmin(near))]
    knots = [course for course, inside in ((first, one.in_stages), (second, other.in_stages)) if inside]
    if knots:
        grid = np.unique(np.concatenate([each[np.isfinite(each)] for each in knots]))
    else:
        low = max(float(np.nanmin(first)), float(np.nanmin(second)))
        high = min(float(np.nanmax(first)), float(np.nanmax(second)))
        grid = _round_values(low, high, _ROUND[key])
    return _Axis(key, first, second, grid)


def _round_values(low: float, high: float, steps: Sequence[float]) -> Floats:
    """Multiples of a round step between two values, not many more than a table holds."""
    if high < low:
        return np.empty(0)
    step = next((one for one in steps if (high - low) / one <= _MOST_ROUND), steps[-1])
    first, last = np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9)
    answer: Floats = step * np.arange(first, last + 1)
    return answer


def _same_stages(one: Course, other: Course) -> _Axis | str:
    """Stages with the same speed and the same grade, by their order."""
    first, second = (np.full(each.values["speed_km_h"].shape, np.nan) for each in (one, other))
    loads: dict[float, tuple[float, float]] = {}
    after = 0
    for place, load in enumerate(
        zip(one.values["speed_km_h"], one.values["grade_percent"], strict=True),
    ):
        for match in range(after, second.size):
            speed, grade = other.values["speed_km_h"][match], other.values["grade_percent"][match]
            if (
                abs(speed - load[0]) <= SAME_LOAD["speed_km_h"] + 1e-9
                and abs(grade - load[1]) <= SAME_LOAD["grade_percent"] + 1e-9
            ):
                number = float(len(loads) + 1)
                first[place] = second[match] = number
                loads[number] = (float(load[0]), float(load[1]))
                after = match + 1
                break
    if not loads:
        return "No stage of one test had the speed and the grade of a stage of the other."
    return _Axis("stage", first, second, np.array(list(loads), dtype=np.float64), loads)


def _unlike(along: str, one: Course, other: Course) -> list[str]:
    """Why values at the same work rate differ by the protocol alone."""
    if one.in_stages != other.in_stages:
        sentence = (
            "One test went in stages and the other as a ramp. On a ramp uptake and heart rate lag behind the work rate, so at "
            "the same work rate the ramp reads lower whatever the person's fitness (common practice, no source)."
        )
        return [sentence]
    if one.in_stages:
        lengths = one.stage_s, other.stage_s
        if lengths[0] is None or lengths[1] is None or _near(lengths[0], lengths[1]):
            return []
        if min(lengths[0], lengths[1]) >= STEADY_STAGE_S:
            return []
        sentence = (
            f"The stages lasted about {lengths[0]:.0f} s and {lengths[1]:.0f} s. In shorter stages uptake and heart rate have "
            "not settled, so they read lower at the same work rate (common practice, no source)."
        )
        return [sentence]
    key = along if along in one.rise_per_min else "speed_km_h"
    rises = one.rise_per_min.get(key), other.rise_per_min.get(key)
    if rises[0] is None or rises[1] is None or _near(rises[0], rises[1]):
        return []
    unit, digits = QUANTITIES[key].unit, QUANTITIES[key].decimals + 1
    sentence = (
        f"The ramps rose by {rises[0]:.{digits}f} and {rises[1]:.{digits}f} {unit} a minute. On the steeper one uptake and heart "
        "rate lag further behind the work rate, so it reads lower at the same work rate (common practice, no source)."
    )
    return [sentence]


def _near(one: float, other: float) -> bool:
    return abs(one - other) <= _ALIKE * max(abs(one), abs(other))


def _body_masses(first: ComparedTest, second: ComparedTest) -> list[str]:
    before, after = first.test.person.body_mass_kg, second.test.person.body_mass_kg
    if before is None or after is None or abs(after - before) <= _MASS_APART * before:
        return []
    told = f"Body mass was {QUANTITIES['body_mass_kg'].show(before)} and {QUANTITIES['body_mass_kg'].show(after)}."
    if first.test.mode in ERGOMETERS:
        return [f"{told} The work rate of an ergometer is the same for both; uptake per body mass is not."]
    return [f"{told} The same speed and grade is more work for more body mass: look at uptake per body mass."]


# --- at the same percent of the peak -----------------------------------------------------------------------------


def _percent_of_peak(
    first: ComparedTest, second: ComparedTest, one: Course, other: Course, along_load: Curves
) -> Curves:
    for name, test, course in (("first", first, one), ("second", second, other)):
        missing = None
        if course.reason is not None:
            missing = course.reason
        elif not course.has("vo2_ml_min"):
            missing = "it has no oxygen uptake by stage or time"
        elif not test.vo2_peak_ml_min:
            missing = "its analysis gives no peak uptake"
        if missing is not None:
            return Curves(
                "percent_of_peak", None, (), f"There is no percent of peak of the {name} test: {missing}.", ()
            )
    notes = []
    if (first.effort == "submaximal") or (second.effort == "submaximal"):
        notes.append(
            "A peak of a submaximal effort lies below what the person can reach, so its percent are too high."
        )
    if first.test.mode != second.test.mode:
        notes.append(
            f"The modes differ ({first.test.mode} and {second.test.mode}), and so do their peaks; each percent is of the test's "
            "own peak."
        )
    if one.in_stages != other.in_stages:
        notes.append("One test went in stages and the other as a ramp.")
    percent = [
        100.0 * course.values["vo2_ml_min"] / test.vo2_peak_ml_min
        for test, course in ((first, one), (second, other))
        if test.vo2_peak_ml_min is not None
    ]
    low = max(float(np.nanmin(each)) for each in percent)
    high = min(float(np.nanmax(each)) for each in percent)
    grid = _round_values(low, high, (_PERCENT_STEP,))
    axis = _Axis("percent_of_peak", percent[0], percent[1], grid)
    load = [along_load.along] if along_load.along in _LOADS else []
    channels = tuple(
        _channel(key, axis, one, other, None, _NO_ERROR_OF_PERCENT, judged=False)
        for key in (*load, *(key for key in CHANNELS if key not in _UPTAKE))
    )
    reason = None
    if not any(each.points for each in channels):
        reason = "The two tests have no percent of the peak in common."
    return Curves("percent_of_peak", "percent_of_peak", channels, reason, tuple(notes))


# --- one channel -------------------------------------------------------------------------------------------------


def rising_curve(along: Floats, values: Floats) -> Curve | None:
    """A curve over places that rise.

    Parameters
    ----------
    along : ndarray of float, shape (n,)
        In order of time; NaN is left out. Places that fall back are pooled with those before (isotonic regression).
    values : ndarray of float, shape (n,)
        NaN where missing; the mean where places are pooled.

    Returns
    -------
    Curve or None
        None where no value is known.
    """
    from scipy.optimize import isotonic_regression

    there = np.isfinite(along)
    if not np.isfinite(values[there]).any():
        return None
    rising = isotonic_regression(along[there]).x
    places, group = np.unique(rising, return_inverse=True)
    known = np.isfinite(values[there])
    count = np.bincount(group, weights=known.astype(np.float64), minlength=places.size)
    total = np.bincount(group, weights=np.where(known, values[there], 0.0), minlength=places.size)
    means = np.divide(total, count, out=np.full(places.shape, np.nan), where=count > 0)
    return Curve(places, means).known()


def _channel(
    key: str,
    axis: _Axis,
    one: Course,
    other: Course,
    error: TypicalErrorUsed | None,
    no_error: str,
    *,
    judged: bool,
) -> ComparedChannel:
    first = rising_curve(axis.first, one.values[key]) if one.has(key) else None
    second = rising_curve(axis.second, other.values[key]) if other.has(key) else None
    notes = tuple(
        f"{QUANTITIES[key].label} of the {name} test {remark}."
        for name, course in (("first", one), ("second", other))
        for remark in course.remarks.get(key, ())
    )
    found = ComparedChannel(
        key,
        first,
        second,
        typical_error=error,
        error_reason=None if error is not None else no_error,
        notes=notes,
    )
    if first is None or second is None:
        return replace(found, reason=_missing(key, one, other))
    if key == "rpe" and len(scales := one.rpe_scales | other.rpe_scales) > 1:
        told = " and ".join(sorted("one not recorded" if each is None else each for each in scales))
        return replace(found, reason=f"Exertion was not rated on one scale: {told}.")
    before, after = first.at(axis.grid), second.at(axis.grid)
    points = tuple(
        _point(float(at), axis, (float(a), float(b)), (first, second), (one, other), error, judged=judged)
        for at, a, b in zip(axis.grid, before, after, strict=True)
        if np.isfinite(a) and np.isfinite(b)
    )
    reason = None
    if not points:
        what = "percent of the peak" if axis.along == "percent_of_peak" else "work rate"
        reason = f"The two tests have this at no {what} in common."
    return replace(found, points=points, reason=reason)


def _missing(key: str, one: Course, other: Course) -> str:
    if key == "vo2_ml_kg_min" and one.has("vo2_ml_min") and other.has("vo2_ml_min"):
        return "Body mass is not recorded at both visits."
    if key in _NOTED and not (one.in_stages and other.in_stages):
        return "It is compared by stage, and at least one of the tests has none."
    names = [name for name, course in (("first", one), ("second", other)) if not course.has(key)]
    which = (
        "Neither test has it."
        if len(names) > 1
        else f"The {names[0]} test does not have it."
        if names
        else None
    )
    return which or "The tests do not have it where they can be compared."


def _point(
    at: float,
    axis: _Axis,
    values: tuple[float, float],
    curves: tuple[Curve, Curve],
    courses: tuple[Course, Course],
    error: TypicalErrorUsed | None,
    *,
    judged: bool,
) -> ComparedPoint:
    before, after = values
    speed, grade = axis.loads.get(at, (None, None))
    limits = interval_of_change(before, after, error)
    low, high = limits if limits is not None else (None, None)
    beyond = None if low is None or high is None or not judged else low > 0 or high < 0
    between = [
        course.in_stages and not bool(np.isclose(curve.along, at, rtol=0, atol=1e-9).any())
        for curve, course in zip(curves, courses, strict=True)
    ]
    return ComparedPoint(
        along=at,
        speed_km_h=speed,
        grade_percent=grade,
        first=before,
        second=after,
        difference=after - before,
        percent=100.0 * (after - before) / before if before > 0 else None,
        ci_low=low,
        ci_high=high,
        beyond_error=beyond,
        first_between_stages=between[0],
        second_between_stages=between[1],
    )
