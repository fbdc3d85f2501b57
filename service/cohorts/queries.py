"""Reads and writes of cohorts; nothing is committed here."""

from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.cohorts.schemas import CohortOut, MemberIn, MemberOut
from service.db.models import Cohort, CohortMember, Subject
from service.db.transactions import now
from service.errors import Conflict, InvalidContent, NotFound, Place, StaleRevision


def get(session: Session, cohort_pk: int) -> Cohort:
    """The cohort with this internal key."""
    cohort = session.get(Cohort, cohort_pk)
    if cohort is None:
        raise NotFound("The cohort was deleted in the meantime.")
    return cohort


def out(session: Session, cohort: Cohort) -> CohortOut:
    """A cohort as it goes over the wire."""
    members = session.execute(
        sa.select(Subject.public_id, CohortMember.arm, CohortMember.joined_on, CohortMember.left_on)
        .join(Subject, Subject.id == CohortMember.subject_id)
        .where(CohortMember.cohort_id == cohort.id)
        .order_by(Subject.id)
    )
    return CohortOut(
        id=cohort.public_id,
        name=cohort.name,
        notes=cohort.notes,
        created_at=cohort.created_at,
        members=[
            MemberOut(subject_id=row[0], arm=row[1], joined_on=row[2], left_on=row[3]) for row in members
        ],
    )


def add(session: Session, name: str, notes: str | None) -> Cohort:
    """Make a cohort."""
    check_name_is_free(session, name)
    cohort = Cohort(name=name, notes=notes, created_at=now(), revision=1)
    session.add(cohort)
    session.flush()
    return cohort


def check_name_is_free(session: Session, name: str, *, but: int | None = None) -> None:
    """Refuse a name that another cohort has."""
    taken = session.scalar(sa.select(Cohort.id).where(Cohort.name == name))
    if taken is not None and taken != but:
        raise Conflict(f"There is a cohort named {name!r}.", (Place("body.name", "is taken", value=name),))


def bump(session: Session, cohort_pk: int, *, expected: int | None = None) -> None:
    """Count a write of a cohort; refuse where another came since `expected` was read."""
    statement = sa.update(Cohort).where(Cohort.id == cohort_pk).values(revision=Cohort.revision + 1)
    if expected is not None:
        statement = statement.where(Cohort.revision == expected)
    if session.scalar(statement.returning(Cohort.revision)) is None:
        raise StaleRevision("The cohort has changed since you read it; read it again and repeat your change.")


def replace_members(session: Session, cohort_pk: int, rows: Sequence[MemberIn]) -> None:
    """Store these members in the place of what the cohort has."""
    wanted = {row.subject_id for row in rows}
    found = session.execute(sa.select(Subject.public_id, Subject.id).where(Subject.public_id.in_(wanted)))
    known = {public_id: pk for public_id, pk in found}  # noqa: C416 rows are not pairs to the type checker
    faults = [
        Place(f"body.{place}.subject_id", "names no subject", value=row.subject_id)
        for place, row in enumerate(rows)
        if row.subject_id not in known
    ]
    seen: set[str] = set()
    for place, row in enumerate(rows):
        if row.subject_id in seen:
            faults.append(
                Place(
                    f"body.{place}.subject_id", "comes twice; a subject is in one arm", value=row.subject_id
                )
            )
        seen.add(row.subject_id)
    if faults:
        raise InvalidContent(f"{faults[0].location}: {faults[0].message}.", tuple(faults))
    session.execute(sa.delete(CohortMember).where(CohortMember.cohort_id == cohort_pk))
    session.add_all(
        CohortMember(
            cohort_id=cohort_pk,
            subject_id=known[row.subject_id],
            arm=row.arm,
            joined_on=row.joined_on,
            left_on=row.left_on,
        )
        for row in rows
    )
    session.flush()


def listed(session: Session, *, after: int | None, limit: int) -> Sequence[Cohort]:
    """Cohorts in the order they were made, one more than `limit` where there are more."""
    statement = sa.select(Cohort).order_by(Cohort.id).limit(limit + 1)
    if after is not None:
        statement = statement.where(Cohort.id > after)
    return session.scalars(statement).all()
