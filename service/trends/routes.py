"""Results over time, over HTTP."""

from datetime import date
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Query, Request, Response

from service.analyses.routes import chart_response
from service.analysis.ageing import AGEING_MODELS
from service.analysis.planning import CHANCE
from service.errors import InvalidContent, NotFound, Place
from service.exercise_tests.schemas import Mode
from service.http.answers import MEDIA_TYPES, form, json_response
from service.http.cursors import Page
from service.http.dependencies import Reader, StoreDependency, SubjectDependency
from service.http.ready import keep_ready
from service.outlets.display import NEUTRAL
from service.quantities import QUANTITIES
from service.trends import queries, workflow
from service.trends.schemas import AgeingModelOut, PlanningOut, TrendedQuantity, TrendOut, TrendRow

router = APIRouter(prefix="/v1/subjects/{subject_id}/trends", tags=["trends"])
models = APIRouter(prefix="/v1/ageing-models", tags=["catalogues"])

_Since = Annotated[str | None, Query(alias="from", description="First date.", pattern=r"^\d{4}-\d{2}-\d{2}$")]
_Until = Annotated[str | None, Query(alias="to", description="Last date.", pattern=r"^\d{4}-\d{2}-\d{2}$")]
#: Of the last digit that a value is shown with.
_LEAST_SHARE = 0.01
_Basis = Literal["measured", "estimated", "reported"]
_Include = Annotated[Literal["all"] | None, Query(description="`all` counts what is shown hollow too.")]


@models.get("")
def list_ageing_models(principal: Reader) -> Page[AgeingModelOut]:
    """Models of what age alone does to a quantity, for `expected` of a trend; none of them is a default."""
    del principal
    items = [AgeingModelOut.model_validate(model.as_dict()) for model in AGEING_MODELS.values()]
    return Page(items=items, next=None)


@router.get("")
def list_trends(principal: Reader, ref: SubjectDependency, store: StoreDependency) -> Page[TrendedQuantity]:
    """Which quantities the subject has results of, whole."""
    del principal
    with store.read() as session:
        found = queries.quantities_of(session, ref.subject_pk)
    return Page(items=[TrendedQuantity.model_validate(one) for one in found], next=None)


@router.get(
    "/{quantity}",
    dependencies=[Depends(keep_ready)],
    response_model=TrendOut | list[TrendRow],
    responses={
        200: {
            "description": "The trend; rows only where they are asked for",
            "content": {"text/csv": {}, "image/svg+xml": {}, "image/png": {}},
        }
    },
)
def get_trend(
    request: Request,
    quantity: str,
    principal: Reader,
    ref: SubjectDependency,
    store: StoreDependency,
    mode: Mode | None = None,
    basis: _Basis | None = None,
    since: _Since = None,
    until: _Until = None,
    norm: Annotated[
        str | None, Query(max_length=64, description="Id of a norm; else the site's default of the mode.")
    ] = None,
    include: _Include = None,
    expected: Annotated[
        str | None,
        Query(
            max_length=64,
            description="Model of ageing (GET /v1/ageing-models) to set the points against; none by default.",
        ),
    ] = None,
    expected_from: Annotated[
        Literal["first", "best"], Query(description="The counted test that its line starts from.")
    ] = "first",
    format: Annotated[Literal["json", "rows", "csv", "vega", "svg", "png"] | None, Query()] = None,  # noqa: A002 the contract's name
) -> Response:
    """One quantity over time: points, rank at the age of each test, change with its interval.

    `format=rows` gives flat rows as JSON and `csv` the same rows as CSV, `svg` and `png` the chart, `vega` its
    specification.
    """
    del principal
    if quantity not in QUANTITIES:
        raise NotFound(f"There is no quantity {quantity[:80]!r}; GET /v1/quantities lists them.")
    wanted = format if format in {"vega", "rows"} else form(request, format, "json", "csv", "svg", "png")
    trend = workflow.trend_of(
        store,
        ref.subject_pk,
        ref.subject_id,
        quantity,
        mode=mode,
        basis=basis,
        since=_day("from", since),
        until=_day("to", until),
        norm=norm,
        include_all=include == "all",
        expected=expected,
        expected_from=expected_from,
    ).as_dict()
    if wanted == "json":
        return json_response(trend, headers=ref.headers)
    if wanted == "rows":
        return json_response(workflow.flat_rows(trend), headers=ref.headers)
    if wanted == "csv":
        return Response(workflow.flat_csv(trend), media_type=MEDIA_TYPES["csv"], headers=ref.headers)
    display = NEUTRAL if wanted == "vega" else request.app.state.display
    spec: dict[str, Any] = workflow.trend_chart(store, ref.subject_pk, trend, display)
    return chart_response(request, spec, "json" if wanted == "vega" else str(wanted), ref.headers)


@router.get("/{quantity}/planning")
def get_planning(
    quantity: str,
    principal: Reader,
    ref: SubjectDependency,
    store: StoreDependency,
    mode: Mode | None = None,
    basis: _Basis | None = None,
    include: _Include = None,
    change: Annotated[
        float | None,
        Query(
            allow_inf_nan=False,
            description="The change to be seen, in the unit; default: the smallest worthwhile one.",
        ),
    ] = None,
    chance: Annotated[float, Query(ge=0.5, lt=1, description="Of seeing it where it is true.")] = CHANCE,
) -> PlanningOut:
    """What the next tests could show: the change that would be beyond error, and how many tests a change needs."""
    del principal
    if quantity not in QUANTITIES:
        raise NotFound(f"There is no quantity {quantity[:80]!r}; GET /v1/quantities lists them.")
    if change is not None and not abs(change) >= _LEAST_SHARE * 10.0 ** -QUANTITIES[quantity].decimals:
        message = "is no change that could be seen; give one above or below 0"
        raise InvalidContent(f"change {message}.", (Place("query.change", message, value=change),))
    trend = workflow.trend_of(
        store,
        ref.subject_pk,
        ref.subject_id,
        quantity,
        mode=mode,
        basis=basis,
        include_all=include == "all",
    )
    return PlanningOut.model_validate(workflow.planned(trend, change=change, chance=chance))


def _day(name: str, text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError as error:
        message = "is not a day of the calendar"
        raise InvalidContent(f"{name} {message}.", (Place(f"query.{name}", message, value=text),)) from error
