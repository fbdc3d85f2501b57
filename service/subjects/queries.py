"""Reads and writes of subjects; nothing is committed here."""

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import (
    ApiKeySubject,
    Cohort,
    CohortMember,
    ControlMeasurement,
    ExerciseTest,
    Subject,
    Visit,
)
from service.errors import DuplicateCode, InvalidContent, NotFound, Place, StaleRevision
from service.http.keys import Principal


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
    after: str | None,
    limit: int,
) -> Sequence[Subject]:
    """Subjects in the order of their codes, one more than `limit` where there are more.

    `query` is looked for in the code, and in the names where the key may see them.
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
    return session.scalars(statement).all()


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
    return {"visits": visits, "tests": tests, "control_measurements": controls}
