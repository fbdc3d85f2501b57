"""What goes over the wire about the control of devices."""

import datetime as dt
from typing import Annotated, Literal

from pydantic import Field, model_validator

from service.exercise_tests.schemas import Mode
from service.http.wire import (
    Answer,
    InstantWithOffset,
    IsoDate,
    LongText,
    Number,
    ShortText,
    Wire,
    within_hard_limit,
)
from service.quantities import QUANTITIES


class ControlMeasurementIn(Wire):
    """One quantity of a known person at a set load."""

    subject_id: ShortText
    taken_at: InstantWithOffset
    device: ShortText = Field(description="As it is written in the analyser or ergometer of tests.")
    mode: Mode
    work_rate_w: Annotated[Number | None, within_hard_limit("work_rate_w")] = None
    speed_km_h: Annotated[Number | None, within_hard_limit("speed_km_h")] = None
    grade_percent: Annotated[Number | None, within_hard_limit("grade_percent")] = None
    quantity: ShortText
    value: Number
    tester: ShortText | None = None
    notes: LongText | None = None

    @model_validator(mode="after")
    def _of_a_channel(self) -> "ControlMeasurementIn":
        quantity = QUANTITIES.get(self.quantity)
        if quantity is None or "interval" not in quantity.kinds:
            raise ValueError(
                "quantity is none that is measured during exercise, such as vo2_ml_min, vco2_ml_min or ve_l_min"
            )
        if not quantity.possible(self.value):
            raise ValueError(f"value is not possible for {quantity.label.lower()} in {quantity.unit or '1'}")
        return self


class ControlMeasurementOut(Answer):
    """One quantity of a known person at a set load."""

    id: str
    subject_id: str
    taken_at: dt.datetime
    device: str
    mode: str
    work_rate_w: float | None
    speed_km_h: float | None
    grade_percent: float | None
    quantity: str
    value: float
    tester: str | None
    notes: str | None


class ControlMeasurementsOut(Answer):
    """Measurements that were stored."""

    items: list[ControlMeasurementOut]


class BaselineIn(Wire):
    """The days from which the limits of a device's charts are taken."""

    device: ShortText
    from_date: IsoDate
    to_date: IsoDate | None = Field(
        None, description="Where left out, the first ten measurements from `from_date` on."
    )

    @model_validator(mode="after")
    def _in_order(self) -> "BaselineIn":
        if self.to_date is not None and self.to_date < self.from_date:
            raise ValueError("to_date lies before from_date")
        return self


class BaselinesOut(Answer):
    """The stated baselines, by device."""

    items: list[BaselineIn]


class ControlPointOut(Answer):
    """One measurement against the limits."""

    id: str
    on: dt.date
    value: float
    moving_range: float | None
    percent_from_mean: float | None
    in_baseline: bool
    beyond_published: bool | None
    signals: list[Literal["beyond_limit", "two_of_three", "four_of_five", "eight_on_one_side"]]


class ShiftOut(Answer):
    """A time in which the device was out of control."""

    signal_on: dt.date
    rules: list[str]
    direction: Literal["above", "below"]
    last_in_control_on: dt.date | None
    ended_on: dt.date | None
    ended_by: Literal["event", "in_control"] | None


class ControlChartOut(Answer):
    """A chart of individual values (Shewhart) with limits from a baseline."""

    key: str = Field(description="Names this chart; give it as `key` for a picture.")
    kind: Literal["biological", "calibration"]
    title: str
    device: str
    subject_id: str | None
    mode: str | None
    work_rate_w: float | None
    speed_km_h: float | None
    grade_percent: float | None
    quantity: str | None
    sensor: str | None = Field(description="`O2`, `CO2` or `volume`, for calibrations.")
    when: str | None
    expected: float | None = Field(description="About which known value, in % of gas or L.")
    label: str
    unit: str
    decimals: int
    n: int
    n_baseline: int
    baseline_from: dt.date | None
    baseline_to: dt.date | None
    mean: float | None
    sd: float | None
    lower_limit: float | None
    upper_limit: float | None
    moving_range_mean: float | None
    moving_range_limit: float | None
    published_low: float | None
    published_high: float | None
    published_rule: str | None
    in_control: bool | None
    points: list[ControlPointOut]
    shifts: list[ShiftOut]
    events: list[dt.date] = Field(description="Days of the site's events about this device.")
    reason: str | None
    notes: list[str]
    rules: dict[str, str]
    source: str
