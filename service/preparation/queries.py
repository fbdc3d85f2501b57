"""Reads of what a test is prepared with; nothing is written here."""

from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import ExerciseTest, Visit

#: More names than this help nobody to choose.
_MOST_NAMES = 30


def last_mode(session: Session, subject_pk: int) -> str | None:
    """The mode of the latest test of a subject."""
    return session.scalar(
        sa.select(ExerciseTest.mode)
        .join(Visit, Visit.id == ExerciseTest.visit_id)
        .where(Visit.subject_id == subject_pk, ExerciseTest.status != "void")
        .order_by(Visit.started_at.desc(), ExerciseTest.id.desc())
        .limit(1)
    )


def devices(session: Session, name: str, subject_pk: int | None) -> Sequence[str]:
    """Ergometers or analysers as they were written down before, the latest first; of one subject, or of all."""
    column = ExerciseTest.__table__.c[name]
    statement = (
        sa.select(column)
        .where(column.is_not(None))
        .group_by(column)
        .order_by(sa.func.max(ExerciseTest.id).desc())
        .limit(_MOST_NAMES)
    )
    if subject_pk is not None:
        statement = statement.join(Visit, Visit.id == ExerciseTest.visit_id).where(
            Visit.subject_id == subject_pk
        )
    return session.scalars(statement).all()


def that_may_be_verified(session: Session, visit_pk: int) -> Sequence[tuple[str, str]]:
    """Ids of the tests of a visit that a verification bout may follow, each with what it is in words."""
    rows = session.execute(
        sa.select(ExerciseTest.public_id, ExerciseTest.mode, ExerciseTest.purpose)
        .where(
            ExerciseTest.visit_id == visit_pk,
            ExerciseTest.purpose != "verification",
            ExerciseTest.status != "void",
        )
        .order_by(ExerciseTest.id)
    )
    return [
        (row.public_id, f"test {number}: {row.purpose}, {row.mode}")
        for number, row in enumerate(rows, start=1)
    ]
