"""One quantity of one person over the years: series, changes, slopes, best, and what age alone would make of it."""

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist, median
from typing import Any, Literal

from service.analysis.ageing import AgedPerson, AgeingModel, expected_with_age
from service.analysis.change import (
    LEVEL,
    Change,
    SmallestWorthwhileChange,
    TrendPoint,
    TypicalErrorUsed,
    change_between,
    interval_of_change,
    minimal_detectable_change_95,
    quantile_95,
    typical_error_for,
)
from service.analysis.regression_to_mean import RegressionToMean, Spread, regression_to_mean
from service.quantities import Quantity

__all__ = [
    "AgeingAsked",
    "Expected",
    "Reference",
    "RobustSlope",
    "Slope",
    "Trend",
    "TrendPoint",
    "TrendSeries",
    "TrendedPoint",
    "build_trend",
    "slope_per_year",
    "theil_sen_per_year",
    "why_not_counted",
]

_YEAR_S = 365.25 * 86400
#: Points from which the scatter about the line may replace the typical error.
POINTS_FOR_RESIDUAL_SD = 4
#: Points from which the ranks of the slopes between pairs can make a 95 % interval.
LEAST_FOR_ROBUST_INTERVAL = 5

_BEST_NOTE = "The best of several noisy tests lies above what the person can repeat: it is biased upward."
_BEST_NOTE_LOWER = "The best of several noisy tests lies below what the person can repeat: it flatters."
_AGEING_NOTES: Mapping[str, str] = {
    "cross_sectional": "The expected line is what people of different ages differ by, all else equal; people who are followed "
    "mostly lose more. It is no aim, and a value above it no proof of an effect.",
    "longitudinal": "The expected line is the mean of people who were followed; single people differ much. It is no aim, and a "
    "value above it no proof of an effect.",
    "rule_of_thumb": "The expected line is a rule of thumb (common practice, no source). It is no aim, and a value above it no "
    "proof of an effect.",
}
_CHANCE_NOTE = (
    "A chance is about this person's true change, under a flat prior; it says nothing about a group or about what "
    "caused the change."
)


@dataclass(frozen=True, slots=True)
class Reference:
    """What a reference table says about the points, asked as needed.

    Attributes
    ----------
    percentile_at : callable
        (point, age in years) -> percentile of the point's value at that age, or None.
    spread_of : callable
        point -> mean and SD of its band, or None.
    """

    percentile_at: Callable[[TrendPoint, float], float | None]
    spread_of: Callable[[TrendPoint], Spread | None]


@dataclass(frozen=True, slots=True)
class AgeingAsked:
    """Which model of ageing a trend is set against.

    Attributes
    ----------
    model : AgeingModel
    sex : str or None
    start : {"first", "best"}
        The counted point that the line starts from.
    """

    model: AgeingModel
    sex: str | None
    start: Literal["first", "best"] = "first"


@dataclass(frozen=True, slots=True)
class Expected:
    """The line of a model of ageing through one series.

    Attributes
    ----------
    model : AgeingModel
    start : {"first", "best"}
    start_point : TrendPoint or None
        The point it starts from; None where no point counts.
    reason : str or None
        Why there is no line.
    """

    model: AgeingModel
    start: Literal["first", "best"]
    start_point: TrendPoint | None
    reason: str | None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        point, model = self.start_point, self.model
        return {
            "model": model.id,
            "label": model.label,
            "form": model.form,
            "design": model.design,
            "applies_to": model.applies_to,
            "source": model.source,
            "trust": model.trust,
            "start": self.start,
            "start_test_id": None if point is None else point.test_id,
            "start_date": None if point is None else point.date,
            "start_value": None if point is None else point.value,
            "reason": self.reason,
        }


