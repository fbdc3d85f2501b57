"""Cohorts over HTTP."""

from typing import Annotated, Any, Literal

import sqlalchemy as sa
from fastapi import APIRouter, Body, Depends, Query, Request, Response

from service.analyses.routes import chart_response
from service.cohorts import queries, workflow
from service.cohorts.schemas import (
    CohortChangeOut,
    CohortIn,
    CohortOut,
    CohortPatch,
    CohortSummaryOut,
    MemberIn,
)
from service.db.models import Cohort
from service.effort_rules.queries import bump_members
from service.errors import HoldsData, NotFound
from service.exercise_tests.schemas import Mode
from service.http.answers import MEDIA_TYPES, created, form, json_response
from service.http.cursors import Cursor, Limit, Page, after, next_cursor, whole_number
from service.http.dependencies import (
    CohortDependency,
    CohortResultsDependency,
    Reader,
    StoreDependency,
    Tester,
    principal_of,
)
from service.http.idempotency import OnceDependency
from service.outlets.display import NEUTRAL


async def _for_whole_record(request: Request) -> None:
    if principal_of(request).subject_ids is not None:
        raise NotFound("There are no cohorts for a key limited to subjects.")


router = APIRouter(prefix="/v1/cohorts", tags=["cohorts"], dependencies=[Depends(_for_whole_record)])


@router.post("", status_code=201, response_model=CohortOut)
def create_cohort(
    body: CohortIn, principal: Tester, store: StoreDependency, once: OnceDependency
) -> Response:
    """Make a cohort."""
    claim = once.claim(store, body.model_dump(mode="json"))
    with store.write(principal.name, claim) as transaction:
        cohort = queries.add(transaction.session, body.name, body.notes, body.effort_rules)
        transaction.changed(
            "cohort", cohort.public_id, action="created", payload={"after": body.model_dump(mode="json")}
        )
        return transaction.answer(
            created(queries.out(transaction.session, cohort), f"/v1/cohorts/{cohort.public_id}")
        )


@router.get("")
def list_cohorts(
    request: Request,
    response: Response,
    principal: Reader,
    store: StoreDependency,
    limit: Limit = 50,
    cursor: Cursor = None,
) -> Page[CohortOut]:
    """Cohorts in the order they were made."""
    del principal
    last = after(request, cursor, whole_number)
    with store.read() as session:
        found = queries.listed(session, after=last, limit=limit)
        items = [queries.out(session, cohort) for cohort in found[:limit]]
    key = [found[limit - 1].id] if len(found) > limit else None
    return Page(items=items, next=next_cursor(request, response, key))


@router.get("/{cohort_id}")
def get_cohort(principal: Reader, ref: CohortDependency, store: StoreDependency) -> CohortOut:
    """One cohort with its members."""
    del principal
    with store.read() as session:
        return queries.out(session, queries.get(session, ref.cohort_pk))


@router.patch("/{cohort_id}", response_model=CohortOut)
def change_cohort(
    body: CohortPatch, principal: Tester, ref: CohortDependency, store: StoreDependency
) -> Response:
    """Change a cohort's name, notes or rule set of effort; stored analyses keep theirs until they are analysed anew."""
    values = body.model_dump(exclude_unset=True)
    with store.write(principal.name) as transaction:
        session = transaction.session
        queries.bump(session, ref.cohort_pk, expected=ref.expected)
        if "name" in values:
            queries.check_name_is_free(session, values["name"], but=ref.cohort_pk)
        cohort = queries.get(session, ref.cohort_pk)
        if values.get("effort_rules", cohort.effort_rules) != cohort.effort_rules:
            queries.check_rules_exist(session, values["effort_rules"])
            bump_members(session, ref.cohort_pk)
        before = {name: getattr(cohort, name) for name in values}
        for name, value in values.items():
            setattr(cohort, name, value)
        session.flush()
        transaction.changed(
            "cohort", ref.cohort_id, action="changed", payload={"before": before, "after": values}
        )
        return json_response(queries.out(session, cohort))


@router.put("/{cohort_id}/members", response_model=CohortOut)
def put_members(
    body: Annotated[list[MemberIn], Body(max_length=100_000)],
    principal: Tester,
    ref: CohortDependency,
    store: StoreDependency,
) -> Response:
    """Store members in the place of what the cohort has."""
    with store.write(principal.name) as transaction:
        session = transaction.session
        queries.bump(session, ref.cohort_pk, expected=ref.expected)
        cohort = queries.get(session, ref.cohort_pk)
        before = [row.model_dump(mode="json") for row in queries.out(session, cohort).members]
        ruled = cohort.effort_rules is not None
        if ruled:
            bump_members(session, ref.cohort_pk)
        queries.replace_members(session, ref.cohort_pk, body)
        if ruled:
            bump_members(session, ref.cohort_pk)
        transaction.changed(
            "cohort",
            ref.cohort_id,
            action="changed",
            payload={
                "before": {"members": before},
                "members": [row.model_dump(mode="json") for row in body],
            },
        )
        return json_response(queries.out(session, cohort))


