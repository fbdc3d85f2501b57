"""What goes over the wire about a cohort."""

from datetime import date, datetime
from typing import Any

from pydantic import Field, model_validator

from service.http.wire import Answer, IsoDate, LongText, ShortText, Wire


class CohortIn(Wire):
    """A new cohort."""

    name: ShortText
    notes: LongText | None = None
    effort_rules: ShortText | None = Field(
        None, description="Rule set of effort for its members' tests; null leaves it to the site."
    )


class CohortPatch(Wire):
    """Changes of a cohort; a field left out stays as it is."""

    name: ShortText | None = None
    notes: LongText | None = None
    effort_rules: ShortText | None = None

    @model_validator(mode="after")
    def _named(self) -> "CohortPatch":
        if "name" in self.model_fields_set and self.name is None:
            raise ValueError("name cannot be taken away")
        return self


class MemberIn(Wire):
    """A subject of a cohort."""

    subject_id: ShortText
    arm: ShortText | None = None
    joined_on: IsoDate | None = None
    left_on: IsoDate | None = None

    @model_validator(mode="after")
    def _in_order(self) -> "MemberIn":
        if self.joined_on is not None and self.left_on is not None and self.left_on < self.joined_on:
            raise ValueError("left_on lies before joined_on")
        return self


class MemberOut(Answer):
    """A subject of a cohort."""

    subject_id: str
    arm: str | None
    joined_on: date | None
    left_on: date | None


class CohortOut(Answer):
    """A cohort with its members."""

    id: str
    name: str
    notes: str | None
    effort_rules: str | None
    created_at: datetime
    members: list[MemberOut]


class LeftOutResult(Answer):
    """A result that is not counted, and why."""

    subject_id: str
    code: str
    arm: str | None
    round: str | None
    date: date
    test_id: str | None
    visit_id: str
    value: float
    reason: str


class RoundOut(Answer):
    """What the members of one arm had in one round; `sd` with n - 1, the interval of the mean is 95 %."""

    round: str
    arm: str | None
    n: int
    mean: float | None
    sd: float | None
    ci_low: float | None
    ci_high: float | None
    median: float | None
    q1: float | None
    q3: float | None
    missing: int
    reason: str | None


class CohortSummaryOut(Answer):
    """A quantity in each round and arm. Means of two rounds are of different members; a change has its own address."""

    cohort_id: str
    quantity: str
    unit: str
    mode: str | None
    basis: str | None
    method: str | None
    quantile_rule: str
    rounds: list[RoundOut]
    left_out: list[LeftOutResult]
    notes: list[str]


class EstimateOut(Answer):
    """A number with its 95 % interval."""

    value: float | None
    ci_low: float | None
    ci_high: float | None
    df: float | None
    reason: str | None


class MissingMember(Answer):
    """A member who is not in a paired change, and why."""

    subject_id: str
    code: str
    reason: str


class ArmChangeOut(Answer):
    """Paired change within one arm: members with a counted value in both rounds, and nobody else."""

    arm: str | None
    n: int
    mean: float | None
    sd: float | None
    ci_low: float | None
    ci_high: float | None
    df: float | None
    percent: float | None
    percent_ci_low: float | None
    percent_ci_high: float | None
    from_mean: float | None
    to_mean: float | None
    parts: dict[str, EstimateOut] | None
    missing: list[MissingMember]
    reason: str | None


class ComparedOut(EstimateOut):
    """One arm against the reference."""

    arm: str | None
    reference_arm: str | None
    percent: float | None
    percent_ci_low: float | None
    percent_ci_high: float | None


class AdjustedOut(ComparedOut):
    """One arm against the reference at the same baseline."""

    slope: EstimateOut
    slope_difference: EstimateOut


class ResponseOut(ComparedOut):
    """How much members differ in their response; below zero where the reference arm varies more."""

    shown: bool | None
    sentence: str | None


class ComparisonOut(Answer):
    """One arm against the reference."""

    difference: ComparedOut
    baseline_adjusted: AdjustedOut
    individual_response_sd: ResponseOut


class MemberLineOut(Answer):
    """One member between two rounds; `true_change` is about this one person and its error of measurement."""

    subject_id: str
    code: str
    arm: str | None
    from_test_id: str | None
    from_date: date
    from_value: float
    to_test_id: str | None
    to_date: date
    to_value: float
    change: float
    change_beyond_reference: float | None
    true_change: dict[str, Any]


class CohortChangeOut(ComparisonOut):
    """What became of the members between two rounds."""

    cohort_id: str
    quantity: str
    unit: str
    mode: str | None
    basis: str | None
    method: str | None
    from_round: str
    to_round: str
    arms: list[ArmChangeOut]
    reference_arm: str | None
    comparisons: list[ComparisonOut]
    percent_reason: str | None
    members: list[MemberLineOut] | None
    typical_error: dict[str, Any] | None
    left_out: list[LeftOutResult]
    notes: list[str]