@dataclass(frozen=True, slots=True)
class TrendedPoint:
    """A point in its series.

    Attributes
    ----------
    point : TrendPoint
    counted : bool
        False for a submaximal effort or a result with an error finding, unless all were asked for.
    change_from_first, change_from_previous : Change or None
        Against counted points only; None for the first counted point and for one not counted.
    notes : tuple of str
    percentile_in_previous_band : float or None
        Where the age band changed since the point before: the percentile of this value in that band.
    expected_value : float or None
        By the model of ageing that was asked for, in the unit of the quantity.
    difference_from_expected, difference_ci_low, difference_ci_high : float or None
        Value less expected, with the 95 % interval from the error of both tests (not of the model); None at the start
        itself and for a point that does not count.
    """

    point: TrendPoint
    counted: bool
    change_from_first: Change | None
    change_from_previous: Change | None
    notes: tuple[str, ...]
    percentile_in_previous_band: float | None = None
    expected_value: float | None = None
    difference_from_expected: float | None = None
    difference_ci_low: float | None = None
    difference_ci_high: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        point = self.point
        return {
            "test_id": point.test_id,
            "visit_id": point.visit_id,
            "date": point.date,
            "age_years": point.age_years,
            "value": point.value,
            "value_absolute": point.value_absolute,
            "body_mass_kg": point.body_mass_kg,
            "method": point.method,
            "convention": point.convention,
            "effective_window_s": point.effective_window_s,
            "effort": point.effort,
            "counted": self.counted,
            "age_band": point.age_band,
            "percentile": point.percentile,
            "percentile_low": point.percentile_low,
            "percentile_high": point.percentile_high,
            "percentile_in_previous_band": self.percentile_in_previous_band,
            "norm_id": point.norm_id,
            "percent_of_median": point.percent_of_median,
            "percent_of_predicted": point.percent_of_predicted,
            "expected_value": self.expected_value,
            "difference_from_expected": self.difference_from_expected,
            "difference_ci_low": self.difference_ci_low,
            "difference_ci_high": self.difference_ci_high,
            "change_from_first": None if self.change_from_first is None else self.change_from_first.as_dict(),
            "change_from_previous": (
                None if self.change_from_previous is None else self.change_from_previous.as_dict()
            ),
            "notes": list(self.notes),
        }


@dataclass(frozen=True, slots=True)
class Slope:
    """Straight-line change per year.

    Attributes
    ----------
    per_year : float
        Least squares, unit of the quantity per year.
    ci_low, ci_high : float or None
        95 % interval; None where the error of a point is not known.
    error : float or None
        The SD of one point that the interval rests on, in the unit of the quantity.
    error_from : {"typical_error", "residual_sd"} or None
    df : float or None
        Of that error; None means the normal distribution.
    n_points : int
    """

    per_year: float
    ci_low: float | None
    ci_high: float | None
    error: float | None
    error_from: Literal["typical_error", "residual_sd"] | None
    df: float | None
    n_points: int


@dataclass(frozen=True, slots=True)
class RobustSlope:
    """Theil-Sen change per year: one test far off hardly moves it.

    Attributes
    ----------
    per_year : float
        Median of the slopes between all pairs of points, unit of the quantity per year.
    ci_low, ci_high : float or None
        95 % interval; None where so few points cannot give one.
    n_points : int
    """

    per_year: float
    ci_low: float | None
    ci_high: float | None
    n_points: int


@dataclass(frozen=True, slots=True)
class TrendSeries:
    """Points that may be compared: one mode, basis and protocol family.

    Attributes
    ----------
    mode, basis, protocol_family : str or None
    points : tuple of TrendedPoint
        By instant.
    typical_error : TypicalErrorUsed or None
    smallest_worthwhile_change : SmallestWorthwhileChange or None
    minimal_detectable_change_95 : float or None
        Smallest rise from the first counted point that is beyond error, unit of the quantity.
    detectable_low, detectable_high : float or None
        Values between which a later test does not differ from the first counted one by more than error.
    slope : Slope or None
        None with fewer than two counted points, or where all are at one instant.
    theil_sen : RobustSlope or None
        The same.
    first, best, latest : TrendedPoint or None
        Of the counted points; no best where no direction is better.
    expected : Expected or None
        Where a model of ageing was asked for.
    regression_to_mean : RegressionToMean or None
        Of the first counted test, where a reference band has a spread.
    notes : tuple of str
    """

    mode: str | None
    basis: str
    protocol_family: str | None
    points: tuple[TrendedPoint, ...]
    typical_error: TypicalErrorUsed | None
    smallest_worthwhile_change: SmallestWorthwhileChange | None
    minimal_detectable_change_95: float | None
    detectable_low: float | None
    detectable_high: float | None
    slope: Slope | None
    theil_sen: RobustSlope | None
    first: TrendedPoint | None
    best: TrendedPoint | None
    latest: TrendedPoint | None
    expected: Expected | None
    regression_to_mean: RegressionToMean | None
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        slope, robust, worthwhile = self.slope, self.theil_sen, self.smallest_worthwhile_change
        return {
            "mode": self.mode,
            "basis": self.basis,
            "protocol_family": self.protocol_family,
            "points": [point.as_dict() for point in self.points],
            "typical_error": None if self.typical_error is None else self.typical_error.as_dict(),
            "smallest_worthwhile_change": None if worthwhile is None else worthwhile.as_dict(),
            "minimal_detectable_change_95": self.minimal_detectable_change_95,
            "detectable_low": self.detectable_low,
            "detectable_high": self.detectable_high,
            "slope_per_year": None if slope is None else slope.per_year,
            "slope_ci_low": None if slope is None else slope.ci_low,
            "slope_ci_high": None if slope is None else slope.ci_high,
            "slope_error": None if slope is None else slope.error,
            "slope_error_from": None if slope is None else slope.error_from,
            "theil_sen_per_year": None if robust is None else robust.per_year,
            "theil_sen_ci_low": None if robust is None else robust.ci_low,
            "theil_sen_ci_high": None if robust is None else robust.ci_high,
            **_named("first", self.first),
            **_named("best", self.best),
            **_named("latest", self.latest),
            "expected": None if self.expected is None else self.expected.as_dict(),
            "regression_to_mean": None
            if self.regression_to_mean is None
            else self.regression_to_mean.as_dict(),
            "notes": list(self.notes),
        }


