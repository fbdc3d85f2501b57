"""Reads of how large a record is; nothing is committed here."""

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import Change, ExerciseTest, Subject, Visit


def size_bytes(session: Session) -> int:
    """How large the database is, without what SQLite keeps beside it while it is in use."""
    if session.get_bind().dialect.name == "sqlite":
        pages = session.scalar(sa.text("PRAGMA page_count"))
        return int(pages) * int(session.scalar(sa.text("PRAGMA page_size")))
    return int(session.scalar(sa.select(sa.func.pg_database_size(sa.func.current_database()))) or 0)


def counts(session: Session) -> dict[str, int]:
    """How many people, visits and tests there are."""
    return {
        words: session.scalar(sa.select(sa.func.count()).select_from(model)) or 0
        for words, model in (("people", Subject), ("visits", Visit), ("tests", ExerciseTest))
    }


def last_change(session: Session) -> int:
    """Number of the last change of the feed."""
    return session.scalar(sa.select(sa.func.max(Change.seq))) or 0
