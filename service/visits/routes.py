"""Visits over HTTP."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import APIRouter, Body, Request, Response
from sqlalchemy.orm import Session

from service.analyses.workflow import Target
from service.db.models import Visit
from service.errors import HoldsData
from service.http.answers import created, json_response
from service.http.cursors import Cursor, Limit, Page, after, next_cursor, whole_number
from service.http.dependencies import (
    Reader,
    StoreDependency,
    SubjectDependency,
    Tester,
    VisitDependency,
    VisitRef,
)
from service.http.idempotency import OnceDependency
from service.subjects import queries as subjects
from service.visits import queries, workflow
from service.visits.schemas import MeasurementIn, PreTestIn, PreTestOut, VisitIn, VisitOut, VisitPatch

router = APIRouter(prefix="/v1", tags=["visits"])


def target_of(ref: VisitRef) -> Target:
    """Where an edit of this visit is made."""
    return Target(ref.subject_pk, ref.subject_id, ref.visit_pk, revision=ref.expected)


def _shown(ref: VisitRef) -> Callable[[Session, Visit], Response]:
    """An answer with the visit as it stands."""
    return lambda session, visit: json_response(queries.out(session, visit, ref.subject_id))


@router.post("/subjects/{subject_id}/visits", status_code=201, response_model=VisitOut)
def create_visit(
    body: VisitIn, principal: Tester, ref: SubjectDependency, store: StoreDependency, once: OnceDependency
) -> Response:
    """Make a visit of a subject."""
    claim = once.claim(store, body.model_dump(mode="json"))

    def respond(session: Session, visit: Visit) -> Response:
        return created(queries.out(session, visit, ref.subject_id), f"/v1/visits/{visit.public_id}")

    target = Target(ref.subject_pk, ref.subject_id, revision=ref.expected)
    return workflow.make_visit(store, principal.name, target, body, respond=respond, claim=claim)


def _place_of(key: list[Any]) -> tuple[datetime, int]:
    at, pk = key
    return datetime.fromisoformat(at).astimezone(UTC), whole_number([pk])


@router.get("/subjects/{subject_id}/visits")
def list_visits(
    request: Request,
    response: Response,
    principal: Reader,
    ref: SubjectDependency,
    store: StoreDependency,
    limit: Limit = 50,
    cursor: Cursor = None,
) -> Page[VisitOut]:
    """Visits of a subject by time."""
    del principal
    since = after(request, cursor, _place_of)
    with store.read() as session:
        found = queries.listed(session, ref.subject_pk, after=since, limit=limit)
        items = queries.out_all(session, found[:limit], ref.subject_id)
    more = len(found) > limit
    last = found[limit - 1] if more else None
    return Page(
        items=items,
        next=next_cursor(request, response, [last.started_at.isoformat(), last.id] if last else None),
    )


@router.get("/visits/{visit_id}")
def get_visit(principal: Reader, ref: VisitDependency, store: StoreDependency) -> VisitOut:
    """One visit."""
    del principal
    with store.read() as session:
        return queries.out(session, queries.get(session, ref.visit_pk), ref.subject_id)


@router.patch("/visits/{visit_id}", response_model=VisitOut)
def change_visit(
    body: VisitPatch, principal: Tester, ref: VisitDependency, store: StoreDependency
) -> Response:
    """Change a visit; a change of mass or conditions is carried into the analyses of its tests."""
    return workflow.change_visit(
        store, principal.name, target_of(ref), ref.visit_id, body, respond=_shown(ref)
    )


@router.delete("/visits/{visit_id}", status_code=204)
def delete_visit(principal: Tester, ref: VisitDependency, store: StoreDependency) -> Response:
    """Delete a visit that holds nothing; with data it is refused with counts."""
    with store.write(principal.name) as transaction:
        subjects.bump(transaction.session, ref.subject_pk, expected=ref.expected)
        held = queries.held(transaction.session, ref.visit_pk)
        if any(held.values()):
            raise HoldsData(
                f"The visit holds {held['tests']} tests and {held['measurements']} measurements; nothing was deleted.",
                extra={"holds": held},
            )
        transaction.session.execute(sa.delete(Visit).where(Visit.id == ref.visit_pk))
        transaction.changed("visit", ref.visit_id, action="deleted", subject_id=ref.subject_id)
    return Response(status_code=204)


@router.put("/visits/{visit_id}/measurements", response_model=VisitOut)
def put_measurements(
    body: Annotated[list[MeasurementIn], Body(max_length=100)],
    principal: Tester,
    ref: VisitDependency,
    store: StoreDependency,
) -> Response:
    """Store other fitness measurements of a visit in the place of what it has."""
    return workflow.replace_measurements(
        store, principal.name, target_of(ref), ref.visit_id, body, respond=_shown(ref)
    )


@router.get("/visits/{visit_id}/pre-test")
def get_pre_test(principal: Reader, ref: VisitDependency, store: StoreDependency) -> PreTestOut:
    """What was asked before the test, as it was answered; the cautions stand with the visit."""
    del principal
    with store.read() as session:
        return queries.pre_test(queries.get(session, ref.visit_pk))


@router.put("/visits/{visit_id}/pre-test", response_model=VisitOut)
def put_pre_test(
    body: PreTestIn, principal: Tester, ref: VisitDependency, store: StoreDependency
) -> Response:
    """Store what was asked before the test in the place of what the visit has."""
    return workflow.replace_pre_test(
        store, principal.name, target_of(ref), ref.visit_id, body, respond=_shown(ref)
    )
