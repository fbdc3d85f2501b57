"""Recordings over HTTP: a test that is being recorded, as it stands, and its marks."""

from typing import Annotated

from fastapi import APIRouter, Body, Response

from service.analyses.workflow import Target
from service.http.answers import json_response
from service.http.dependencies import Reader, StoreDependency, TestDependency, Tester
from service.http.idempotency import OnceDependency
from service.recordings import queries, workflow
from service.recordings.schemas import MarkIn, RecordingOut

router = APIRouter(prefix="/v1/tests/{test_id}", tags=["tests"])


@router.get("/recording")
def get_recording(principal: Reader, ref: TestDependency, store: StoreDependency) -> RecordingOut:
    """A recording as it stands: its clock, marks and notes, the steps of its protocol, and the latest interval."""
    del principal
    with store.read() as session:
        return queries.out(session, ref.test_pk)


@router.post("/marks", response_model=RecordingOut)
def post_marks(
    body: Annotated[list[MarkIn], Body(min_length=1, max_length=100)],
    principal: Tester,
    ref: TestDependency,
    store: StoreDependency,
    once: OnceDependency,
) -> Response:
    """Mark moments of a recording, or amend those of the same kind and instant; a planned test is then recording.

    The clock of the test begins with `clock_started`. The begin of the first stage of exercise, its end and the reason for
    stopping are carried into the test. What is stored already, with the same content, is answered 200 and stores nothing.
    """
    claim = once.claim(store, [row.model_dump(mode="json") for row in body])
    return workflow.add_marks(
        store,
        principal.name,
        Target(ref.subject_pk, ref.subject_id, ref.visit_pk, ref.test_pk, revision=ref.expected),
        ref.test_id,
        body,
        respond=lambda session: json_response(queries.out(session, ref.test_pk)),
        claim=claim,
    )
