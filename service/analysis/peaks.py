"""Peak and maxima: what was measured in the window of highest uptake, and the highest of each quantity.

Averaging conventions differ between laboratories and move a peak by several per cent (martin_rincon_2020,
midgley_2007), so each is named and stands with its value. The default is the exact highest time-weighted mean
over 30 s, the window most used (robergs_2010).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

import numpy as np

from service.analysis.marks import (
    Marks,
    counted_rows,
    exercise_load,
    full_rows_in_exercise,
    rows_in_exercise,
    running_of,
)
from service.analysis.moments import median
from service.analysis.series import Bools, Floats, RpeScale, Series, StageNote, TestInput, known_of_series
from service.analysis.windows import (
    LEAST_COVERED_FRACTION,
    Window,
    covered_mean,
    highest_window,
    mean_of_rows,
    seconds_inside,
    starts_without_overlap,
)
from service.errors import InvalidContent, Place
from service.methods.metabolic_equations import RESTING_ML_KG_MIN

Convention = Literal[
    "time_weighted", "moving_seconds", "consecutive_bins", "moving_breaths", "trimmed_breaths"
]
CONVENTIONS: tuple[Convention, ...] = get_args(Convention)
BREATH_CONVENTIONS: tuple[Convention, ...] = ("moving_breaths", "trimmed_breaths")

#: Breaths in a window where none are asked for: robergs_2010 (value from memory) and common practice.
DEFAULT_BREATHS: Mapping[str, int] = {"moving_breaths": 15, "trimmed_breaths": 7}

#: mL of oxygen per kilogram and minute in one metabolic equivalent (by definition).
ML_KG_MIN_PER_MET = RESTING_ML_KG_MIN

HEART_RATE_WINDOW_S = 5.0
GAS_WINDOW_S = 30.0
LACTATE_AFTER_S = 300.0
_PEAK_WINDOWS_S = (15.0, 20.0, 30.0, 60.0)
_SLACK_S = 1e-6


def _refused(option: str, value: object, wanted: str) -> InvalidContent:
    return InvalidContent(
        f"{option} cannot be {value!r}; it must be {wanted}.", (Place(option, f"must be {wanted}", value),)
    )


@dataclass(frozen=True, slots=True)
class PeakSettings:
    """How a peak is averaged.

    Attributes
    ----------
    convention : str
        ``time_weighted``: highest mean over any window of time, each row weighted by its time inside.
        ``moving_seconds``: highest mean of consecutive seconds. ``consecutive_bins``: highest of bins laid end
        to end from the start of exercise. ``moving_breaths``: highest mean of consecutive rows.
        ``trimmed_breaths``: the same without the highest and the lowest of them.
    window_s : float
        Seconds; not used by the two breath conventions.
    window_breaths : int, optional
        Rows, for the two breath conventions only; 15 and 7 if left out.

    Raises
    ------
    InvalidContent
        A convention that does not exist, or a window that does not fit it.
    """

    convention: Convention = "time_weighted"
    window_s: float = 30.0
    window_breaths: int | None = None

    def __post_init__(self) -> None:
        if self.convention not in CONVENTIONS:
            raise _refused("peak_convention", self.convention, f"one of {', '.join(CONVENTIONS)}")
        if not 0 < self.window_s <= 600:
            raise _refused("peak_window_s", self.window_s, "more than 0 and at most 600 s")
        if self.convention in {"moving_seconds", "consecutive_bins"} and self.window_s != int(self.window_s):
            raise _refused("peak_window_s", self.window_s, f"whole seconds for {self.convention}")
        if self.convention in BREATH_CONVENTIONS:
            least = 3 if self.convention == "trimmed_breaths" else 1
            if self.breaths is not None and not least <= self.breaths <= 500:
                raise _refused("peak_window_breaths", self.breaths, f"{least} to 500 for {self.convention}")
        elif self.window_breaths is not None:
            raise _refused(
                "peak_window_breaths",
                self.window_breaths,
                f"left out for {self.convention}, or the convention one of {', '.join(BREATH_CONVENTIONS)}",
            )

    @property
    def breaths(self) -> int | None:
        """Rows in a window; None for a window of time."""
        if self.convention not in BREATH_CONVENTIONS:
            return None
        return DEFAULT_BREATHS[self.convention] if self.window_breaths is None else self.window_breaths

    @property
    def seconds(self) -> float | None:
        """Length of a window; None for a window of breaths."""
        return None if self.convention in BREATH_CONVENTIONS else float(self.window_s)


@dataclass(frozen=True, slots=True)
class Peak:
    """What was measured in the one window in which mean uptake was highest.

    Every figure is of that window; None has its reason in `reasons` under the field's name.

    Attributes
    ----------
    label : {"VO2max", "VO2peak"} or None
        Set when effort has been judged.
    convention : str or None
    window_s : float or None
        As asked; None for windows of breaths.
    window_breaths : int or None
        As asked; None for windows of time.
    effective_window_s : float or None
        The longer of the window and the longest interval it touches; the time spanned by the breaths.
    start_s, end_s : float or None
        The window, on the clock of the series.
    covered_fraction : float or None
        Part of the window covered by rows that count.
    basis : {"measured", "reported", "estimated"}
    """

    label: Literal["VO2max", "VO2peak"] | None = None
    convention: str | None = None
    window_s: float | None = None
    window_breaths: int | None = None
    effective_window_s: float | None = None
    start_s: float | None = None
    end_s: float | None = None
    vo2_ml_min: float | None = None
    vo2_ml_kg_min: float | None = None
    mets: float | None = None
    heart_rate_bpm: float | None = None
    rer: float | None = None
    ve_l_min: float | None = None
    respiratory_rate_per_min: float | None = None
    work_rate_w: float | None = None
    speed_km_h: float | None = None
    grade_percent: float | None = None
    o2_pulse_ml_beat: float | None = None
    covered_fraction: float | None = None
    basis: Literal["measured", "reported", "estimated"] = "measured"
    reasons: Mapping[str, str] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """JSON form; `reason` says why there is no peak uptake."""
        answer = _fields(self)
        answer["reason"] = self.reasons.get("vo2_ml_min")
        return answer


@dataclass(frozen=True, slots=True)
class Maxima:
    """The highest of each quantity from the start to the end of exercise, each with its own window.

    Heart rate over 5 s or one interval, RER and ventilation over 30 s, loads of a full row; ratings, pressures
    and lactate from the stage notes. Never from recovery, but for lactate drawn within 5 min after exercise.
    None has its reason in `reasons` under the field's name.

    Attributes
    ----------
    rpe_scale : {"6-20", "0-10"} or None
        Of `rpe`.
    windows_s : mapping of str to float
        Length of the window of each quantity that has one; the interval where that is longer.
    """

    heart_rate_bpm: float | None = None
    rer: float | None = None
    ve_l_min: float | None = None
    work_rate_w: float | None = None
    speed_km_h: float | None = None
    rpe: float | None = None
    rpe_scale: RpeScale | None = None
    lactate_mmol_l: float | None = None
    systolic_mmhg: float | None = None
    exercise_duration_s: float | None = None
    windows_s: Mapping[str, float] = field(default_factory=dict)
    reasons: Mapping[str, str] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return _fields(self)


@dataclass(frozen=True, slots=True)
class WindowPeak:
    """Peak uptake by one convention and window, for comparison."""

    window_s: float | None
    window_breaths: int | None
    convention: Convention
    effective_window_s: float | None
    vo2_ml_min: float | None
    vo2_ml_kg_min: float | None
    reason: str | None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return _fields(self)


def _fields(record: Any) -> dict[str, Any]:
    answer = {name: getattr(record, name) for name in record.__slots__}
    return {name: dict(value) if isinstance(value, Mapping) else value for name, value in answer.items()}


# -- the conventions, as functions of arrays --------------------------------------------------------------


def moving_breaths(values: Floats, breaths: int) -> Floats:
    """Means of consecutive breaths.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
    breaths : int
        At least 1.

    Returns
    -------
    ndarray of float, shape (max(n - breaths + 1, 0),)
        Element i is the mean of values i to i + breaths - 1.
    """
    if len(values) < breaths:
        return np.empty(0)
    means: Floats = np.lib.stride_tricks.sliding_window_view(values, breaths).mean(axis=1)
    return means


def trimmed_breaths(values: Floats, breaths: int = 7) -> Floats:
    """Means of consecutive breaths without the highest and the lowest of them.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
    breaths : int
        At least 3.

    Returns
    -------
    ndarray of float, shape (max(n - breaths + 1, 0),)
    """
    if len(values) < breaths:
        return np.empty(0)
    windows = np.lib.stride_tricks.sliding_window_view(values, breaths)
    kept: Floats = np.sort(windows, axis=1)[:, 1:-1].mean(axis=1)
    return kept


def each_second(end_s: Floats, values: Floats, from_s: float, to_s: float) -> Floats:
    """Values at whole seconds after a start, by straight lines between breath ends.

    Before the first breath ends its value is held (nolte_2023).

    Parameters
    ----------
    end_s, values : ndarray of float, shape (n,)
        End and value of each breath.
    from_s, to_s : float
        The seconds are from_s + 1, from_s + 2, ... up to `to_s`.

    Returns
    -------
    ndarray of float, shape (floor(to_s - from_s),)
    """
    seconds = from_s + np.arange(1.0, np.floor(to_s - from_s + 1e-9) + 1.0)
    return np.interp(seconds, end_s, values)


def moving_seconds(each_second_values: Floats, window_s: int) -> Floats:
    """Means of consecutive seconds; element i covers seconds i + 1 to i + window_s.

    Parameters
    ----------
    each_second_values : ndarray of float, shape (n,)
    window_s : int

    Returns
    -------
    ndarray of float, shape (max(n - window_s + 1, 0),)
    """
    return moving_breaths(each_second_values, window_s)


def consecutive_bins(each_second_values: Floats, window_s: int) -> Floats:
    """Means of bins laid end to end from the first second; an incomplete last bin is dropped.

    Parameters
    ----------
    each_second_values : ndarray of float, shape (n,)
    window_s : int

    Returns
    -------
    ndarray of float, shape (n // window_s,)
    """
    bins = len(each_second_values) // window_s
    means: Floats = each_second_values[: bins * window_s].reshape(bins, window_s).mean(axis=1)
    return means


# -- one test ---------------------------------------------------------------------------------------------


@known_of_series
def is_breath_by_breath(series: Series) -> bool:
    """Whether the rows are single breaths: short, and of changing length."""
    if len(series) < 10:
        return False
    lengths = series.duration_s
    middle = median(lengths)
    return middle < 10.0 and median(np.abs(lengths - middle)) > 0.02 * middle


def _seconds(series: Series, marks: Marks, values: Floats, counts: Bools) -> Floats:
    """Values of each second of exercise: lines between breaths, or each averaged row held while it lasts."""
    used = counts & rows_in_exercise(series, marks)
    if is_breath_by_breath(series):
        return each_second(series.end_s[used], values[used], marks.exercise_start_s, marks.exercise_end_s)
    whole = int(np.floor(marks.duration_s + 1e-9))
    starts = starts_without_overlap(series.start_s, series.end_s)
    edges = np.column_stack((starts, series.end_s)).ravel()
    time = np.where(used, series.end_s - starts, 0.0)
    parts = np.zeros((2, edges.size))
    parts[0, 1::2] = np.where(used, values, 0.0) * time
    parts[1, 1::2] = time
    moments = marks.exercise_start_s + np.arange(whole + 1.0)
    total, covered = (np.diff(np.interp(moments, edges, row)) for row in np.cumsum(parts, axis=1))
    means: Floats = np.divide(total, covered, out=np.full(whole, np.nan), where=covered > 1e-9)
    return means


@known_of_series
def peak_window(
    series: Series, marks: Marks, settings: PeakSettings, key: str = "vo2_ml_min"
) -> Window | None:
    """The window of highest mean by a convention, wholly between the exercise marks.

    Parameters
    ----------
    series : Series
    marks : Marks
    settings : PeakSettings
    key : str
        Channel; uptake if left out.

    Returns
    -------
    Window or None
        None where no window is covered to 80 % by rows that count.
    """
    counts = counted_rows(series, key)
    values = series.channel(key)
    if settings.convention == "time_weighted":
        return running_of(series, key).highest(
            from_s=marks.exercise_start_s, to_s=marks.exercise_end_s, window_s=settings.window_s
        )
    if not (counts & rows_in_exercise(series, marks)).any():
        return None
    if settings.breaths is not None:
        (used,) = np.nonzero(counts & full_rows_in_exercise(series, marks))
        average = trimmed_breaths if settings.convention == "trimmed_breaths" else moving_breaths
        means = average(values[used], settings.breaths)
        begins = series.start_s[used[: len(means)]]
        finishes = series.end_s[used[len(used) - len(means) :]]
    else:
        width = int(settings.window_s)
        seconds = _seconds(series, marks, values, counts)
        binned = settings.convention == "consecutive_bins"
        means = consecutive_bins(seconds, width) if binned else moving_seconds(seconds, width)
        apart = width if binned else 1
        begins = marks.exercise_start_s + apart * np.arange(float(len(means)))
        finishes = begins + width
    # From the highest down, the first that is covered well enough.
    for index in np.argsort(-means, kind="stable"):
        if not np.isfinite(means[index]):
            break
        window = float(begins[index]), float(finishes[index])
        _, covered = covered_mean(series.start_s, series.end_s, values, counts, *window)
        if covered >= LEAST_COVERED_FRACTION - 1e-9:
            return Window(*window, float(means[index]), covered)
    return None


def _touched(series: Series, window: Window) -> Bools:
    return seconds_inside(series, window.start_s, window.end_s) > _SLACK_S


def effective_window_s(series: Series, window: Window, counts: Bools, asked_s: float | None = None) -> float:
    """The longer of a window and the longest counting interval that it touches, seconds.

    `asked_s` is the length asked for; without one, as for breaths, the window's own.
    """
    touched = _touched(series, window) & counts
    longest = float(series.duration_s[touched].max()) if touched.any() else 0.0
    length = window.end_s - window.start_s if asked_s is None else asked_s
    # Durations carry the rounding of the times they come from.
    return longest if longest > length + _SLACK_S else length


@known_of_series
def carbon_dioxide_lost(series: Series, marks: Marks) -> Bools:
    """Rows of exercise in which the CO2 channel is lost while uptake goes on.

    Lost means that the ratio VCO2/VO2 lies below 0.5, the lowest that is possible, in most rows of a run of at
    least 10 s and three rows, or that VCO2 repeats one value while uptake does not for at least 30 s and four
    rows (project defaults). Single odd breaths are not a loss.

    Parameters
    ----------
    series : Series
    marks : Marks

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    lost = np.zeros(len(series), dtype=np.bool_)
    if not series.has("vco2_ml_min"):
        return lost
    uptake, output = series.channel("vo2_ml_min"), series.channel("vco2_ml_min")
    judged = rows_in_exercise(series, marks) & counted_rows(series) & np.isfinite(output)
    (rows,) = np.nonzero(judged)
    if rows.size < 3:
        return lost
    low = output[rows] < 0.5 * uptake[rows]
    # A flickering channel is still lost: runs are of rows whose neighbourhood is mostly low.
    near = share_near(low, 2)
    same = np.zeros(rows.size, dtype=np.bool_)
    still = (np.diff(output[rows]) == 0) & (np.diff(uptake[rows]) != 0)
    same[1:] |= still
    same[:-1] |= still
    for flagged, least_rows, least_s in ((near >= 0.6, 3, 10.0), (same, 4, 30.0)):
        for first, last in runs(flagged):
            seconds = series.end_s[rows[last]] - series.start_s[rows[first]]
            if last - first + 1 >= least_rows and seconds >= least_s:
                lost[rows[first] : rows[last] + 1] = True
    return lost


def share_near(flags: Bools, reach: int) -> Floats:
    """Part of the neighbours up to `reach` places away, itself included, that are True."""
    if not len(flags):
        return np.empty(0)
    running = np.concatenate(([0], np.cumsum(flags)))
    place = np.arange(len(flags))
    first, after = np.maximum(place - reach, 0), np.minimum(place + reach + 1, len(flags))
    share: Floats = (running[after] - running[first]) / (after - first)
    return share


def runs(flags: Bools) -> list[tuple[int, int]]:
    """First and last index of each run of True."""
    padded = np.concatenate(([False], flags, [False])).astype(np.int8)
    change = np.diff(padded)
    return [
        (int(first), int(after) - 1)
        for first, after in zip(np.nonzero(change == 1)[0], np.nonzero(change == -1)[0], strict=True)
    ]


_NAMES = {
    "vco2_ml_min": "VCO2",
    "ve_l_min": "ventilation",
    "heart_rate_bpm": "heart rate",
    "respiratory_rate_per_min": "respiratory rate",
    "work_rate_w": "work rate",
    "speed_km_h": "speed",
    "grade_percent": "grade",
}
_LOADS = ("work_rate_w", "speed_km_h", "grade_percent")


def find_peak(test: TestInput, marks: Marks, settings: PeakSettings | None = None) -> Peak:
    """What was measured in the window of highest uptake.

    RER is the ratio of the means of VCO2 and VO2 over the rows that have both. Oxygen pulse = VO2/heart rate;
    METs = VO2 per kilogram / 3.5 mL/kg/min. Another channel needs 80 % of the window, as uptake does.

    Parameters
    ----------
    test : TestInput
    marks : Marks
    settings : PeakSettings, optional

    Returns
    -------
    Peak
        Without label.
    """
    settings = settings or PeakSettings()
    series = test.series
    asked = {
        "convention": settings.convention,
        "window_s": settings.seconds,
        "window_breaths": settings.breaths,
    }
    window = peak_window(series, marks, settings)
    if window is None:
        reason = _why_no_window(series, marks, settings)
        return Peak(**asked, reasons=dict.fromkeys(_PEAK_VALUES, reason))  # type: ignore[arg-type]
    reasons: dict[str, str] = {}
    found: dict[str, float | None] = {"vo2_ml_min": window.value}
    for key in ("heart_rate_bpm", "ve_l_min", "respiratory_rate_per_min", *_LOADS):
        found[key] = _mean_in(series, marks, window, key, reasons)
    found["rer"] = _ratio_in(series, marks, window, reasons)
    mass = test.person.body_mass_kg
    found["vo2_ml_kg_min"] = found["mets"] = None
    if mass is None:
        reasons["vo2_ml_kg_min"] = reasons["mets"] = "The visit has no body mass."
    else:
        found["vo2_ml_kg_min"] = window.value / mass
        found["mets"] = window.value / mass / ML_KG_MIN_PER_MET
    heart_rate = found["heart_rate_bpm"]
    found["o2_pulse_ml_beat"] = None if heart_rate is None else window.value / heart_rate
    if heart_rate is None:
        reasons["o2_pulse_ml_beat"] = reasons["heart_rate_bpm"]
    return Peak(
        **asked,  # type: ignore[arg-type]
        effective_window_s=effective_window_s(series, window, counted_rows(series), settings.seconds),
        start_s=window.start_s,
        end_s=window.end_s,
        covered_fraction=window.covered_fraction,
        reasons=reasons,
        **found,  # type: ignore[arg-type]
    )


_PEAK_VALUES = (
    "effective_window_s",
    "start_s",
    "end_s",
    "vo2_ml_min",
    "vo2_ml_kg_min",
    "mets",
    "heart_rate_bpm",
    "rer",
    "ve_l_min",
    "respiratory_rate_per_min",
    *_LOADS,
    "o2_pulse_ml_beat",
)


def _why_no_window(series: Series, marks: Marks, settings: PeakSettings) -> str:
    if not series.has("vo2_ml_min"):
        return "The test has no VO2."
    if settings.breaths is not None:
        length = f"{settings.breaths} consecutive rows"
        if len(series) < settings.breaths:
            return f"The test has {len(series)} rows; a window needs {settings.breaths}."
    else:
        length = f"{settings.window_s:g} s"
        if marks.duration_s < settings.window_s:
            return f"Exercise lasted {marks.duration_s:.1f} s, less than the window of {length}."
    return (
        f"Nowhere between {marks.exercise_start_s:.1f} s and {marks.exercise_end_s:.1f} s is a window of {length} "
        "covered to 80 % by rows that count."
    )


def _mean_in(series: Series, marks: Marks, window: Window, key: str, reasons: dict[str, str]) -> float | None:
    if not series.has(key):
        reasons[key] = f"The test has no {_NAMES[key]}."
        return None
    values = exercise_load(series, marks, key) if key in _LOADS else series.channel(key)
    mean, covered = mean_of_rows(series, values, counted_rows(series, key), window.start_s, window.end_s)
    if covered < LEAST_COVERED_FRACTION - 1e-9:
        reasons[key] = f"Only {100 * covered:.0f} % of the peak window has a {_NAMES[key]} that counts."
        return None
    return mean


def _ratio_in(series: Series, marks: Marks, window: Window, reasons: dict[str, str]) -> float | None:
    if not series.has("vco2_ml_min"):
        reasons["rer"] = "The test has no VCO2."
        return None
    lost = carbon_dioxide_lost(series, marks) & _touched(series, window)
    if lost.any():
        reasons["rer"] = (
            f"The CO2 channel is lost in {int(lost.sum())} rows of the peak window; a ratio over them would be false."
        )
        return None
    both = counted_rows(series) & counted_rows(series, "vco2_ml_min")
    output, covered = mean_of_rows(series, series.channel("vco2_ml_min"), both, window.start_s, window.end_s)
    uptake, _ = mean_of_rows(series, series.channel("vo2_ml_min"), both, window.start_s, window.end_s)
    if covered < LEAST_COVERED_FRACTION - 1e-9:
        reasons["rer"] = f"Only {100 * covered:.0f} % of the peak window has both VO2 and VCO2 that count."
        return None
    return output / uptake


def find_maxima(test: TestInput, marks: Marks) -> Maxima:
    """The highest of each quantity in exercise, with the stage notes.

    Parameters
    ----------
    test : TestInput
    marks : Marks

    Returns
    -------
    Maxima
    """
    series = test.series
    reasons: dict[str, str] = {}
    windows: dict[str, float] = {}
    found: dict[str, Any] = {"exercise_duration_s": marks.duration_s if marks.duration_s > 0 else None}
    if marks.duration_s <= 0:
        reasons["exercise_duration_s"] = "The end of exercise is not after its start."
    for key, seconds in (("heart_rate_bpm", HEART_RATE_WINDOW_S), ("ve_l_min", GAS_WINDOW_S)):
        found[key] = _highest(series, marks, key, seconds, reasons, windows)
    found["rer"] = _highest_ratio(series, marks, reasons, windows)
    for key in ("work_rate_w", "speed_km_h"):
        load = exercise_load(series, marks, key)
        found[key] = float(np.nanmax(load)) if np.isfinite(load).any() else None
        if found[key] is None:
            reasons[key] = (
                f"No full row of exercise has a {_NAMES[key]} that counts."
                if series.has(key)
                else f"The test has no {_NAMES[key]}."
            )
    _merge_notes(test, marks, found, reasons)
    return Maxima(**found, windows_s=windows, reasons=reasons)


def _highest(
    series: Series,
    marks: Marks,
    key: str,
    seconds: float,
    reasons: dict[str, str],
    windows: dict[str, float],
) -> float | None:
    if not series.has(key):
        reasons[key] = f"The test has no {_NAMES[key]}."
        return None
    counts = counted_rows(series, key)
    window = running_of(series, key).highest(
        from_s=marks.exercise_start_s, to_s=marks.exercise_end_s, window_s=seconds
    )
    if window is None:
        reasons[key] = f"Nowhere in exercise are {seconds:g} s covered to 80 % by {_NAMES[key]} that counts."
        return None
    windows[key] = effective_window_s(series, window, counts, seconds)
    return window.value


def _highest_ratio(
    series: Series, marks: Marks, reasons: dict[str, str], windows: dict[str, float]
) -> float | None:
    if not series.has("vco2_ml_min"):
        reasons["rer"] = "The test has no VCO2."
        return None
    lost = carbon_dioxide_lost(series, marks)
    if lost.any():
        (rows,) = np.nonzero(lost)
        reasons["rer"] = (
            f"The CO2 channel is lost in {rows.size} rows of exercise, from {series.start_s[rows[0]]:.0f} s on, so the "
            "highest ratio cannot be known."
        )
        return None
    counts = counted_rows(series) & counted_rows(series, "vco2_ml_min")
    uptake = np.where(counts, series.channel("vo2_ml_min"), 1.0)
    window = highest_window(
        series.start_s,
        series.end_s,
        np.where(counts, series.channel("vco2_ml_min"), np.nan) / uptake,
        counts,
        from_s=marks.exercise_start_s,
        to_s=marks.exercise_end_s,
        window_s=GAS_WINDOW_S,
        weights=uptake,
    )
    if window is None:
        reasons["rer"] = (
            f"Nowhere in exercise are {GAS_WINDOW_S:g} s covered to 80 % by rows with both VO2 and VCO2."
        )
        return None
    windows["rer"] = effective_window_s(series, window, counts, GAS_WINDOW_S)
    return window.value


def _merge_notes(test: TestInput, marks: Marks, found: dict[str, Any], reasons: dict[str, str]) -> None:
    during = [note for note in test.notes if _noted_in_exercise(note, marks)]
    for key in ("heart_rate_bpm", "systolic_mmhg"):
        noted = [value for note in during if (value := getattr(note, key)) is not None]
        if noted and (found.get(key) is None or max(noted) > found[key]):
            found[key] = float(max(noted))
            reasons.pop(key, None)
        elif found.get(key) is None:
            found[key] = None
            reasons.setdefault(key, "No systolic blood pressure was noted in exercise.")
    for key in ("work_rate_w", "speed_km_h"):
        # Loads of the notes speak only where the intervals have none.
        noted = [value for note in during if (value := getattr(note, key)) is not None]
        if found[key] is None and noted:
            found[key] = float(max(noted))
            del reasons[key]
    found["rpe"], found["rpe_scale"] = _highest_rating(test, marks, reasons)
    found["lactate_mmol_l"] = _highest_lactate(test, marks, reasons)


def _noted_in_exercise(note: StageNote, marks: Marks) -> bool:
    if note.phase not in {None, "exercise"}:
        return False
    return (
        note.time_s is None
        or marks.exercise_start_s - _SLACK_S <= note.time_s <= marks.exercise_end_s + _SLACK_S
    )


def _highest_rating(
    test: TestInput, marks: Marks, reasons: dict[str, str]
) -> tuple[float | None, RpeScale | None]:
    # A rating is asked for as exercise stops and speaks of the exercise, so the minute after counts as well.
    rated = [
        note
        for note in test.notes
        if note.rpe is not None
        and note.phase in {None, "exercise"}
        and (note.time_s is None or note.time_s <= marks.exercise_end_s + 60.0)
    ]
    scales = {note.rpe_scale for note in rated}
    if not rated:
        reasons["rpe"] = "No rating of perceived exertion was noted in exercise."
        return None, None
    if len(scales) > 1:
        reasons["rpe"] = "Ratings were noted on more than one scale; the highest is of no single scale."
        return None, None
    return float(max(note.rpe for note in rated if note.rpe is not None)), scales.pop()


def _highest_lactate(test: TestInput, marks: Marks, reasons: dict[str, str]) -> float | None:
    drawn = [note for note in test.notes if note.lactate_mmol_l is not None]
    counted = [
        note.lactate_mmol_l
        for note in drawn
        if note.lactate_mmol_l is not None
        and (
            (
                note.time_s is not None
                and marks.exercise_start_s - _SLACK_S <= note.time_s <= marks.exercise_end_s + LACTATE_AFTER_S
            )
            or (note.time_s is None and note.phase in {None, "exercise"})
        )
    ]
    if counted:
        return float(max(counted))
    reasons["lactate_mmol_l"] = (
        "Lactate was noted only before exercise, later than 5 min after it, or in recovery without a time."
        if drawn
        else "No lactate was noted."
    )
    return None


def peak_by_window(
    test: TestInput, marks: Marks, settings: PeakSettings | None = None
) -> tuple[WindowPeak, ...]:
    """Peak uptake by several windows: 15, 20, 30 and 60 s, the one asked for, and breaths where rows are breaths.

    Parameters
    ----------
    test : TestInput
    marks : Marks
    settings : PeakSettings, optional
        The one asked for.

    Returns
    -------
    tuple of WindowPeak
        Windows of time first, the shortest first.
    """
    wanted = [PeakSettings("time_weighted", seconds) for seconds in _PEAK_WINDOWS_S]
    if is_breath_by_breath(test.series):
        wanted += [PeakSettings("moving_breaths"), PeakSettings("trimmed_breaths")]
    if settings is not None and not any(_same(settings, other) for other in wanted):
        wanted.append(settings)
    wanted.sort(key=lambda one: (one.breaths is not None, one.breaths or one.window_s, one.convention))
    mass = test.person.body_mass_kg
    answer = []
    for one in wanted:
        window = peak_window(test.series, marks, one)
        value = None if window is None else window.value
        reason = None if window is not None else _why_no_window(test.series, marks, one)
        if value is not None and mass is None:
            reason = "The visit has no body mass."
        answer.append(
            WindowPeak(
                one.seconds,
                one.breaths,
                one.convention,
                None
                if window is None
                else effective_window_s(test.series, window, counted_rows(test.series), one.seconds),
                value,
                None if value is None or mass is None else value / mass,
                reason,
            )
        )
    return tuple(answer)


def _same(one: PeakSettings, other: PeakSettings) -> bool:
    return (one.convention, one.seconds, one.breaths) == (other.convention, other.seconds, other.breaths)
