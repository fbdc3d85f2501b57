"""What goes over the wire about an import."""

from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, model_validator

from service.exercise_tests.schemas import Mode, Purpose, Shape, StopReason
from service.http.wire import Answer, Number, Seconds, ShortText, Wire


class ColumnIn(Wire):
    """What a column is; without a unit that of the header counts."""

    quantity: ShortText
    unit: ShortText | None = None


class ImportOptions(Wire):
    """How a file is to be read; what the file says itself need not be repeated."""

    mode: Mode | None = Field(None, description="Needed, unless `test_id` names the test.")
    shape: Shape | None = None
    purpose: Purpose | None = Field(
        None, description="Maximal where left out; with `verifies_test_id` verification."
    )
    protocol_id: ShortText | None = None
    columns: Annotated[dict[str, ColumnIn | None], Field(max_length=300)] | None = Field(
        None, description="Header to quantity and unit; null leaves a column out."
    )
    sheet: ShortText | None = None
    time_marks: Literal["end", "start"] | None = None
    volume_condition: Literal["btps", "atps", "stpd"] | None = None
    decimal_mark: Literal[".", ","] | None = None
    exercise_start_s: Seconds | None = None
    exercise_end_s: Seconds | None = None
    rows: tuple[Number, Number] | None = Field(None, description="First and last second of the part to read.")
    stop_reason: StopReason | None = None
    verifies_test_id: ShortText | None = None
    test_id: ShortText | None = Field(
        None, description="A planned or recording test of the visit to attach the file to."
    )
    offset_s: Annotated[Number, Field(ge=-100_000, le=100_000)] | None = None

    @model_validator(mode="after")
    def _enough(self) -> "ImportOptions":
        if self.mode is None and self.test_id is None:
            raise ValueError("mode is needed: treadmill, cycle, arm, row, ski, step, walk or run")
        start, end = self.exercise_start_s, self.exercise_end_s
        if start is not None and end is not None and end <= start:
            raise ValueError("exercise_end_s must be later than exercise_start_s")
        return self


class ImportOut(Answer):
    """What was read, and the test it became."""

    test_id: str | None
    existing: bool
    columns: list[dict[str, Any]]
    rows: int
    findings: list[dict[str, Any]]
    analysis_url: str | None
    first_rows: list[dict[str, Any]] | None = Field(
        None, description="Only of a dry run: the first rows as read."
    )


class TemplateColumnOut(Answer):
    """A column to fill in."""

    model_config = ConfigDict(from_attributes=True)

    name: str = Field(description="The header.")
    unit: str = Field(description="In the line below the header; empty where there is none.")
    meaning: str
    needed: bool


class ImportTemplateOut(Answer):
    """A table to fill in, read without a question."""

    model_config = ConfigDict(from_attributes=True)

    name: str
    title: str
    use: str
    columns: list[TemplateColumnOut]