def _named(name: str, point: TrendedPoint | None) -> dict[str, Any]:
    """Value, test and date of a point that stands out, as the document has them."""
    return {
        name: None if point is None else point.point.value,
        f"{name}_test_id": None if point is None else point.point.test_id,
        f"{name}_date": None if point is None else point.point.date,
    }


@dataclass(frozen=True, slots=True)
class Trend:
    """Every series of one quantity of one person.

    Attributes
    ----------
    subject_id : str or None
        Handed through.
    quantity, unit : str
    series : tuple of TrendSeries
        By number of points, then by the latest point, both falling.
    notes : tuple of str
        What holds for the whole, said once.
    events : tuple of mapping
        What happened to the person and at the site; handed through.
    next_test_due : mapping or None
        When the next test is due, and by whom; handed through.
    """

    subject_id: str | None
    quantity: str
    unit: str
    series: tuple[TrendSeries, ...]
    notes: tuple[str, ...]
    events: tuple[Mapping[str, Any], ...] = ()
    next_test_due: Mapping[str, Any] | None = None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "subject_id": self.subject_id,
            "quantity": self.quantity,
            "unit": self.unit,
            "series": [series.as_dict() for series in self.series],
            "events": [dict(event) for event in self.events],
            "next_test_due": None if self.next_test_due is None else dict(self.next_test_due),
            "notes": list(self.notes),
        }


def slope_per_year(
    years: Sequence[float], values: Sequence[float], *, typical_error: TypicalErrorUsed | None
) -> Slope | None:
    """Least-squares change per year with the error of one point.

    Parameters
    ----------
    years : sequence of float, shape (n,)
        Times in years from any moment.
    values : sequence of float, shape (n,)
        Unit of the quantity.
    typical_error : TypicalErrorUsed or None
        A typical error in per cent is taken at the mean value.

    Returns
    -------
    Slope or None
        None with fewer than two points, or where all are at one time.

    Notes
    -----
    SE = s / sqrt(sum (t - mean t)^2). From 4 points on s is the larger of the typical error and the residual
    SD (n - 2 degrees of freedom); with fewer it is the typical error alone.
    """
    n = len(values)
    if n < 2:
        return None
    mean_year, mean_value = math.fsum(years) / n, math.fsum(values) / n
    spread = math.fsum((year - mean_year) ** 2 for year in years)
    if not spread > 0:
        return None
    slope = (
        math.fsum(
            (year - mean_year) * (value - mean_value) for year, value in zip(years, values, strict=True)
        )
        / spread
    )
    error: float | None = None
    error_from: Literal["typical_error", "residual_sd"] | None = None
    df: float | None = None
    if typical_error is not None:
        error, error_from, df = typical_error.at(mean_value), "typical_error", typical_error.df
    if n >= POINTS_FOR_RESIDUAL_SD:
        residual = math.sqrt(
            math.fsum(
                (value - mean_value - slope * (year - mean_year)) ** 2
                for year, value in zip(years, values, strict=True)
            )
            / (n - 2)
        )
        if error is None or residual > error:
            error, error_from, df = residual, "residual_sd", float(n - 2)
    if error is None:
        return Slope(slope, None, None, None, None, None, n)
    half = quantile_95(df) * error / math.sqrt(spread)
    return Slope(slope, slope - half, slope + half, error, error_from, df, n)


