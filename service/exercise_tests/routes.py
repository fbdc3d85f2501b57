"""Tests over HTTP: the record of one, its intervals, notes and marks."""

from collections.abc import Callable
from typing import Annotated, Any, Literal

import sqlalchemy as sa
from fastapi import APIRouter, Body, Query, Request, Response
from sqlalchemy.orm import Session

from service.analyses.queries import read_calibrations, read_notes, read_reported, read_tester_thresholds
from service.analyses.workflow import Edit, Target, breath_marks, record
from service.analysis.estimation import check_field_inputs
from service.analysis.series import ReportedValue
from service.db.models import ExerciseTest
from service.db.transactions import Claim, Store, Transaction
from service.errors import Conflict, HoldsData, InvalidContent, Place
from service.exercise_tests import queries, workflow
from service.exercise_tests.schemas import (
    CalibrationIn,
    ExclusionIn,
    ExclusionOut,
    IntervalsIn,
    ReportedResultIn,
    StageNoteIn,
    TestIn,
    TestOut,
    TestPatch,
    ThresholdIn,
)
from service.http.answers import MEDIA_TYPES, created, form, json_response
from service.http.cursors import Cursor, Page, after, next_cursor, whole_number
from service.http.dependencies import (
    Reader,
    StoreDependency,
    TestDependency,
    Tester,
    TestRef,
    VisitDependency,
)
from service.http.idempotency import OnceDependency
from service.http.keys import Principal
from service.subjects.queries import bump

router = APIRouter(prefix="/v1", tags=["tests"])

IntervalLimit = Annotated[int, Query(ge=1, le=5000, description="Most intervals of one answer.")]


def target_of(ref: TestRef) -> Target:
    """Where an edit of this test is made."""
    return Target(
        ref.subject_pk,
        ref.subject_id,
        ref.visit_pk,
        ref.test_pk,
        revision=ref.expected,
    )


def _columns(values: dict[str, Any]) -> dict[str, Any]:
    if "protocol_id" in values:
        values = {**values, "protocol_key": values["protocol_id"]}
        del values["protocol_id"]
    return values


def _checked(
    session: Session, subject_pk: int, values: dict[str, Any], *, but: int | None = None
) -> dict[str, Any]:
    """Wire fields as columns, with what they name looked up."""
    if values.get("protocol_id") is not None:
        queries.check_protocol(session, values["protocol_id"])
    if values.get("verifies_test_id") is not None:
        values = {
            **values,
            "verifies_test_id": queries.linked_test(session, subject_pk, values["verifies_test_id"], but=but),
        }
    return _columns(values)


def _write(
    store: Store,
    principal: Principal,
    ref: TestRef,
    edit: Edit | Callable[[Session], Edit],
    payload: dict[str, Any],
    claim: Claim | None = None,
) -> Response:
    """Make an edit of a test, and answer with the test as it stands."""
    return workflow.change(
        store,
        principal.name,
        target_of(ref),
        ref.test_id,
        edit,
        payload,
        respond=lambda session: json_response(queries.out(session, ref.test_pk)),
        claim=claim,
    )


@router.post("/visits/{visit_id}/tests", status_code=201, response_model=TestOut)
def create_test(
    body: TestIn, principal: Tester, ref: VisitDependency, store: StoreDependency, once: OnceDependency
) -> Response:
    """Make a test of a visit: planned, or complete where its `field_inputs` are all there is."""
    claim = once.claim(store, body.model_dump(mode="json"))
    if body.field_inputs is not None:
        check_field_inputs(body.mode, body.field_inputs, where="body.field_inputs")
    with store.read() as session:
        values = _checked(session, ref.subject_pk, body.model_dump())
    status = "complete" if body.field_inputs is not None else "planned"

    def answer(transaction: Transaction, test_pk: int | None) -> Response:
        assert test_pk is not None  # noqa: S101 the edit makes it
        shown = queries.out(transaction.session, test_pk)
        transaction.changed(
            "test",
            shown.id,
            action="created",
            subject_id=ref.subject_id,
            payload={"after": body.model_dump(mode="json")},
        )
        return transaction.answer(created(shown, f"/v1/tests/{shown.id}"), subject_pk=ref.subject_pk)

    target = Target(ref.subject_pk, ref.subject_id, ref.visit_pk, revision=ref.expected)
    edit = Edit(test={**values, "status": status}, new_test=True)
    return record(store, principal.name, target, edit, answer=answer, claim=claim)


@router.get("/visits/{visit_id}/tests")
def list_tests(principal: Reader, ref: VisitDependency, store: StoreDependency) -> Page[TestOut]:
    """The tests of a visit, whole."""
    del principal
    with store.read() as session:
        return Page(items=queries.out_of_visit(session, ref.visit_pk), next=None)


@router.get("/tests/{test_id}")
def get_test(principal: Reader, ref: TestDependency, store: StoreDependency) -> TestOut:
    """One test."""
    del principal
    with store.read() as session:
        return queries.out(session, ref.test_pk)


