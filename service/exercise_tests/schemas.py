"""What goes over the wire about a test."""

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from service.http.wire import (
    Answer,
    Flag,
    FreeObject,
    InstantWithOffset,
    LongText,
    Number,
    Seconds,
    ShortText,
    WholeNumber,
    Wire,
    within_hard_limit,
)

Mode = Literal["treadmill", "cycle", "arm", "row", "ski", "step", "walk", "run"]
Shape = Literal["step", "ramp", "constant", "field", "other"]
Purpose = Literal["maximal", "submaximal", "verification", "other"]
PhaseName = Literal["rest", "warm_up", "exercise", "recovery"]
Status = Literal["planned", "recording", "complete", "void"]
StopReason = Literal[
    "exhaustion",
    "legs",
    "breath",
    "symptom",
    "target_reached",
    "tester",
    "equipment",
    "subject_request",
    "other",
]
RpeScale = Literal["6-20", "0-10"]
LactateSampleSite = Literal["fingertip", "earlobe", "venous", "arterial", "other"]


class TestFields(Wire):
    """What may be known of a test."""

    __test__ = False

    shape: Shape | None = Field(
        None, description="Inferred from the load where it is not given, and then said."
    )
    protocol_id: ShortText | None = None
    started_at: InstantWithOffset | None = None
    exercise_start_s: Seconds | None = None
    exercise_end_s: Seconds | None = None
    stop_reason: StopReason | None = None
    stop_note: LongText | None = None
    verifies_test_id: ShortText | None = None
    posture: ShortText | None = None
    ergometer: ShortText | None = None
    analyser: ShortText | None = None
    interface: Literal["mask", "mouthpiece"] | None = None
    handrail_support: Flag | None = None
    fio2_fraction: Annotated[Number, Field(ge=0.05, le=1)] | None = None
    recovery_posture: ShortText | None = None
    recovery_active: Flag | None = None
    lactate_sample_site: LactateSampleSite | None = Field(
        None, description="Where blood was taken for the lactate in the stage notes."
    )
    lactate_analyser: ShortText | None = Field(None, description="What lactate was measured with.")
    field_inputs: FreeObject | None = None
    reason_for_test: LongText | None = Field(None, description="Why the test was asked for.")
    rpe_scale: RpeScale | None = Field(
        None, description="The scale of perceived exertion that the person is shown; a note names its own."
    )
    cautions_acknowledged: Annotated[list[ShortText], Field(max_length=100)] | None = Field(
        None, description="Codes of the cautions of the visit that were read before the test was made."
    )
    cautions_acknowledged_by: ShortText | None = None
    cautions_acknowledged_at: InstantWithOffset | None = None
    ecg_recorded: Flag | None = None
    ecg_read_by: ShortText | None = Field(None, description="Who read the ECG; this service reads none.")
    ecg_reading: LongText | None = Field(None, description="What that person wrote about it.")
    notes: LongText | None = None

    @model_validator(mode="after")
    def _marks_in_order(self) -> "TestFields":
        start, end = self.exercise_start_s, self.exercise_end_s
        if start is not None and end is not None and end <= start:
            raise ValueError("exercise_end_s must be later than exercise_start_s")
        return self


class TestIn(TestFields):
    """A new test of a visit; it is planned until something is recorded."""

    mode: Mode
    purpose: Purpose = "maximal"


class TestPatch(TestFields):
    """Changes of a test; a field left out stays as it is."""

    mode: Mode | None = None
    purpose: Purpose | None = None
    status: Literal["complete", "void"] | None = None

    @model_validator(mode="after")
    def _cannot_be_taken_away(self) -> "TestPatch":
        for name in ("mode", "purpose", "status"):
            if name in self.model_fields_set and getattr(self, name) is None:
                raise ValueError(f"{name} cannot be taken away")
        return self


class TestOut(Answer):
    """A test."""

    __test__ = False

    id: str
    visit_id: str
    subject_id: str
    mode: Mode
    shape: Shape | None
    purpose: Purpose
    status: Status
    protocol_id: str | None
    started_at: datetime | None
    exercise_start_s: float | None
    exercise_end_s: float | None
    stop_reason: StopReason | None
    stop_note: str | None
    verifies_test_id: str | None
    posture: str | None
    ergometer: str | None
    analyser: str | None
    interface: str | None
    handrail_support: bool | None
    fio2_fraction: float | None
    recovery_posture: str | None
    recovery_active: bool | None
    lactate_sample_site: LactateSampleSite | None
    lactate_analyser: str | None
    field_inputs: dict[str, Any] | None
    reason_for_test: str | None
    rpe_scale: RpeScale | None
    cautions_acknowledged: list[str] | None
    cautions_acknowledged_by: str | None
    cautions_acknowledged_at: datetime | None
    ecg_recorded: bool | None
    ecg_read_by: str | None
    ecg_reading: str | None
    notes: str | None
    source_name: str | None = Field(description="Name of the imported file.")
    source_sha256: str | None = Field(description="SHA-256 of the imported file.")
    n_intervals: int
    calibrations: list[dict[str, Any]]


