"""One quantity of one person over the years: series, changes, slope and best."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from service.analysis.change import (
    Change,
    SmallestWorthwhileChange,
    TrendPoint,
    TypicalErrorUsed,
    change_between,
    minimal_detectable_change_95,
    quantile_95,
    typical_error_for,
)
from service.quantities import Quantity

__all__ = ["Slope", "Trend", "TrendPoint", "TrendSeries", "TrendedPoint", "build_trend", "slope_per_year"]

_YEAR_S = 365.25 * 86400
#: Points from which the scatter about the line may replace the typical error.
POINTS_FOR_RESIDUAL_SD = 4

_BEST_NOTE = "The best of several noisy tests lies above what the person can repeat: it is biased upward."
_BEST_NOTE_LOWER = "The best of several noisy tests lies below what the person can repeat: it flatters."
_CHANCE_NOTE = (
    "A chance is about this person's true change, under a flat prior; it says nothing about a group or about what "
    "caused the change."
)


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
    """

    point: TrendPoint
    counted: bool
    change_from_first: Change | None
    change_from_previous: Change | None
    notes: tuple[str, ...]

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
            "percentile": point.percentile,
            "percentile_low": point.percentile_low,
            "percentile_high": point.percentile_high,
            "norm_id": point.norm_id,
            "percent_of_median": point.percent_of_median,
            "percent_of_predicted": point.percent_of_predicted,
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
    best : TrendedPoint or None
        Best counted point; None where no direction is better.
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
    best: TrendedPoint | None
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        slope, best, worthwhile = self.slope, self.best, self.smallest_worthwhile_change
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
            "best": None if best is None else best.point.value,
            "best_test_id": None if best is None else best.point.test_id,
            "best_date": None if best is None else best.point.date,
            "notes": list(self.notes),
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
    """

    subject_id: str | None
    quantity: str
    unit: str
    series: tuple[TrendSeries, ...]
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "subject_id": self.subject_id,
            "quantity": self.quantity,
            "unit": self.unit,
            "series": [series.as_dict() for series in self.series],
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


def build_trend(
    quantity: Quantity,
    points: Sequence[TrendPoint],
    *,
    typical_error: TypicalErrorUsed | Mapping[str | None, TypicalErrorUsed] | None,
    smallest_worthwhile_change: (
        SmallestWorthwhileChange | Mapping[str | None, SmallestWorthwhileChange] | None
    ) = None,
    absolute_typical_error: TypicalErrorUsed | None = None,
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
        series.append(_series(quantity, members, error, worthwhile, absolute_typical_error, include_all))
    notes = []
    if any(sum(point.counted for point in each.points) > 1 and each.best is not None for each in series):
        notes.append(_BEST_NOTE if quantity.better == "higher" else _BEST_NOTE_LOWER)
    if any(
        point.change_from_first is not None and point.change_from_first.chance_improved is not None
        for each in series
        for point in each.points
    ):
        notes.append(_CHANCE_NOTE)
    return Trend(subject_id, quantity.key, quantity.unit, tuple(series), tuple(notes))


def _why_not_counted(point: TrendPoint) -> list[str]:
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
        reasons = _why_not_counted(point)
        if reasons and not include_all:
            reasons.append("It is left out of change, slope and best.")
            trended.append(TrendedPoint(point, False, None, None, (*reasons, *point.notes)))
            continue
        trended.append(
            TrendedPoint(point, True, change(first, point), change(previous, point), (*reasons, *point.notes))
        )
        first, previous = first or point, point
    counted = [each for each in trended if each.counted]
    slope = slope_per_year(
        [each.point.instant_s / _YEAR_S for each in counted],
        [each.point.value for each in counted],
        typical_error=typical_error,
    )
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
        best=_best(quantity, counted),
        notes=tuple(_series_notes(quantity, counted, slope, typical_error)),
    )


def _best(quantity: Quantity, counted: Sequence[TrendedPoint]) -> TrendedPoint | None:
    if not counted or quantity.better is None:
        return None
    choose = max if quantity.better == "higher" else min
    return choose(counted, key=lambda each: each.point.value)


def _series_notes(
    quantity: Quantity,
    counted: Sequence[TrendedPoint],
    slope: Slope | None,
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
    if len({(each.point.convention, each.point.effective_window_s) for each in counted}) > 1:
        notes.append("The points were not all averaged the same way, which can tilt the slope.")
    return notes


def _error_shown(quantity: Quantity, error: float) -> str:
    """An error with one digit more than the values it belongs to."""
    return f"{error:,.{quantity.decimals + 1}f} {quantity.unit}".rstrip()
