"""What goes over the wire about results over time."""

import datetime as dt
from typing import Any

from service.http.wire import Answer


class TrendedQuantity(Answer):
    """A quantity that a subject has results of."""

    quantity: str
    n: int
    first_date: dt.date
    last_date: dt.date
    modes: list[str]


class TrendOut(Answer):
    """A trend: one series for each mode, basis and protocol family."""

    subject_id: str | None
    quantity: str
    unit: str
    series: list[dict[str, Any]]


class TrendRow(Answer):
    """One point of a trend as a flat row; its fields are the columns of the CSV form, in this order."""

    subject_id: str | None
    quantity: str
    unit: str
    mode: str | None
    basis: str
    protocol_family: str | None
    test_id: str | None
    visit_id: str
    date: dt.date
    age_years: float | None
    value: float
    value_absolute: float | None
    body_mass_kg: float | None
    method: str
    effort: str | None
    counted: bool
    percentile: float | None
    percentile_low: float | None
    percentile_high: float | None
    norm_id: str | None
    percent_of_median: float | None
    percent_of_predicted: float | None
    change_from_first_absolute: float | None
    change_from_first_percent: float | None
    change_from_first_ci_low: float | None
    change_from_first_ci_high: float | None
    change_from_first_verdict: str | None
    change_from_previous_absolute: float | None
    change_from_previous_percent: float | None
    change_from_previous_ci_low: float | None
    change_from_previous_ci_high: float | None
    change_from_previous_verdict: str | None
