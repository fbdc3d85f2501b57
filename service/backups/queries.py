"""What is known of the copies that were made by hand; nothing is committed here."""

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import Change, ChangePayload
from service.db.transactions import Transaction

_KIND = "backup"


@dataclass(frozen=True, slots=True)
class NotedBackup:
    """A copy that was made and checked.

    Attributes
    ----------
    at : datetime
    path : Path
        As it was named when the copy was made; it may have been taken elsewhere since.
    size_bytes : int
    """

    at: datetime
    path: Path
    size_bytes: int


def note_backup(transaction: Transaction, path: Path) -> None:
    """Note in the audit that a checked copy was made; the copy itself, made before, has no such entry."""
    transaction.changed(
        _KIND,
        path.name,
        action="created",
        payload={"path": str(path.resolve()), "size_bytes": path.stat().st_size},
    )


def last_noted(session: Session) -> NotedBackup | None:
    """The last copy that was noted."""
    row = session.execute(
        sa.select(Change.at, ChangePayload.payload)
        .join(ChangePayload, ChangePayload.seq == Change.seq)
        .where(Change.kind == _KIND)
        .order_by(Change.seq.desc())
        .limit(1)
    ).one_or_none()
    if row is None:
        return None
    told = json.loads(row.payload)
    return NotedBackup(row.at, Path(told["path"]), told["size_bytes"])


def changes_since(session: Session, at: datetime) -> int:
    """How many changes a copy of that instant lacks; that a copy was made is none."""
    return (
        session.scalar(
            sa.select(sa.func.count())
            .select_from(Change)
            .where(Change.at > at, Change.kind.not_in((_KIND, "session")))
        )
        or 0
    )