@router.patch("/tests/{test_id}", response_model=TestOut)
def change_test(body: TestPatch, principal: Tester, ref: TestDependency, store: StoreDependency) -> Response:
    """Change a test; marks, mode, shape, protocol and stop reason are carried into its analysis."""
    with store.read() as session:
        values = _checked(session, ref.subject_pk, body.model_dump(exclude_unset=True), but=ref.test_pk)
        test = queries.get(session, ref.test_pk)
        if body.field_inputs is not None:
            mode: Any = values.get("mode", test.mode)
            check_field_inputs(mode, body.field_inputs, where="body.field_inputs")
        start = values.get("exercise_start_s", test.exercise_start_s)
        end = values.get("exercise_end_s", test.exercise_end_s)
        if start is not None and end is not None and end <= start:
            message = "must be later than exercise_start_s"
            raise InvalidContent(
                f"exercise_end_s {message}.", (Place("body.exercise_end_s", message, value=end),)
            )
    return _write(
        store, principal, ref, Edit(test=values), {"after": body.model_dump(mode="json", exclude_unset=True)}
    )


@router.delete("/tests/{test_id}", status_code=204)
def delete_test(principal: Tester, ref: TestDependency, store: StoreDependency) -> Response:
    """Delete a test that holds nothing; one with data is refused with counts: void it."""
    with store.write(principal.name) as transaction:
        bump(transaction.session, ref.subject_pk, expected=ref.expected)
        held = queries.held(transaction.session, ref.test_pk)
        if any(held.values()):
            told = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in held.items() if count)
            raise HoldsData(
                f"The test holds {told}; nothing was deleted. Set its status to void instead.",
                extra={"holds": held},
            )
        transaction.session.execute(sa.delete(ExerciseTest).where(ExerciseTest.id == ref.test_pk))
        transaction.changed("test", ref.test_id, action="deleted", subject_id=ref.subject_id)
    return Response(status_code=204)


@router.get(
    "/tests/{test_id}/intervals",
    response_model=None,
    responses={200: {"content": {"text/csv": {}, "application/vnd.apache.parquet": {}}}},
)
def get_intervals(
    request: Request,
    response: Response,
    principal: Reader,
    ref: TestDependency,
    store: StoreDependency,
    limit: IntervalLimit = 50,
    cursor: Cursor = None,
    format: Annotated[Literal["json", "csv", "parquet"] | None, Query()] = None,  # noqa: A002 the contract's name
) -> Any:
    """Intervals as recorded, each with why it does not count, by hand or by a rule; CSV and Parquet come whole."""
    del principal
    wanted = form(request, format, "json", "csv", "parquet")
    if wanted != "json":
        with store.read() as session:
            rows = workflow.marked(
                queries.read_intervals(session, ref.test_pk), breath_marks(session, ref.test_pk)
            )
        return Response(
            workflow.table_bytes(rows, wanted), media_type=MEDIA_TYPES[wanted], headers=ref.headers
        )
    last_seq = after(request, cursor, whole_number)
    with store.read() as session:
        rows = workflow.marked(
            queries.read_intervals(session, ref.test_pk, after=last_seq, limit=limit + 1),
            breath_marks(session, ref.test_pk),
        )
    key = [rows[limit - 1]["seq"]] if len(rows) > limit else None
    following = next_cursor(request, response, key)
    headers = {**ref.headers, **({"Link": response.headers["Link"]} if following else {})}
    return json_response({"items": rows[:limit], "next": following}, headers=headers)


@router.put("/tests/{test_id}/intervals", response_model=TestOut)
def put_intervals(
    body: IntervalsIn, principal: Tester, ref: TestDependency, store: StoreDependency
) -> Response:
    """Store intervals in the place of what the test has; the test is complete."""
    series = workflow.series_of(body.intervals)
    edit = Edit(test={"status": "complete"}, series=series)
    return _write(store, principal, ref, edit, {"intervals": len(series)})


@router.post("/tests/{test_id}/intervals", response_model=TestOut)
def post_intervals(
    body: IntervalsIn, principal: Tester, ref: TestDependency, store: StoreDependency, once: OnceDependency
) -> Response:
    """Append intervals; a planned test is then recording, and what is being recorded is not analysed yet.

    What is stored already, with the same content, is answered 200 and stores nothing.
    """
    claim = once.claim(store, body.model_dump(mode="json"))

    return workflow.append(
        store,
        principal.name,
        target_of(ref),
        ref.test_id,
        body.intervals,
        respond=lambda session: json_response(queries.out(session, ref.test_pk)),
        claim=claim,
    )


@router.get("/tests/{test_id}/stage-notes")
def get_stage_notes(principal: Reader, ref: TestDependency, store: StoreDependency) -> Page[StageNoteIn]:
    """What was written down at the stages, whole."""
    del principal
    with store.read() as session:
        notes = read_notes(session, ref.test_pk)
    fields = StageNoteIn.model_fields
    return Page(
        items=[
            StageNoteIn.model_construct(**{name: getattr(note, name) for name in fields}) for note in notes
        ],
        next=None,
    )


NotesBody = Annotated[list[StageNoteIn], Body(max_length=2000)]


