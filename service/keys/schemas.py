"""What goes over the wire about a key."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field

from service.http.wire import Answer, Flag, InstantWithOffset, Number, ShortText, Wire


class KeyIn(Wire):
    """A new key."""

    name: ShortText
    scope: Literal["reader", "tester", "admin"]
    subject_codes: Annotated[list[ShortText], Field(max_length=1000)] | None = Field(
        None, description="Codes of the subjects it is limited to; null is no limit."
    )
    identity: Flag = False
    expires_at: InstantWithOffset | None = None


class KeyOut(Answer):
    """A key; the secret itself is shown once, when it is made."""

    name: str
    scope: Literal["reader", "tester", "admin"]
    identity: bool
    subject_codes: list[str] | None
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None
    last_used_at: datetime | None = Field(
        description="To the minute; written down a minute after it was used at the latest."
    )
    previous_until: datetime | None = Field(
        description="Until when the key before the last rotation works; null where there is none."
    )


class RotationIn(Wire):
    """A key in the place of another: how long the one before works on."""

    overlap_hours: Annotated[Number, Field(ge=0, le=24 * 30)] = Field(
        0.0, description="0 ends it, and what was signed in with it, at once."
    )


class NewKeyOut(KeyOut):
    """A key just made, with its secret."""

    key: str
