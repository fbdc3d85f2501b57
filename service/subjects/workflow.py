"""Making and changing a subject: what the interface and the pages do alike."""

from collections.abc import Callable
from typing import Any, TypeVar

from sqlalchemy.orm import Session

from service.analyses.workflow import Edit, Target, record
from service.db.models import Subject
from service.db.transactions import Claim, Store, Transaction, now
from service.subjects import queries
from service.subjects.schemas import SubjectIn, SubjectPatch
from service.visits import queries as visits

T = TypeVar("T")


def make_subject(
    store: Store,
    actor: str,
    body: SubjectIn,
    *,
    respond: Callable[[Session, Subject], T],
    claim: Claim | None = None,
) -> T:
    """Make a subject.

    Parameters
    ----------
    store, actor
    body : SubjectIn
    respond : callable
        Takes the open session and the new subject; makes the answer before the commit.
    claim : Claim, optional

    Raises
    ------
    DuplicateCode
    """
    with store.write(actor, claim) as transaction:
        session = transaction.session
        queries.check_code_is_free(session, body.code)
        subject = Subject(**body.model_dump(), created_at=now(), revision=1)
        session.add(subject)
        session.flush()
        transaction.changed(
            "subject",
            subject.public_id,
            action="created",
            subject_id=subject.public_id,
            payload={"after": body.model_dump(mode="json")},
        )
        return transaction.answer(respond(session, subject), subject_pk=subject.id)


def change_subject(
    store: Store,
    actor: str,
    target: Target,
    body: SubjectPatch,
    *,
    respond: Callable[[Session, Subject], T],
) -> T:
    """Change the fields of a subject that `body` names; a change of sex or birth is carried into every analysis.

    Parameters
    ----------
    store, actor
    target : Target
        The subject; with a `revision` it is changed in that state or not at all.
    body : SubjectPatch
    respond : callable
        Takes the open session and the subject as it is now; makes the answer before the commit.

    Raises
    ------
    DuplicateCode, StaleRevision
    InvalidContent
        A birth that does not agree with itself or with a visit.
    """
    values = body.model_dump(exclude_unset=True)
    before: dict[str, Any] = {}

    def edit(session: Session) -> Edit:
        subject = queries.get(session, target.subject_pk)
        before.update({name: getattr(subject, name) for name in values})
        return Edit(subject={**values, **queries.agreed_birth(subject, values)})

    def answer(transaction: Transaction, test_pk: int | None) -> T:
        del test_pk
        changed = queries.get(transaction.session, target.subject_pk)
        transaction.session.refresh(changed)
        transaction.changed(
            "subject",
            target.subject_id,
            action="changed",
            subject_id=target.subject_id,
            payload={"before": before, "after": body.model_dump(mode="json", exclude_unset=True)},
        )
        return respond(transaction.session, changed)

    def check(session: Session) -> None:
        if "code" in values:
            queries.check_code_is_free(session, values["code"], but=target.subject_pk)
        visits.check_all_after_birth(session, target.subject_pk, values)

    return record(store, actor, target, edit, answer=answer, check=check)
