"""Reads of repeated tests; nothing is written here."""

from collections.abc import Iterator, Mapping
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analyses.queries import site
from service.analysis.change import OwnTypicalError
from service.db.models import Cohort, CohortMember, ExerciseTest, Result, Subject, Visit
from service.errors import NotFound


def cohort_pk(session: Session, cohort_id: str) -> int:
    """The internal key of a cohort."""
    found = session.scalar(sa.select(Cohort.id).where(Cohort.public_id == cohort_id))
    if found is None:
        raise NotFound("There is no such cohort.")
    return found


def _of_cohort(statement: Any, cohort: int | None) -> Any:
    """Only results of members, on days on which they were members."""
    if cohort is None:
        return statement
    return statement.join(CohortMember, CohortMember.subject_id == Result.subject_id).where(
        CohortMember.cohort_id == cohort,
        sa.or_(CohortMember.joined_on.is_(None), Result.date >= CohortMember.joined_on),
        sa.or_(CohortMember.left_on.is_(None), Result.date <= CohortMember.left_on),
    )


def kinds(session: Session, quantity: str, *, cohort: int | None) -> list[tuple[str, str]]:
    """Modes and bases that there are results of tests of."""
    statement = (
        sa.select(Result.mode, Result.basis)
        .where(Result.quantity == quantity, Result.test_id.is_not(None), Result.mode.is_not(None))
        .distinct()
        .order_by(Result.mode, Result.basis)
    )
    return [(row[0], row[1]) for row in session.execute(_of_cohort(statement, cohort))]


def results(session: Session, quantity: str, *, cohort: int | None, mode: str, basis: str) -> Iterator[Any]:
    """Results of complete tests, by subject and protocol in the order of time."""
    statement = (
        sa.select(Result, Visit, ExerciseTest, Subject.public_id.label("subject_id"))
        .join(Visit, Visit.id == Result.visit_id)
        .join(ExerciseTest, ExerciseTest.id == Result.test_id)
        .join(Subject, Subject.id == Result.subject_id)
        .where(
            Result.quantity == quantity,
            Result.mode == mode,
            Result.basis == basis,
            ExerciseTest.status == "complete",
        )
        .order_by(
            Result.subject_id,
            ExerciseTest.protocol_key,
            Result.occurred_at,
            ExerciseTest.started_at,
            ExerciseTest.id,
        )
    )
    yield from session.execute(_of_cohort(statement, cohort))


def order_of_tests(session: Session, mode: str) -> Mapping[int, int]:
    """For each complete test of a mode, which of its subject's it is, from 1; a verification bout is part of its main test."""
    rows = session.execute(
        sa.select(
            ExerciseTest.id,
            sa.func.row_number().over(
                partition_by=Visit.subject_id,
                order_by=(Visit.started_at, ExerciseTest.started_at, ExerciseTest.id),
            ),
        )
        .join(Visit, Visit.id == ExerciseTest.visit_id)
        .where(
            ExerciseTest.mode == mode,
            ExerciseTest.status == "complete",
            ExerciseTest.verifies_test_id.is_(None),
        )
    )
    return {test_pk: place for test_pk, place in rows}  # noqa: C416 rows are not pairs to the type checker


def own_typical_errors(session: Session) -> dict[str, OwnTypicalError]:
    """What the site has taken as its own, by quantity."""
    stored: Mapping[str, Any] = site(session).settings.get("typical_errors") or {}
    return {quantity: OwnTypicalError(**one) for quantity, one in stored.items()}
