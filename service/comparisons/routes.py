"""Two tests of a person beside each other, over HTTP."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request, Response

from service.analyses.routes import chart_response
from service.comparisons import workflow
from service.comparisons.schemas import ComparisonOut, ComparisonRow
from service.http.answers import MEDIA_TYPES, form, json_response
from service.http.dependencies import Reader, StoreDependency, SubjectDependency

router = APIRouter(prefix="/v1/subjects/{subject_id}/comparison", tags=["trends"])

_First = Annotated[str, Query(max_length=64, description="Id of one test.")]
_Second = Annotated[str, Query(max_length=64, description="Id of another test of the same subject.")]
_Channel = Annotated[str, Query(max_length=64, description="What a chart shows.")]


@router.get(
    "",
    response_model=ComparisonOut | list[ComparisonRow],
    responses={
        200: {
            "description": "The comparison; rows only where they are asked for",
            "content": {"text/csv": {}, "image/svg+xml": {}, "image/png": {}},
        }
    },
)
def get_comparison(
    request: Request,
    principal: Reader,
    ref: SubjectDependency,
    store: StoreDependency,
    first: _First,
    second: _Second,
    channel: _Channel = "heart_rate_bpm",
    against: Annotated[
        Literal["work_rate", "percent_of_peak"], Query(description="What a chart is drawn along.")
    ] = "work_rate",
    format: Annotated[Literal["json", "rows", "csv", "vega", "svg", "png"] | None, Query()] = None,  # noqa: A002 the contract's name
) -> Response:
    """Two tests at the same work rate and at the same percent of peak, and all their results, with what is error.

    The earlier test is the first, whichever was named first. `format=rows` gives flat rows as JSON and `csv` the same rows
    as CSV; `svg` and `png` draw the chart of one `channel`, `vega` gives its specification.
    """
    del principal
    workflow.check_channel(channel)
    wanted = format if format in {"vega", "rows"} else form(request, format, "json", "csv", "svg", "png")
    document = workflow.comparison_of(store, ref.subject_pk, ref.subject_id, first, second)
    if wanted == "json":
        return json_response(document, headers=ref.headers)
    if wanted == "rows":
        return json_response(workflow.flat_rows(document), headers=ref.headers)
    if wanted == "csv":
        return Response(workflow.flat_csv(document), media_type=MEDIA_TYPES["csv"], headers=ref.headers)
    spec = workflow.comparison_chart(document, channel=channel, against=against)
    return chart_response(request, spec, "json" if wanted == "vega" else str(wanted), ref.headers)
