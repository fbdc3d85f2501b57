"""Events over HTTP."""

from datetime import date
from typing import Any

from fastapi import APIRouter, Request, Response

from service.db.models import Event
from service.db.transactions import Store
from service.events import queries, workflow
from service.events.schemas import EventOut, EventPatch, PersonEventIn, SiteEventIn
from service.http.answers import created, json_response
from service.http.cursors import Cursor, Limit, Page, after, next_cursor, whole_number
from service.http.dependencies import (
    EventDependency,
    Reader,
    SiteReader,
    SiteTester,
    StoreDependency,
    SubjectDependency,
    Tester,
)
from service.http.idempotency import OnceDependency

router = APIRouter(prefix="/v1", tags=["events"])


@router.post("/subjects/{subject_id}/events", status_code=201, response_model=EventOut)
def create_subject_event(
    body: PersonEventIn,
    principal: Tester,
    ref: SubjectDependency,
    store: StoreDependency,
    once: OnceDependency,
) -> Response:
    """Note what happened to a person: an illness, an injury, a block of training."""
    claim = once.claim(store, body.model_dump(mode="json"))

    def respond(event: Event) -> Response:
        return created(queries.out(event, ref.subject_id), f"/v1/events/{event.public_id}")

    return workflow.note_of_person(
        store,
        principal.name,
        (ref.subject_pk, ref.subject_id),
        body,
        expected=ref.expected,
        claim=claim,
        respond=respond,
    )


@router.get("/subjects/{subject_id}/events")
def list_subject_events(
    request: Request,
    response: Response,
    principal: Reader,
    ref: SubjectDependency,
    store: StoreDependency,
    limit: Limit = 50,
    cursor: Cursor = None,
) -> Page[EventOut]:
    """Events of a person by their begin."""
    del principal
    return _page(request, response, store, ref.subject_pk, ref.subject_id, limit, cursor)


@router.post("/events", status_code=201, response_model=EventOut)
def create_site_event(
    body: SiteEventIn, principal: SiteTester, store: StoreDependency, once: OnceDependency
) -> Response:
    """Note what happened at the site: a new analyser, a service, another procedure."""
    claim = once.claim(store, body.model_dump(mode="json"))
    return workflow.note_of_site(
        store,
        principal.name,
        body,
        claim=claim,
        respond=lambda event: created(queries.out(event, None), f"/v1/events/{event.public_id}"),
    )


@router.get("/events")
def list_site_events(
    request: Request,
    response: Response,
    principal: SiteReader,
    store: StoreDependency,
    limit: Limit = 50,
    cursor: Cursor = None,
) -> Page[EventOut]:
    """Events of the site by their begin."""
    del principal
    return _page(request, response, store, None, None, limit, cursor)


@router.get("/events/{event_id}")
def get_event(principal: Reader, ref: EventDependency, store: StoreDependency) -> EventOut:
    """One event, of a person or of the site."""
    del principal
    with store.read() as session:
        return queries.out(queries.get(session, ref.event_pk), ref.subject_id)


@router.patch("/events/{event_id}", response_model=EventOut)
def change_event(
    body: EventPatch, principal: Tester, ref: EventDependency, store: StoreDependency
) -> Response:
    """Change an event."""
    with store.write(principal.name) as transaction:
        workflow.begin(transaction, ref.subject_pk, expected=ref.expected)
        event = queries.get(transaction.session, ref.event_pk)
        before = {name: getattr(event, name) for name in body.model_fields_set}
        workflow.change(transaction, event, body)
        transaction.changed(
            "event",
            ref.event_id,
            action="changed",
            subject_id=ref.subject_id,
            payload={"before": before, "after": body.model_dump(mode="json", exclude_unset=True)},
        )
        return json_response(queries.out(event, ref.subject_id))


@router.delete("/events/{event_id}", status_code=204)
def delete_event(principal: Tester, ref: EventDependency, store: StoreDependency) -> Response:
    """Take an event away that was noted wrongly; the audit keeps it."""
    workflow.take_away(
        store, principal.name, ref.event_pk, ref.subject_pk, ref.subject_id, expected=ref.expected
    )
    return Response(status_code=204)


def _place_of(key: list[Any]) -> tuple[date, int]:
    day, pk = key
    return date.fromisoformat(day), whole_number([pk])


def _page(
    request: Request,
    response: Response,
    store: Store,
    subject_pk: int | None,
    subject_id: str | None,
    limit: int,
    cursor: str | None,
) -> Page[EventOut]:
    since = after(request, cursor, _place_of)
    with store.read() as session:
        found = queries.listed(session, subject_pk, after=since, limit=limit)
        items = [queries.out(event, subject_id) for event in found[:limit]]
    last = found[limit - 1] if len(found) > limit else None
    key = None if last is None else [last.started_on.isoformat(), last.id]
    return Page(items=items, next=next_cursor(request, response, key))
