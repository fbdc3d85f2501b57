"""A person's rights over HTTP."""

from typing import IO

from fastapi import APIRouter, Depends, Response
from starlette.responses import StreamingResponse

from service.http.answers import archive, json_response
from service.http.dependencies import Admin, Reader, StoreDependency, SubjectDependency, Tester
from service.http.ready import forget_ready
from service.privacy import queries, workflow
from service.privacy.schemas import ConsentIn, ErasureIn, ErasureOut, RestrictionIn, RightsOut
from service.subjects.queries import bump

router = APIRouter(prefix="/v1/subjects/{subject_id}", tags=["privacy"])


@router.get(
    "/access-copy",
    response_class=StreamingResponse,
    responses={200: {"description": "A zip archive", "content": {"application/zip": {}}}},
)
def get_access_copy(principal: Admin, ref: SubjectDependency, store: StoreDependency) -> StreamingResponse:
    """Everything that is held about a person: tables, every row of the database, the audit, a FHIR bundle; zipped."""

    def make(file: IO[bytes]) -> str:
        workflow.access_copy(store, principal.name, ref.subject_pk, ref.subject_id, file)
        return f"copy-for-{ref.subject_id}"

    return archive(make)


@router.get("/rights")
def get_rights(principal: Reader, ref: SubjectDependency, store: StoreDependency) -> RightsOut:
    """What a person consented to, whether the data are restricted, and whether they go into exports."""
    del principal
    with store.read() as session:
        return queries.rights_of(session, ref.subject_pk, ref.subject_id)


@router.post("/consents", response_model=RightsOut)
def post_consent(
    body: ConsentIn, principal: Tester, ref: SubjectDependency, store: StoreDependency
) -> Response:
    """Note that a person consents to a use of the data, or takes that back."""
    with store.write(principal.name) as transaction:
        session = transaction.session
        bump(session, ref.subject_pk, expected=ref.expected)
        consent = queries.give_consent(session, ref.subject_pk, body)
        transaction.changed(
            "consent",
            consent.public_id,
            action="created" if body.given_at is not None else "changed",
            subject_id=ref.subject_id,
            payload={"after": body.model_dump(mode="json")},
        )
        return json_response(queries.rights_of(session, ref.subject_pk, ref.subject_id))


@router.post("/restriction", response_model=RightsOut)
def post_restriction(
    body: RestrictionIn, principal: Tester, ref: SubjectDependency, store: StoreDependency
) -> Response:
    """Restrict the data of a person, or lift the restriction: restricted data are kept and go into no export."""
    with store.write(principal.name) as transaction:
        session = transaction.session
        bump(session, ref.subject_pk, expected=ref.expected)
        before = queries.rights_of(session, ref.subject_pk, ref.subject_id)
        if body.restricted:
            queries.restrict(session, ref.subject_pk, by=principal.name, reason=body.reason)
        else:
            queries.lift(session, ref.subject_pk)
        transaction.changed(
            "restriction",
            ref.subject_id,
            action="changed",
            subject_id=ref.subject_id,
            payload={
                "before": {"restricted": before.restricted, "reason": before.reason},
                "after": body.model_dump(mode="json"),
            },
        )
        return json_response(queries.rights_of(session, ref.subject_pk, ref.subject_id))


@router.post("/erasure", dependencies=[Depends(forget_ready)])
def post_erasure(
    body: ErasureIn, principal: Admin, ref: SubjectDependency, store: StoreDependency
) -> ErasureOut:
    """Erase a person: rows, results, the content of the audit, and the bytes of the file. It cannot be undone."""
    return workflow.erase(
        store,
        principal.name,
        ref.subject_pk,
        ref.subject_id,
        basis=body.basis,
        code=body.code,
        revision=ref.expected,
    )
