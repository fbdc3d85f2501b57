"""Cohorts over HTTP."""

from typing import Annotated

import sqlalchemy as sa
from fastapi import APIRouter, Body, Depends, Request, Response

from service.cohorts import queries
from service.cohorts.schemas import CohortIn, CohortOut, CohortPatch, MemberIn
from service.db.models import Cohort
from service.errors import HoldsData, NotFound
from service.http.answers import created, json_response
from service.http.cursors import Cursor, Limit, Page, after, next_cursor, whole_number
from service.http.dependencies import CohortDependency, Reader, StoreDependency, Tester, principal_of
from service.http.idempotency import OnceDependency


def _for_whole_record(request: Request) -> None:
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
        cohort = queries.add(transaction.session, body.name, body.notes)
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
    """Change a cohort's name or notes."""
    values = body.model_dump(exclude_unset=True)
    with store.write(principal.name) as transaction:
        session = transaction.session
        queries.bump(session, ref.cohort_pk, expected=ref.expected)
        if "name" in values:
            queries.check_name_is_free(session, values["name"], but=ref.cohort_pk)
        cohort = queries.get(session, ref.cohort_pk)
        for name, value in values.items():
            setattr(cohort, name, value)
        session.flush()
        transaction.changed("cohort", ref.cohort_id, action="changed", payload={"after": values})
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
        queries.replace_members(session, ref.cohort_pk, body)
        transaction.changed(
            "cohort",
            ref.cohort_id,
            action="changed",
            payload={"members": [row.model_dump(mode="json") for row in body]},
        )
        return json_response(queries.out(session, queries.get(session, ref.cohort_pk)))


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
