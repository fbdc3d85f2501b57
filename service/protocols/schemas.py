"""What goes over the wire about a protocol."""

from typing import Annotated

from pydantic import Field

from service.exercise_tests.schemas import Mode, PhaseName, Purpose, Shape
from service.http.wire import Answer, Number, ShortText, Wire, within_hard_limit


class StageIn(Wire):
    """One stage; `ramp_w_per_min` is how fast the work rate rises within it."""

    phase: PhaseName
    duration_s: Annotated[Number, Field(gt=0, le=36_000)]
    work_rate_w: Annotated[Number | None, within_hard_limit("work_rate_w")] = None
    speed_km_h: Annotated[Number | None, within_hard_limit("speed_km_h")] = None
    grade_percent: Annotated[Number | None, within_hard_limit("grade_percent")] = None
    cadence_per_min: Annotated[Number | None, within_hard_limit("cadence_per_min")] = None
    ramp_w_per_min: Annotated[Number, Field(gt=-500, le=500)] | None = None


class ProtocolIn(Wire):
    """A site's own protocol."""

    id: Annotated[
        ShortText, Field(pattern=r"^[a-z0-9][a-z0-9_]{1,63}$", description="Stable text of a-z, 0-9 and _.")
    ]
    name: ShortText
    family: ShortText | None = Field(None, description="Tests of one family are compared without a note.")
    mode: Mode
    shape: Shape
    purpose: Purpose = "maximal"
    source: ShortText = Field(description="Where the protocol is from.")
    stages: Annotated[list[StageIn], Field(min_length=1, max_length=200)]


class ProposalIn(Wire):
    """For whom, and in which mode."""

    subject_id: ShortText
    mode: Mode


class ProtocolOut(Answer):
    """A protocol."""

    id: str
    name: str
    family: str | None
    mode: Mode
    shape: Shape
    purpose: Purpose
    source: str
    stages: list[StageIn]
