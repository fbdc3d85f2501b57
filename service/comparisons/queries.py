"""Reads of the tests that may be set beside each other; nothing is written here."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import ExerciseTest, Protocol, Visit
from service.reference.protocols import STANDARD_PROTOCOLS
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
    protocol : str or None
        Its name.
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
    protocol: str | None
    purpose: str
    status: str
    verifies: bool


def tests_of(session: Session, subject_pk: int) -> Sequence[ComparableTest]:
    """The tests of a subject in order of time, void ones left out."""
    rows = session.execute(
        sa.select(ExerciseTest, Visit, Protocol.name)
        .join(Visit, Visit.id == ExerciseTest.visit_id)
        .outerjoin(Protocol, Protocol.key == ExerciseTest.protocol_key)
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
            protocol=standard.name
            if (standard := STANDARD_PROTOCOLS.get(test.protocol_key or "")) is not None
            else own_name,
            purpose=test.purpose,
            status=test.status,
            verifies=test.verifies_test_id is not None,
        )
        for test, visit, own_name in rows
    ]
