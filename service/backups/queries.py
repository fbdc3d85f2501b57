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
        When it was begun.
    path : Path
        As it was named when the copy was made; it may have been taken elsewhere since.
    size_bytes : int
    """

    at: datetime
    path: Path
    size_bytes: int


def note_backup(transaction: Transaction, path: Path, begun_at: datetime) -> None:
    """Note in the audit that a checked copy was made; the copy itself, made before, has no such entry.

    Parameters
    ----------
    path : Path
    begun_at : datetime
        What was committed later may be missing in the copy.
    """
    told = {
        "path": str(path.resolve()),
        "size_bytes": path.stat().st_size,
        "begun_at": begun_at.isoformat(),
    }
    transaction.changed(_KIND, path.name, action="created", payload=told)


def last_noted(session: Session) -> NotedBackup | None:
    """The last copy that was noted."""
    row = session.execute(
        sa.select(ChangePayload.payload)
        .select_from(Change)
        .join(ChangePayload, ChangePayload.seq == Change.seq)
        .where(Change.kind == _KIND)
        .order_by(Change.seq.desc())
        .limit(1)
    ).one_or_none()
    if row is None:
        return None
    told = json.loads(row.payload)
    return NotedBackup(datetime.fromisoformat(told["begun_at"]), Path(told["path"]), told["size_bytes"])


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