def theil_sen_per_year(years: Sequence[float], values: Sequence[float]) -> RobustSlope | None:
    """Theil-Sen change per year with Sen's interval.

    Parameters
    ----------
    years : sequence of float, shape (n,)
        Times in years from any moment.
    values : sequence of float, shape (n,)
        Unit of the quantity.

    Returns
    -------
    RobustSlope or None
        None with fewer than two points, or where all are at one time.

    Notes
    -----
    Median of the N slopes between points at different times. Interval: the slopes of rank (N - C)/2 and (N + C)/2 + 1,
    rounded, with C = 1.96 sqrt(var S) and var S = (n (n - 1) (2 n + 5) - sum k (k - 1) (2 k + 5)) / 18 over groups of k equal
    times or values (sen_1968). With fewer than five points, or where such a rank lies outside the N slopes, there is no 95 %
    interval: the whole range of the slopes covers the true one less often than that (11 times in 12 with four points).
    """
    pairs = list(zip(years, values, strict=True))
    slopes = sorted(
        (later[1] - earlier[1]) / (later[0] - earlier[0])
        for earlier in pairs
        for later in pairs
        if later[0] > earlier[0]
    )
    if not slopes:
        return None
    n = len(pairs)
    ties = sum(k * (k - 1) * (2 * k + 5) for each in (years, values) for k in Counter(each).values() if k > 1)
    half = NormalDist().inv_cdf(0.5 + LEVEL / 2) * math.sqrt(max(n * (n - 1) * (2 * n + 5) - ties, 0) / 18)
    low, high = round((len(slopes) - half) / 2) - 1, round((len(slopes) + half) / 2)
    inside = n >= LEAST_FOR_ROBUST_INTERVAL and half > 0 and low >= 0 and high < len(slopes)
    return RobustSlope(median(slopes), slopes[low] if inside else None, slopes[high] if inside else None, n)


def build_trend(
    quantity: Quantity,
    points: Sequence[TrendPoint],
    *,
    typical_error: TypicalErrorUsed | Mapping[str | None, TypicalErrorUsed] | None,
    smallest_worthwhile_change: (
        SmallestWorthwhileChange | Mapping[str | None, SmallestWorthwhileChange] | None
    ) = None,
    absolute_typical_error: TypicalErrorUsed | None = None,
    reference: Reference | None = None,
    ageing: AgeingAsked | None = None,
    include_all: bool = False,
    subject_id: str | None = None,
) -> Trend:
    """Series, changes, slopes and best of one quantity of one person.

    Parameters
    ----------
    quantity : Quantity
    points : sequence of TrendPoint
        In any order, of any mode, basis and protocol family.
    typical_error : TypicalErrorUsed, or mapping of mode to one, or None
        A mode that the mapping lacks has the published one. See `service.analysis.change.typical_error_for`.
    smallest_worthwhile_change : SmallestWorthwhileChange, or mapping of mode to one, optional
        None gives no chances.
    absolute_typical_error : TypicalErrorUsed, optional
        Of uptake in mL/min, for the parts of a change per body mass; default: the published one.
    reference : Reference, optional
        For what a change of band does to the rank, and for the return of an extreme first test to the mean.
    ageing : AgeingAsked, optional
        Nothing is expected of age unless a model is named.
    include_all : bool
        Count submaximal efforts and results with an error finding too.
    subject_id : str, optional
        Handed through.

    Returns
    -------
    Trend
    """
    grouped: dict[tuple[str | None, str, str | None, str | None], list[TrendPoint]] = {}
    for point in sorted(points, key=lambda point: point.instant_s):
        # Estimates by two methods do not compare, any more than two protocols do.
        method = point.method if point.basis == "estimated" else None
        grouped.setdefault((point.mode, point.basis, point.protocol_family, method), []).append(point)
    series = []
    for (mode, _, _, _), members in sorted(
        grouped.items(), key=lambda item: (len(item[1]), item[1][-1].instant_s), reverse=True
    ):
        error = (
            typical_error.get(mode, typical_error_for(quantity))
            if isinstance(typical_error, Mapping)
            else typical_error
        )
        worthwhile = (
            smallest_worthwhile_change.get(mode)
            if isinstance(smallest_worthwhile_change, Mapping)
            else smallest_worthwhile_change
        )
        series.append(
            _series(
                quantity, members, error, worthwhile, absolute_typical_error, include_all, reference, ageing
            )
        )
    notes = []
    if any(sum(point.counted for point in each.points) > 1 and each.best is not None for each in series):
        notes.append(_BEST_NOTE if quantity.better == "higher" else _BEST_NOTE_LOWER)
    if any(
        point.change_from_first is not None and point.change_from_first.chance_improved is not None
        for each in series
        for point in each.points
    ):
        notes.append(_CHANCE_NOTE)
    if ageing is not None:
        notes.append(_AGEING_NOTES[ageing.model.design])
    return Trend(subject_id, quantity.key, quantity.unit, tuple(series), tuple(notes))


