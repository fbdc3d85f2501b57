"""Whether two results of one person differ by more than the error of measurement.

The error of a change is sqrt(2) typical errors, since both results carry one. Where the typical error is a
coefficient of variation the work is done on logarithms, where a CV of c % is an SD of ln(1 + c/100).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import NormalDist
from typing import Any, Literal

from service.quantities import QUANTITIES, Quantity

Scale = Literal["log", "linear"]
Verdict = Literal["improved", "declined", "within_error", "unclear"]
Moved = Literal["uptake", "body_mass", "both", "neither"]

#: Repeat pairs from which a site's own typical error is preferred to the published one.
PAIRS_FOR_OWN_TYPICAL_ERROR = 15
#: Level of every interval here.
LEVEL = 0.95
#: Share of change below which uptake or body mass is said not to have moved (project's choice).
UNMOVED_FRACTION = 0.005
#: Interquartile range of a normal distribution in standard deviations.
_IQR_IN_SD = 1.349
#: Of the between-subject SD (Hopkins).
_WORTHWHILE_FRACTION_OF_SD = 0.2
#: Two windows in seconds are the same within half a second.
_SAME_WINDOW_S = 0.5
_BREATH_CONVENTIONS = frozenset({"moving_breaths", "trimmed_breaths"})
#: Results that are a ratio to body mass, so that a change has two parts.
_PER_BODY_MASS = frozenset({"vo2_peak_ml_kg_min", "mets_peak"})


@dataclass(frozen=True, slots=True)
class TypicalErrorUsed:
    """The SD of one person's repeated measurements, as used for a change.

    Attributes
    ----------
    value : float
        Coefficient of variation in per cent on the log scale, else in the unit of the quantity.
    scale : {"log", "linear"}
    unit : str
        ``"%"`` on the log scale, else the unit of the quantity.
    df : float or None
        Degrees of freedom of an own estimate (intervals by Student's t); None for a published one
        (intervals by the normal distribution).
    source : str
        Citation key, or whose estimate it is.
    """

    value: float
    scale: Scale
    unit: str
    df: float | None
    source: str

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and self.value > 0):
            raise ValueError(f"typical error {self.value!r}: it has to be a number above 0")
        if self.df is not None and not self.df > 0:
            raise ValueError(f"degrees of freedom {self.df!r}: they have to be above 0, or None")

    @property
    def sd(self) -> float:
        """SD of one measurement on the scale: of ln(value), or in the unit of the quantity."""
        return math.log1p(self.value / 100) if self.scale == "log" else self.value

    @property
    def change_sd(self) -> float:
        """SD of the difference of two measurements on the scale: sqrt(2) times `sd`."""
        return math.sqrt(2) * self.sd

    @property
    def quantile(self) -> float:
        """How many SD either side make a 95 % interval: 1.96, or t with `df`."""
        return quantile_95(self.df)

    def around(self, value: float) -> tuple[float, float] | None:
        """Values beyond which a second measurement differs from `value` by more than error (95 %).

        None where the scale is the log and `value` is not above zero.
        """
        return _shifted(value, self, 0.0)

    def at(self, value: float) -> float:
        """SD of one measurement near `value`, in the unit of the quantity.

        On the log scale value * sqrt(exp(sd^2) - 1), the SD of a log-normal variable of that mean.
        """
        return abs(value) * math.sqrt(math.expm1(self.sd**2)) if self.scale == "log" else self.value

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "value": self.value,
            "unit": self.unit,
            "df": self.df,
            "source": self.source,
            "scale": self.scale,
        }


@dataclass(frozen=True, slots=True)
class OwnTypicalError:
    """What a site found by repeating tests.

    Attributes
    ----------
    value, scale
        As in `TypicalErrorUsed`.
    df : float
        Degrees of freedom.
    n_pairs : int
        Repeat pairs it rests on.
    source : str
        Which pairs.
    """

    value: float
    scale: Scale
    df: float
    n_pairs: int
    source: str


def typical_error_for(quantity: Quantity, own: OwnTypicalError | None = None) -> TypicalErrorUsed | None:
    """The typical error to use for a quantity.

    Parameters
    ----------
    quantity : Quantity
    own : OwnTypicalError, optional
        The site's estimate; used where it rests on at least 15 repeat pairs.

    Returns
    -------
    TypicalErrorUsed or None
        None where neither the site nor the registry has one.
    """
    if own is not None and own.n_pairs >= PAIRS_FOR_OWN_TYPICAL_ERROR:
        return TypicalErrorUsed(own.value, own.scale, _scale_unit(own.scale, quantity), own.df, own.source)
    published = quantity.typical_error
    if published is None:
        return None
    unit = _scale_unit(published.scale, quantity)
    return TypicalErrorUsed(published.value, published.scale, unit, None, published.source)


def _scale_unit(scale: Scale, quantity: Quantity) -> str:
    return "%" if scale == "log" else quantity.unit


@dataclass(frozen=True, slots=True)
class SmallestWorthwhileChange:
    """The smallest change that matters.

    Attributes
    ----------
    value : float
        In the unit of the quantity on the linear scale, in per cent of the earlier value on the log scale.
    scale : {"log", "linear"}
    unit : str
    source : str
        Which band of which table, or that it is the site's own.
    """

    value: float
    scale: Scale
    unit: str
    source: str

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and self.value > 0):
            raise ValueError(f"smallest worthwhile change {self.value!r}: it has to be a number above 0")

    def from_value(self, earlier: float) -> float:
        """The change in the unit of the quantity, from an earlier value."""
        return abs(earlier) * self.value / 100 if self.scale == "log" else self.value

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {"value": self.value, "unit": self.unit, "source": self.source, "scale": self.scale}


def sd_from_quartiles(p25: float, p75: float) -> float:
    """SD of a normal distribution with these quartiles: (p75 - p25)/1.349 (value from memory)."""
    return (p75 - p25) / _IQR_IN_SD


def smallest_worthwhile_change_from_quartiles(
    quantity: Quantity, p25: float, p75: float, *, source: str
) -> SmallestWorthwhileChange:
    """0.2 between-subject SD of a reference band, the SD from its quartiles.

    Parameters
    ----------
    quantity : Quantity
    p25, p75 : float
        25th and 75th percentile of the matching age and sex band, in the unit of the quantity.
    source : str
        Table and band.

    Notes
    -----
    SD = (p75 - p25)/1.349 holds for a normal distribution (value from memory); 0.2 SD is Hopkins' convention.
    """
    if not p75 > p25:
        raise ValueError(f"quartiles {p25!r} and {p75!r}: the 75th percentile has to lie above the 25th")
    sd = sd_from_quartiles(p25, p75)
    return SmallestWorthwhileChange(_WORTHWHILE_FRACTION_OF_SD * sd, "linear", quantity.unit, source)


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """One result of one person at one visit, with what decides whether it may be compared.

    Attributes
    ----------
    test_id, visit_id : str
        Opaque; `test_id` is None for a measurement of the visit itself.
    date : str
        ISO date in the visit's own offset.
    instant_s : float
        The instant in seconds since any one fixed moment; orders the points and carries the slope.
    age_years : float or None
    value : float
        In the unit of the quantity.
    value_absolute : float or None
        The same peak in mL/min, for results per body mass.
    body_mass_kg : float or None
        Of that visit.
    mode, basis, protocol_family : str or None
        What a series is made of.
    method, effort, convention : str or None
    effective_window_s : float or None
    has_error : bool
        Whether an error finding stands on the result.
    height_cm : float or None
        Of that visit.
    age_band : str or None
        Band of the reference table that covers the age, as printed (40-49).
    percentile, percentile_low, percentile_high, norm_id, percent_of_median, percent_of_predicted
        Standing at the age of the test, handed through.
    comparability : mapping
        Other facts that a reader needs beside a comparison, None or absent where not recorded:
        ``body_mass_source``, ``medication_limits_heart_rate``, ``medications`` (set of names), ``calibration_faults``
        (set of ``"off"`` and ``"drifted"``, empty where all was well), ``hour_of_day`` (0-24, local),
        ``hours_since_meal``, ``hours_since_caffeine``, ``hours_since_exercise``, ``ergometer``, ``analyser``,
        ``interface``, ``handrail_support``, ``posture``, ``site``, ``altitude_m``, ``temperature_c``,
        ``fio2_fraction``, ``window_breaths``, ``after_shift`` (of a device, by its control charts); for results of
        lactate ``lactate_sample_site`` and ``lactate_analyser``.
    notes : tuple of str
        What must be said beside the point, such as why it has no percentile; handed through.
    """

    test_id: str | None
    visit_id: str
    date: str
    instant_s: float
    value: float
    mode: str | None = None
    basis: str = "measured"
    protocol_family: str | None = None
    age_years: float | None = None
    value_absolute: float | None = None
    body_mass_kg: float | None = None
    method: str | None = None
    effort: str | None = None
    convention: str | None = None
    effective_window_s: float | None = None
    has_error: bool = False
    height_cm: float | None = None
    age_band: str | None = None
    percentile: float | None = None
    percentile_low: float | None = None
    percentile_high: float | None = None
    norm_id: str | None = None
    percent_of_median: float | None = None
    percent_of_predicted: float | None = None
    comparability: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Parts:
    """A change per body mass, split into its two parts.

    Attributes
    ----------
    uptake_ml_min, uptake_percent : float
        Change of oxygen uptake itself.
    body_mass_kg, body_mass_percent : float
        Change of body mass.
    moved : {"uptake", "body_mass", "both", "neither"}
        The one whose logarithm moved at least twice as far as the other's; neither where both moved by less
        than half a per cent.
    uptake_verdict : {"improved", "declined", "within_error", "unclear"}
        The change in mL/min against its own typical error.
    sentence : str
    """

    uptake_ml_min: float
    uptake_percent: float
    body_mass_kg: float
    body_mass_percent: float
    moved: Moved
    uptake_verdict: Verdict
    sentence: str

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "uptake_ml_min": self.uptake_ml_min,
            "uptake_percent": self.uptake_percent,
            "body_mass_kg": self.body_mass_kg,
            "body_mass_percent": self.body_mass_percent,
            "moved": self.moved,
            "uptake_verdict": self.uptake_verdict,
            "sentence": self.sentence,
        }


@dataclass(frozen=True, slots=True)
class Change:
    """What became of an earlier result.

    Attributes
    ----------
    from_test_id, from_date : str or None
        The earlier one.
    absolute : float
        Later minus earlier, in the unit of the quantity.
    percent : float or None
        Of the earlier value; None where that is not above zero.
    ci_low, ci_high : float or None
        95 % interval of `absolute`; None without a typical error.
    percent_ci_low, percent_ci_high : float or None
        The same, of `percent`.
    chance_improved, chance_declined : float or None
        Chance (0-1) that this person's true change is at least the smallest worthwhile one, under a flat
        prior; None without such a change, without a typical error, or where no direction is better.
    verdict : {"improved", "declined", "within_error", "unclear"}
    parts : Parts or None
        For results per body mass.
    notes : tuple of str
        Sentences that belong beside the numbers.
    """

    from_test_id: str | None
    from_date: str
    absolute: float
    percent: float | None
    ci_low: float | None
    ci_high: float | None
    percent_ci_low: float | None
    percent_ci_high: float | None
    chance_improved: float | None
    chance_declined: float | None
    verdict: Verdict
    parts: Parts | None
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "from_test_id": self.from_test_id,
            "from_date": self.from_date,
            "absolute": self.absolute,
            "percent": self.percent,
            "ci_low": self.ci_low,
            "ci_high": self.ci_high,
            "percent_ci_low": self.percent_ci_low,
            "percent_ci_high": self.percent_ci_high,
            "chance_improved": self.chance_improved,
            "chance_declined": self.chance_declined,
            "verdict": self.verdict,
            "parts": None if self.parts is None else self.parts.as_dict(),
            "notes": list(self.notes),
        }


def quantile_95(df: float | None) -> float:
    """Half-width of a 95 % interval in SD: of the normal distribution, or of Student's t with `df`."""
    if df is None:
        return NormalDist().inv_cdf(0.5 + LEVEL / 2)
    from scipy.special import stdtrit

    return float(stdtrit(df, 0.5 + LEVEL / 2))


def _cumulative(x: float, df: float | None) -> float:
    if df is None:
        return NormalDist().cdf(x)
    from scipy.special import stdtr

    return float(stdtr(df, x))


def minimal_detectable_change_95(typical_error: TypicalErrorUsed, value: float) -> float | None:
    """The smallest rise from `value` that is beyond the error of measurement, in the unit of the quantity.

    Notes
    -----
    1.96 sqrt(2) TE on the linear scale, value * (exp(1.96 sqrt(2) sd) - 1) on the log scale, where a fall needs
    a little less; t instead of 1.96 for an own estimate. None where the log of `value` does not exist.
    """
    band = typical_error.around(value)
    return None if band is None else band[1] - value


def _shifted(value: float, typical_error: TypicalErrorUsed, shift: float) -> tuple[float, float] | None:
    """95 % limits round `value` + `shift` (shift in the log on the log scale)."""
    half = typical_error.quantile * typical_error.change_sd
    if typical_error.scale == "linear":
        return value + shift - half, value + shift + half
    if not value > 0:
        return None
    return value * math.exp(shift - half), value * math.exp(shift + half)


def chances_of_true_change(
    earlier: float,
    later: float,
    typical_error: TypicalErrorUsed,
    smallest_worthwhile_change: SmallestWorthwhileChange,
) -> tuple[float, float] | None:
    """Chances (0-1) that one person's true change is a worthwhile rise, and a worthwhile fall.

    Parameters
    ----------
    earlier, later : float
        In the unit of the quantity.
    typical_error : TypicalErrorUsed
    smallest_worthwhile_change : SmallestWorthwhileChange

    Returns
    -------
    tuple of float or None
        (rise, fall); None where the scale is the log and a value is not above zero.

    Notes
    -----
    Rise: 1 - F((w - d) / (sqrt(2) TE)); fall: F((-w - d) / (sqrt(2) TE)), with F the normal distribution, or
    Student's t for an own typical error (methods of Hopkins). On the log scale d = ln(later/earlier) and w is
    ln(1 + worthwhile/earlier) up, ln(1 - worthwhile/earlier) down; worthwhile in per cent is symmetrical there.
    """
    if typical_error.scale == "linear":
        difference = later - earlier
        up = smallest_worthwhile_change.from_value(earlier)
        down = -up
    else:
        if not (earlier > 0 and later > 0):
            return None
        difference = math.log(later / earlier)
        if smallest_worthwhile_change.scale == "log":
            up = math.log1p(smallest_worthwhile_change.value / 100)
            down = -up
        else:
            fraction = smallest_worthwhile_change.value / earlier
            up = math.log1p(fraction)
            down = math.log1p(-fraction) if fraction < 1 else -math.inf
    sd, df = typical_error.change_sd, typical_error.df
    return _cumulative((difference - up) / sd, df), _cumulative((down - difference) / sd, df)


def change_between(
    quantity: Quantity,
    earlier: TrendPoint,
    later: TrendPoint,
    *,
    typical_error: TypicalErrorUsed | None,
    smallest_worthwhile_change: SmallestWorthwhileChange | None = None,
    absolute_typical_error: TypicalErrorUsed | None = None,
) -> Change:
    """The change from one result to a later one, with its verdict.

    Parameters
    ----------
    quantity : Quantity
        Its `better` decides which direction is an improvement.
    earlier, later : TrendPoint
        Of one person.
    typical_error : TypicalErrorUsed or None
        None gives no interval and the verdict ``"unclear"``.
    smallest_worthwhile_change : SmallestWorthwhileChange, optional
    absolute_typical_error : TypicalErrorUsed, optional
        Of uptake in mL/min, for results per body mass; default: the published one.

    Returns
    -------
    Change
    """
    absolute = later.value - earlier.value
    notes: list[str] = []
    percent = 100 * absolute / earlier.value if earlier.value > 0 else None
    if percent is None:
        notes.append("No change in per cent: the earlier value is not above zero.")
    limits = interval_of_change(earlier.value, later.value, typical_error)
    if typical_error is None:
        notes.append("No typical error is known for this quantity, so a change cannot be told from chance.")
    elif limits is None:
        notes.append("No interval: the typical error is in per cent and a value is not above zero.")
    low, high = limits if limits is not None else (None, None)
    direction = 0 if low is None or high is None else int(low > 0) - int(high < 0)
    verdict: Verdict = "unclear" if limits is None else _verdict(quantity, direction)
    if direction and quantity.better is None:
        notes.append(
            f"It {'rose' if direction > 0 else 'fell'} by more than the error of measurement, but for this quantity "
            "neither direction is better."
        )
    if (
        smallest_worthwhile_change is not None
        and direction
        and abs(absolute) < smallest_worthwhile_change.from_value(earlier.value)
    ):
        notes.append("Beyond the error of measurement, but smaller than the smallest worthwhile change.")
    blocking = _differences(earlier, later)
    if blocking:
        verdict = "unclear"
        notes.extend(blocking)
    parts = None
    if quantity.key in _PER_BODY_MASS:
        parts = _parts(quantity, earlier, later, absolute_typical_error, comparable=not blocking)
        notes.append(
            parts.sentence
            if parts is not None
            else "Whether uptake or body mass moved cannot be said: uptake in mL/min or body mass is missing."
        )
    notes.extend(_circumstances(earlier, later))
    if quantity.key in _OF_LACTATE:
        notes.extend(_samples(earlier, later))
    better, worse = _chances(quantity, earlier, later, typical_error, smallest_worthwhile_change)
    scale = None if percent is None or low is None or high is None else 100 / earlier.value
    return Change(
        from_test_id=earlier.test_id,
        from_date=earlier.date,
        absolute=absolute,
        percent=percent,
        ci_low=low,
        ci_high=high,
        percent_ci_low=None if scale is None or low is None else scale * low,
        percent_ci_high=None if scale is None or high is None else scale * high,
        chance_improved=better,
        chance_declined=worse,
        verdict=verdict,
        parts=parts,
        notes=tuple(notes),
    )


def interval_of_change(
    earlier: float, later: float, typical_error: TypicalErrorUsed | None
) -> tuple[float, float] | None:
    """95 % interval of later - earlier, both measured once.

    Parameters
    ----------
    earlier, later : float
        In the unit of the quantity.
    typical_error : TypicalErrorUsed or None

    Returns
    -------
    tuple of float or None
        In the unit of the quantity; None without a typical error, or on the log scale for a value not above zero.
    """
    if typical_error is None:
        return None
    if typical_error.scale == "linear":
        shift = later - earlier
    elif earlier > 0 and later > 0:
        shift = math.log(later / earlier)
    else:
        return None
    band = _shifted(earlier, typical_error, shift)
    return None if band is None else (band[0] - earlier, band[1] - earlier)


def _verdict(quantity: Quantity, direction: int) -> Verdict:
    if not direction:
        return "within_error"
    if quantity.better is None:
        return "unclear"
    return "improved" if (direction > 0) == (quantity.better == "higher") else "declined"


def _chances(
    quantity: Quantity,
    earlier: TrendPoint,
    later: TrendPoint,
    typical_error: TypicalErrorUsed | None,
    worthwhile: SmallestWorthwhileChange | None,
) -> tuple[float | None, float | None]:
    if typical_error is None or worthwhile is None or quantity.better is None:
        return None, None
    both = chances_of_true_change(earlier.value, later.value, typical_error, worthwhile)
    if both is None:
        return None, None
    rise, fall = both
    return (rise, fall) if quantity.better == "higher" else (fall, rise)


def differences_between(earlier: TrendPoint, later: TrendPoint) -> tuple[str, ...]:
    """What was not the same at two tests, a sentence each: how the values were made, then the circumstances."""
    return (*_differences(earlier, later), *_circumstances(earlier, later))


def _name(value: str | None) -> str:
    return "none recorded" if value is None else value.replace("_", " ")


def _differences(earlier: TrendPoint, later: TrendPoint) -> list[str]:
    """Differences that leave a verdict unclear, a sentence each."""
    found = [
        f"The two differ in {what}: {_name(before)} and {_name(after)}."
        for what, before, after in (
            ("mode", earlier.mode, later.mode),
            ("basis", earlier.basis, later.basis),
            ("protocol family", earlier.protocol_family, later.protocol_family),
        )
        if before != after
    ]
    if earlier.convention is not None and later.convention is not None:
        if earlier.convention != later.convention:
            found.append(
                "The two were averaged by different conventions: "
                f"{_name(earlier.convention)} and {_name(later.convention)}."
            )
        elif (window := _window_difference(earlier, later)) is not None:
            found.append(window)
    elif (window := _window_difference(earlier, later)) is not None:
        found.append(window)
    if (earlier.effort == "submaximal") != (later.effort == "submaximal"):
        found.append("One of the two efforts was submaximal, so the peaks are not alike.")
    return found


def _window_difference(earlier: TrendPoint, later: TrendPoint) -> str | None:
    if earlier.convention in _BREATH_CONVENTIONS and later.convention == earlier.convention:
        # So many breaths take another time in every test; their number is the window.
        before, after = (point.comparability.get("window_breaths") for point in (earlier, later))
        if before is not None and after is not None and before != after:
            return f"The two were averaged over different windows: {before} and {after} breaths."
        return None
    if earlier.effective_window_s is None or later.effective_window_s is None:
        return None
    if abs(earlier.effective_window_s - later.effective_window_s) <= _SAME_WINDOW_S:
        return None
    return (
        "The two are means over different times: "
        f"{earlier.effective_window_s:g} and {later.effective_window_s:g} s."
    )


#: Facts that are simply equal or not.
_SAME_OR_NOT = (
    ("ergometer", "Another ergometer was used."),
    ("analyser", "Another analyser was used."),
    ("interface", "Mask and mouthpiece were not the same."),
    ("posture", "The posture was another."),
    ("site", "The tests were done at different places."),
    ("handrail_support", "The handrail was held in one of the two only."),
    ("body_mass_source", "Body mass was measured in one of the two and stated in the other."),
    ("after_shift", "One of the two tests came after a control chart had signalled a shift of its device."),
    ("medication_limits_heart_rate", "A medication that limits heart rate was taken at one of the two only."),
    ("medications", "The medication recorded was not the same at both tests."),
)
#: Common practice for the preparation of a test, no one source: the least hours since each.
_PREPARATION = (
    ("hours_since_meal", 2.0, "a meal"),
    ("hours_since_caffeine", 6.0, "caffeine"),
    ("hours_since_exercise", 24.0, "exercise"),
)
#: Project's choice of what is worth a note: the difference, the unit, the words.
_APART = (
    ("altitude_m", 300.0, "m", "altitude"),
    ("temperature_c", 5.0, "°C", "room temperature"),
    ("fio2_fraction", 0.002, "", "inspired oxygen fraction"),
)
#: Hours between two times of day that are worth a note (project's choice).
_HOURS_APART = 3.0


def _circumstances(earlier: TrendPoint, later: TrendPoint) -> list[str]:
    """Differences worth a note that leave the verdict as it is."""

    def both(key: str) -> tuple[Any, Any] | None:
        before, after = earlier.comparability.get(key), later.comparability.get(key)
        return None if before is None or after is None else (before, after)

    notes = []
    if (earlier.convention is None) != (later.convention is None):
        notes.append("For one of the two the averaging convention is not recorded.")
    for key, sentence in _SAME_OR_NOT:
        if (pair := both(key)) is not None and pair[0] != pair[1]:
            notes.append(sentence)
    notes.extend(_calibrations(earlier, later))
    for key, least, words in _PREPARATION:
        if (pair := both(key)) is not None and (pair[0] < least) != (pair[1] < least):
            notes.append(
                f"One of the two came less than {least:g} h after {words}: {pair[0]:g} and {pair[1]:g} h."
            )
    for key, apart, unit, words in _APART:
        if (pair := both(key)) is not None and abs(pair[0] - pair[1]) > apart:
            notes.append(f"The {words} was another: {pair[0]:g} and {pair[1]:g} {unit}".rstrip() + ".")
    if (pair := both("hour_of_day")) is not None:
        gap = abs(pair[0] - pair[1]) % 24
        if min(gap, 24 - gap) > _HOURS_APART:
            notes.append(f"The time of day was another: {_clock(pair[0])} and {_clock(pair[1])}.")
    return notes


def _calibrations(earlier: TrendPoint, later: TrendPoint) -> list[str]:
    """Whether the sensors were as good at both tests."""
    before, after = (point.comparability.get("calibration_faults") for point in (earlier, later))
    if (before is None) != (after is None):
        return ["A calibration is recorded for one of the two only."]
    if before is None or after is None:
        return []
    return [
        sentence
        for fault, sentence in (
            ("off", "A known gas or volume was read wrongly before one of the two only."),
            ("drifted", "A sensor had drifted by the end of one of the two only."),
        )
        if (fault in before) != (fault in after)
    ]


#: Results that are a concentration of lactate.
_OF_LACTATE = frozenset({"lactate_max_mmol_l"})


def _samples(earlier: TrendPoint, later: TrendPoint) -> list[str]:
    """Whether lactate was sampled and measured alike; not recorded is not the same as alike."""
    notes = []
    for key, another, unknown in (
        (
            "lactate_sample_site",
            "Blood for lactate was taken from another place",
            "It is not recorded for both tests where blood for lactate was taken.",
        ),
        (
            "lactate_analyser",
            "Lactate was measured with another analyser",
            "It is not recorded for both tests what lactate was measured with.",
        ),
    ):
        before, after = earlier.comparability.get(key), later.comparability.get(key)
        if before is None or after is None:
            notes.append(unknown)
        elif before != after:
            notes.append(f"{another}: {before} and {after}.")
    return notes


def _clock(hour: float) -> str:
    minutes = round(hour * 60) % (24 * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _moved(uptake: float, mass: float) -> Moved:
    """Which of two changes (of logarithms) carries the change of their ratio."""
    if max(abs(uptake), abs(mass)) < UNMOVED_FRACTION:
        return "neither"
    if abs(uptake) >= 2 * abs(mass):
        return "uptake"
    return "body_mass" if abs(mass) >= 2 * abs(uptake) else "both"


_MOVED_WORDS: Mapping[Moved, str] = {
    "uptake": "it is mainly oxygen uptake that moved",
    "body_mass": "it is mainly body mass that moved",
    "both": "both moved",
    "neither": "neither moved by half a per cent",
}


def _parts(
    quantity: Quantity,
    earlier: TrendPoint,
    later: TrendPoint,
    absolute_typical_error: TypicalErrorUsed | None,
    *,
    comparable: bool,
) -> Parts | None:
    given = (earlier.value_absolute, later.value_absolute, earlier.body_mass_kg, later.body_mass_kg)
    known = [value for value in given if value is not None and value > 0]
    if len(known) < len(given):
        return None
    uptakes, masses = known[:2], known[2:]
    absolute = QUANTITIES["vo2_peak_ml_min"]
    error = absolute_typical_error or typical_error_for(absolute)
    limits = interval_of_change(uptakes[0], uptakes[1], error)
    verdict: Verdict = "unclear"
    if comparable and limits is not None:
        verdict = _verdict(absolute, int(limits[0] > 0) - int(limits[1] < 0))
    moved = _moved(math.log(uptakes[1] / uptakes[0]), math.log(masses[1] / masses[0]))
    uptake, mass = uptakes[1] - uptakes[0], masses[1] - masses[0]
    uptake_percent, mass_percent = 100 * uptake / uptakes[0], 100 * mass / masses[0]
    within = ", within its error" if verdict == "within_error" else ""
    sentence = (
        f"Per body mass {signed(quantity, later.value - earlier.value)}: "
        f"oxygen uptake {uptake:+,.0f} mL/min ({uptake_percent:+.1f} %{within}), "
        f"body mass {mass:+.1f} kg ({mass_percent:+.1f} %); {_MOVED_WORDS[moved]}."
    )
    return Parts(uptake, uptake_percent, mass, mass_percent, moved, verdict, sentence)


def signed(quantity: Quantity, difference: float) -> str:
    """A difference with its sign, the decimals and the unit of the quantity."""
    return f"{difference:+,.{quantity.decimals}f} {quantity.unit}".rstrip()
