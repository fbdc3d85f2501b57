"""What goes over the wire about the error of measurement."""

import datetime as dt
from typing import Annotated, Literal

from pydantic import Field

from service.exercise_tests.schemas import Mode
from service.http.wire import Answer, ShortText, WholeNumber, Wire

Basis = Literal["measured", "estimated", "reported"]
#: Days between the two tests of a pair.
WITHIN_DAYS = 14
MOST_DAYS = 366


class PairFlags(Answer):
    """What must be known beside a pair."""

    first_ever: bool = Field(
        description="The earlier test is the person's first in this mode: the later one may show learning."
    )
    outlying: bool = Field(description="By `outlying_rule`; it counts.")
    shares_test: bool = Field(description="The earlier test is the later one of the pair before.")
    differences: list[str] = Field(description="What was not the same at the two tests, a sentence each.")


class PairOut(Answer):
    """Two tests of one person."""

    subject_id: str
    first_test_id: str
    second_test_id: str
    first_date: dt.date
    second_date: dt.date
    days: int
    order: int = Field(description="Which of the person's tests in this mode the earlier one is, from 1.")
    mode: str
    basis: str
    protocol_id: str | None
    first_value: float
    second_value: float
    difference: float
    percent: float | None
    counted: bool
    reason: str | None = Field(description="Why it is not counted.")
    flags: PairFlags


class LearningOut(Answer):
    """The mean difference in a part of the pairs."""

    which: str = Field(
        description="`first_ever`, `later`, or `order_1` (first test against second) and so on."
    )
    n: int
    mean_difference: float | None
    mean_difference_ci_low: float | None
    mean_difference_ci_high: float | None
    reason: str | None


class ReliabilityOut(Answer):
    """What repeat pairs say about the error of measurement; intervals are 95 %."""

    quantity: str
    unit: str
    mode: str | None
    basis: str | None
    within_days: int
    cohort_id: str | None
    n_pairs: int = Field(description="Counted pairs.")
    n_subjects: int
    df: int | None
    df_effective: float | None = Field(
        description="Degrees of freedom the intervals use: fewer where pairs share a test."
    )
    mean_difference: float | None = Field(description="Later less earlier.")
    mean_difference_ci_low: float | None
    mean_difference_ci_high: float | None
    mean_difference_percent: float | None
    mean_difference_percent_ci_low: float | None
    mean_difference_percent_ci_high: float | None
    learning: list[LearningOut]
    typical_error: float | None = Field(description="SD of the differences divided by sqrt 2.")
    typical_error_ci_low: float | None
    typical_error_ci_high: float | None
    cv_percent: float | None
    cv_percent_ci_low: float | None
    cv_percent_ci_high: float | None
    minimal_detectable_change_95: float | None = Field(description="1.96 sqrt 2 typical errors.")
    minimal_detectable_change_95_ci_low: float | None
    minimal_detectable_change_95_ci_high: float | None
    minimal_detectable_change_95_t: float | None = Field(description="The same with Student's t.")
    minimal_detectable_change_95_t_ci_low: float | None
    minimal_detectable_change_95_t_ci_high: float | None
    minimal_detectable_change_95_percent: float | None
    minimal_detectable_change_95_percent_ci_low: float | None
    minimal_detectable_change_95_percent_ci_high: float | None
    icc_2_1: float | None
    icc_2_1_ci_low: float | None
    icc_2_1_ci_high: float | None
    icc_3_1: float | None
    icc_3_1_ci_low: float | None
    icc_3_1_ci_high: float | None
    agreement_low: float | None = Field(description="Lower limit of agreement.")
    agreement_low_ci_low: float | None
    agreement_low_ci_high: float | None
    agreement_high: float | None
    agreement_high_ci_low: float | None
    agreement_high_ci_high: float | None
    growth_with_mean: float | None = Field(
        description="Rank correlation of the size of the differences with the mean of the pair."
    )
    growth_with_mean_ci_low: float | None
    growth_with_mean_ci_high: float | None
    grows_with_mean: bool | None
    outlying_rule: str
    reasons: dict[str, str] = Field(description="Why what is null is null, by name.")
    notes: list[str]
    adoptable: bool = Field(description="Whether the site may take this as its own typical error.")
    pairs: list[PairOut]


class TypicalErrorPut(Wire):
    """Which pairs the site's own typical error is taken from."""

    cohort_id: ShortText | None = None
    mode: Mode | None = None
    basis: Basis | None = None
    within_days: Annotated[WholeNumber, Field(ge=0, le=MOST_DAYS)] = WITHIN_DAYS
    include: Literal["all"] | None = None


class OwnTypicalErrorOut(Answer):
    """The site's own."""

    value: float
    scale: Literal["log", "linear"]
    df: float
    n_pairs: int
    source: str


class PublishedTypicalErrorOut(Answer):
    """The published default of the registry."""

    value: float
    scale: Literal["log", "linear"]
    source: str


class TypicalErrorOut(Answer):
    """The typical error of a quantity: what is used, and where it comes from."""

    quantity: str
    unit: str = Field(
        description="`%` (a coefficient of variation) on the log scale, else that of the quantity."
    )
    used: Literal["own", "published"] | None
    own: OwnTypicalErrorOut | None
    published: PublishedTypicalErrorOut | None
