"""Reads of all that a Bundle of one subject tells; nothing is computed here."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analyses.queries import read_analysis
from service.db.models import Change, Conclusion, ExerciseTest, Measurement, Result, Subject, Visit
from service.outlets.fhir import OF_VISIT, FhirPerson, FhirTest, FhirVisit, Indexed
from service.quantities import QUANTITIES
from service.subjects.queries import get
from service.visits.queries import in_own_offset


@dataclass(frozen=True, slots=True)
class Told:
    """The record of one subject, as a Bundle takes it.

    Attributes
    ----------
    tests : dict of int to FhirTest
        By internal key; one that is being recorded has no analysis yet.
    at : datetime or None
        The last change of the subject's record.
    """

    person: FhirPerson
    visits: tuple[FhirVisit, ...]
    tests: dict[int, FhirTest]
    at: datetime | None


def read(session: Session, subject_pk: int, *, identity: bool) -> Told:
    """The record of one subject; names, birth date and conclusions only with `identity`."""
    subject = get(session, subject_pk)
    visits = session.scalars(
        sa.select(Visit).where(Visit.subject_id == subject_pk).order_by(Visit.started_at, Visit.id)
    ).all()
    tests = session.execute(
        sa.select(ExerciseTest, Visit)
        .join(Visit, Visit.id == ExerciseTest.visit_id)
        .where(Visit.subject_id == subject_pk)
        .order_by(Visit.started_at, Visit.id, ExerciseTest.id)
    ).all()
    ids = {test.id: test.public_id for test, _ in tests}
    return Told(
        person=_person(subject, identity=identity),
        visits=tuple(_visit(session, visit) for visit in visits),
        tests={test.id: _test(session, test, visit, ids, identity=identity) for test, visit in tests},
        at=session.scalar(sa.select(sa.func.max(Change.at)).where(Change.subject_id == subject.public_id)),
    )


def _person(subject: Subject, *, identity: bool) -> FhirPerson:
    year = subject.birth_date.year if subject.birth_date is not None else subject.birth_year
    return FhirPerson(
        subject_id=subject.public_id,
        code=subject.code,
        sex=subject.sex,
        birth=subject.birth_date if identity and subject.birth_date is not None else year,
        given_name=subject.given_name if identity else None,
        family_name=subject.family_name if identity else None,
    )


def _visit(session: Session, visit: Visit) -> FhirVisit:
    values = {name: getattr(visit, name) for name in OF_VISIT if getattr(visit, name) is not None}
    measured = session.scalars(sa.select(Measurement).where(Measurement.visit_id == visit.id))
    values |= {one.quantity: one.value for one in measured if one.quantity in QUANTITIES}
    return FhirVisit(visit.public_id, in_own_offset(visit), values, visit.body_mass_source)


def _test(
    session: Session, test: ExerciseTest, visit: Visit, ids: Mapping[int, str], *, identity: bool
) -> FhirTest:
    local = in_own_offset(visit)
    stored = read_analysis(session, test.id) if test.status == "complete" else None
    conclusions = session.scalars(
        sa.select(Conclusion).where(Conclusion.test_id == test.id).order_by(Conclusion.version)
    ).all()
    return FhirTest(
        test_id=test.public_id,
        visit_id=visit.public_id,
        at=local if test.started_at is None else test.started_at.astimezone(local.tzinfo),
        status=test.status,
        mode=test.mode,
        purpose=test.purpose,
        shape=test.shape,
        stop_reason=test.stop_reason,
        protocol=test.protocol_key,
        verifies_test_id=None if test.verifies_test_id is None else ids.get(test.verifies_test_id),
        issued=None if stored is None else stored.computed_at,
        document=None if stored is None else json.loads(stored.document),
        indexed=_indexed(session, test.id) if test.status == "complete" else {},
        conclusion=conclusions[-1].text if conclusions and identity else None,
        amended=any(one.signed_at is not None for one in conclusions[:-1]),
    )


def _indexed(session: Session, test_pk: int) -> dict[str, Indexed]:
    rows = session.scalars(sa.select(Result).where(Result.test_id == test_pk))
    return {
        row.quantity: Indexed(row.value, row.method, row.basis, row.effective_window_s, row.has_error)
        for row in rows
    }
