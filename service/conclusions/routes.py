"""Conclusions over HTTP."""

from fastapi import APIRouter, Response

from service.conclusions import queries
from service.conclusions.schemas import ConclusionIn, ConclusionsOut
from service.conclusions.workflow import conclude
from service.http.answers import json_response
from service.http.dependencies import Reader, StoreDependency, TestDependency, Tester

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
    concluded = conclude(
        store,
        principal.name,
        body,
        subject_pk=ref.subject_pk,
        subject_id=ref.subject_id,
        test_pk=ref.test_pk,
        test_id=ref.test_id,
        revision=ref.expected,
    )
    return json_response(concluded)
