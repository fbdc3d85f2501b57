"""Reads of what an import must know; nothing is committed here."""

from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import ExerciseTest, Visit
from service.errors import InvalidContent, NotFound, Place


def visit(session: Session, visit_pk: int) -> Visit:
    """The visit that a file is imported into."""
    found = session.get(Visit, visit_pk)
    if found is None:
        raise NotFound("The visit was deleted in the meantime.")
    return found


def of_same_bytes(session: Session, visit_pk: int, source_hash: str) -> Sequence[ExerciseTest]:
    """Tests of a visit that came from the same bytes, void ones left out."""
    return session.scalars(
        sa.select(ExerciseTest)
        .where(
            ExerciseTest.visit_id == visit_pk,
            ExerciseTest.source_hash == source_hash,
            ExerciseTest.status != "void",
        )
        .order_by(ExerciseTest.id)
    ).all()


def attached(session: Session, visit_pk: int, test_id: str) -> ExerciseTest:
    """The test of this visit that a file is to be attached to.

    Raises
    ------
    InvalidContent
        There is none with this id in the visit.
    """
    found = session.scalars(
        sa.select(ExerciseTest).where(ExerciseTest.visit_id == visit_pk, ExerciseTest.public_id == test_id)
    ).one_or_none()
    if found is None:
        message = "names no test of this visit"
        raise InvalidContent(f"test_id {message}.", (Place("options.test_id", message, value=test_id),))
    return found