@router.delete("/{cohort_id}", status_code=204)
def delete_cohort(principal: Tester, ref: CohortDependency, store: StoreDependency) -> Response:
    """Delete a cohort that has no members."""
    with store.write(principal.name) as transaction:
        queries.bump(transaction.session, ref.cohort_pk, expected=ref.expected)
        members = queries.out(transaction.session, queries.get(transaction.session, ref.cohort_pk)).members
        if members:
            raise HoldsData(
                f"The cohort has {len(members)} members; nothing was deleted.",
                extra={"holds": {"members": len(members)}},
            )
        transaction.session.execute(sa.delete(Cohort).where(Cohort.id == ref.cohort_pk))
        transaction.changed("cohort", ref.cohort_id, action="deleted")
    return Response(status_code=204)


def _wanted(
    quantity: Annotated[
        str, Query(max_length=64, description="Key of the quantity; see GET /v1/quantities.")
    ],
    mode: Mode | None = None,
    basis: Literal["measured", "estimated", "reported"] | None = None,
    method: Annotated[
        str | None, Query(max_length=200, description="Of estimates: the method they were made by.")
    ] = None,
    include: Annotated[
        Literal["all"] | None,
        Query(description="`all` counts submaximal efforts and results with an error finding too."),
    ] = None,
) -> workflow.Wanted:
    return workflow.Wanted(quantity, mode, basis, method, include == "all")


WantedResults = Annotated[workflow.Wanted, Depends(_wanted)]
_CSV: dict[int | str, dict[str, Any]] = {200: {"content": {"text/csv": {}}}}


def _answer(
    request: Request, asked: str | None, body: dict[str, Any], as_csv: Any, headers: dict[str, str]
) -> Response:
    if form(request, asked, "json", "csv") == "csv":
        return Response(as_csv(body), media_type=MEDIA_TYPES["csv"], headers=headers)
    return json_response(body, headers=headers)


@router.get("/{cohort_id}/summary", response_model=CohortSummaryOut, responses=_CSV)
def get_cohort_summary(
    request: Request,
    principal: Reader,
    ref: CohortResultsDependency,
    store: StoreDependency,
    wanted: WantedResults,
    format: Annotated[Literal["json", "csv"] | None, Query()] = None,  # noqa: A002 the contract's name
) -> Response:
    """A quantity in each round and arm: number, mean, SD, median, quartiles, and how many members are missing.

    Where the results are of several modes or bases one has to be named. `left_out` lists every result that is not
    counted, with the reason. Means of two rounds are of different members where some are missing; change has its own
    address. `format=csv` gives flat rows.
    """
    del principal
    summary = workflow.summary_of(store, ref.cohort_pk, ref.cohort_id, wanted)
    return _answer(request, format, summary, workflow.summary_csv, ref.headers)


@router.get("/{cohort_id}/change", response_model=CohortChangeOut, responses=_CSV)
def get_cohort_change(
    request: Request,
    principal: Reader,
    ref: CohortResultsDependency,
    store: StoreDependency,
    wanted: WantedResults,
    earlier: Annotated[str, Query(alias="from", max_length=200, description="The earlier round.")],
    later: Annotated[str, Query(alias="to", max_length=200, description="The later round.")],
    arm: Annotated[
        str | None,
        Query(max_length=200, description="The arm to compare with the reference, where there are several."),
    ] = None,
    reference_arm: Annotated[
        str | None,
        Query(max_length=200, description="Else the arm called control, else the first by name."),
    ] = None,
    members: Annotated[bool, Query(description="`true` gives every member's line.")] = False,
    format: Annotated[Literal["json", "csv"] | None, Query()] = None,  # noqa: A002 the contract's name
) -> Response:
    """Paired change between two rounds: within each arm, between arms, adjusted for baseline, and individual response.

    Members without both rounds are listed, with the reason, and are in none of the numbers. All intervals are 95 %.
    Without a comparator arm nothing is said about responses. `format=csv` gives flat rows: estimates, or the members
    where they are asked for.
    """
    del principal
    change = workflow.change_of(
        store,
        ref.cohort_pk,
        ref.cohort_id,
        wanted,
        earlier=earlier,
        later=later,
        arm=arm,
        reference_arm=reference_arm,
        with_members=members,
    )
    return _answer(request, format, change, workflow.change_csv, ref.headers)


@router.get("/{cohort_id}/chart", response_model=None)
def get_cohort_chart(
    request: Request,
    principal: Reader,
    ref: CohortResultsDependency,
    store: StoreDependency,
    wanted: WantedResults,
    earlier: Annotated[
        str | None, Query(alias="from", max_length=200, description="First round that is drawn.")
    ] = None,
    later: Annotated[
        str | None, Query(alias="to", max_length=200, description="Last round that is drawn.")
    ] = None,
    format: Annotated[Literal["json", "svg", "png"] | None, Query()] = None,  # noqa: A002 the contract's name
) -> Response:
    """Each member's line and each arm's mean by round: the Vega-Lite specification, or drawn from it."""
    del principal
    with store.read() as session:
        name = queries.get(session, ref.cohort_pk).name
    kind = form(request, format, "json", "svg", "png")
    display = NEUTRAL if kind == "json" else request.app.state.display
    spec = workflow.chart_of(
        store, ref.cohort_pk, wanted, name=name, earlier=earlier, later=later, display=display
    )
    return chart_response(request, spec, kind, ref.headers)
