"""What goes over the wire about a person's rights."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field

from service.http.wire import Answer, Flag, InstantWithOffset, LongText, ShortText, Wire

Purpose = Literal["testing", "research", "sharing", "contact"]
#: Why data are erased: words of our own and no free text, since the entry stays when the person is gone.
Basis = Literal["asked_by_person", "consent_withdrawn", "retention_ended", "entered_by_mistake", "other"]


class ConsentIn(Wire):
    """What a person allows, or takes back: `withdrawn_at` ends the consent to this purpose that stands."""

    purpose: Purpose
    given_at: InstantWithOffset | None = Field(
        None, description="When it was given; with `withdrawn_at` not needed."
    )
    withdrawn_at: InstantWithOffset | None = None
    note: LongText | None = Field(None, description="For example where the signed form is kept.")


class ConsentOut(Answer):
    """One consent."""

    id: str
    purpose: Purpose
    given_at: datetime
    withdrawn_at: datetime | None
    note: str | None


class RestrictionIn(Wire):
    """Whether the data are only kept: they are then left out of every export."""

    restricted: Flag
    reason: ShortText


class RightsOut(Answer):
    """What stands of a person's consents and restriction.

    `left_out_of_exports` says why their data go into no export; null where they do.
    """

    subject_id: str
    restricted: bool
    restricted_at: datetime | None
    restricted_by: str | None
    reason: str | None
    left_out_of_exports: str | None
    consents: list[ConsentOut]


class ErasureIn(Wire):
    """An erasure, which cannot be undone: the code of the person is typed once more."""

    code: Annotated[ShortText, Field(description="Code of the person, to be sure that it is this one.")]
    basis: Basis


class ErasureOut(Answer):
    """What was erased, and what this service cannot reach."""

    subject_id: str
    erased: dict[str, int]
    audit_entries_emptied: int
    file_overwritten: bool
    remaining: list[str]
