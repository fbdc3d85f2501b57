"""A threshold set by hand: where the line stands, by whom and why; what follows from it is shown first."""

from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from service.analyses import queries as analyses
from service.analyses.workflow import Target, analysis_of, foresee
from service.charts.threshold_panels import HEIGHT, WIDTH, Panels, threshold_panels
from service.charts.uptake import columns_of
from service.db.transactions import Store
from service.errors import Conflict, InvalidContent, Place, UpslopeError
from service.exercise_tests import workflow
from service.exercise_tests.schemas import ThresholdIn
from service.http.dependencies import StoreDependency, TestDependency, Tester, TestRef
from service.http.problems import status_of
from service.outlets.text import THRESHOLD_METHODS
from service.pages.effect import NOT_YET, Effect, effects_of, head_of, seen_of
from service.pages.explanations import Explanation, of_threshold
from service.pages.forms import Field, Filled, SentDependency, as_shown, typed_of, values_of
from service.pages.rendering import PageRoute, checked, display_of, page

router = APIRouter(prefix="/tests/{test_id}/thresholds", include_in_schema=False, route_class=PageRoute)

Name = Literal["vt1", "vt2", "lt"]
NAMES: dict[str, str] = {
    "vt1": "First ventilatory threshold (VT1)",
    "vt2": "Second ventilatory threshold (VT2)",
    "lt": "Lactate threshold (LT)",
}
_FIELDS = (
    Field(
        "vo2_ml_min",
        "At an oxygen uptake of (mL/min)",
        "number",
        hint="Either this or a time; the other one follows from it.",
        quantity="vo2_ml_min",
    ),
    Field("time_s", "At a time of (s)", "number", hint="On the clock of the recording."),
    Field("by", "Set by", required=True),
    Field("reason", "Reason", required=True, hint="What you see in the curves."),
)


_EMPTY = {one.name: "" for one in _FIELDS}


@dataclass(slots=True)
class _Looked:
    effects: list[Effect] = field(default_factory=list)
    then: dict[str, Any] | None = None
    told: dict[str, Explanation] = field(default_factory=dict)
    seen: str = ""
    changed: bool = False


@router.get("")
def thresholds_page(
    request: Request,
    principal: Tester,
    ref: TestDependency,
    store: StoreDependency,
    threshold: Annotated[Name, Query()] = "vt1",
) -> Response:
    """The curves with the line where the tester put it, else where the methods agree."""
    fields = as_shown(_FIELDS, display_of(request))
    with store.read() as session:
        stored = {one["threshold"]: one for one in analyses.read_tester_thresholds(session, ref.test_pk)}
    own = stored.get(threshold)
    typed = {"by": principal.name}
    if own is not None:
        typed = {
            one.name: one.display.typed(own[one.name], one.quantity or None)
            if one.kind == "number"
            else own[one.name]
            for one in fields
        }
        if typed["vo2_ml_min"]:
            typed["time_s"] = ""
    return _form(request, store, ref, threshold, Filled(typed), _Looked(), ref.revision)


