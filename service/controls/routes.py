"""The control of devices over HTTP."""

import datetime as dt
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Body, Query, Request, Response

from service.analyses.routes import chart_response
from service.analysis.control import LEAST_BASELINE
from service.controls import queries, workflow
from service.controls.schemas import (
    BaselineIn,
    BaselinesOut,
    ControlChartOut,
    ControlMeasurementIn,
    ControlMeasurementOut,
    ControlMeasurementsOut,
)
from service.controls.workflow import Baseline, Charted
from service.errors import InvalidContent, NotFound, Place
from service.exercise_tests.schemas import Mode
from service.http.answers import created, form, json_response
from service.http.cursors import Cursor, Limit, Page, after, next_cursor, whole_number
from service.http.dependencies import SiteReader, SiteTester, StoreDependency
from service.http.idempotency import OnceDependency
from service.subjects.queries import bump

router = APIRouter(prefix="/v1/controls", tags=["controls"])

_Text = Annotated[str | None, Query(max_length=200)]
_Load = Annotated[float | None, Query(allow_inf_nan=False)]
_Day = Annotated[str | None, Query(pattern=r"^\d{4}-\d{2}-\d{2}$", description="A day of the baseline.")]
_Count = Annotated[
    int | None, Query(ge=LEAST_BASELINE, le=500, description="How many measurements make the baseline.")
]
_Key = Annotated[str | None, Query(max_length=1000, description="`key` of one chart.")]
_Form = Annotated[Literal["json", "vega", "svg", "png"] | None, Query()]
_PICTURES: dict[int | str, dict[str, Any]] = {
    200: {"description": "The charts, or a picture of one", "content": {"image/svg+xml": {}, "image/png": {}}}
}


@router.post("/measurements", status_code=201, response_model=ControlMeasurementsOut)
def create_control_measurements(
    body: Annotated[list[ControlMeasurementIn], Body(min_length=1, max_length=10_000)],
    principal: SiteTester,
    store: StoreDependency,
    once: OnceDependency,
) -> Response:
    """Store measurements of a known person, all or none."""
    claim = once.claim(store, [row.model_dump(mode="json") for row in body])
    with store.write(principal.name, claim) as transaction:
        session = transaction.session
        subjects = queries.subjects_of(session, body)
        for subject_pk in sorted(set(subjects.values())):
            bump(session, subject_pk)
        made = queries.add(session, body, subjects)
        queries.count_change(session)
        for row, given in zip(made, body, strict=True):
            transaction.changed(
                "control",
                row.public_id,
                action="created",
                subject_id=given.subject_id,
                payload={"after": given.model_dump(mode="json")},
            )
        items = [queries.out(row, given.subject_id) for row, given in zip(made, body, strict=True)]
        return transaction.answer(created(ControlMeasurementsOut(items=items), "/v1/controls/measurements"))


@router.get("/measurements")
def list_control_measurements(
    request: Request,
    response: Response,
    principal: SiteReader,
    store: StoreDependency,
    device: _Text = None,
    subject_id: _Text = None,
    quantity: _Text = None,
    mode: Mode | None = None,
    work_rate_w: _Load = None,
    limit: Limit = 50,
    cursor: Cursor = None,
) -> Page[ControlMeasurementOut]:
    """Measurements of known people in the order they were stored."""
    del principal
    given = {
        "device": device,
        "subject_id": subject_id,
        "quantity": quantity,
        "mode": mode,
        "work_rate_w": work_rate_w,
    }
    last = after(request, cursor, whole_number)
    with store.read() as session:
        found = queries.listed(session, given, after=last, limit=limit)
    key = [found[limit - 1][0].id] if len(found) > limit else None
    return Page(items=[queries.out(*one) for one in found[:limit]], next=next_cursor(request, response, key))


@router.delete("/measurements/{measurement_id}", status_code=204)
def delete_control_measurement(
    measurement_id: str, principal: SiteTester, store: StoreDependency
) -> Response:
    """Take away a measurement that was entered wrongly; one that is only out of control stays."""
    with store.write(principal.name) as transaction:
        session = transaction.session
        row, subject_id = queries.get(session, measurement_id)
        bump(session, row.subject_id)
        before = queries.out(row, subject_id).model_dump(mode="json")
        queries.delete(session, row)
        queries.count_change(session)
        transaction.changed(
            "control", measurement_id, action="deleted", subject_id=subject_id, payload={"before": before}
        )
    return Response(status_code=204)


@router.get("/baselines")
def get_control_baselines(principal: SiteReader, store: StoreDependency) -> BaselinesOut:
    """The stated baselines; a device without one has its first ten measurements."""
    del principal
    with store.read() as session:
        return BaselinesOut(items=list(queries.baselines(session).values()))


