"""The audit as it goes over the wire."""

from datetime import datetime
from typing import Any, Literal

from service.http.wire import Answer


class AuditEntryOut(Answer):
    """One entry. `content` is what was there before and what came; null where an erasure emptied it, with the reason."""

    seq: int
    at: datetime
    actor: str
    kind: str
    id: str
    subject_id: str | None
    action: Literal["created", "changed", "deleted"]
    content: dict[str, Any] | None
    reason: str | None
    hash: str
