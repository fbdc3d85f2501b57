"""Making and changing a visit: what the interface and the pages do alike."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from sqlalchemy.orm import Session

from service.analyses.queries import refresh_visit_results
from service.analyses.workflow import Edit, Target, record
from service.db.models import Visit
from service.db.transactions import Claim, Store, Transaction
from service.subjects import queries as subjects
from service.visits import queries
from service.visits.schemas import MeasurementIn, PreTestIn, VisitIn, VisitPatch

T = TypeVar("T")


def make_visit(
    store: Store,
    actor: str,
    target: Target,
    body: VisitIn,
    *,
    respond: Callable[[Session, Visit], T],
    claim: Claim | None = None,
) -> T:
    """Make a visit of a subject.

    Parameters
    ----------
    store, actor
    target : Target
        The subject; with a `revision` the visit is made in that state or not at all.
    body : VisitIn
    respond : callable
        Takes the open session and the new visit; makes the answer before the commit.
    claim : Claim, optional

    Raises
    ------
    StaleRevision
    InvalidContent
        The visit lies before the birth of the subject.
    """
    with store.write(actor, claim) as transaction:
        session = transaction.session
        subjects.bump(session, target.subject_pk, expected=target.revision)
        values = queries.columns_of(body.model_dump())
        queries.check_after_birth(
            subjects.get(session, target.subject_pk), values["started_at"], values["utc_offset_minutes"]
        )
        visit = Visit(subject_id=target.subject_pk, **values)
        session.add(visit)
        session.flush()
        refresh_visit_results(session, visit.id)
        transaction.changed(
            "visit",
            visit.public_id,
            action="created",
            subject_id=target.subject_id,
            payload={"after": body.model_dump(mode="json")},
        )
        return transaction.answer(respond(session, visit), subject_pk=target.subject_pk)


def change_visit(
    store: Store,
    actor: str,
    target: Target,
    visit_id: str,
    body: VisitPatch,
    *,
    respond: Callable[[Session, Visit], T],
) -> T:
    """Change what is given of a visit; a change of mass or conditions is carried into the analyses of its tests.

    Parameters
    ----------
    store, actor
    target : Target
        The visit; with a `revision` it is changed in that state or not at all.
    visit_id : str
    body : VisitPatch
    respond : callable
        Takes the open session and the visit as changed; makes the answer before the commit.

    Raises
    ------
    StaleRevision
    InvalidContent
        The visit would lie before the birth of the subject.
    """
    assert target.visit_pk is not None  # noqa: S101 a visit is changed
    visit_pk = target.visit_pk
    values = queries.columns_of(body.model_dump(exclude_unset=True))

    def check(session: Session) -> None:
        if "started_at" in values:
            subject = subjects.get(session, target.subject_pk)
            queries.check_after_birth(subject, values["started_at"], values["utc_offset_minutes"])

    def answer(transaction: Transaction, test_pk: int | None) -> T:
        del test_pk
        visit = queries.get(transaction.session, visit_pk)
        transaction.session.refresh(visit)
        transaction.changed(
            "visit",
            visit_id,
            action="changed",
            subject_id=target.subject_id,
            payload={"after": body.model_dump(mode="json", exclude_unset=True)},
        )
        return respond(transaction.session, visit)

    return record(store, actor, target, Edit(visit=values), answer=answer, check=check)


def replace_measurements(
    store: Store,
    actor: str,
    target: Target,
    visit_id: str,
    rows: Sequence[MeasurementIn],
    *,
    respond: Callable[[Session, Visit], T],
) -> T:
    """Store other fitness measurements of a visit in the place of what it has.

    Raises
    ------
    StaleRevision
    InvalidContent
        One is no measurement of a visit, is impossible, or comes twice.
    """
    queries.check_measurements(rows)

    def write(session: Session, visit: Visit) -> Mapping[str, Any]:
        before = queries.out(session, visit, target.subject_id).measurements
        queries.replace_measurements(session, visit.id, rows)
        refresh_visit_results(session, visit.id)
        return {
            "before": {"measurements": [row.model_dump(mode="json") for row in before]},
            "measurements": [row.model_dump(mode="json") for row in rows],
        }

    return _written(store, actor, target, visit_id, write, respond)


def replace_pre_test(
    store: Store,
    actor: str,
    target: Target,
    visit_id: str,
    body: PreTestIn,
    *,
    respond: Callable[[Session, Visit], T],
) -> T:
    """Store what was asked before the test in the place of what the visit has."""

    def write(session: Session, visit: Visit) -> Mapping[str, Any]:
        before = queries.pre_test(visit).model_dump(mode="json")
        for name, value in queries.pre_test_columns(body).items():
            setattr(visit, name, value)
        session.flush()
        return {"before": {"pre_test": before}, "pre_test": body.model_dump(mode="json")}

    return _written(store, actor, target, visit_id, write, respond)


def _written(
    store: Store,
    actor: str,
    target: Target,
    visit_id: str,
    write: Callable[[Session, Visit], Mapping[str, Any]],
    respond: Callable[[Session, Visit], T],
) -> T:
    """One write of a visit that no analysis rests on; `write` answers what the audit keeps of it."""
    assert target.visit_pk is not None  # noqa: S101 a visit is written
    with store.write(actor) as transaction:
        session = transaction.session
        subjects.bump(session, target.subject_pk, expected=target.revision)
        visit = queries.get(session, target.visit_pk)
        payload = write(session, visit)
        transaction.changed(
            "visit", visit_id, action="changed", subject_id=target.subject_id, payload=dict(payload)
        )
        return respond(session, visit)