class IntervalIn(Wire):
    """One interval or breath. Negative uptake, output and ventilation are refused; other limits give findings."""

    end_s: Annotated[Seconds, Field(gt=0)]
    duration_s: Annotated[Seconds, Field(gt=0)] | None = Field(
        None, description="From the previous end where left out."
    )
    phase: PhaseName | None = None
    stage: Annotated[WholeNumber, Field(ge=0, le=10_000)] | None = None
    vo2_ml_min: Annotated[Number, Field(ge=0, le=1e6)] | None = None
    vco2_ml_min: Annotated[Number, Field(ge=0, le=1e6)] | None = None
    ve_l_min: Annotated[Number, Field(ge=0, le=1e5)] | None = None
    heart_rate_bpm: Annotated[Number, Field(ge=0, le=1e4)] | None = None
    respiratory_rate_per_min: Annotated[Number, Field(ge=0, le=1e4)] | None = None
    work_rate_w: Annotated[Number, Field(ge=0, le=1e5)] | None = None
    speed_km_h: Annotated[Number, Field(ge=0, le=1e3)] | None = None
    grade_percent: Annotated[Number, Field(ge=-100, le=1e3)] | None = None
    feo2_fraction: Annotated[Number, Field(ge=0, le=1)] | None = None
    feco2_fraction: Annotated[Number, Field(ge=0, le=1)] | None = None
    tidal_volume_l: Annotated[Number, Field(ge=0, le=1e3)] | None = None
    peto2_mmhg: Annotated[Number, Field(ge=0, le=1e4)] | None = None
    petco2_mmhg: Annotated[Number, Field(ge=0, le=1e4)] | None = None
    spo2_percent: Annotated[Number, Field(ge=0, le=100)] | None = None
    cadence_per_min: Annotated[Number, Field(ge=0, le=1e4)] | None = None


class IntervalsIn(Wire):
    """Intervals of a test, in the order of their time."""

    intervals: Annotated[list[IntervalIn], Field(max_length=200_000)]


class StageNoteIn(Wire):
    """What was written down at a stage."""

    stage: Annotated[WholeNumber, Field(ge=0, le=10_000)] | None = None
    phase: PhaseName | None = None
    time_s: Seconds | None = None
    work_rate_w: Annotated[Number | None, within_hard_limit("work_rate_w")] = None
    speed_km_h: Annotated[Number | None, within_hard_limit("speed_km_h")] = None
    grade_percent: Annotated[Number | None, within_hard_limit("grade_percent")] = None
    heart_rate_bpm: Annotated[Number | None, within_hard_limit("heart_rate_bpm")] = None
    rpe: Annotated[Number, Field(ge=0, le=20)] | None = None
    rpe_scale: RpeScale | None = None
    rpe_legs: Annotated[Number, Field(ge=0, le=20)] | None = None
    rpe_breathing: Annotated[Number, Field(ge=0, le=20)] | None = None
    systolic_mmhg: Annotated[Number | None, within_hard_limit("systolic_mmhg")] = None
    diastolic_mmhg: Annotated[Number | None, within_hard_limit("diastolic_mmhg")] = None
    lactate_mmol_l: Annotated[Number | None, within_hard_limit("lactate_mmol_l")] = None
    spo2_percent: Annotated[Number | None, within_hard_limit("spo2_percent")] = None
    symptoms: LongText | None = None
    note: LongText | None = None

    @model_validator(mode="after")
    def _on_its_scale(self) -> "StageNoteIn":
        ratings = [rating for rating in (self.rpe, self.rpe_legs, self.rpe_breathing) if rating is not None]
        if self.rpe_scale == "0-10" and any(rating > 10 for rating in ratings):
            raise ValueError("a rating on the scale 0-10 cannot be above 10")
        if self.rpe_scale == "6-20" and any(rating < 6 for rating in ratings):
            raise ValueError("a rating on the scale 6-20 cannot be below 6")
        return self


class ExclusionIn(Wire):
    """A decision about one interval."""

    seq: Annotated[WholeNumber, Field(ge=0)]
    excluded: Flag | None = Field(
        description="true: taken out; false: kept, even where a rule would leave it out; null: the decision is taken back."
    )
    reason: ShortText


class ExclusionOut(Answer):
    """A decision about one interval."""

    seq: int
    excluded: bool = Field(description="Taken out, or kept although a rule would leave it out.")
    by: str
    reason: str
    at: datetime


class CalibrationIn(Wire):
    """A calibration or its check."""

    when: Literal["before", "after"]
    kind: Literal["gas", "volume"]
    expected: Number
    measured: Number
    unit: ShortText
    device: ShortText | None = None


class ThresholdIn(Wire):
    """A threshold as the tester sees it."""

    threshold: Literal["vt1", "vt2", "lt"]
    vo2_ml_min: Annotated[Number | None, within_hard_limit("vo2_ml_min")] = None
    time_s: Seconds | None = None
    by: ShortText
    reason: ShortText


class ReportedResultIn(Wire):
    """A result that came without intervals."""

    quantity: ShortText
    value: Number
    method: ShortText | None = None
    source: ShortText
