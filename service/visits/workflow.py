"""Making a visit: what the interface and the pages do alike."""

from collections.abc import Callable
from typing import TypeVar

from sqlalchemy.orm import Session

from service.analyses.queries import refresh_visit_results
from service.analyses.workflow import Target
from service.db.models import Visit
from service.db.transactions import Claim, Store
from service.subjects import queries as subjects
from service.visits import queries
from service.visits.schemas import VisitIn

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
