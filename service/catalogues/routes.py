"""What the service knows, over HTTP: quantities, methods, findings, questions before a test."""

from typing import Annotated, Any

from fastapi import APIRouter, Body

from service.analysis.screening import QUESTIONS
from service.findings import FINDINGS
from service.http.cursors import Page
from service.http.dependencies import Reader
from service.http.wire import FreeObject
from service.methods.catalogue import METHODS, run
from service.quantities import QUANTITIES

router = APIRouter(prefix="/v1", tags=["catalogues"])


@router.get("/quantities")
def list_quantities(principal: Reader) -> Page[dict[str, Any]]:
    """Every quantity with its unit, limits and typical error, whole."""
    del principal
    return Page(items=[quantity.as_dict() for quantity in QUANTITIES.values()], next=None)


@router.get("/findings")
def list_findings(principal: Reader) -> Page[dict[str, str]]:
    """Every kind of finding, what it means and what to do, whole."""
    del principal
    return Page(items=[kind.as_dict() for kind in FINDINGS.values()], next=None)


@router.get("/pre-test-questions")
def list_pre_test_questions(principal: Reader) -> Page[dict[str, Any]]:
    """Every question before a test whose answer is compared with published lists, its source and the cautions, whole.

    Answers are stored with `PUT /v1/visits/{visit_id}/pre-test`. Nothing here is a clearance: local rules and licensed
    practice decide.
    """
    del principal
    return Page(items=[question.as_dict() for question in QUESTIONS.values()], next=None)


@router.get("/methods")
def list_methods(principal: Reader) -> Page[dict[str, Any]]:
    """Every published formula with its inputs, range, source and trust, whole."""
    del principal
    return Page(items=[method.as_dict() for method in METHODS.values()], next=None)


@router.post("/methods/{method_id}")
def run_method(method_id: str, body: Annotated[FreeObject, Body()], principal: Reader) -> dict[str, Any]:
    """Run one formula; the body is the object of its inputs."""
    del principal
    return run(method_id, body, where="body").as_dict()
