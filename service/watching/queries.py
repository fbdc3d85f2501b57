"""Reads for those who watch tests; nothing is written here."""

import json
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import ApiKey, Change, ChangePayload, WebSession
from service.db.transactions import now

#: What a change of a test is told as, by the names in its payload.
_PARTS = {
    "stage_notes": "stage_notes",
    "marks": "marks",
    "intervals": "intervals",
    "intervals_posted": "intervals",
    "file": "intervals",
    "after": "test",
    "exclusions": "exclusions",
    "calibrations": "calibrations",
    "thresholds": "thresholds",
    "reported_results": "reported_results",
}
#: Parts whose content goes along: all others are read where they are wanted.
_CARRIED = ("stage_notes", "marks")


@dataclass(frozen=True, slots=True)
class Noted:
    """One change of a test.

    Attributes
    ----------
    seq : int
        In the feed of changes.
    test_id : str
    at : datetime
    changed : tuple of str
        Names of what changed; empty once an erasure has emptied the change.
    content : dict
        What was sent, of the parts whose content goes along.
    """

    seq: int
    test_id: str
    at: datetime
    changed: tuple[str, ...]
    content: dict[str, Any]


def noted_since(session: Session, test_ids: Collection[str], since: int, *, limit: int) -> list[Noted]:
    """Changes of these tests after `since`, in the order of commits."""
    rows = session.execute(
        sa.select(Change.seq, Change.id, Change.at, ChangePayload.payload)
        .outerjoin(ChangePayload, ChangePayload.seq == Change.seq)
        .where(Change.kind == "test", Change.id.in_(list(test_ids)), Change.seq > since)
        .order_by(Change.seq)
        .limit(limit)
    )
    return [_noted(row) for row in rows]


def _noted(row: Any) -> Noted:
    payload: dict[str, Any] = json.loads(row.payload or "{}")
    changed = dict.fromkeys(_PARTS[name] for name in payload if name in _PARTS)
    content = {name: payload[name] for name in _CARRIED if name in payload}
    return Noted(row.seq, row.id, row.at, tuple(changed), content)


def allowed(session: Session, key_ids: Sequence[int], digests: Sequence[str]) -> tuple[set[int], set[str]]:
    """Which of these keys, and which of these secrets and sessions of browsers, still hold."""
    holds = sa.and_(
        ApiKey.revoked_at.is_(None), sa.or_(ApiKey.expires_at.is_(None), ApiKey.expires_at > now())
    )
    keys = session.scalars(sa.select(ApiKey.id).where(ApiKey.id.in_(key_ids), holds)).all()
    secrets = sa.select(ApiKey.digest).where(ApiKey.digest.in_(digests), holds)
    replaced = sa.select(ApiKey.previous_digest).where(
        ApiKey.previous_digest.in_(digests), ApiKey.previous_until > now(), holds
    )
    signed_in = (
        sa.select(WebSession.digest)
        .join(ApiKey, ApiKey.id == WebSession.api_key_id)
        .where(WebSession.digest.in_(digests), WebSession.expires_at > now(), holds)
    )
    return set(keys), set(session.scalars(sa.union_all(secrets, replaced, signed_in)).all())
