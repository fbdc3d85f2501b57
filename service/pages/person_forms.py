"""Forms to add a person and to change one."""

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session
from starlette.responses import Response

from service.analyses.workflow import Target
from service.db.models import Subject
from service.http.dependencies import SiteTester, StoreDependency, SubjectDependency, Tester
from service.pages.forms import Field, Filled, SentDependency, recorded, submitted, typed_of, values_of
from service.pages.rendering import PageRoute, page
from service.subjects import queries, workflow
from service.subjects.schemas import SubjectIn, SubjectPatch

router = APIRouter(prefix="/people", include_in_schema=False, route_class=PageRoute)

FIELDS = (
    Field("code", "Code", hint="What your papers call this person; nobody else may have it.", required=True),
    Field("given_name", "Given name"),
    Field("family_name", "Family name"),
    Field(
        "sex",
        "Sex",
        "choice",
        (("female", "female"), ("male", "male")),
        "Reference tables ask for it; without it there is no standing.",
    ),
    Field("birth_date", "Date of birth", "day"),
    Field(
        "birth_year",
        "Year of birth",
        "whole",
        hint="Only where the date is not kept; age is then taken at mid-year.",
    ),
    Field(
        "next_test_due_on",
        "Next test due on",
        "day",
        hint="Where it is empty, the site's interval after the last test decides.",
    ),
    Field("notes", "Notes", "long"),
)

_BIRTH = {"birth_date", "birth_year"}


@router.get("/new")
def new_person(request: Request, principal: SiteTester) -> Response:
    """An empty form for a new person."""
    del principal
    return _form(request, Filled(), None)


@router.post("")
def add_person(
    request: Request, principal: SiteTester, store: StoreDependency, sent: SentDependency
) -> Response:
    """Add a person."""
    sent.only(one.name for one in FIELDS)
    filled = Filled(typed_of(FIELDS, sent.text))
    answer = submitted(
        filled,
        SubjectIn,
        lambda: values_of(FIELDS, filled.typed),
        lambda body: workflow.make_subject(store, principal.name, body, respond=_to_the_person),
    )
    return answer or _form(request, filled, None)


@router.get("/{subject_id}/edit")
def edit_person(
    request: Request, principal: Tester, ref: SubjectDependency, store: StoreDependency
) -> Response:
    """The form of a person as recorded."""
    del principal
    with store.read() as session:
        subject = queries.get(session, ref.subject_pk)
    return _form(request, Filled(recorded(FIELDS, subject)), subject, subject.revision)


@router.post("/{subject_id}/edit")
def change_person(
    request: Request, principal: Tester, ref: SubjectDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Change what differs from the record, on the state that the form was opened in or not at all."""
    sent.only(["revision", *(one.name for one in FIELDS)])
    revision = sent.revision()
    with store.read() as session:
        subject = queries.get(session, ref.subject_pk)
    filled = Filled(typed_of(FIELDS, sent.text))

    def changes() -> dict[str, Any]:
        before, values = values_of(FIELDS, recorded(FIELDS, subject)), values_of(FIELDS, filled.typed)
        differing = {name for name, value in values.items() if value != before[name]}
        if differing & _BIRTH:
            differing |= _BIRTH  # both stand in the form, so both must agree
        return {name: values[name] for name in differing}

    def store_changes(body: SubjectPatch) -> Response:
        if not body.model_fields_set:
            return _to_the_person(None, subject)
        return workflow.change_subject(store, principal.name, target, body, respond=_to_the_person)

    target = Target(ref.subject_pk, ref.subject_id, revision=revision)
    answer = submitted(filled, SubjectPatch, changes, store_changes)
    return answer or _form(request, filled, subject, revision)


def _to_the_person(session: Session | None, subject: Subject) -> Response:
    del session
    return RedirectResponse(f"/people/{subject.public_id}", status_code=303)


def _form(request: Request, filled: Filled, subject: Subject | None, revision: int | None = None) -> Response:
    return page(
        request,
        "person_form.html",
        status=filled.status,
        fields=FIELDS,
        filled=filled,
        subject=subject,
        revision=revision,
    )