@router.put("/baselines", response_model=BaselinesOut)
def put_control_baselines(
    body: Annotated[list[BaselineIn], Body(max_length=1000)], principal: SiteTester, store: StoreDependency
) -> Response:
    """Store baselines of devices in the place of those there are."""
    with store.write(principal.name) as transaction:
        before = [row.model_dump(mode="json") for row in queries.baselines(transaction.session).values()]
        queries.replace_baselines(transaction.session, body)
        transaction.changed(
            "site",
            "site",
            action="changed",
            payload={
                "before": {"control_baselines": before},
                "after": {"control_baselines": [row.model_dump(mode="json") for row in body]},
            },
        )
        return json_response(BaselinesOut(items=body))


@router.get("/charts", response_model=Page[ControlChartOut], responses=_PICTURES)
def get_control_charts(
    request: Request,
    principal: SiteReader,
    store: StoreDependency,
    device: _Text = None,
    subject_id: _Text = None,
    quantity: _Text = None,
    mode: Mode | None = None,
    work_rate_w: _Load = None,
    speed_km_h: _Load = None,
    key: _Key = None,
    baseline_count: _Count = None,
    baseline_from: _Day = None,
    baseline_to: _Day = None,
    format: _Form = None,  # noqa: A002 the contract's name
) -> Response:
    """Control charts of known people, one for each device, person, load and quantity.

    Without a stated baseline it is the stored one of the device, else the first ten measurements. `format=svg`, `png` and
    `vega` need exactly one chart.
    """
    del principal
    given = {
        "device": device,
        "subject_id": subject_id,
        "quantity": quantity,
        "mode": mode,
        "work_rate_w": work_rate_w,
        "speed_km_h": speed_km_h,
    }
    baseline = _baseline(baseline_count, baseline_from, baseline_to)
    with store.read() as session:
        charts = workflow.biological_charts(session, given, baseline)
    return _answer(request, charts, key, format)


@router.get("/calibrations", response_model=Page[ControlChartOut], responses=_PICTURES)
def get_calibration_charts(
    request: Request,
    principal: SiteReader,
    store: StoreDependency,
    device: _Text = None,
    kind: Literal["gas", "volume"] | None = None,
    key: _Key = None,
    baseline_count: _Count = None,
    baseline_from: _Day = None,
    baseline_to: _Day = None,
    format: _Form = None,  # noqa: A002 the contract's name
) -> Response:
    """Control charts of the calibration readings of tests, one for each device, sensor, moment and known value."""
    del principal
    baseline = _baseline(baseline_count, baseline_from, baseline_to)
    with store.read() as session:
        charts = workflow.calibration_charts(session, device=device, kind=kind, baseline=baseline)
    return _answer(request, charts, key, format)


def _baseline(count: int | None, begin: str | None, end: str | None) -> Baseline:
    first, last = _day("baseline_from", begin), _day("baseline_to", end)
    if first is not None and last is not None and last < first:
        message = "lies before baseline_from"
        raise InvalidContent(f"baseline_to {message}.", (Place("query.baseline_to", message, value=end),))
    if count is not None and last is not None:
        message = "says how many measurements from a day on, and does not go with baseline_to"
        raise InvalidContent(
            f"baseline_count {message}.", (Place("query.baseline_count", message, value=count),)
        )
    return Baseline(count, first, last)


def _day(name: str, text: str | None) -> dt.date | None:
    try:
        return None if text is None else dt.date.fromisoformat(text)
    except ValueError as error:
        message = "is not a day of the calendar"
        raise InvalidContent(f"{name} {message}.", (Place(f"query.{name}", message, value=text),)) from error


def _answer(request: Request, charts: list[Charted], key: str | None, asked: str | None) -> Response:
    if key is not None:
        charts = [one for one in charts if one.key == key]
        if not charts:
            raise NotFound("There is no chart with this key among those asked for.")
    wanted = asked if asked == "vega" else form(request, asked, "json", "svg", "png")
    told = [one.out() for one in charts]
    if wanted == "json":
        return json_response(Page[ControlChartOut](items=told, next=None))
    if not told:
        raise NotFound("There is no measurement of such a control, so there is no chart to draw.")
    if len(told) > 1:
        keys = ", ".join(repr(one.key) for one in told[:20])
        message = f"is needed for a picture of one chart: {keys}"
        raise InvalidContent(f"key {message}.", (Place("query.key", message),))
    from service.charts.control import control_spec

    spec = control_spec(told[0].model_dump(mode="json"))
    return chart_response(request, spec, "json" if wanted == "vega" else wanted, {})
