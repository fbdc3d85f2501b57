"""The form of a test: why it was done, how it ended, its equipment, and who read the ECG."""

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from service.analyses.workflow import Edit, Target
from service.db.transactions import Store
from service.exercise_tests import queries, workflow
from service.exercise_tests.schemas import TestPatch
from service.http.dependencies import StoreDependency, TestDependency, Tester, TestRef
from service.pages.forms import (
    Field,
    Filled,
    SentDependency,
    recorded,
    submitted,
    typed_of,
    values_of,
    yes_or_no,
)
from service.pages.recording_sheet import STOPS
from service.pages.rendering import PageRoute, page
from service.subjects import queries as subjects

router = APIRouter(prefix="/tests/{test_id}/edit", include_in_schema=False, route_class=PageRoute)

#: Parts of the form, each with a heading.
PARTS = (
    ("Reason", (Field("reason_for_test", "Reason for the test", "long", hint="Why it was asked for."),)),
    (
        "End",
        (
            Field("stop_reason", "Reason for stopping", "choice", STOPS),
            Field("stop_note", "What was said of it", "long"),
        ),
    ),
    (
        "Equipment",
        (
            Field("ergometer", "Ergometer"),
            Field("analyser", "Analyser"),
            Field(
                "interface", "Mouthpiece or mask", "choice", (("mask", "mask"), ("mouthpiece", "mouthpiece"))
            ),
            Field("posture", "Posture"),
            yes_or_no("handrail_support", "Handrail was held", "Of a treadmill."),
        ),
    ),
    (
        "Recovery",
        (
            yes_or_no("recovery_active", "Went on moving"),
            Field("recovery_posture", "Posture in recovery", hint="Such as upright, seated or supine."),
        ),
    ),
    (
        "ECG",
        (
            yes_or_no("ecg_recorded", "An ECG was recorded"),
            Field("ecg_read_by", "Read by", hint="Nothing here reads an ECG."),
            Field("ecg_reading", "What was read", "long"),
        ),
    ),
    ("Notes", (Field("notes", "Notes of the test", "long"),)),
)
FIELDS = tuple(one for _, fields in PARTS for one in fields)


@router.get("")
def edit_test(request: Request, principal: Tester, ref: TestDependency, store: StoreDependency) -> Response:
    """The form of a test as recorded."""
    del principal
    with store.read() as session:
        typed = recorded(FIELDS, queries.get(session, ref.test_pk))
    return _form(request, store, ref, Filled(typed), ref.revision)


@router.post("")
def change_test_in_form(
    request: Request, principal: Tester, ref: TestDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Change what differs from the record, on the state that the form was opened in or not at all."""
    sent.only(["revision", *(one.name for one in FIELDS)])
    revision = sent.revision()
    filled = Filled(typed_of(FIELDS, sent.text))
    with store.read() as session:
        before = values_of(FIELDS, recorded(FIELDS, queries.get(session, ref.test_pk)))
    done = RedirectResponse(f"/tests/{ref.test_id}", status_code=303)

    def changes() -> dict[str, Any]:
        return {
            name: value for name, value in values_of(FIELDS, filled.typed).items() if value != before[name]
        }

    def store_changes(body: TestPatch) -> Response:
        changed = body.model_dump(exclude_unset=True)
        if not changed:
            return done
        return workflow.change(
            store,
            principal.name,
            Target(ref.subject_pk, ref.subject_id, ref.visit_pk, ref.test_pk, revision=revision),
            ref.test_id,
            Edit(test=changed),
            {"after": body.model_dump(mode="json", exclude_unset=True)},
            respond=lambda _: done,
        )

    answer = submitted(filled, TestPatch, changes, store_changes)
    return answer or _form(request, store, ref, filled, revision)


def _form(request: Request, store: Store, ref: TestRef, filled: Filled, revision: int) -> Response:
    with store.read() as session:
        subject = subjects.get(session, ref.subject_pk)
    return page(
        request,
        "test_form.html",
        status=filled.status,
        parts=PARTS,
        fields=FIELDS,
        filled=filled,
        subject=subject,
        test_id=ref.test_id,
        revision=revision,
    )
