"""Standing: where a peak lies among people of the same sex and age, and against predictions for body size.

Percentile rank here is the per cent of the reference population with a lower value (the first of the three definitions in
crawford_2009; for a measured value that has no ties the three agree). Between tabulated percentiles of one band it is read
linearly, which is this project's choice: the published tables say nothing of it. Outside the lowest or highest tabulated
percentile a rank is a bound, never a number.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from math import erf, exp, hypot, log, log1p, sqrt
from typing import Any, Literal

from service.analysis.plain import record_dict
from service.analysis.series import Person
from service.errors import InvalidContent
from service.methods.catalogue import METHODS
from service.methods.method import Method
from service.reference.tables import Band, NormTable

__all__ = (
    "PERCENTILE_DEFINITION",
    "NormTable",
    "Predicted",
    "Rank",
    "band_between_subject_sd",
    "equations_of",
    "predict_all",
    "predict_one",
    "rank",
    "rank_all",
)

PERCENTILE_DEFINITION = (
    "Per cent of the reference population with a lower value, linear between tabulated percentiles."
)

#: 75th less 25th percentile of a normal distribution, in standard deviations (value from memory).
QUARTILE_SPAN_SD = 1.349
#: Ends between which a normal approximation is taken at its word; beyond them it gives a bound.
_SUMMARY_ENDS = (1.0, 99.0)

_VO2_PER_MASS = "vo2_peak_ml_kg_min"
_VO2_ABSOLUTE = "vo2_peak_ml_min"
_HEART_RATE = "heart_rate_max_bpm"
#: One-sided 5 % point of the normal distribution.
_Z_5_PERCENT = 1.645

Reference = Literal["population_table", "population_summary", "median_only", "predicted_for_body_size"]


@dataclass(frozen=True, slots=True)
class Rank:
    """Where a value stands by one norm.

    Attributes
    ----------
    norm_id : str
        Id of the table; of the method for ``predicted_for_body_size``.
    reference : {"population_table", "population_summary", "median_only", "predicted_for_body_size"}
    percentile : float or None
        Per cent of the population below.
    percentile_low, percentile_high : float or None
        One typical error either side; None where that end lies outside the tabulated percentiles.
    bound : {"below", "above"} or None
        Outside the lowest or highest tabulated percentile (of medians only: below or above the median).
    percent_of_median, percent_of_predicted : float or None
    z : float or None
        Standard deviations from the mean, or standard errors from the prediction.
    age_band : str or None
        As printed: 20-29, completed years.
    n : int or None
        People in the band.
    reason : str or None
        Why there is no percentile; None where there is one.
    source : str
        Citation key, or the text of a site.
    population : str
        Whom the norm covers.
    notes : tuple of str
        What must be said beside it.
    """

    norm_id: str
    reference: Reference
    percentile: float | None = None
    percentile_low: float | None = None
    percentile_high: float | None = None
    bound: Literal["below", "above"] | None = None
    percent_of_median: float | None = None
    percent_of_predicted: float | None = None
    z: float | None = None
    age_band: str | None = None
    n: int | None = None
    reason: str | None = None
    source: str = ""
    population: str = ""
    notes: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return record_dict(self) | {"notes": list(self.notes)}


@dataclass(frozen=True, slots=True)
class Predicted:
    """What one equation predicts for a person, and how the test compares.

    Attributes
    ----------
    method, quantity, unit : str
    value : float or None
        None where the equation does not apply.
    percent_of_predicted, z : float or None
        `z` is (observed - predicted) / `see`.
    see : float or None
        Published standard error of the estimate.
    lower_limit : float or None
        `value` - 1.645 `see`: below it lie 5 % of the people the equation is for, if the error is normal.
    applies : bool
    reason : str or None
        Why it does not apply, or what is missing.
    source : str
        Citation key.
    """

    method: str
    quantity: str
    value: float | None
    unit: str
    percent_of_predicted: float | None
    z: float | None
    see: float | None
    lower_limit: float | None
    applies: bool
    reason: str | None
    source: str

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return record_dict(self)


def rank(
    table: NormTable,
    *,
    sex: str | None,
    age_years: float | None,
    age_low_years: float | None = None,
    age_high_years: float | None = None,
    value_ml_kg_min: float | None,
    rer: float | None = None,
    typical_error_fraction: float | None = None,
    mode: str | None = None,
    rer_required: bool = True,
    estimated: bool = False,
    standard_error_ml_kg_min: float | None = None,
) -> Rank:
    """Where a value stands in one table.

    Parameters
    ----------
    table : NormTable
    sex : {"female", "male"} or None
    age_years : float or None
        Decimal age on the day of the test.
    age_low_years, age_high_years : float, optional
        The possible ages where only a birth year is kept.
    value_ml_kg_min : float or None
        VO2peak per body mass.
    rer : float, optional
        Highest ratio of the test, for tables with an effort criterion.
    typical_error_fraction : float, optional
        Typical error as a coefficient of variation, 0.05 for 5 %.
    mode : str, optional
        Mode of the test; not compared with the table's where left out.
    rer_required : bool
        Whether an unknown ratio counts as a criterion not met. False for looking a value up in a table by hand.
    estimated : bool
        Whether the value was estimated, not measured.
    standard_error_ml_kg_min : float, optional
        Standard error of an estimated value; widens the interval.

    Returns
    -------
    Rank
        `reason` says why there is no percentile.
    """
    blank = Rank(table.id, table.reference, source=table.source, population=table.population)
    reason = _no_standing(table, sex, age_years, value_ml_kg_min, rer, mode, rer_required=rer_required)
    if reason is not None or sex is None or age_years is None or value_ml_kg_min is None:
        return replace(blank, reason=reason)
    band = table.band(sex, age_years)
    ends = [table.band(sex, age) for age in (age_low_years, age_high_years) if age is not None]
    if any(end is not band for end in ends):
        return replace(blank, reason=_either_band(table, age_low_years, age_high_years))
    if band is None:
        return replace(blank, reason=_outside_ages(table, sex, age_years))
    notes = []
    if rer is None and table.effort_criterion is not None:
        notes.append(f"The table holds for tests with {table.effort_criterion}; that was not looked at.")
    if estimated:
        notes.append("The value was estimated; the table is of measured ones.")
    median = band.median(age_years)
    found = replace(
        blank,
        age_band=band.label,
        n=band.n,
        percent_of_median=None if median is None else 100 * value_ml_kg_min / median,
        notes=tuple(notes),
    )
    if table.reference == "median_only":
        return _against_median(found, value_ml_kg_min, median)
    low, high = _interval(value_ml_kg_min, typical_error_fraction, standard_error_ml_kg_min)
    if estimated and standard_error_ml_kg_min is None:
        low = high = None
    if table.reference == "population_summary":
        return _in_summary(found, band, value_ml_kg_min, low, high)
    return _in_table(found, band, value_ml_kg_min, low, high)


def _no_standing(
    table: NormTable,
    sex: str | None,
    age_years: float | None,
    value: float | None,
    rer: float | None,
    mode: str | None,
    *,
    rer_required: bool,
) -> str | None:
    """Why a test has no standing in a table, before its band is looked for."""
    if mode is not None and mode != table.mode:
        return f"The table is for {table.mode}, the test is {mode}."
    if value is None:
        return "There is no peak per body mass: the uptake or the body mass is not known."
    if sex is None:
        return "No sex is recorded for the reference table."
    if age_years is None:
        return "The age is not known: there is no birth date, birth year or age."
    if table.rer_least is None or (rer is None and not rer_required):
        return None
    if rer is None:
        return f"The table holds for tests with {table.effort_criterion}; this test has no RER."
    if rer < table.rer_least:
        return f"The table holds for tests with {table.effort_criterion}; this one reached {_cut(rer)}."
    return None


def _cut(rer: float) -> str:
    """A ratio cut, not rounded, so that 1.0996 does not read as the 1.10 it missed."""
    return f"{int(rer * 100) / 100:.2f}"


def _either_band(table: NormTable, low: float | None, high: float | None) -> str:
    ages = " to ".join(f"{age:.1f}" for age in (low, high) if age is not None)
    return (
        f"Only the birth year is kept: the age may be {ages}, which is not one band of {table.name}. With the birth date "
        "there would be a rank."
    )


def _outside_ages(table: NormTable, sex: str, age_years: float) -> str:
    bands = [band for band in table.bands if band.sex == sex]
    if not bands:
        return f"The table has no values for {sex}."
    low = min(band.age_low_years for band in bands)
    high = max(band.age_high_years for band in bands)
    return f"The table covers {low} to {high} completed years; the age is {int(age_years * 10) / 10:.1f}."


def _interval(
    value: float, fraction: float | None, standard_error: float | None
) -> tuple[float, float] | tuple[None, None]:
    """One error either side on the log scale; (None, None) where no typical error is given."""
    if fraction is None or value <= 0:
        return None, None
    spread = hypot(log1p(fraction), log1p((standard_error or 0.0) / value))
    return exp(log(value) - spread), exp(log(value) + spread)


def _against_median(found: Rank, value: float, median: float | None) -> Rank:
    reason = "Only medians of this population could be had, so there is no percentile."
    if median is None or value == median:
        return replace(found, reason=reason)
    return replace(found, reason=reason, bound="above" if value > median else "below")


def _in_table(found: Rank, band: Band, value: float, low: float | None, high: float | None) -> Rank:
    lowest, highest = band.percentiles[0], band.percentiles[-1]
    ends: dict[str, Any] = {
        "percentile_low": _percentile(band, low),
        "percentile_high": _percentile(band, high),
    }
    percentile = _percentile(band, value)
    if percentile is not None:
        return replace(found, percentile=percentile, **ends)
    if value < band.values_ml_kg_min[0]:
        reason = f"Below the lowest tabulated percentile, the {lowest:g}th; it is not extrapolated."
        return replace(found, bound="below", reason=reason, **ends)
    reason = f"Above the highest tabulated percentile, the {highest:g}th; it is not extrapolated."
    return replace(found, bound="above", reason=reason, **ends)


def _percentile(band: Band, value: float | None) -> float | None:
    """Linear between neighbouring tabulated percentiles; None outside them."""
    values, percentiles = band.values_ml_kg_min, band.percentiles
    if value is None or not values[0] <= value <= values[-1]:
        return None
    above = next(index for index, tabulated in enumerate(values) if value <= tabulated)
    if value == values[above]:
        return percentiles[above]
    low, high = values[above - 1], values[above]
    share = (value - low) / (high - low)
    return percentiles[above - 1] + share * (percentiles[above] - percentiles[above - 1])


def _in_summary(found: Rank, band: Band, value: float, low: float | None, high: float | None) -> Rank:
    note = "A normal approximation from a published mean and SD; the mean stands for the median."
    z = _z(band, value)
    found = replace(found, z=z, notes=(*found.notes, note))
    percentile = _normal_percentile(z)
    ends: dict[str, Any] = {
        name: None if end is None else _within_ends(_normal_percentile(_z(band, end)))
        for name, end in (("percentile_low", low), ("percentile_high", high))
    }
    if _within_ends(percentile) is not None:
        return replace(found, percentile=percentile, **ends)
    below = percentile < _SUMMARY_ENDS[0]
    side, end = ("Below", "1st") if below else ("Above", "99th")
    reason = f"{side} the {end} percentile of a normal approximation, which is not trusted so far out."
    return replace(found, bound="below" if below else "above", reason=reason, **ends)


def _z(band: Band, value: float) -> float:
    if band.mean_ml_kg_min is None or band.sd_ml_kg_min is None:  # validated when the table was made
        raise ValueError(f"the band {band.label} has no mean and SD")
    return (value - band.mean_ml_kg_min) / band.sd_ml_kg_min


def _normal_percentile(z: float) -> float:
    return 50 * (1 + erf(z / sqrt(2)))


def _within_ends(percentile: float) -> float | None:
    return percentile if _SUMMARY_ENDS[0] <= percentile <= _SUMMARY_ENDS[1] else None


def rank_all(
    tables: Sequence[NormTable],
    *,
    mode: str | None,
    sex: str | None,
    age_years: float | None,
    age_low_years: float | None = None,
    age_high_years: float | None = None,
    value_ml_kg_min: float | None,
    rer: float | None = None,
    typical_error_fraction: float | None = None,
    predicted: Sequence[Predicted] = (),
    estimated: bool = False,
    standard_error_ml_kg_min: float | None = None,
) -> tuple[Rank, ...]:
    """Where a value stands by every norm of its mode, each with its value or the reason.

    Parameters
    ----------
    tables : sequence of NormTable
        Published and the site's own.
    mode : str or None
        Mode of the test. Where no table is of this mode, every table is listed with that reason.
    sex, age_years, age_low_years, age_high_years, value_ml_kg_min, rer, typical_error_fraction
        As for `rank`.
    predicted : sequence of Predicted
        Answers of `predict_all`; those for VO2max follow as ``predicted_for_body_size``, never with a percentile.
    estimated, standard_error_ml_kg_min
        As for `rank`.

    Returns
    -------
    tuple of Rank
        In the order of `tables`, then of `predicted`.
    """
    of_mode = [table for table in tables if table.mode == mode]
    ranks = tuple(
        rank(
            table,
            sex=sex,
            age_years=age_years,
            age_low_years=age_low_years,
            age_high_years=age_high_years,
            value_ml_kg_min=value_ml_kg_min,
            rer=rer,
            typical_error_fraction=typical_error_fraction,
            mode=mode if mode is not None else "of no stated mode",
            estimated=estimated,
            standard_error_ml_kg_min=standard_error_ml_kg_min,
        )
        for table in of_mode or tables
    )
    return ranks + tuple(
        _against_prediction(one) for one in predicted if one.quantity in {_VO2_PER_MASS, _VO2_ABSOLUTE}
    )


def _against_prediction(one: Predicted) -> Rank:
    why = "Standing against a prediction for body size; it is not a percentile among people."
    return Rank(
        one.method,
        "predicted_for_body_size",
        percent_of_predicted=one.percent_of_predicted,
        z=one.z,
        reason=why if one.applies else f"{why} {one.reason}",
        source=one.source,
        population=METHODS[one.method].validity,
    )


def predict_all(
    person: Person,
    mode: str | None,
    vo2_peak_ml_min: float | None,
    vo2_peak_ml_kg_min: float | None,
    *,
    heart_rate_max_bpm: float | None = None,
) -> tuple[Predicted, ...]:
    """What the equations of the catalogue for VO2max and maximal heart rate predict for a person.

    Parameters
    ----------
    person : Person
    mode : str or None
        Mode of the test; equations of other modes are left out.
    vo2_peak_ml_min, vo2_peak_ml_kg_min, heart_rate_max_bpm : float or None
        What the test found.

    Returns
    -------
    tuple of Predicted
        Every equation for this mode, in the order of the catalogue. One that does not cover the person, or lacks an
        input, has no value and says why: nothing is extrapolated.
    """
    observed = {
        _VO2_PER_MASS: vo2_peak_ml_kg_min,
        _VO2_ABSOLUTE: vo2_peak_ml_min,
        _HEART_RATE: heart_rate_max_bpm,
    }
    return tuple(
        predict_one(method, person, mode, observed[method.quantity])
        for method in equations_of(mode)
        if method.quantity in observed
    )


@cache
def equations_of(mode: str | None) -> tuple[Method, ...]:
    """The equations of the catalogue that predict something for this mode, in the order of the catalogue."""
    return tuple(
        method
        for method in METHODS.values()
        if method.predicts and (not method.modes or mode in method.modes)
    )


def predict_one(method: Method, person: Person, mode: str | None, observed: float | None) -> Predicted:
    """What one equation of the catalogue says of a person.

    Parameters
    ----------
    method : Method
        That predicts.
    person : Person
    mode : str or None
    observed : float or None
        What the test found, in the unit of the method.

    Returns
    -------
    Predicted
        Without a value, and with the reason, where the equation does not cover the person or lacks an input: nothing is
        extrapolated. An input that is kept nowhere is one it lacks.
    """
    known = {
        "sex": person.sex,
        "age_years": person.age_years,
        "body_mass_kg": person.body_mass_kg,
        "height_cm": person.height_cm,
        "vital_capacity_l": person.vital_capacity_l,
        "mode": mode,
    }
    see = method.see(person.sex)

    def without_value(reason: str) -> Predicted:
        return Predicted(
            method.id,
            method.quantity,
            None,
            method.unit,
            None,
            None,
            see,
            None,
            applies=False,
            reason=reason,
            source=method.source,
        )

    inputs = {one.name: known.get(one.name) for one in method.inputs}
    reason = _does_not_apply(method, person, inputs)
    if reason is not None:
        return without_value(reason)
    try:
        answer = method.answer(inputs)
    except InvalidContent as refusal:
        return without_value(refusal.detail)
    if answer.findings or not answer.value:
        return without_value(" ".join(one.message for one in answer.findings) or "It gives no value.")
    lacking = [
        "The test has no value to compare." if observed is None else None,
        None if see is not None else "No standard error is published with the equation, so there is no z.",
    ]
    return Predicted(
        method.id,
        method.quantity,
        answer.value,
        method.unit,
        None if observed is None else 100 * observed / answer.value,
        None if observed is None or see is None else (observed - answer.value) / see,
        see,
        None if see is None else answer.value - _Z_5_PERCENT * see,
        applies=True,
        reason=" ".join(one for one in lacking if one) or None,
        source=method.source,
    )


def _does_not_apply(method: Method, person: Person, inputs: Mapping[str, Any]) -> str | None:
    """Why an equation is not for this person."""
    if missing := [name for name, value in inputs.items() if value is None]:
        return f"It needs {', '.join(missing)}."
    if set(method.sexes) != {"female", "male"}:
        if person.sex is None:
            return "It needs sex."
        if person.sex not in method.sexes:
            return f"It is for {'women' if method.sexes[0] == 'female' else 'men'}."
    if method.ages is not None:
        if person.age_years is None:
            return "It needs age_years."
        if not method.ages[0] <= person.age_years <= method.ages[1]:
            return f"It is for {method.ages[0]:.0f} to {int(method.ages[1])} years."
    if method.quantity == _HEART_RATE and person.limits_heart_rate:
        return "A medication limits heart rate."
    return None


def band_between_subject_sd(table: NormTable, sex: str, age_years: float) -> float | None:
    """Between-subject SD of the band a person belongs to, for the smallest worthwhile change.

    Parameters
    ----------
    table : NormTable
    sex : {"female", "male"}
    age_years : float

    Returns
    -------
    float or None
        mL/kg/min: (p75 - p25)/1.349, which holds for a normal distribution, or the published SD of a summary. None where
        the table does not cover the person or has medians only.
    """
    band = table.band(sex, age_years)
    if band is None:
        return None
    if band.sd_ml_kg_min is not None:
        return band.sd_ml_kg_min
    quartiles = band.quartiles()
    return None if quartiles is None else (quartiles[1] - quartiles[0]) / QUARTILE_SPAN_SD
