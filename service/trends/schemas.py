"""What goes over the wire about results over time."""

import datetime as dt
from typing import Any, Literal

from pydantic import Field

from service.http.wire import Answer
from service.subjects.schemas import NextTestDue


class TrendedQuantity(Answer):
    """A quantity that a subject has results of."""

    quantity: str
    n: int
    first_date: dt.date
    last_date: dt.date
    modes: list[str]


class TrendEvent(Answer):
    """What happened to the person or at the site in the time of the tests."""

    event_id: str
    of: Literal["person", "site"]
    kind: str
    started_on: dt.date
    ended_on: dt.date | None
    title: str
    device: str | None


class TrendOut(Answer):
    """A trend: one series for each mode, basis and protocol family."""

    subject_id: str | None
    quantity: str
    unit: str
    series: list[dict[str, Any]]
    events: list[TrendEvent]
    next_test_due: NextTestDue
    notes: list[str]


class TrendRow(Answer):
    """One point of a trend as a flat row; its fields are the columns of the CSV form, in this order; new ones come last."""

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
    age_band: str | None
    is_first: bool
    is_best: bool
    is_latest: bool
    percentile_in_previous_band: float | None
    expected_value: float | None
    difference_from_expected: float | None
    difference_ci_low: float | None
    difference_ci_high: float | None
    change_from_first_chance_improved: float | None
    change_from_first_chance_declined: float | None
    change_from_previous_chance_improved: float | None
    change_from_previous_chance_declined: float | None
    notes: str = Field(
        description="What must be said beside the point and its change from the point before, as one text."
    )


class AgeingModelOut(Answer):
    """A model of what age alone does to a quantity."""

    id: str
    label: str
    quantities: list[str]
    form: Literal["difference", "ratio"]
    design: Literal["cross_sectional", "longitudinal", "rule_of_thumb"]
    modes: list[str] = Field(description="Empty: any.")
    sexes: list[str]
    age_low_years: float
    age_high_years: float
    applies_to: str
    source: str
    trust: str
    needs: list[str]


class DetectableOut(Answer):
    """The least change that is beyond error with so many tests averaged each time."""

    tests_before: int
    tests_after: int
    rise: float
    fall: float
    rise_percent: float | None
    fall_percent: float | None


class WantedOut(Answer):
    """How many tests a change needs."""

    change: float
    chance_asked: float
    tests_each_time: int | None
    chance: float | None = Field(description="That a true change of that size is seen with so many.")
    chance_with_one: float | None
    reason: str | None


class PlannedSeries(Answer):
    """What further tests of one series could show."""

    mode: str | None
    basis: str
    protocol_family: str | None
    latest: float | None
    latest_test_id: str | None
    latest_date: dt.date | None
    typical_error: dict[str, Any] | None
    smallest_worthwhile_change: dict[str, Any] | None
    detectable: list[DetectableOut]
    wanted: WantedOut | None
    reason: str | None = Field(description="Why nothing can be said.")


class PlanningOut(Answer):
    """What further tests of a person could show, one answer a series."""

    subject_id: str
    quantity: str
    unit: str
    series: list[PlannedSeries]
    next_test_due: NextTestDue
    notes: list[str]
    source: str
