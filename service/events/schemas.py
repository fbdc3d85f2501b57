"""What goes over the wire about events."""

import datetime as dt
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from service.http.wire import Answer, IsoDate, LongText, ShortText, Wire

#: What happens to a person; our own list.
PersonKind = Literal[
    "illness",
    "injury",
    "operation",
    "medication",
    "training_block",
    "training_pause",
    "competition",
    "altitude_stay",
    "pregnancy",
    "other",
]
#: What happens at the site; our own list.
SiteKind = Literal[
    "device_new",
    "device_service",
    "device_replaced_part",
    "software_update",
    "procedure",
    "staff",
    "room",
    "other",
]
_FIRST_YEAR, _LAST_YEAR = 1900, 2199


def _of_our_time(value: dt.date | None) -> dt.date | None:
    if value is not None and not _FIRST_YEAR <= value.year <= _LAST_YEAR:
        raise ValueError(f"must lie between the years {_FIRST_YEAR} and {_LAST_YEAR}")
    return value


Day = Annotated[IsoDate, AfterValidator(_of_our_time)]


class _EventFields(Wire):
    """What both kinds of event have."""

    started_on: Day
    ended_on: Day | None = Field(None, description="Where it lasted; null for a day, or while it goes on.")
    title: ShortText = Field(
        description="A few words for the chart; everybody who may read the trend sees them."
    )
    notes: LongText | None = None

    @model_validator(mode="after")
    def _in_order(self) -> "_EventFields":
        if self.ended_on is not None and self.ended_on < self.started_on:
            raise ValueError("ended_on lies before started_on")
        return self


class PersonEventIn(_EventFields):
    """A new event of a person."""

    kind: PersonKind


class SiteEventIn(_EventFields):
    """A new event of the site."""

    kind: SiteKind
    device: ShortText | None = Field(
        None, description="What it is about, as it is written in the analyser or ergometer of tests."
    )

    @model_validator(mode="after")
    def _of_a_device(self) -> "SiteEventIn":
        if self.kind.startswith("device_") and self.device is None:
            raise ValueError(f"device is missing; a {self.kind} is about one")
        return self


class EventPatch(Wire):
    """Changes of an event; a field left out stays as it is."""

    kind: PersonKind | SiteKind | None = None
    started_on: Day | None = None
    ended_on: Day | None = None
    title: ShortText | None = None
    device: ShortText | None = None
    notes: LongText | None = None

    @model_validator(mode="after")
    def _stay(self) -> "EventPatch":
        for name in ("kind", "started_on", "title"):
            if name in self.model_fields_set and getattr(self, name) is None:
                raise ValueError(f"{name} cannot be taken away")
        return self


class EventOut(Answer):
    """An event."""

    id: str
    subject_id: str | None = Field(description="Null for an event of the site.")
    kind: str
    started_on: dt.date
    ended_on: dt.date | None
    title: str
    device: str | None
    notes: str | None
    created_at: dt.datetime
