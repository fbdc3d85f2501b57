"""Exports over HTTP."""

from typing import IO, Annotated, Literal

from fastapi import APIRouter, Depends, Query, Request
from starlette.responses import StreamingResponse

from service.errors import Forbidden, InvalidContent, NotFound, Place
from service.exports import queries, workflow
from service.exports.workflow import Question
from service.http.answers import archive
from service.http.dependencies import Reader, StoreDependency, known_query_only, principal_of


def _for_whole_record(request: Request) -> None:
    if principal_of(request).subject_ids is not None:
        raise NotFound("There are no cohorts for a key limited to subjects.")


def _identified(
    request: Request,
    identified: Annotated[
        bool, Query(description="With names and birth dates; needs an admin, or a key with `identity`.")
    ] = False,
) -> bool:
    principal = principal_of(request)
    if identified and not (principal.scope == "admin" or principal.identity):
        raise Forbidden("An export with names needs an admin's key, or a key with 'identity'.")
    return identified


def _cohort(cohort_id: str, request: Request, store: StoreDependency) -> int:
    """Internal key of the cohort. There is no ETag: an export rests on more than the cohort itself."""
    with store.read() as session:
        found = queries.cohort_by_id(session, cohort_id)
    if found is None:
        raise NotFound("There is no such cohort.")
    known_query_only(request)
    return found


router = APIRouter(prefix="/v1/cohorts", tags=["cohorts"], dependencies=[Depends(_for_whole_record)])


@router.get(
    "/{cohort_id}/export",
    response_class=StreamingResponse,
    responses={200: {"description": "A zip archive", "content": {"application/zip": {}}}},
)
def export_cohort(
    principal: Reader,
    identified: Annotated[bool, Depends(_identified)],
    cohort_pk: Annotated[int, Depends(_cohort)],
    store: StoreDependency,
    format: Annotated[  # noqa: A002 the contract's name
        Literal["csv", "parquet", "datapackage"],
        Query(description="CSV files, Parquet files, or CSV files as a Data Package 2.0."),
    ] = "datapackage",
    profile: Annotated[
        Literal["coded", "deidentified"],
        Query(
            description="`coded` has no names; `deidentified` no dates, free text, places or codes either."
        ),
    ] = "coded",
) -> StreamingResponse:
    """The tables of a cohort, zipped: one state of the record, noted in the audit."""
    if identified and profile == "deidentified":
        message = "cannot go with profile=deidentified"
        raise InvalidContent(f"identified {message}.", (Place("query.identified", message),))
    question = Question(cohort_pk, "identified" if identified else profile, format)

    def make(file: IO[bytes]) -> str:
        return f"exercise-tests-{workflow.export_zip(store, principal.name, question, file).id}"

    return archive(make)
