"""Reads and writes of cohorts; nothing is committed here."""

from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from service.analysis.rule_sets import find_rule_set
from service.cohorts.schemas import CohortOut, MemberIn, MemberOut
from service.db.models import Cohort, CohortMember, ExerciseTest, Result, Subject, Visit
from service.db.transactions import now
from service.effort_rules.queries import own_rule_sets
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
        effort_rules=cohort.effort_rules,
        created_at=cohort.created_at,
        members=[
            MemberOut(subject_id=row[0], arm=row[1], joined_on=row[2], left_on=row[3]) for row in members
        ],
    )


def add(session: Session, name: str, notes: str | None, effort_rules: str | None = None) -> Cohort:
    """Make a cohort."""
    check_name_is_free(session, name)
    check_rules_exist(session, effort_rules)
    cohort = Cohort(name=name, notes=notes, effort_rules=effort_rules, created_at=now(), revision=1)
    session.add(cohort)
    session.flush()
    return cohort


def check_name_is_free(session: Session, name: str, *, but: int | None = None) -> None:
    """Refuse a name that another cohort has."""
    taken = session.scalar(sa.select(Cohort.id).where(Cohort.name == name))
    if taken is not None and taken != but:
        raise Conflict(f"There is a cohort named {name!r}.", (Place("body.name", "is taken", value=name),))


def check_rules_exist(session: Session, effort_rules: str | None) -> None:
    """Refuse a rule set of effort that there is not."""
    if effort_rules is not None:
        find_rule_set(effort_rules, own_rule_sets(session), where="body.effort_rules")


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


def members(session: Session, cohort_pk: int) -> Sequence[Any]:
    """Key, public id, code, arm and dates of each member."""
    return session.execute(
        sa.select(
            Subject.id,
            Subject.public_id,
            Subject.code,
            CohortMember.arm,
            CohortMember.joined_on,
            CohortMember.left_on,
        )
        .join(Subject, Subject.id == CohortMember.subject_id)
        .where(CohortMember.cohort_id == cohort_pk)
    ).all()


def rounds(session: Session, cohort_pk: int) -> dict[str, float]:
    """Every round that a visit of a member names, with the instant of the first such visit, in seconds."""
    rows = session.execute(
        sa.select(Visit.round, sa.func.min(Visit.started_at))
        .join(CohortMember, CohortMember.subject_id == Visit.subject_id)
        .where(CohortMember.cohort_id == cohort_pk, Visit.round.is_not(None))
        .group_by(Visit.round)
    )
    return {name: first.timestamp() for name, first in rows if name is not None}


def results(session: Session, cohort_pk: int, quantity: str) -> Sequence[Any]:
    """All results of one quantity of all members, each with its visit and test, in one read.

    The same peak in mL/min stands beside a result per body mass.
    """
    uptake = aliased(Result)
    return session.execute(
        sa.select(
            Result.subject_id,
            Result.test_id.label("test_pk"),
            Result.value,
            Result.method,
            Result.occurred_at,
            Result.date,
            Result.mode,
            Result.basis,
            Result.protocol_family,
            Result.effort,
            Result.convention,
            Result.effective_window_s,
            Result.has_error,
            Visit.public_id.label("visit_id"),
            Visit.round,
            Visit.body_mass_kg,
            ExerciseTest.public_id.label("test_id"),
            ExerciseTest.started_at,
            uptake.value.label("uptake_ml_min"),
        )
        .select_from(CohortMember)
        .join(Result, Result.subject_id == CohortMember.subject_id)
        .join(Visit, Visit.id == Result.visit_id)
        .outerjoin(ExerciseTest, ExerciseTest.id == Result.test_id)
        .outerjoin(uptake, sa.and_(uptake.test_id == Result.test_id, uptake.quantity == "vo2_peak_ml_min"))
        .where(CohortMember.cohort_id == cohort_pk, Result.quantity == quantity)
    ).all()
