"""Visits over HTTP."""

from datetime import UTC, datetime
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import APIRouter, Body, Request, Response
from sqlalchemy.orm import Session

from service.analyses.queries import refresh_visit_results
from service.analyses.workflow import Edit, Target, record
from service.db.models import Visit
from service.db.transactions import Transaction
from service.errors import HoldsData
from service.http.answers import created, json_response
from service.http.cursors import Cursor, Limit, Page, after, next_cursor, whole_number
from service.http.dependencies import Reader, StoreDependency, SubjectDependency, Tester, VisitDependency
from service.http.idempotency import OnceDependency
from service.subjects import queries as subjects
from service.visits import queries, workflow
from service.visits.schemas import MeasurementIn, PreTestIn, PreTestOut, VisitIn, VisitOut, VisitPatch

router = APIRouter(prefix="/v1", tags=["visits"])


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
        items = [queries.out(session, visit, ref.subject_id) for visit in found[:limit]]
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
    values = queries.columns_of(body.model_dump(exclude_unset=True))

    def check(session: Session) -> None:
        if "started_at" in values:
            subject = subjects.get(session, ref.subject_pk)
            queries.check_after_birth(subject, values["started_at"], values["utc_offset_minutes"])

    def answer(transaction: Transaction, test_pk: int | None) -> Response:
        del test_pk
        visit = queries.get(transaction.session, ref.visit_pk)
        transaction.session.refresh(visit)
        transaction.changed(
            "visit",
            ref.visit_id,
            action="changed",
            subject_id=ref.subject_id,
            payload={"after": body.model_dump(mode="json", exclude_unset=True)},
        )
        return json_response(queries.out(transaction.session, visit, ref.subject_id))

    target = Target(ref.subject_pk, ref.subject_id, ref.visit_pk, revision=ref.expected)
    return record(store, principal.name, target, Edit(visit=values), answer=answer, check=check)


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
    queries.check_measurements(body)
    with store.write(principal.name) as transaction:
        session = transaction.session
        subjects.bump(session, ref.subject_pk, expected=ref.expected)
        before = queries.out(session, queries.get(session, ref.visit_pk), ref.subject_id).measurements
        queries.replace_measurements(session, ref.visit_pk, body)
        refresh_visit_results(session, ref.visit_pk)
        transaction.changed(
            "visit",
            ref.visit_id,
            action="changed",
            subject_id=ref.subject_id,
            payload={
                "before": {"measurements": [row.model_dump(mode="json") for row in before]},
                "measurements": [row.model_dump(mode="json") for row in body],
            },
        )
        return json_response(queries.out(session, queries.get(session, ref.visit_pk), ref.subject_id))


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
    with store.write(principal.name) as transaction:
        session = transaction.session
        subjects.bump(session, ref.subject_pk, expected=ref.expected)
        visit = queries.get(session, ref.visit_pk)
        before = queries.pre_test(visit).model_dump(mode="json")
        visit.pre_test_answers = [answer.model_dump() for answer in body.answers]
        visit.consent_given_at = body.consent_given_at
        visit.cleared_by = body.cleared_by
        session.flush()
        transaction.changed(
            "visit",
            ref.visit_id,
            action="changed",
            subject_id=ref.subject_id,
            payload={"before": {"pre_test": before}, "pre_test": body.model_dump(mode="json")},
        )
        return json_response(queries.out(session, visit, ref.subject_id))