def why_not_counted(point: TrendPoint) -> list[str]:
    """Why a point is left out of change, a sentence each; nothing where it counts."""
    reasons = []
    if point.effort == "submaximal":
        reasons.append("The effort was submaximal.")
    if point.has_error:
        reasons.append("An error finding stands on this result.")
    return reasons


def _series(
    quantity: Quantity,
    members: Sequence[TrendPoint],
    typical_error: TypicalErrorUsed | None,
    worthwhile: SmallestWorthwhileChange | None,
    absolute_typical_error: TypicalErrorUsed | None,
    include_all: bool,
    reference: Reference | None,
    ageing: AgeingAsked | None,
) -> TrendSeries:
    def change(earlier: TrendPoint | None, later: TrendPoint) -> Change | None:
        if earlier is None:
            return None
        return change_between(
            quantity,
            earlier,
            later,
            typical_error=typical_error,
            smallest_worthwhile_change=worthwhile,
            absolute_typical_error=absolute_typical_error,
        )

    first: TrendPoint | None = None
    previous: TrendPoint | None = None
    trended = []
    for point in members:
        reasons = why_not_counted(point)
        if reasons and not include_all:
            reasons.append("It is left out of change, slope and best.")
            trended.append(TrendedPoint(point, False, None, None, (*reasons, *point.notes)))
            continue
        trended.append(
            TrendedPoint(point, True, change(first, point), change(previous, point), (*reasons, *point.notes))
        )
        first, previous = first or point, point
    trended = _with_band_changes(trended, reference)
    expected = None
    if ageing is not None:
        expected, trended = _with_ageing(quantity, trended, ageing, typical_error)
    counted = [each for each in trended if each.counted]
    years, values = (
        [each.point.instant_s / _YEAR_S for each in counted],
        [each.point.value for each in counted],
    )
    slope = slope_per_year(years, values, typical_error=typical_error)
    robust = theil_sen_per_year(years, values)
    returning = None
    if (
        counted
        and reference is not None
        and typical_error is not None
        and counted[0].point.basis == "measured"
    ):
        spread = reference.spread_of(counted[0].point)
        if spread is not None:
            returning = regression_to_mean(counted[0].point.value, spread, typical_error)
    notes = _series_notes(quantity, counted, slope, robust, typical_error)
    if returning is not None and returning.extreme:
        notes.append(returning.sentence(quantity))
    if expected is not None and expected.reason is not None:
        notes.append(f"No expected line: {expected.reason}")
    detectable = None if first is None or typical_error is None else typical_error.around(first.value)
    return TrendSeries(
        mode=members[0].mode,
        basis=members[0].basis,
        protocol_family=members[0].protocol_family,
        points=tuple(trended),
        typical_error=typical_error,
        smallest_worthwhile_change=worthwhile,
        minimal_detectable_change_95=(
            None
            if first is None or typical_error is None
            else minimal_detectable_change_95(typical_error, first.value)
        ),
        detectable_low=None if detectable is None else detectable[0],
        detectable_high=None if detectable is None else detectable[1],
        slope=slope,
        theil_sen=robust,
        first=counted[0] if counted else None,
        best=_best(quantity, counted),
        latest=counted[-1] if counted else None,
        expected=expected,
        regression_to_mean=returning,
        notes=tuple(notes),
    )


