"""The error of measurement over HTTP."""

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query, Request, Response

from service.errors import NotFound
from service.exercise_tests.schemas import Mode
from service.http.answers import json_response
from service.http.cursors import Page
from service.http.dependencies import (
    Admin,
    Reader,
    SiteReader,
    StoreDependency,
    known_query_only,
    principal_of,
)
from service.quantities import QUANTITIES
from service.reliability import queries, workflow
from service.reliability.schemas import (
    MOST_DAYS,
    WITHIN_DAYS,
    Basis,
    ReliabilityOut,
    TypicalErrorOut,
    TypicalErrorPut,
)
from service.reliability.workflow import Asked

router = APIRouter(prefix="/v1", tags=["reliability"])

_Quantity = Annotated[str, Query(max_length=64, description="A quantity of results.")]
_WithinDays = Annotated[
    int, Query(ge=0, le=MOST_DAYS, description="Days between the two tests of a pair, at most.")
]
_Include = Annotated[
    Literal["all"] | None,
    Query(description="`all` counts pairs with an error finding or a submaximal effort too."),
]


def _known_cohort(cohort_id: str, request: Request, store: StoreDependency) -> str:
    """The cohort, without a tag: what is answered rests on the records of its members."""
    if principal_of(request).subject_ids is not None:
        raise NotFound("There are no cohorts for a key limited to subjects.")
    with store.read() as session:
        queries.cohort_pk(session, cohort_id)
    known_query_only(request)
    return cohort_id


@router.get("/cohorts/{cohort_id}/reliability")
def get_cohort_reliability(
    principal: Reader,
    cohort_id: Annotated[str, Depends(_known_cohort)],
    store: StoreDependency,
    quantity: _Quantity,
    mode: Mode | None = None,
    basis: Basis | None = None,
    within_days: _WithinDays = WITHIN_DAYS,
    include: _Include = None,
) -> ReliabilityOut:
    """The error of measurement in a cohort, from pairs of consecutive tests of one member, mode and protocol."""
    del principal
    asked = Asked(quantity, mode, basis, within_days, cohort_id, include == "all")
    with store.read() as session:
        return workflow.find_reliability(session, asked).answer


@router.get("/reliability")
def get_reliability(
    principal: SiteReader,
    store: StoreDependency,
    quantity: _Quantity,
    mode: Mode | None = None,
    basis: Basis | None = None,
    within_days: _WithinDays = WITHIN_DAYS,
    include: _Include = None,
) -> ReliabilityOut:
    """The same over the whole record."""
    del principal
    asked = Asked(quantity, mode, basis, within_days, None, include == "all")
    with store.read() as session:
        return workflow.find_reliability(session, asked).answer


@router.get("/typical-errors")
def list_typical_errors(principal: Reader, store: StoreDependency) -> Page[TypicalErrorOut]:
    """The typical error that each quantity's changes are judged by: the site's own, or the published one."""
    del principal
    with store.read() as session:
        return Page(items=workflow.all_typical_errors(session), next=None)


@router.put("/typical-errors/{quantity}", response_model=TypicalErrorOut)
def put_typical_error(
    quantity: str, body: TypicalErrorPut, principal: Admin, store: StoreDependency
) -> Response:
    """Take what repeat pairs show as the site's own typical error; needs at least 15 pairs."""
    _check(quantity)
    asked = Asked(
        quantity,
        body.mode,
        body.basis,
        body.within_days,
        body.cohort_id,
        body.include == "all",
        where="body",
    )
    with store.write(principal.name) as transaction:
        return json_response(workflow.adopt(transaction, asked))


@router.delete("/typical-errors/{quantity}", status_code=204)
def delete_typical_error(quantity: str, principal: Admin, store: StoreDependency) -> Response:
    """Go back to the published default."""
    _check(quantity)
    with store.write(principal.name) as transaction:
        workflow.give_up(transaction, quantity)
    return Response(status_code=204)


def _check(quantity: str) -> None:
    if quantity not in QUANTITIES or "result" not in QUANTITIES[quantity].kinds:
        raise NotFound(f"There is no quantity of results {quantity[:80]!r}; GET /v1/quantities lists them.")