@router.put("/tests/{test_id}/stage-notes", response_model=TestOut)
def put_stage_notes(
    body: NotesBody, principal: Tester, ref: TestDependency, store: StoreDependency
) -> Response:
    """Store stage notes in the place of what the test has."""
    edit = Edit(notes=workflow.notes_of(body))
    return _write(store, principal, ref, edit, {"stage_notes": [row.model_dump(mode="json") for row in body]})


@router.post("/tests/{test_id}/stage-notes", response_model=TestOut)
def post_stage_notes(
    body: NotesBody, principal: Tester, ref: TestDependency, store: StoreDependency, once: OnceDependency
) -> Response:
    """Append stage notes, or amend those of the same stage, phase and time; a planned test is then recording."""
    return workflow.add_notes(
        store,
        principal.name,
        target_of(ref),
        ref.test_id,
        body,
        respond=lambda session: json_response(queries.out(session, ref.test_pk)),
        claim=once.claim(store, [row.model_dump(mode="json") for row in body]),
    )


@router.put("/tests/{test_id}/exclusions", response_model=TestOut)
def put_exclusions(
    body: Annotated[list[ExclusionIn], Body(max_length=10_000)],
    principal: Tester,
    ref: TestDependency,
    store: StoreDependency,
) -> Response:
    """Take intervals out, keep those that a rule would leave out, or take a decision back; the recorded values stay."""
    edit = workflow.exclusions_edit(target_of(ref), principal.name, body)
    return _write(store, principal, ref, edit, {"exclusions": [row.model_dump() for row in body]})


@router.get("/tests/{test_id}/exclusions")
def get_exclusions(principal: Reader, ref: TestDependency, store: StoreDependency) -> Page[ExclusionOut]:
    """What was decided by hand about single intervals, by whom, when and why, whole."""
    del principal
    with store.read() as session:
        return Page(items=queries.read_exclusions(session, ref.test_pk), next=None)


@router.put("/tests/{test_id}/calibrations", response_model=TestOut)
def put_calibrations(
    body: Annotated[list[CalibrationIn], Body(max_length=100)],
    principal: Tester,
    ref: TestDependency,
    store: StoreDependency,
) -> Response:
    """Store calibrations in the place of what the test has; drift is judged in the analysis."""
    rows = [row.model_dump() for row in body]
    return _write(store, principal, ref, Edit(calibrations=rows), {"calibrations": rows})


@router.get("/tests/{test_id}/calibrations")
def get_calibrations(principal: Reader, ref: TestDependency, store: StoreDependency) -> Page[CalibrationIn]:
    """The calibrations of a test in the order they were given, whole."""
    del principal
    with store.read() as session:
        rows = read_calibrations(session, ref.test_pk)
    return Page(items=[CalibrationIn.model_construct(**row) for row in rows], next=None)


@router.put("/tests/{test_id}/thresholds", response_model=TestOut)
def put_thresholds(
    body: Annotated[list[ThresholdIn], Body(max_length=3)],
    principal: Tester,
    ref: TestDependency,
    store: StoreDependency,
) -> Response:
    """Store the tester's own thresholds, with who and why, beside the computed ones."""
    rows = [row.model_dump() for row in body]
    return _write(store, principal, ref, workflow.thresholds_edit(body), {"thresholds": rows})


@router.get("/tests/{test_id}/thresholds")
def get_thresholds(principal: Reader, ref: TestDependency, store: StoreDependency) -> Page[ThresholdIn]:
    """The tester's own thresholds as they were set, whole; the computed ones stand in the analysis."""
    del principal
    with store.read() as session:
        rows = read_tester_thresholds(session, ref.test_pk)
    return Page(items=[ThresholdIn.model_construct(**row) for row in rows], next=None)


@router.put("/tests/{test_id}/reported-results", response_model=TestOut)
def put_reported_results(
    body: Annotated[list[ReportedResultIn], Body(min_length=1, max_length=100)],
    principal: Tester,
    ref: TestDependency,
    store: StoreDependency,
) -> Response:
    """Store results that came without intervals; the test is complete, its basis is reported."""
    workflow.check_reported(body)

    def edit(session: Session) -> Edit:
        if queries.count_intervals(session, ref.test_pk):
            message = "has intervals; its results are computed from them"
            raise Conflict(f"The test {message}.", (Place("test_id", message),))
        reported = tuple(ReportedValue(row.quantity, row.value, row.method, row.source) for row in body)
        return Edit(test={"status": "complete"}, reported=reported)

    return _write(store, principal, ref, edit, {"reported_results": [row.model_dump() for row in body]})


@router.get("/tests/{test_id}/reported-results")
def get_reported_results(
    principal: Reader, ref: TestDependency, store: StoreDependency
) -> Page[ReportedResultIn]:
    """Results that came without intervals, whole."""
    del principal
    with store.read() as session:
        rows = read_reported(session, ref.test_pk)
    return Page(
        items=[
            ReportedResultIn.model_construct(
                quantity=row.quantity, value=row.value, method=row.method, source=row.source
            )
            for row in rows
        ],
        next=None,
    )
