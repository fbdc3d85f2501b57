"""What happened to a person: noted with a plain form, and taken away where it was noted wrongly."""

from typing import get_args

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from service.db.models import Event
from service.db.transactions import Store
from service.errors import NotFound
from service.events import queries, workflow
from service.events.schemas import PersonEventIn, PersonKind
from service.http.dependencies import (
    EventDependency,
    StoreDependency,
    SubjectDependency,
    SubjectRef,
    Tester,
)
from service.pages.forms import Field, Filled, SentDependency, submitted, typed_of, values_of
from service.pages.rendering import PageRoute, page
from service.subjects import queries as subjects

router = APIRouter(prefix="/people/{subject_id}/events", include_in_schema=False, route_class=PageRoute)

FIELDS = (
    Field(
        "kind",
        "Kind",
        "choice",
        tuple((kind, kind.replace("_", " ")) for kind in get_args(PersonKind)),
        required=True,
        empty="choose",
    ),
    Field(
        "title",
        "In a few words",
        hint="Stands at the trend, and everybody who may read the trend sees it.",
        required=True,
    ),
    Field("started_on", "Began on", "day", required=True),
    Field("ended_on", "Ended on", "day", hint="Empty for a single day, or while it goes on."),
    Field("notes", "Notes", "long"),
)
#: The latest of them; nobody notes more of one person by hand.
_MOST_SHOWN = 500


@router.get("/new")
def new_event(
    request: Request, principal: Tester, ref: SubjectDependency, store: StoreDependency
) -> Response:
    """An empty form, with the events that are noted already."""
    del principal
    return _form(request, store, ref, Filled(), ref.revision)


@router.post("/new")
def add_event(
    request: Request, principal: Tester, ref: SubjectDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Note an event; a form sent twice notes one."""
    sent.only(["revision", *(one.name for one in FIELDS)])
    revision = sent.revision()
    filled = Filled(typed_of(FIELDS, sent.text))

    def respond(event: Event) -> Response:
        del event
        return RedirectResponse(f"/people/{ref.subject_id}/events/new", status_code=303)

    answer = submitted(
        filled,
        PersonEventIn,
        lambda: values_of(FIELDS, filled.typed),
        lambda body: workflow.note_of_person(
            store,
            principal.name,
            (ref.subject_pk, ref.subject_id),
            body,
            expected=revision,
            respond=respond,
        ),
    )
    return answer or _form(request, store, ref, filled, revision)


@router.post("/{event_id}/take-away")
def take_event_away(
    principal: Tester,
    ref: SubjectDependency,
    event: EventDependency,
    store: StoreDependency,
    sent: SentDependency,
) -> Response:
    """Take an event away in the state of the record that was shown, or not at all."""
    sent.only(["revision"])
    if event.subject_pk != ref.subject_pk:
        raise NotFound("There is no such event of this person.")
    workflow.take_away(
        store,
        principal.name,
        event.event_pk,
        ref.subject_pk,
        ref.subject_id,
        expected=sent.revision(),
    )
    return RedirectResponse(f"/people/{ref.subject_id}/events/new", status_code=303)


def _form(request: Request, store: Store, ref: SubjectRef, filled: Filled, revision: int) -> Response:
    with store.read() as session:
        subject = subjects.get(session, ref.subject_pk)
        noted = [
            queries.out(one, ref.subject_id)
            for one in queries.listed(session, ref.subject_pk, after=None, limit=_MOST_SHOWN)
        ]
    return page(
        request,
        "event_form.html",
        status=filled.status,
        fields=FIELDS,
        filled=filled,
        subject=subject,
        noted=noted[::-1],
        revision=revision,
        shown_revision=ref.revision,
    )
