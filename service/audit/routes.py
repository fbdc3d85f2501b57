"""The audit over HTTP: an admin's alone, since its content has names and birth dates."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request, Response

from service.audit import queries
from service.audit.schemas import AuditEntryOut
from service.http.cursors import Cursor, Limit, Page, after, next_cursor, whole_number
from service.http.dependencies import Admin, StoreDependency
from service.http.wire import InstantWithOffset

router = APIRouter(prefix="/v1/audit", tags=["audit"])

_Name = Annotated[str | None, Query(max_length=200)]


@router.get("")
def list_audit(
    request: Request,
    response: Response,
    principal: Admin,
    store: StoreDependency,
    actor: _Name = None,
    kind: _Name = None,
    id: _Name = None,  # noqa: A002 the field's name
    subject_id: _Name = None,
    action: Literal["created", "changed", "deleted"] | None = None,
    from_: Annotated[InstantWithOffset | None, Query(alias="from")] = None,
    to: InstantWithOffset | None = None,
    limit: Limit = 50,
    cursor: Cursor = None,
) -> Page[AuditEntryOut]:
    """Who did what to which record when, the newest first, with what was there before and what came."""
    del principal
    before_seq = after(request, cursor, whole_number)
    given = {"actor": actor, "kind": kind, "id": id, "subject_id": subject_id, "action": action}
    with store.read() as session:
        found = queries.listed(
            session,
            filters={name: value for name, value in given.items() if value is not None},
            from_at=from_,
            to_at=to,
            before_seq=before_seq,
            limit=limit,
        )
    key = [found[limit - 1].seq] if len(found) > limit else None
    return Page(items=found[:limit], next=next_cursor(request, response, key))
