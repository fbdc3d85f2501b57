"""The forms that close a test: its conclusion, kept as a draft or signed, and the reason why it is void."""

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from service.analyses.workflow import Edit, Target
from service.conclusions.schemas import ConclusionIn
from service.conclusions.workflow import conclude
from service.db.transactions import now
from service.exercise_tests import queries as tests
from service.exercise_tests import workflow
from service.exercise_tests.schemas import TestPatch
from service.http.dependencies import StoreDependency, TestDependency, Tester
from service.pages.exercise_test import CONCLUSION, VOID, shown_test
from service.pages.forms import Filled, SentDependency, submitted, typed_of, values_of
from service.pages.rendering import PageRoute

router = APIRouter(prefix="/tests/{test_id}", include_in_schema=False, route_class=PageRoute)


@router.post("/conclusion")
def conclude_test(
    request: Request, principal: Tester, ref: TestDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Keep the conclusion as a draft, or sign it."""
    sent.only(["revision", "sign", *(one.name for one in CONCLUSION)])
    revision = sent.revision()
    signs = sent.text.get("sign") == "true"
    filled = Filled(
        typed_of(CONCLUSION, sent.text) | ({"sign": "true"} if signs else {}),
        places={"text": "conclusion_text"},
    )

    def store_it(body: ConclusionIn) -> Response:
        conclude(
            store,
            principal.name,
            body,
            subject_pk=ref.subject_pk,
            subject_id=ref.subject_id,
            test_pk=ref.test_pk,
            test_id=ref.test_id,
            revision=revision,
        )
        return RedirectResponse(f"/tests/{ref.test_id}#conclusion", status_code=303)

    def values() -> dict[str, object]:
        read = values_of(CONCLUSION, filled.typed)
        return {
            "text": read["conclusion_text"],
            "author": read["author"],
            "credentials": read["credentials"],
            "signed_at": now() if signs else None,
        }

    answer = submitted(filled, ConclusionIn, values, store_it)
    return answer or shown_test(request, ref, store, conclusion=filled, revision=revision)


@router.post("/void")
def make_void(
    request: Request, principal: Tester, ref: TestDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Make a test void, with the reason in its notes: it is kept, and nothing is worked out from it."""
    sent.only(["revision", *(one.name for one in VOID)])
    revision = sent.revision()
    filled = Filled(typed_of(VOID, sent.text), places={"notes": "void_reason"})
    with store.read() as session:
        notes = tests.get(session, ref.test_pk).notes or ""

    def values() -> dict[str, object]:
        reason = values_of(VOID, filled.typed)["void_reason"]
        told = f"Void on {now().date().isoformat()}, by {principal.name}: {reason}"
        return {"status": "void", "notes": f"{notes}\n{told}".strip()}

    def store_it(body: TestPatch) -> Response:
        target = Target(ref.subject_pk, ref.subject_id, ref.visit_pk, ref.test_pk, revision=revision)
        changed = body.model_dump(exclude_unset=True)
        return workflow.change(
            store,
            principal.name,
            target,
            ref.test_id,
            Edit(test=changed),
            {"after": changed},
            respond=lambda _: RedirectResponse(f"/tests/{ref.test_id}", status_code=303),
        )

    answer = submitted(filled, TestPatch, values, store_it)
    return answer or shown_test(request, ref, store, voiding=filled, revision=revision)
