"""What pages show together and no address of the interface gives in one piece; nothing is written here."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import Analysis, CohortMember, ExerciseTest, Protocol, Result, Visit
from service.reference.protocols import STANDARD_PROTOCOLS
from service.visits.queries import in_own_offset

PEAK = "vo2_peak_ml_kg_min"


@dataclass(frozen=True, slots=True)
class LatestPeak:
    """The latest peak uptake of a subject."""

    date: date
    value: float
    mode: str | None
    basis: str
    effort: str | None
    has_error: bool


def latest_peaks(session: Session, subject_pks: Iterable[int]) -> dict[int, LatestPeak]:
    """The latest peak uptake of each subject, in one read."""
    newest = (
        sa.func.row_number()
        .over(partition_by=Result.subject_id, order_by=(Result.occurred_at.desc(), Result.id.desc()))
        .label("place")
    )
    inner = (
        sa.select(
            Result.subject_id,
            Result.date,
            Result.value,
            Result.mode,
            Result.basis,
            Result.effort,
            Result.has_error,
            newest,
        )
        .where(Result.quantity == PEAK, Result.subject_id.in_(list(subject_pks)))
        .subquery()
    )
    rows = session.execute(sa.select(inner).where(inner.c.place == 1))
    return {
        row.subject_id: LatestPeak(row.date, row.value, row.mode, row.basis, row.effort, row.has_error)
        for row in rows
    }


@dataclass(frozen=True, slots=True)
class TestLine:
    """One test in the list of a person.

    Attributes
    ----------
    peak : dict or None
        Of the stored analysis: label, uptake, verdict.
    warnings : int
        Findings that ask for a look, and errors.
    """

    __test__ = False

    test_id: str
    visit_id: str
    day: date
    mode: str
    protocol: str | None
    purpose: str
    status: str
    stop_reason: str | None
    peak: dict[str, Any] | None
    effort: str | None
    warnings: int


def tests_of(session: Session, subject_pk: int) -> Sequence[TestLine]:
    """The tests of a subject, the latest first, each with what its stored analysis says."""
    rows = session.execute(
        sa.select(ExerciseTest, Visit, Analysis.document, Protocol.name)
        .join(Visit, Visit.id == ExerciseTest.visit_id)
        .outerjoin(Protocol, Protocol.key == ExerciseTest.protocol_key)
        .outerjoin(Analysis, Analysis.test_id == ExerciseTest.id)
        .where(Visit.subject_id == subject_pk)
        .order_by(Visit.started_at.desc(), ExerciseTest.id.desc())
    )
    answer = []
    for test, visit, document, own_name in rows:
        standard = STANDARD_PROTOCOLS.get(test.protocol_key or "")
        told: dict[str, Any] | None = json.loads(document or "null")
        answer.append(
            TestLine(
                test_id=test.public_id,
                visit_id=visit.public_id,
                day=in_own_offset(visit).date(),
                mode=test.mode,
                protocol=own_name if standard is None else standard.name,
                purpose=test.purpose,
                status=test.status,
                stop_reason=test.stop_reason,
                peak=None if told is None else told["peak"],
                effort=None if told is None else told["effort"]["verdict"],
                warnings=0
                if told is None
                else sum(one["severity"] in {"warning", "error"} for one in told["findings"]),
            )
        )
    return answer


@dataclass(frozen=True, slots=True)
class VisitLine:
    """One visit in the list of a person."""

    visit_id: str
    at: datetime
    body_mass_kg: float | None
    body_mass_source: str | None
    height_cm: float | None
    round: str | None
    site: str | None
    tester: str | None
    tests: int


def visits_of(session: Session, subject_pk: int) -> Sequence[VisitLine]:
    """The visits of a subject, the latest first, each on the clock of its place."""
    rows = session.execute(
        sa.select(Visit, sa.func.count(ExerciseTest.id))
        .outerjoin(ExerciseTest, ExerciseTest.visit_id == Visit.id)
        .where(Visit.subject_id == subject_pk)
        .group_by(Visit.id)
        .order_by(Visit.started_at.desc(), Visit.id.desc())
    )
    return [
        VisitLine(
            visit_id=visit.public_id,
            at=in_own_offset(visit),
            body_mass_kg=visit.body_mass_kg,
            body_mass_source=visit.body_mass_source,
            height_cm=visit.height_cm,
            round=visit.round,
            site=visit.site,
            tester=visit.tester,
            tests=count,
        )
        for visit, count in rows
    ]


def waiting_tests_of(session: Session, visit_pk: int) -> Sequence[tuple[str, str]]:
    """Ids of the tests of a visit that are planned or being recorded, each with what it is in words."""
    rows = session.execute(
        sa.select(ExerciseTest.public_id, ExerciseTest.mode, ExerciseTest.purpose, ExerciseTest.status)
        .where(ExerciseTest.visit_id == visit_pk, ExerciseTest.status.in_(["planned", "recording"]))
        .order_by(ExerciseTest.id)
    )
    return [
        (row.public_id, f"the {row.status} {row.purpose} test on {row.mode}, number {number}")
        for number, row in enumerate(rows, start=1)
    ]


def latest_measurements(session: Session, subject_pk: int) -> Sequence[tuple[str, date, float]]:
    """The latest value of everything that is measured at a visit and not in a test, with its day."""
    rows = session.execute(
        sa.select(Result.quantity, Result.date, Result.value)
        .where(Result.subject_id == subject_pk, Result.test_id.is_(None))
        .order_by(Result.occurred_at, Result.id)
    )
    latest = {quantity: (quantity, day, value) for quantity, day, value in rows}
    return [latest[quantity] for quantity in sorted(latest)]


def key_of_test(session: Session, test_id: str) -> int:
    """Internal key of a test that was just read under its subject."""
    return session.execute(sa.select(ExerciseTest.id).where(ExerciseTest.public_id == test_id)).scalar_one()


def quantities_of_cohort(session: Session, cohort_pk: int) -> Sequence[str]:
    """Which quantities the members of a cohort have results of."""
    return session.scalars(
        sa.select(Result.quantity)
        .join(CohortMember, CohortMember.subject_id == Result.subject_id)
        .where(CohortMember.cohort_id == cohort_pk)
        .distinct()
        .order_by(Result.quantity)
    ).all()
