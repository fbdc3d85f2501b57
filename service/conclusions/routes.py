"""Conclusions over HTTP."""

from fastapi import APIRouter, Response

from service.conclusions import queries
from service.conclusions.schemas import ConclusionIn, ConclusionsOut
from service.http.answers import json_response
from service.http.dependencies import Reader, StoreDependency, TestDependency, Tester
from service.subjects.queries import bump

router = APIRouter(prefix="/v1/tests/{test_id}/conclusion", tags=["tests"])


@router.get("")
def get_conclusion(principal: Reader, ref: TestDependency, store: StoreDependency) -> ConclusionsOut:
    """The conclusion of a test with its earlier versions."""
    del principal
    with store.read() as session:
        return queries.out(session, ref.test_pk, ref.test_id)


@router.put("", response_model=ConclusionsOut)
def put_conclusion(
    body: ConclusionIn, principal: Tester, ref: TestDependency, store: StoreDependency
) -> Response:
    """Write a conclusion; with `signed_at` it is signed and frozen together with the analysis of that moment.

    A draft is written over. After a signature each further conclusion is an amendment beside it.
    """
    with store.write(principal.name) as transaction:
        session = transaction.session
        bump(session, ref.subject_pk, expected=ref.expected)
        row = queries.write(session, ref.test_pk, body)
        transaction.changed(
            "conclusion",
            ref.test_id,
            action="created" if row.version == 1 else "changed",
            subject_id=ref.subject_id,
            payload={"version": row.version, "after": body.model_dump(mode="json")},
        )
        return json_response(queries.out(session, ref.test_pk, ref.test_id))
