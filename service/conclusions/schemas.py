"""What goes over the wire about a conclusion."""

from datetime import datetime
from typing import Annotated

from pydantic import AfterValidator, Field

from service.db.transactions import now
from service.http.wire import Answer, InstantWithOffset, LongText, ShortText, Wire


def _not_later(value: datetime | None) -> datetime | None:
    if value is not None and value > now():
        raise ValueError("lies in the future")
    return value


def _some(value: str) -> str:
    if not value.strip():
        raise ValueError("must not be blank")
    return value


class ConclusionIn(Wire):
    """A conclusion: a draft without `signed_at`, signed with it."""

    text: Annotated[LongText, AfterValidator(_some)]
    author: ShortText
    credentials: ShortText | None = Field(None, description="What allows the author to sign, by local rules.")
    signed_at: Annotated[InstantWithOffset | None, AfterValidator(_not_later)] = Field(
        None, description="With it the conclusion is signed and frozen; a later one is an amendment."
    )


class ConclusionOut(Answer):
    """One version of a conclusion."""

    version: int
    text: str
    author: str
    credentials: str | None
    signed_at: datetime | None
    written_at: datetime
    amends: int | None = Field(description="The signed version that this one amends.")


class ConclusionsOut(Answer):
    """The conclusion of a test, the newest version first; nothing that was signed is lost."""

    test_id: str
    versions: list[ConclusionOut]
    analysis_changed_since_signature: bool | None = Field(
        description="Whether the analysis of today differs from the one that was signed; null where none was."
    )
