"""Reads of the tests that may be set beside each other; nothing is written here."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import ExerciseTest, Visit
from service.visits.queries import in_own_offset


@dataclass(frozen=True, slots=True)
class ComparableTest:
    """One test of a person, as far as choosing it needs.

    Attributes
    ----------
    instant : datetime
        When it began, else when its visit did.
    day : date
        On the calendar of its place.
    verifies : bool
        Whether it is a verification bout of another test.
    """

    test_pk: int
    test_id: str
    instant: datetime
    day: date
    mode: str
    shape: str | None
    protocol_id: str | None
    purpose: str
    status: str
    verifies: bool


def tests_of(session: Session, subject_pk: int) -> Sequence[ComparableTest]:
    """The tests of a subject in order of time, void ones left out."""
    rows = session.execute(
        sa.select(ExerciseTest, Visit)
        .join(Visit, Visit.id == ExerciseTest.visit_id)
        .where(Visit.subject_id == subject_pk, ExerciseTest.status != "void")
        .order_by(Visit.started_at, ExerciseTest.started_at, ExerciseTest.id)
    )
    return [
        ComparableTest(
            test_pk=test.id,
            test_id=test.public_id,
            instant=test.started_at or visit.started_at,
            day=in_own_offset(visit).date(),
            mode=test.mode,
            shape=test.shape,
            protocol_id=test.protocol_key,
            purpose=test.purpose,
            status=test.status,
            verifies=test.verifies_test_id is not None,
        )
        for test, visit in rows
    ]
