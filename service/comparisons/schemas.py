"""What goes over the wire about two tests beside each other."""

from datetime import date
from typing import Any, Literal

from pydantic import Field

from service.http.wire import Answer


class TestCompared(Answer):
    """One of the two tests, and what its numbers were made with."""

    __test__ = False

    test_id: str
    date: date
    mode: str
    shape: str | None
    protocol_id: str | None
    effort: str | None
    body_mass_kg: float | None
    vo2_peak_ml_min: float | None = Field(description="What the percent of peak is of.")
    analysis_version: str
    provisional: bool
    n_warnings: int = Field(description="Findings of its analysis that ask for a look, and errors.")
    settings: dict[str, Any]


class ResultCompared(Answer):
    """One result of both tests, in the unit that stands beside it."""

    quantity: str
    label: str
    unit: str
    first: float | None
    second: float | None
    difference: float | None = Field(description="Second less first.")
    percent: float | None
    ci_low: float | None = Field(description="95 % interval of the difference.")
    ci_high: float | None
    verdict: Literal["improved", "declined", "within_error", "unclear"] | None
    first_method: str | None
    second_method: str | None
    typical_error: dict[str, Any] | None
    reason: str | None = Field(description="Why there is no difference, or why it is unclear.")
    parts: dict[str, Any] | None = Field(
        description="Of a change per body mass: what came of uptake and of mass."
    )
    notes: list[str]


class CurveOut(Answer):
    """What one test read, as far as it goes."""

    along: list[float]
    values: list[float | None]


class PointCompared(Answer):
    """Both tests at one place, in the units of the axis and of the channel."""

    along: float
    speed_km_h: float | None = Field(description="Of a stage that both tests have.")
    grade_percent: float | None
    label: str | None = Field(description="The two in words.")
    first: float
    second: float
    difference: float
    percent: float | None
    ci_low: float | None
    ci_high: float | None
    beyond_error: bool | None = Field(
        description="Whether the interval excludes 0; null without a typical error and between unlike protocols."
    )
    first_between_stages: bool
    second_between_stages: bool


class ChannelCompared(Answer):
    """One channel of both tests along one axis."""

    channel: str
    label: str
    unit: str
    first: CurveOut | None
    second: CurveOut | None
    points: list[PointCompared]
    typical_error: dict[str, Any] | None
    error_reason: str | None
    reason: str | None
    notes: list[str]


class CurvesOut(Answer):
    """All channels along one axis."""

    against: Literal["work_rate", "percent_of_peak"]
    along: str | None = Field(
        description="work_rate_w, speed_km_h, grade_percent, stage (of the same speed and grade) or percent_of_peak."
    )
    unit: str | None
    channels: list[ChannelCompared]
    reason: str | None
    notes: list[str]


class ComparisonMethod(Answer):
    """How the curves were made."""

    version: str
    text: str
    sources: list[str]


class ComparisonOut(Answer):
    """Two tests of one person, the earlier first."""

    subject_id: str
    first: TestCompared
    second: TestCompared
    differences: list[str] = Field(description="What was not the same at the two tests.")
    results: list[ResultCompared]
    work_rate: CurvesOut
    percent_of_peak: CurvesOut
    method: ComparisonMethod
    notes: list[str]


class ComparisonRow(Answer):
    """One number of both tests as a flat row; its fields are the columns of the CSV form, in this order; new ones come last."""

    subject_id: str
    first_test_id: str
    second_test_id: str
    first_date: date
    second_date: date
    against: Literal["result", "work_rate", "percent_of_peak"]
    along_quantity: str | None
    along: float | None
    along_unit: str | None
    label: str | None
    quantity: str
    unit: str
    first: float | None
    second: float | None
    difference: float | None
    percent: float | None
    ci_low: float | None
    ci_high: float | None
    verdict: str | None
    beyond_error: bool | None
    first_between_stages: bool | None
    second_between_stages: bool | None
    notes: str
