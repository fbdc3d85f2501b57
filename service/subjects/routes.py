"""Subjects over HTTP."""

from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import APIRouter, Query, Request, Response
from sqlalchemy.orm import Session

from service.analyses.workflow import Edit, Target, record
from service.db.models import Subject
from service.db.transactions import Transaction, now
from service.errors import HoldsData
from service.http.answers import created, json_response
from service.http.cursors import Cursor, Limit, Page, after, next_cursor, text
from service.http.dependencies import Reader, SiteTester, StoreDependency, SubjectDependency, Tester
from service.http.idempotency import OnceDependency
from service.http.keys import Principal
from service.subjects import queries
from service.subjects.schemas import SubjectIn, SubjectOut, SubjectPatch
from service.visits import queries as visits

router = APIRouter(prefix="/v1/subjects", tags=["subjects"])


def shown(subject: Subject, principal: Principal) -> SubjectOut:
    """A subject as this key may see it."""
    seen = principal.sees_identity
    return SubjectOut(
        id=subject.public_id,
        code=subject.code,
        given_name=subject.given_name if seen else None,
        family_name=subject.family_name if seen else None,
        birth_date=subject.birth_date if seen else None,
        birth_year=subject.birth_date.year if subject.birth_date else subject.birth_year,
        sex=subject.sex,
        notes=subject.notes if seen else None,
        revision=subject.revision,
        created_at=subject.created_at,
    )


@router.post("", status_code=201, response_model=SubjectOut)
def create_subject(
    body: SubjectIn, principal: SiteTester, store: StoreDependency, once: OnceDependency
) -> Response:
    """Make a subject."""
    claim = once.claim(store, body.model_dump(mode="json"))
    with store.write(principal.name, claim) as transaction:
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
        answer = created(shown(subject, principal), f"/v1/subjects/{subject.public_id}")
        return transaction.answer(answer, subject_pk=subject.id)


@router.get("")
def list_subjects(
    request: Request,
    response: Response,
    principal: Reader,
    store: StoreDependency,
    query: Annotated[
        str | None, Query(max_length=200, description="Part of a code, or of a name the key may see.")
    ] = None,
    cohort: Annotated[str | None, Query(max_length=64, description="Id of a cohort.")] = None,
    limit: Limit = 50,
    cursor: Cursor = None,
) -> Page[SubjectOut]:
    """Subjects by code."""
    last_code = after(request, cursor, text)
    with store.read() as session:
        found = queries.listed(session, principal, query=query, cohort=cohort, after=last_code, limit=limit)
    more = len(found) > limit
    items = [shown(subject, principal) for subject in found[:limit]]
    return Page(items=items, next=next_cursor(request, response, [items[-1].code] if more else None))


@router.get("/{subject_id}")
def get_subject(principal: Reader, ref: SubjectDependency, store: StoreDependency) -> SubjectOut:
    """One subject."""
    with store.read() as session:
        return shown(queries.get(session, ref.subject_pk), principal)


@router.patch("/{subject_id}", response_model=SubjectOut)
def change_subject(
    body: SubjectPatch, principal: Tester, ref: SubjectDependency, store: StoreDependency
) -> Response:
    """Change a subject; a change of sex or birth is carried into every analysis."""
    values = body.model_dump(exclude_unset=True)
    before: dict[str, Any] = {}

    def edit(session: Session) -> Edit:
        subject = queries.get(session, ref.subject_pk)
        before.update({name: getattr(subject, name) for name in values})
        return Edit(subject={**values, **queries.agreed_birth(subject, values)})

    def answer(transaction: Transaction, test_pk: int | None) -> Response:
        del test_pk
        changed = queries.get(transaction.session, ref.subject_pk)
        transaction.session.refresh(changed)
        transaction.changed(
            "subject",
            ref.subject_id,
            action="changed",
            subject_id=ref.subject_id,
            payload={"before": before, "after": body.model_dump(mode="json", exclude_unset=True)},
        )
        return json_response(shown(changed, principal))

    def check(session: Session) -> None:
        if "code" in values:
            queries.check_code_is_free(session, values["code"], but=ref.subject_pk)
        visits.check_all_after_birth(session, ref.subject_pk, values)

    target = Target(ref.subject_pk, ref.subject_id, revision=ref.expected)
    return record(store, principal.name, target, edit, answer=answer, check=check)


@router.delete("/{subject_id}", status_code=204)
def delete_subject(principal: Tester, ref: SubjectDependency, store: StoreDependency) -> Response:
    """Delete a subject that holds nothing; with data it is refused with counts."""
    with store.write(principal.name) as transaction:
        queries.bump(transaction.session, ref.subject_pk, expected=ref.expected)
        held = queries.held(transaction.session, ref.subject_pk)
        if any(held.values()):
            raise HoldsData(
                f"The subject holds {held['visits']} visits, {held['tests']} tests and {held['control_measurements']} control "
                "measurements; nothing was deleted.",
                extra={"holds": held},
            )
        transaction.session.execute(sa.delete(Subject).where(Subject.id == ref.subject_pk))
        transaction.changed("subject", ref.subject_id, action="deleted", subject_id=ref.subject_id)
    return Response(status_code=204)