def _with_band_changes(points: Sequence[TrendedPoint], reference: Reference | None) -> list[TrendedPoint]:
    """The points; one that ranks in another age band than the one before says what that does to its percentile."""
    answer: list[TrendedPoint] = []
    banded: TrendPoint | None = None
    for each in points:
        point, before = each.point, banded
        if point.age_band is not None:
            banded = point
        if before is None or point.age_band in {None, before.age_band} or before.norm_id != point.norm_id:
            answer.append(each)
            continue
        note = f"The age band changed from {before.age_band} to {point.age_band} years since the test of {before.date}"
        there = None
        if point.percentile is None:
            note += "."
        else:
            note += ": part of the change in percentile is the band."
            if reference is not None and before.age_years is not None:
                there = reference.percentile_at(point, before.age_years)
            if there is not None:
                note += (
                    f" In the band {before.age_band} the same value would be at the percentile {there:.0f}, "
                    f"not {point.percentile:.0f}."
                )
        answer.append(replace(each, notes=(*each.notes, note), percentile_in_previous_band=there))
    return answer


def _with_ageing(
    quantity: Quantity,
    points: Sequence[TrendedPoint],
    asked: AgeingAsked,
    typical_error: TypicalErrorUsed | None,
) -> tuple[Expected, list[TrendedPoint]]:
    """The line of the model, and the points with what it expects of each."""
    counted = [each for each in points if each.counted]
    start = _best(quantity, counted) if asked.start == "best" else counted[0] if counted else None
    if start is None:
        return Expected(asked.model, asked.start, None, "There is no counted test to start from."), list(
            points
        )
    origin = start.point
    person = AgedPerson(asked.sex, origin.mode, origin.body_mass_kg, origin.height_cm)
    found = expected_with_age(
        asked.model,
        person,
        start_age_years=origin.age_years,
        start_value=origin.value,
        ages_years=[each.point.age_years for each in points],
    )
    at_start = found[points.index(start)]
    if isinstance(at_start, str):
        return Expected(asked.model, asked.start, origin, at_start), list(points)
    answer = []
    for each, expected in zip(points, found, strict=True):
        if isinstance(expected, str):
            answer.append(replace(each, notes=(*each.notes, f"Nothing is expected: {expected}")))
        elif each is start or not each.counted:
            answer.append(replace(each, expected_value=expected))
        else:
            low, high = interval_of_change(expected, each.point.value, typical_error) or (None, None)
            answer.append(
                replace(
                    each,
                    expected_value=expected,
                    difference_from_expected=each.point.value - expected,
                    difference_ci_low=low,
                    difference_ci_high=high,
                )
            )
    return Expected(asked.model, asked.start, origin, None), answer


def _best(quantity: Quantity, counted: Sequence[TrendedPoint]) -> TrendedPoint | None:
    if not counted or quantity.better is None:
        return None
    choose = max if quantity.better == "higher" else min
    return choose(counted, key=lambda each: each.point.value)


def _series_notes(
    quantity: Quantity,
    counted: Sequence[TrendedPoint],
    slope: Slope | None,
    robust: RobustSlope | None,
    typical_error: TypicalErrorUsed | None,
) -> list[str]:
    notes = []
    if typical_error is None and counted:
        notes.append("No typical error is known for this quantity: changes have no interval.")
    if slope is None:
        if counted:
            notes.append("No slope: it needs two counted tests at different times.")
        return notes
    if slope.error is None:
        notes.append(
            f"The slope has no interval: without a typical error it needs {POINTS_FOR_RESIDUAL_SD} points."
        )
    else:
        what = (
            "the typical error"
            if slope.error_from == "typical_error"
            else "the scatter of the points about the line, which is larger than the typical error"
            if typical_error is not None
            else "the scatter of the points about the line"
        )
        notes.append(f"The interval of the slope rests on {what} ({_error_shown(quantity, slope.error)}).")
    if robust is not None and robust.ci_low is None:
        notes.append(
            f"The Theil-Sen slope has no 95 % interval: it needs {LEAST_FOR_ROBUST_INTERVAL} points at different times that "
            "are not all equal."
        )
    if len({(each.point.convention, each.point.effective_window_s) for each in counted}) > 1:
        notes.append("The points were not all averaged the same way, which can tilt the slope.")
    return notes


def _error_shown(quantity: Quantity, error: float) -> str:
    """An error with one digit more than the values it belongs to."""
    return f"{error:,.{quantity.decimals + 1}f} {quantity.unit}".rstrip()
