"""What goes over the wire about a link to a chart."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field, model_validator

from service.analysis.series import Mode
from service.http.wire import Answer, InstantWithOffset, IsoDate, LongText, ShortText, WholeNumber, Wire


class LinkIn(Wire):
    """A wish for a link: to which chart, and until when; without a time, for 30 days."""

    address: Annotated[LongText, Field(min_length=1, max_length=1000)] = Field(
        description="Address of the chart: /v1/subjects/{id}/trends/{quantity} or /v1/tests/{id}/charts/{chart}, with its "
        "query; `format` svg (default) or png."
    )
    days: Annotated[WholeNumber, Field(ge=1)] | None = Field(None, description="How many days it works.")
    expires_at: InstantWithOffset | None = Field(None, description="When it ends, in the place of `days`.")

    @model_validator(mode="after")
    def _one_end(self) -> "LinkIn":
        if self.days is not None and self.expires_at is not None:
            raise ValueError("give days or expires_at, not both")
        return self


class TrendQuery(Wire):
    """The query of a trend's chart."""

    mode: Mode | None = None
    basis: Literal["measured", "estimated", "reported"] | None = None
    since: IsoDate | None = Field(None, alias="from")
    until: IsoDate | None = Field(None, alias="to")
    norm: ShortText | None = None
    include: Literal["all"] | None = None
    expected: ShortText | None = None
    expected_from: Literal["first", "best"] = "first"
    format: Literal["svg", "png"] = "svg"


class ChartQuery(Wire):
    """The query of a test's chart."""

    format: Literal["svg", "png"] = "svg"


class LinkOut(Answer):
    """A link, without its token."""

    id: str
    subject_id: str
    address: str
    created_by: str
    created_at: datetime
    expires_at: datetime
    revoked_at: datetime | None


class NewLinkOut(LinkOut):
    """A link just made; its address is in this answer and nowhere else."""

    url: str
