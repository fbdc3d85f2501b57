"""What a report shows of the record and no other address gives in one piece; nothing is written here."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import Analysis, Conclusion, ExerciseTest, Protocol, Result, Visit
from service.reference.protocols import STANDARD_PROTOCOLS
from service.visits.queries import in_own_offset


def frozen_document(session: Session, test_pk: int) -> tuple[int, dict[str, Any]] | None:
    """The version that was signed last, and the analysis that the signature is under."""
    row = session.execute(
        sa.select(Conclusion.version, Conclusion.document)
        .where(
            Conclusion.test_id == test_pk, Conclusion.signed_at.is_not(None), Conclusion.document.is_not(None)
        )
        .order_by(Conclusion.version.desc())
        .limit(1)
    ).one_or_none()
    return None if row is None else (row.version, json.loads(row.document))


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


def latest_visit(session: Session, subject_pk: int) -> Visit | None:
    """The latest visit of a subject."""
    return session.scalars(
        sa.select(Visit)
        .where(Visit.subject_id == subject_pk)
        .order_by(Visit.started_at.desc(), Visit.id.desc())
        .limit(1)
    ).one_or_none()


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
