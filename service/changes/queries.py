"""Reads of the feed of changes. `seq` is the order of commits, and a session reads one snapshot."""

from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import Change, Subject
from service.db.transactions import chained_hash
from service.errors import Gone
from service.http.keys import Principal

#: Kinds that concern keys and what was opened with them: for an admin alone.
OF_KEYS = ("key", "session", "link")


def check_kept(session: Session, since: int) -> None:
    """Refuse a place in the feed that the record no longer has, before or behind what is kept.

    Raises
    ------
    Gone
        Changes after `since` were taken out of the feed, or `since` lies behind its end: the record was restored from
        an older copy, and its numbers come a second time. `next_since` of the answer is the end of the feed.
    """
    oldest = session.scalars(sa.select(Change).order_by(Change.seq).limit(1)).one_or_none()
    newest = session.scalar(sa.select(sa.func.max(Change.seq))) or 0
    if since > newest:
        raise Gone(
            f"The feed ends at {newest}, before {since}: this record was restored from an older copy. Read anew what "
            f"you need, and go on from {newest}.",
            extra={"next_since": newest},
        )
    # A number may be left out where a transaction was undone; that the beginning is kept is in the chain.
    if oldest is not None and since < oldest.seq - 1 and not _is_the_first(oldest):
        raise Gone(
            f"The feed is kept from {oldest.seq} on, and you ask from {since}. Read anew what you need, and go on from "
            f"{newest}.",
            extra={"next_since": newest},
        )


def _is_the_first(change: Change) -> bool:
    """Whether nothing came before: then the hash is chained to nothing."""
    return change.hash == chained_hash(
        "",
        at=change.at,
        actor=change.actor,
        kind=change.kind,
        id=change.id,
        subject_id=change.subject_id,
        action=change.action,
        digest=change.payload_digest,
    )


def after(session: Session, principal: Principal, since: int, *, limit: int) -> Sequence[Change]:
    """Changes after `since` that this key may see, one more than `limit` where there are more."""
    statement = sa.select(Change).where(Change.seq > since).order_by(Change.seq).limit(limit + 1)
    if principal.scope != "admin":
        statement = statement.where(Change.kind.not_in(OF_KEYS))
    if principal.subject_ids is not None:
        own = sa.select(Subject.public_id).where(Subject.id.in_(principal.subject_ids))
        statement = statement.where(Change.subject_id.in_(own))
    return session.scalars(statement).all()
