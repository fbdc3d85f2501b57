"""Reads and writes of subjects; nothing is committed here."""

from collections.abc import Collection, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analyses.queries import site
from service.db.models import (
    ApiKeySubject,
    Cohort,
    CohortMember,
    ControlMeasurement,
    Event,
    ExerciseTest,
    Result,
    Subject,
    Visit,
)
from service.errors import DuplicateCode, InvalidContent, NotFound, Place, StaleRevision
from service.http.keys import Principal
from service.subjects.schemas import NextTestDue


def get(session: Session, subject_pk: int) -> Subject:
    """The subject with this internal key."""
    subject = session.get(Subject, subject_pk)
    if subject is None:
        raise NotFound("The subject was deleted in the meantime.")
    return subject


def by_code(session: Session, code: str) -> Subject | None:
    """The subject with this code."""
    return session.scalars(sa.select(Subject).where(Subject.code == code)).one_or_none()


def check_code_is_free(session: Session, code: str, *, but: int | None = None) -> None:
    """Refuse a code that another subject has."""
    taken = session.scalar(sa.select(Subject.id).where(Subject.code == code))
    if taken is not None and taken != but:
        message = "is the code of another subject; choose another, or use that subject"
        raise DuplicateCode(f"{code!r} {message}.", (Place("body.code", message, value=code),))


def agreed_birth(subject: Subject, values: Mapping[str, Any]) -> dict[str, int]:
    """The birth year that goes with the birth date once `values` are set; nothing where none is kept.

    Raises
    ------
    InvalidContent
        A birth year that does not agree with the birth date that stays.
    """
    birth_date = values.get("birth_date", subject.birth_date)
    year = values.get("birth_year", subject.birth_year)
    if birth_date is None or year in {None, birth_date.year}:
        return {}
    if "birth_year" in values:
        message = (
            f"does not agree with the birth date ({birth_date.isoformat()}); change that, or set it to null"
        )
        raise InvalidContent(f"birth_year {message}.", (Place("body.birth_year", message, value=year),))
    return {"birth_year": birth_date.year}


def bump(session: Session, subject_pk: int, *, expected: int | None = None) -> int:
    """Count a write under a subject; the first statement of every such write (a row lock on PostgreSQL).

    Raises
    ------
    StaleRevision
        Another writer came since the revision `expected` was read.
    """
    statement = sa.update(Subject).where(Subject.id == subject_pk).values(revision=Subject.revision + 1)
    if expected is not None:
        statement = statement.where(Subject.revision == expected)
    revision: int | None = session.scalar(statement.returning(Subject.revision))
    if revision is None:
        raise StaleRevision("The record has changed since you read it; read it again and repeat your change.")
    return revision


def listed(
    session: Session,
    principal: Principal,
    *,
    query: str | None,
    cohort: str | None,
    due_before: date | None = None,
    after: str | None,
    limit: int,
) -> Sequence[Subject]:
    """Subjects in the order of their codes, one more than `limit` where there are more.

    `query` is looked for in the code, and in the names where the key may see them; `due_before` asks for those whose next
    test is due before that day.
    """
    # Binary order on both databases: PostgreSQL's own collation would sort otherwise.
    code = Subject.code.collate("C") if session.get_bind().dialect.name == "postgresql" else Subject.code
    statement = sa.select(Subject).order_by(code).limit(limit + 1)
    if after is not None:
        statement = statement.where(code > after)
    if principal.subject_ids is not None:
        limited = sa.select(ApiKeySubject.subject_id).where(ApiKeySubject.api_key_id == principal.key_id)
        statement = statement.where(Subject.id.in_(limited))
    if query:
        fields: list[sa.ColumnElement[Any] | sa.orm.InstrumentedAttribute[Any]] = [Subject.code]
        if principal.sees_identity:
            fields += [Subject.given_name, Subject.family_name]
        wanted = query.lower()
        statement = statement.where(
            sa.or_(*(sa.func.lower(field).contains(wanted, autoescape=True) for field in fields))
        )
    if cohort is not None:
        cohort_pk = session.scalar(sa.select(Cohort.id).where(Cohort.public_id == cohort))
        if cohort_pk is None or principal.subject_ids is not None:
            raise NotFound("There is no such cohort, or your key does not cover it.")
        members = sa.select(CohortMember.subject_id).where(CohortMember.cohort_id == cohort_pk)
        statement = statement.where(Subject.id.in_(members))
    if due_before is not None:
        statement = statement.where(_due_before(session, due_before))
    return session.scalars(statement).all()


