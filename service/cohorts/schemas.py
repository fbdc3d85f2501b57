"""What goes over the wire about a cohort."""

from datetime import date, datetime

from pydantic import model_validator

from service.http.wire import Answer, IsoDate, LongText, ShortText, Wire


class CohortIn(Wire):
    """A new cohort."""

    name: ShortText
    notes: LongText | None = None


class CohortPatch(Wire):
    """Changes of a cohort; a field left out stays as it is."""

    name: ShortText | None = None
    notes: LongText | None = None

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
    created_at: datetime
    members: list[MemberOut]
