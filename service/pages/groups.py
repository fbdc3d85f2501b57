"""Pages about groups: which there are, and what one shows."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from starlette.responses import Response

from service.cohorts import queries, workflow
from service.cohorts.workflow import Wanted
from service.errors import InvalidContent, NotFound
from service.http.dependencies import CohortResultsDependency, StoreDependency, principal_of
from service.pages.queries import PEAK, quantities_of_cohort
from service.pages.rendering import PageRoute, page
from service.quantities import QUANTITIES

_MOST_GROUPS = 500
#: So many members are shown one by one; the file has them all.
_MOST_MEMBERS = 500


async def _for_whole_record(request: Request) -> None:
    if principal_of(request).subject_ids is not None:
        raise NotFound("There are no groups for a key limited to subjects.")


router = APIRouter(
    prefix="/groups",
    include_in_schema=False,
    route_class=PageRoute,
    dependencies=[Depends(_for_whole_record)],
)


@router.get("")
def groups(request: Request, store: StoreDependency) -> Response:
    """Every group with the number of its members."""
    with store.read() as session:
        found = queries.listed(session, after=None, limit=_MOST_GROUPS)
        lines = [
            {"id": one.public_id, "name": one.name, "members": len(queries.members(session, one.id))}
            for one in found[:_MOST_GROUPS]
        ]
    return page(request, "groups.html", lines=lines, more=len(found) > _MOST_GROUPS)


@router.get("/{cohort_id}")
def group(
    request: Request,
    ref: CohortResultsDependency,
    store: StoreDependency,
    quantity: Annotated[str, Query(max_length=64)] = PEAK,
    mode: Annotated[str, Query(max_length=20)] = "",
    basis: Annotated[str, Query(max_length=20)] = "",
    method: Annotated[str, Query(max_length=64)] = "",
    earlier: Annotated[str, Query(alias="from", max_length=200)] = "",
    later: Annotated[str, Query(alias="to", max_length=200)] = "",
    against: Annotated[str, Query(max_length=200)] = "",
) -> Response:
    """One group: a quantity by round and arm, and what became of the members between two rounds."""
    principal = principal_of(request)
    with store.read() as session:
        cohort = queries.get(session, ref.cohort_pk)
        known = quantities_of_cohort(session, ref.cohort_pk)
    wanted = Wanted(quantity, mode or None, basis or None, method or None)
    asked = {"quantity": quantity, "mode": mode, "basis": basis, "method": method}
    told: dict[str, Any] = {"summary": None, "change": None, "choices": [], "rounds": [], "members": []}
    try:
        summary = workflow.summary_of(store, ref.cohort_pk, ref.cohort_id, wanted)
    except InvalidContent as error:
        # Several kinds of results are not put together: the page asks which.
        told["choices"] = error.extra.get("choices", [])
        if not told["choices"]:
            raise
    else:
        rounds = list(dict.fromkeys(row["round"] for row in summary["rounds"]))
        told |= {
            "summary": summary,
            "rounds": rounds,
            "members": workflow.values_of(store, ref.cohort_pk, wanted),
        }
        if len(rounds) > 1:
            told["change"] = workflow.change_of(
                store,
                ref.cohort_pk,
                ref.cohort_id,
                wanted,
                earlier=earlier or rounds[0],
                later=later or rounds[-1],
                reference_arm=against or None,
            )
    return page(
        request,
        "group.html",
        cohort=cohort,
        quantity=QUANTITIES.get(quantity),
        known=[QUANTITIES[key] for key in known if key in QUANTITIES],
        asked=asked,
        most_members=_MOST_MEMBERS,
        may_identify=principal.scope == "admin" or principal.identity,
        **told,
    )