def _interval_days(session: Session) -> int | None:
    """Days after a test on which the site wants the next one."""
    days: int | None = site(session).settings.get("retest_interval_days")
    return days


def _due_before(session: Session, day: date) -> sa.ColumnElement[bool]:
    due = sa.and_(Subject.next_test_due_on.is_not(None), Subject.next_test_due_on < day)
    days = _interval_days(session)
    if days is None:
        return due
    last = (
        sa.select(sa.func.max(Result.date))
        .where(Result.subject_id == Subject.id, Result.test_id.is_not(None))
        .scalar_subquery()
    )
    return sa.or_(due, sa.and_(Subject.next_test_due_on.is_(None), last < day - timedelta(days=days)))


def next_tests_due(session: Session, subjects: Collection[Subject]) -> dict[int, NextTestDue]:
    """When the next test of each is due, by internal key.

    The date a tester set, else the last complete test and the site's interval.
    """
    days = _interval_days(session)
    rows = session.execute(
        sa.select(Result.subject_id, sa.func.max(Result.date))
        .where(Result.subject_id.in_([subject.id for subject in subjects]), Result.test_id.is_not(None))
        .group_by(Result.subject_id)
    )
    last = {subject_pk: day for subject_pk, day in rows}  # noqa: C416 rows are not pairs to the type checker
    return {subject.id: _next_test_due(subject, last.get(subject.id), days) for subject in subjects}


def _next_test_due(subject: Subject, last: date | None, days: int | None) -> NextTestDue:
    if subject.next_test_due_on is not None:
        return NextTestDue(due_on=subject.next_test_due_on, set_by="tester", last_test_on=last, reason=None)
    reason = None
    if last is None:
        reason = "There is no complete test yet, and no tester set a date."
    elif days is None:
        reason = "No tester set a date, and the site has set no interval between tests."
    if reason is not None or last is None or days is None:
        return NextTestDue(due_on=None, set_by=None, last_test_on=last, reason=reason)
    return NextTestDue(
        due_on=last + timedelta(days=days), set_by="site_interval", last_test_on=last, reason=None
    )


def key_of_code(session: Session, code: str) -> tuple[int, str] | None:
    """Internal key and id of the person with this code."""
    row = session.execute(sa.select(Subject.id, Subject.public_id).where(Subject.code == code)).one_or_none()
    return None if row is None else (row.id, row.public_id)


def held(session: Session, subject_pk: int) -> dict[str, int]:
    """What a deletion of the subject would take with it."""
    visits = (
        session.scalar(sa.select(sa.func.count()).select_from(Visit).where(Visit.subject_id == subject_pk))
        or 0
    )
    tests = (
        session.scalar(
            sa.select(sa.func.count())
            .select_from(ExerciseTest)
            .join(Visit, Visit.id == ExerciseTest.visit_id)
            .where(Visit.subject_id == subject_pk)
        )
        or 0
    )
    controls = (
        session.scalar(
            sa.select(sa.func.count())
            .select_from(ControlMeasurement)
            .where(ControlMeasurement.subject_id == subject_pk)
        )
        or 0
    )
    events = (
        session.scalar(sa.select(sa.func.count()).select_from(Event).where(Event.subject_id == subject_pk))
        or 0
    )
    return {"visits": visits, "tests": tests, "control_measurements": controls, "events": events}
