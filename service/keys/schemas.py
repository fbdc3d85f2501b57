"""What goes over the wire about a key."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field

from service.http.wire import Answer, Flag, InstantWithOffset, ShortText, Wire


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


class NewKeyOut(KeyOut):
    """A key just made, with its secret."""

    key: str
