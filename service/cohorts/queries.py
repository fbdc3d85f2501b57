"""Reads and writes of cohorts; nothing is committed here."""

from collections.abc import Collection, Iterator, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from service.analysis.rule_sets import find_rule_set
from service.cohorts.schemas import CohortOut, MemberIn, MemberOut
from service.db.models import Cohort, CohortMember, ExerciseTest, Result, Subject, Visit
from service.db.transactions import now
from service.effort_rules.queries import own_rule_sets
from service.errors import Conflict, InvalidContent, NotFound, Place, StaleRevision

#: Fewer than wake the search for garbage: of tens of thousands of rows at once that search takes longer than reading them.
_ROWS_AT_ONCE = 200
_IDS_AT_ONCE = 1000


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
    return session.execute(_members(cohort_pk)).all()


def member_columns(session: Session, cohort_pk: int) -> dict[str, list[Any]]:
    """The same column by column: ``id``, ``public_id``, ``code``, ``arm``, ``joined_on``, ``left_on``."""
    return _columns(session, _members(cohort_pk))


def _members(cohort_pk: int) -> sa.Select[Any]:
    subject, member = Subject.__table__, CohortMember.__table__
    return (
        sa.select(
            *(subject.c[name] for name in ("id", "public_id", "code")),
            *(member.c[name] for name in ("arm", "joined_on", "left_on")),
        )
        .select_from(member.join(subject))
        .where(member.c.cohort_id == cohort_pk)
    )


def _columns(session: Session, statement: sa.Select[Any]) -> dict[str, list[Any]]:
    """What a statement finds, column by column."""
    found: dict[str, list[Any]] = {column.name: [] for column in statement.selected_columns}
    for part in session.connection().execute(statement).partitions(_ROWS_AT_ONCE):
        for values, column in zip(found.values(), zip(*part, strict=True), strict=True):
            values.extend(column)
    return found


def rounds(session: Session, cohort_pk: int) -> dict[str, float]:
    """Every round that a visit of a member names, with the instant of the first such visit, in seconds."""
    rows = session.execute(
        sa.select(Visit.round, sa.func.min(Visit.started_at))
        .join(CohortMember, CohortMember.subject_id == Visit.subject_id)
        .where(CohortMember.cohort_id == cohort_pk, Visit.round.is_not(None))
        .group_by(Visit.round)
    )
    return {name: first.timestamp() for name, first in rows if name is not None}


def result_columns(
    session: Session,
    cohort_pk: int,
    quantity: str,
    *,
    with_days: bool = False,
    for_change: bool = False,
    with_uptake: bool = False,
    uptake_in: Collection[str] | None = None,
) -> dict[str, list[Any]]:
    """All results of one quantity of all members, column by column: what they are counted by, in one read.

    Parameters
    ----------
    session : Session
    cohort_pk : int
    quantity : str
    with_days : bool
        With the date of each.
    for_change : bool
        With the averaging window, and the mass of the visit.
    with_uptake : bool
        With the same peak in mL/min, which stands beside a result per body mass.
    uptake_in : collection of str, optional
        But only of these rounds.

    Returns
    -------
    dict
        ``id``, ``subject_id``, ``value``, ``kind``, and the further columns. A kind is the JSON of round, mode, basis,
        method, protocol family, effort, convention, whether there is an error, and whether it is of a test: there are few
        of them, and one cell of a row is read in less time than nine.
    """
    result, visit = Result.__table__, Visit.__table__
    together = sa.func.json_build_array if _is_postgresql(session) else sa.func.json_array
    kind = together(
        visit.c.round,
        *(result.c[name] for name in _OF_KIND),
        result.c.test_id.is_not(None),
    )
    columns = [result.c.id, result.c.subject_id, result.c.value, sa.cast(kind, sa.Text).label("kind")]
    tables = CohortMember.__table__.join(result, result.c.subject_id == CohortMember.subject_id).join(
        visit, visit.c.id == result.c.visit_id
    )
    if with_days:
        columns.append(result.c.date)
    if for_change:
        columns += [result.c.effective_window_s, visit.c.body_mass_kg]
    if with_uptake:
        uptake = result.alias()
        columns.append(uptake.c.value.label("uptake_ml_min"))
        beside = sa.and_(uptake.c.test_id == result.c.test_id, uptake.c.quantity == "vo2_peak_ml_min")
        if uptake_in is not None:
            beside = sa.and_(beside, visit.c.round.in_(uptake_in))
        tables = tables.outerjoin(uptake, beside)
    statement = (
        sa.select(*columns)
        .select_from(tables)
        .where(CohortMember.cohort_id == cohort_pk, result.c.quantity == quantity)
    )
    return _columns(session, statement)


_OF_KIND = ("mode", "basis", "method", "protocol_family", "effort", "convention", "has_error")


def _is_postgresql(session: Session) -> bool:
    return session.get_bind().dialect.name == "postgresql"


def whole_results(session: Session, ids: Sequence[int]) -> Iterator[Any]:
    """Some results, each with its visit and test, in any order.

    The same peak in mL/min stands beside a result per body mass.
    """
    uptake = aliased(Result)
    statement = (
        sa.select(
            Result.id,
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
        .join(Visit, Visit.id == Result.visit_id)
        .outerjoin(ExerciseTest, ExerciseTest.id == Result.test_id)
        .outerjoin(uptake, sa.and_(uptake.test_id == Result.test_id, uptake.quantity == "vo2_peak_ml_min"))
    )
    for first in range(0, len(ids), _IDS_AT_ONCE):
        yield from session.execute(statement.where(Result.id.in_(ids[first : first + _IDS_AT_ONCE])))


def test_ids(session: Session, ids: Sequence[int]) -> list[str | None]:
    """The id of the test of each of some results, in their order; None for a result of a visit alone."""
    result, test = Result.__table__.c, ExerciseTest.__table__.c
    statement = sa.select(result.id, test.public_id).join(ExerciseTest.__table__, test.id == result.test_id)
    found: dict[int, str] = {}
    for first in range(0, len(ids), _IDS_AT_ONCE):
        some = session.connection().execute(statement.where(result.id.in_(ids[first : first + _IDS_AT_ONCE])))
        found.update(tuple(row) for row in some)
    return [found.get(one) for one in ids]
