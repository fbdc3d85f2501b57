"""What goes over the wire about a recording."""

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from service.exercise_tests.schemas import (
    Mode,
    PhaseName,
    Purpose,
    StageNoteIn,
    Status,
    StopReason,
)
from service.http.wire import (
    Answer,
    Flag,
    InstantWithOffset,
    LongText,
    Number,
    WholeNumber,
    Wire,
    within_hard_limit,
)

MarkKind = Literal["clock_started", "stage_started", "stage_held", "stage_resumed", "exercise_ended"]

_OF_A_STAGE = ("phase", "stage", "work_rate_w", "speed_km_h", "grade_percent")
_OF_THE_END = ("stop_reason", "stop_note")


class MarkIn(Wire):
    """A moment of the recording."""

    kind: MarkKind
    at: InstantWithOffset | None = Field(
        None, description="When it happened, by the clock of the service; the present where it is left out."
    )
    phase: PhaseName | None = None
    stage: Annotated[WholeNumber, Field(ge=0, le=10_000)] | None = None
    work_rate_w: Annotated[Number | None, within_hard_limit("work_rate_w")] = None
    speed_km_h: Annotated[Number | None, within_hard_limit("speed_km_h")] = None
    grade_percent: Annotated[Number | None, within_hard_limit("grade_percent")] = None
    stop_reason: StopReason | None = None
    stop_note: LongText | None = None
    counts: Flag = Field(True, description="false: the mark is taken back; it stays in the record.")

    @model_validator(mode="after")
    def _goes_with_its_kind(self) -> "MarkIn":
        if self.kind == "stage_started" and self.phase is None:
            raise ValueError("a stage needs its phase: rest, warm_up, exercise or recovery")
        for kind, names in (("stage_started", _OF_A_STAGE), ("exercise_ended", _OF_THE_END)):
            given = [name for name in names if getattr(self, name) is not None]
            if given and self.kind != kind:
                raise ValueError(f"{given[0]} belongs to the kind {kind}")
        return self


class MarkOut(Answer):
    """A moment of the recording, as stored."""

    seq: int
    kind: MarkKind
    at: datetime
    time_s: float | None = Field(description="On the clock of the test.")
    phase: PhaseName | None
    stage: int | None
    work_rate_w: float | None
    speed_km_h: float | None
    grade_percent: float | None
    stop_reason: StopReason | None
    stop_note: str | None
    counts: bool
    by: str


class StepOut(Answer):
    """One step of the protocol, numbered as the notes of a stage are."""

    phase: PhaseName
    stage: int | None = Field(description="From 1 in exercise; null elsewhere.")
    duration_s: float
    work_rate_w: float | None
    speed_km_h: float | None
    grade_percent: float | None
    cadence_per_min: float | None
    ramp_w_per_min: float | None


class RecordingOut(Answer):
    """A recording as it stands: all that a second screen needs to show it."""

    test_id: str
    status: Status
    mode: Mode
    purpose: Purpose
    protocol_id: str | None
    protocol_name: str | None
    server_time: datetime = Field(description="When this was read, by the clock of the service.")
    seq: int = Field(description="Where the feed of changes ended then.")
    clock_started_at: datetime | None = Field(description="Zero of the clock of the test.")
    exercise_start_s: float | None
    exercise_end_s: float | None
    stop_reason: StopReason | None
    stop_note: str | None
    steps: list[StepOut] = Field(description="Of the protocol, in order; empty where there is none.")
    marks: list[MarkOut]
    stage_notes: list[StageNoteIn]
    n_intervals: int
    last_interval: dict[str, Any] | None
