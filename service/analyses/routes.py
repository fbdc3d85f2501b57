"""Analyses and charts of a test over HTTP."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Query, Request, Response

from service.analyses import workflow
from service.analyses.schemas import AnalysisOut, Convention, ReanalysedOut, ReanalysisIn
from service.exercise_tests.routes import target_of
from service.http.answers import MEDIA_TYPES, form, json_response
from service.http.dependencies import Reader, StoreDependency, TestDependency, Tester
from service.http.idempotency import OnceDependency
from service.http.ready import keep_ready
from service.outlets.display import NEUTRAL, Display

router = APIRouter(prefix="/v1/tests/{test_id}", tags=["analyses"])


@router.get("/analysis", dependencies=[Depends(keep_ready)], response_model=AnalysisOut)
def get_analysis(
    principal: Reader,
    ref: TestDependency,
    store: StoreDependency,
    peak_window_s: Annotated[float | None, Query(ge=1, le=600, allow_inf_nan=False)] = None,
    peak_window_breaths: Annotated[int | None, Query(ge=1, le=200)] = None,
    peak_convention: Convention | None = None,
    effort_rules: Annotated[str | None, Query(max_length=64)] = None,
    plateau_rule: Annotated[str | None, Query(max_length=64)] = None,
    heart_rate_max_method: Annotated[str | None, Query(max_length=64)] = None,
    aberrant_breaths: Annotated[str | None, Query(max_length=64)] = None,
) -> Response:
    """The analysis: stored where the test is complete, else computed from what there is; settings hold for this answer only."""
    del principal
    given: dict[str, Any] = {
        "peak_window_s": peak_window_s,
        "peak_window_breaths": peak_window_breaths,
        "peak_convention": peak_convention,
        "effort_rules": effort_rules,
        "plateau_rule": plateau_rule,
        "heart_rate_max_method": heart_rate_max_method,
        "aberrant_breaths": aberrant_breaths,
    }
    changed = {name: value for name, value in given.items() if value is not None}
    document = workflow.analysis_of(store, ref.test_pk, changed, where="query")
    return json_response(document, headers=ref.headers)


@router.post("/analysis", response_model=ReanalysedOut)
def post_analysis(
    principal: Tester,
    ref: TestDependency,
    store: StoreDependency,
    once: OnceDependency,
    body: ReanalysisIn | None = None,
) -> Response:
    """Analyse a complete test anew, store it, and say what changed."""
    settings = (body or ReanalysisIn()).settings.model_dump(exclude_unset=True)
    claim = once.claim(store, settings)
    return workflow.analyse_anew(
        store,
        principal.name,
        target_of(ref),
        ref.test_id,
        settings,
        respond=lambda document, changed: json_response({**document, "changed": changed}),
        claim=claim,
    )


@router.get(
    "/charts/{chart}",
    dependencies=[Depends(keep_ready)],
    response_model=None,
    responses={200: {"content": {"image/svg+xml": {}, "image/png": {}}}},
)
def get_chart(
    request: Request,
    chart: Literal[
        "uptake",
        "v_slope",
        "ventilatory_equivalents",
        "heart_rate",
        "rer",
        "substrate",
        "lactate",
        "all_curves",
    ],
    principal: Reader,
    ref: TestDependency,
    store: StoreDependency,
    format: Annotated[Literal["json", "svg", "png"] | None, Query()] = None,  # noqa: A002 the contract's name
) -> Response:
    """A chart of the test: its Vega-Lite specification, or drawn from it."""
    del principal
    wanted = form(request, format, "json", "svg", "png")
    display = NEUTRAL if wanted == "json" else request.app.state.display
    spec = workflow.chart_of(store, ref.test_pk, chart, display)
    return chart_response(request, spec, wanted, ref.headers)


def chart_response(
    request: Request, spec: dict[str, Any], wanted: str, headers: Mapping[str, str]
) -> Response:
    """A specification in the form that was asked for; a picture has its numbers and dates as the site shows them."""
    from service.charts.look import reworded
    from service.charts.render import render_png, render_svg

    if wanted == "json":
        return json_response(spec, headers=headers)
    display: Display = request.app.state.display
    shown, marks = reworded(spec, display.said), display.of_the_charts()
    content: bytes = (
        render_svg(shown, marks=marks, follows_theme=True).encode()
        if wanted == "svg"
        else render_png(shown, marks=marks)
    )
    return Response(content, media_type=MEDIA_TYPES[wanted], headers=dict(headers))
