"""The feed of changes over HTTP."""

from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Query

from service.changes import queries
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


@router.get("", responses={410: {"description": "That part of the feed is no longer kept"}})
def list_changes(
    principal: Reader,
    store: StoreDependency,
    since: Annotated[int, Query(ge=0, le=2**62, description="The last seq already seen.")] = 0,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> ChangesOut:
    """What changed after `since`, in the order of commits; a key limited to subjects sees theirs.

    410 where the feed no longer has what came after `since`; `next_since` of that answer is the end of the feed.
    """
    with store.read() as session:
        queries.check_kept(session, since)
        rows = queries.after(session, principal, since, limit=limit)
    items = [
        ChangeOut.model_validate({name: getattr(row, name) for name in ChangeOut.model_fields})
        for row in rows[:limit]
    ]
    return ChangesOut(items=items, next_since=items[-1].seq if items else since, more=len(rows) > limit)