@router.post("")
def thresholds_step(
    request: Request, principal: Tester, ref: TestDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Show what follows from the line; store it where it is the one that was shown; or take the stored one away."""
    fields = as_shown(_FIELDS, display_of(request))
    sent.only(["revision", "seen", "step", "threshold", *(one.name for one in fields)])
    revision = sent.revision()
    name = sent.text.get("threshold", "")
    if name not in NAMES:
        message = f"must be one of {', '.join(NAMES)}"
        raise InvalidContent(f"threshold {message}.", (Place("threshold", message),))
    filled = Filled(typed_of(fields, sent.text))
    looked = _Looked()
    step = sent.text.get("step", "")
    target = Target(ref.subject_pk, ref.subject_id, ref.visit_pk, ref.test_pk, revision=revision)
    with store.read() as session:
        others = [
            ThresholdIn(**one)
            for one in analyses.read_tester_thresholds(session, ref.test_pk)
            if one["threshold"] != name
        ]

    def stored(rows: list[ThresholdIn]) -> Response:
        return workflow.change(
            store,
            principal.name,
            target,
            ref.test_id,
            workflow.thresholds_edit(rows),
            {"thresholds": [row.model_dump() for row in rows]},
            respond=lambda _: RedirectResponse(
                f"/tests/{ref.test_id}/thresholds?threshold={name}", status_code=303
            ),
        )

    try:
        if step == "remove":
            return stored(others)
        row = _row(name, fields, filled, said=step == "store")
        looked.seen = seen_of(revision, name, row.vo2_ml_min, row.time_s)
        if step == "store" and sent.text.get("seen") == looked.seen:
            return stored([*others, row])
        looked.changed = step == "store"
        foreseen = foresee(store, target, workflow.thresholds_edit([*others, row]))
        looked.effects = effects_of(foreseen)
        looked.then = next(
            one
            for one in foreseen[0].after["thresholds"]
            if (one["threshold"], one["basis"]) == (name, "tester")
        )
        looked.told = of_threshold(foreseen[0].after, looked.then)
    except UpslopeError as error:
        if status_of(error) in {403, 404}:
            raise
        looked.seen = ""
        filled.refuse(error)
    return _form(request, store, ref, name, filled, looked, revision)


def _row(name: str, fields: tuple[Field, ...], filled: Filled, *, said: bool) -> ThresholdIn:
    """The threshold that was typed; by whom and why is asked for when it is stored.

    Raises
    ------
    InvalidContent
        It says neither an uptake nor a time, or both; or a value that cannot be.
    """
    typed = dict(filled.typed)
    if not said:
        typed |= {one: typed[one].strip() or NOT_YET for one in ("by", "reason")}
    values = values_of(fields, typed)
    given = [one for one in ("vo2_ml_min", "time_s") if values[one] is not None]
    if len(given) != 1:
        message = "give an uptake or a time" if not given else "give an uptake or a time, not both"
        raise InvalidContent(f"vo2_ml_min: {message}.", (Place("vo2_ml_min", message),))
    return checked(ThresholdIn, threshold=name, **values)


def _form(
    request: Request,
    store: Store,
    ref: TestRef,
    name: str,
    filled: Filled,
    looked: _Looked,
    revision: int,
) -> Response:
    with store.read() as session:
        head = head_of(session, ref, "thresholds are set once it is complete.")
        series = analyses.read_series(session, ref.test_pk)
        stored = list(analyses.read_tester_thresholds(session, ref.test_pk))
    if not len(series):
        raise Conflict("The test has no rows, so there is nothing to set a threshold on.")
    document = analysis_of(store, ref.test_pk, {}, where="query")
    left_out = [one["seq"] for one in document["breath_care"]["left_out"]]
    drawn = threshold_panels(name, document, columns_of(series, left_out))
    found = [one for one in document["thresholds"] if one["threshold"] == name]
    fields = as_shown(_FIELDS, display_of(request))
    return page(
        request,
        "thresholds_form.html",
        status=filled.status,
        **head,
        names=NAMES,
        threshold=name,
        fields=fields,
        filled=filled,
        stored=stored,
        found=[one for one in found if one["vo2_ml_min"] is not None],
        methods=THRESHOLD_METHODS,
        drawn=drawn,
        at=_time_of_the_line(found, looked, fields, filled, drawn),
        width=WIDTH,
        height=HEIGHT,
        load=("work_rate_lag_corrected_w", "work_rate_w")
        if document["maxima"]["work_rate_w"] is not None
        else ("speed_km_h", "speed_km_h"),
        effects=looked.effects,
        then=looked.then,
        told=looked.told,
        seen=looked.seen,
        changed=looked.changed,
        revision=revision,
    )


def _time_of_the_line(
    found: list[dict[str, Any]],
    looked: _Looked,
    fields: tuple[Field, ...],
    filled: Filled,
    drawn: Panels,
) -> float | None:
    """Where the line stands: as just shown, else as typed, else where the methods agree."""
    if looked.then is not None:
        time: float | None = looked.then["time_s"]
        return drawn.time_of(looked.then["vo2_ml_min"]) if time is None else time
    try:
        typed = values_of([one for one in fields if one.kind == "number"], {**_EMPTY, **filled.typed})
    except InvalidContent:
        typed = {}
    if typed.get("time_s") is not None:
        return float(typed["time_s"])
    if (uptake := typed.get("vo2_ml_min")) is not None:
        own = [one["time_s"] for one in found if one["basis"] == "tester" and one["vo2_ml_min"] == uptake]
        return next((one for one in own if one is not None), drawn.time_of(uptake))
    return next((one["time_s"] for one in found if one["method"] == "consensus"), None)
