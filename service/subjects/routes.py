"""Subjects over HTTP."""

from datetime import date
from typing import Annotated

import sqlalchemy as sa
from fastapi import APIRouter, Query, Request, Response
from sqlalchemy.orm import Session

from service.analyses.workflow import Target
from service.db.models import Subject
from service.errors import Forbidden, HoldsData, InvalidContent, Place
from service.http.answers import created, json_response
from service.http.cursors import Cursor, Limit, Page, after, next_cursor, text
from service.http.dependencies import Reader, SiteTester, StoreDependency, SubjectDependency, Tester
from service.http.idempotency import OnceDependency
from service.http.keys import Principal
from service.privacy.workflow import erase as erase_person
from service.subjects import queries, workflow
from service.subjects.schemas import NextTestDue, SubjectIn, SubjectOut, SubjectPatch

router = APIRouter(prefix="/v1/subjects", tags=["subjects"])


def shown(subject: Subject, principal: Principal, due: NextTestDue) -> SubjectOut:
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
        next_test_due_on=subject.next_test_due_on,
        next_test_due=due,
        revision=subject.revision,
        created_at=subject.created_at,
    )


def _shown(session: Session, subject: Subject, principal: Principal) -> SubjectOut:
    return shown(subject, principal, queries.next_tests_due(session, [subject])[subject.id])


@router.post("", status_code=201, response_model=SubjectOut)
def create_subject(
    body: SubjectIn, principal: SiteTester, store: StoreDependency, once: OnceDependency
) -> Response:
    """Make a subject."""
    claim = once.claim(store, body.model_dump(mode="json"))

    def respond(session: Session, subject: Subject) -> Response:
        return created(_shown(session, subject, principal), f"/v1/subjects/{subject.public_id}")

    return workflow.make_subject(store, principal.name, body, respond=respond, claim=claim)


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
    due_before: Annotated[
        str | None,
        Query(
            pattern=r"^\d{4}-\d{2}-\d{2}$", description="Only those whose next test is due before this day."
        ),
    ] = None,
    limit: Limit = 50,
    cursor: Cursor = None,
) -> Page[SubjectOut]:
    """Subjects by code."""
    last_code = after(request, cursor, text)
    with store.read() as session:
        found = queries.listed(
            session,
            principal,
            query=query,
            cohort=cohort,
            due_before=_day("due_before", due_before),
            after=last_code,
            limit=limit,
        )
        due = queries.next_tests_due(session, found[:limit])
    more = len(found) > limit
    items = [shown(subject, principal, due[subject.id]) for subject in found[:limit]]
    return Page(items=items, next=next_cursor(request, response, [items[-1].code] if more else None))


@router.get("/{subject_id}")
def get_subject(principal: Reader, ref: SubjectDependency, store: StoreDependency) -> SubjectOut:
    """One subject."""
    with store.read() as session:
        return _shown(session, queries.get(session, ref.subject_pk), principal)


@router.patch("/{subject_id}", response_model=SubjectOut)
def change_subject(
    body: SubjectPatch, principal: Tester, ref: SubjectDependency, store: StoreDependency
) -> Response:
    """Change a subject; a change of sex or birth is carried into every analysis."""

    def respond(session: Session, subject: Subject) -> Response:
        return json_response(_shown(session, subject, principal))

    target = Target(ref.subject_pk, ref.subject_id, revision=ref.expected)
    return workflow.change_subject(store, principal.name, target, body, respond=respond)


@router.delete("/{subject_id}", status_code=204)
def delete_subject(
    principal: Tester,
    ref: SubjectDependency,
    store: StoreDependency,
    erase: Annotated[
        bool,
        Query(description="With all data, as POST .../erasure does; an admin's, and it cannot be undone."),
    ] = False,
) -> Response:
    """Delete a subject that holds nothing; with data it is refused with counts."""
    if erase:
        if not principal.covers("admin"):
            raise Forbidden(f"An erasure needs a key with the scope 'admin'; yours has '{principal.scope}'.")
        erase_person(
            store, principal.name, ref.subject_pk, ref.subject_id, basis="other", revision=ref.expected
        )
        return Response(status_code=204)
    with store.write(principal.name) as transaction:
        queries.bump(transaction.session, ref.subject_pk, expected=ref.expected)
        held = queries.held(transaction.session, ref.subject_pk)
        if any(held.values()):
            raise HoldsData(
                f"The subject holds {held['visits']} visits, {held['tests']} tests, {held['control_measurements']} control "
                f"measurements and {held['events']} events; nothing was deleted.",
                extra={"holds": held},
            )
        transaction.session.execute(sa.delete(Subject).where(Subject.id == ref.subject_pk))
        transaction.changed("subject", ref.subject_id, action="deleted", subject_id=ref.subject_id)
    return Response(status_code=204)


def _day(name: str, text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError as error:
        message = "is not a day of the calendar"
        raise InvalidContent(f"{name} {message}.", (Place(f"query.{name}", message, value=text),)) from error
