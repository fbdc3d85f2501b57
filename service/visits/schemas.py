"""What goes over the wire about a visit."""

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from service.http.wire import (
    Answer,
    Flag,
    InstantWithOffset,
    LongText,
    Number,
    ShortText,
    Wire,
    within_hard_limit,
)


class Medication(Wire):
    """A medication of the day; whether it limits heart rate decides what heart rate may be used for."""

    name: ShortText
    dose: ShortText | None = None
    taken_at: InstantWithOffset | None = None
    limits_heart_rate: Flag


class VisitFields(Wire):
    """What may be known of a visit."""

    round: ShortText | None = None
    site: ShortText | None = None
    tester: ShortText | None = None
    age_years: Annotated[Number | None, within_hard_limit("age_years")] = Field(
        None, description="Only where no birth date is kept."
    )
    body_mass_kg: Annotated[Number | None, within_hard_limit("body_mass_kg")] = None
    body_mass_source: Literal["measured", "stated"] | None = None
    height_cm: Annotated[Number | None, within_hard_limit("height_cm")] = None
    resting_heart_rate_bpm: Annotated[Number | None, within_hard_limit("resting_heart_rate_bpm")] = None
    resting_systolic_mmhg: Annotated[Number | None, within_hard_limit("resting_systolic_mmhg")] = None
    resting_diastolic_mmhg: Annotated[Number | None, within_hard_limit("resting_diastolic_mmhg")] = None
    resting_spo2_percent: Annotated[Number | None, within_hard_limit("resting_spo2_percent")] = None
    barometric_pressure_mmhg: Annotated[Number | None, within_hard_limit("barometric_pressure_mmhg")] = None
    altitude_m: Annotated[Number | None, within_hard_limit("altitude_m")] = None
    temperature_c: Annotated[Number | None, within_hard_limit("temperature_c")] = None
    relative_humidity_percent: Annotated[Number | None, within_hard_limit("relative_humidity_percent")] = None
    medications: Annotated[list[Medication], Field(max_length=50)] = Field(default_factory=list)
    hours_since_meal: Annotated[Number | None, within_hard_limit("hours_since_meal")] = None
    hours_since_caffeine: Annotated[Number | None, within_hard_limit("hours_since_caffeine")] = None
    hours_since_exercise: Annotated[Number | None, within_hard_limit("hours_since_exercise")] = None
    haemoglobin_g_dl: Annotated[Number | None, within_hard_limit("haemoglobin_g_dl")] = None
    fev1_l: Annotated[Number | None, within_hard_limit("fev1_l")] = None
    vital_capacity_l: Annotated[Number | None, within_hard_limit("vital_capacity_l")] = Field(
        None, description="BTPS."
    )
    mvv_l_min: Annotated[Number | None, within_hard_limit("mvv_l_min")] = None
    history: LongText | None = Field(None, description="Health and training so far, as it was told that day.")
    notes: LongText | None = None


class VisitIn(VisitFields):
    """A new visit."""

    started_at: InstantWithOffset


class VisitPatch(VisitFields):
    """Changes of a visit; a field left out stays as it is."""

    started_at: InstantWithOffset | None = None

    @model_validator(mode="after")
    def _stays(self) -> "VisitPatch":
        if "started_at" in self.model_fields_set and self.started_at is None:
            raise ValueError("started_at cannot be taken away")
        return self


class MeasurementIn(Wire):
    """Another fitness measurement: its quantity's key says the unit."""

    quantity: ShortText
    value: Number
    note: LongText | None = None


class MeasurementOut(Answer):
    """A stored measurement."""

    quantity: str
    value: float
    unit: str
    note: str | None


class PreTestAnswer(Wire):
    """One question asked before the test, and its answer."""

    question: ShortText
    answer: LongText


class PreTestIn(Wire):
    """What was asked before the test."""

    answers: Annotated[list[PreTestAnswer], Field(max_length=200)]
    consent_given_at: InstantWithOffset | None = None
    cleared_by: ShortText | None = None


class PreTestOut(Answer):
    """What was asked before the test, as it was answered."""

    answers: list[dict[str, str]]
    consent_given_at: datetime | None
    cleared_by: str | None


class VisitOut(Answer):
    """A visit."""

    id: str
    subject_id: str
    started_at: datetime
    round: str | None
    site: str | None
    tester: str | None
    age_years: float | None
    body_mass_kg: float | None
    body_mass_source: str | None
    height_cm: float | None
    resting_heart_rate_bpm: float | None
    resting_systolic_mmhg: float | None
    resting_diastolic_mmhg: float | None
    resting_spo2_percent: float | None
    barometric_pressure_mmhg: float | None
    altitude_m: float | None
    temperature_c: float | None
    relative_humidity_percent: float | None
    medications: list[Any]
    hours_since_meal: float | None
    hours_since_caffeine: float | None
    hours_since_exercise: float | None
    haemoglobin_g_dl: float | None
    fev1_l: float | None
    vital_capacity_l: float | None
    mvv_l_min: float | None
    history: str | None
    notes: str | None
    measurements: list[MeasurementOut]
    pre_test: PreTestOut
    tests: list[str] = Field(description="Ids of the tests of this visit.")
    cautions: list[dict[str, Any]] = Field(
        description="What in the answers and resting values published lists name. Local rules and licensed practice decide."
    )
