"""What pages show together and no address of the interface gives in one piece; nothing is written here."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import (
    CohortMember,
    ExerciseTest,
    Interval,
    RecordingMark,
    ReportedResult,
    Result,
    StageNote,
    Visit,
)
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


def waiting_tests_of(session: Session, visit_pk: int, *, for_data: bool = False) -> Sequence[tuple[str, str]]:
    """Ids of the tests of a visit that are planned or being recorded, each with what it is in words.

    With `for_data` also of those whose sheet was closed and that have no data yet.
    """
    without_data = sa.and_(
        ExerciseTest.status == "complete",
        sa.or_(
            sa.exists().where(StageNote.test_id == ExerciseTest.id),
            sa.exists().where(RecordingMark.test_id == ExerciseTest.id),
        ),
        ~sa.exists().where(Interval.test_id == ExerciseTest.id),
        ~sa.exists().where(ReportedResult.test_id == ExerciseTest.id),
    )
    waits = ExerciseTest.status.in_(["planned", "recording"])
    rows = session.execute(
        sa.select(ExerciseTest.public_id, ExerciseTest.mode, ExerciseTest.purpose, ExerciseTest.status)
        .where(ExerciseTest.visit_id == visit_pk, sa.or_(waits, without_data) if for_data else waits)
        .order_by(ExerciseTest.id)
    )
    return [
        (row.public_id, f"the {row.status} {row.purpose} test on {row.mode}, number {number}")
        for number, row in enumerate(rows, start=1)
    ]


def quantities_of_cohort(session: Session, cohort_pk: int) -> Sequence[str]:
    """Which quantities the members of a cohort have results of."""
    return session.scalars(
        sa.select(Result.quantity)
        .join(CohortMember, CohortMember.subject_id == Result.subject_id)
        .where(CohortMember.cohort_id == cohort_pk)
        .distinct()
        .order_by(Result.quantity)
    ).all()
