"""The feed of changes over HTTP."""

from datetime import datetime
from typing import Annotated, Literal

import sqlalchemy as sa
from fastapi import APIRouter, Query

from service.db.models import Change, Subject
from service.http.dependencies import Reader, StoreDependency
from service.http.wire import Answer

router = APIRouter(prefix="/v1/changes", tags=["changes"])


class ChangeOut(Answer):
    """One change."""

    seq: int
    at: datetime
    kind: str
    id: str
    subject_id: str | None
    action: Literal["created", "changed", "deleted"]


class ChangesOut(Answer):
    """A part of the feed; ask again with `since` set to `next_since`."""

    items: list[ChangeOut]
    next_since: int
    more: bool


@router.get("")
def list_changes(
    principal: Reader,
    store: StoreDependency,
    since: Annotated[int, Query(ge=0, le=2**62, description="The last seq already seen.")] = 0,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> ChangesOut:
    """What changed after `since`, in the order of commits; a key limited to subjects sees theirs."""
    statement = sa.select(Change).where(Change.seq > since).order_by(Change.seq).limit(limit + 1)
    if principal.scope != "admin":
        statement = statement.where(Change.kind.not_in(["key", "session"]))
    with store.read() as session:
        if principal.subject_ids is not None:
            own = sa.select(Subject.public_id).where(Subject.id.in_(principal.subject_ids))
            statement = statement.where(Change.subject_id.in_(own))
        rows = session.scalars(statement).all()
    items = [
        ChangeOut.model_validate({name: getattr(row, name) for name in ChangeOut.model_fields})
        for row in rows[:limit]
    ]
    return ChangesOut(items=items, next_since=items[-1].seq if items else since, more=len(rows) > limit)
