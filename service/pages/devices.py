"""Control of the devices: the charts of known people, gas and volume, what a signal means, and what was done."""

from typing import get_args
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from service.analysis.control import (
    BASELINE_COUNT,
    IN_CONTROL_RUN,
    LEAST_BASELINE,
    PUBLISHED_SOURCE,
    RULES,
    SETTLED_BASELINE,
    SOURCE,
    JudgedPoint,
)
from service.controls.workflow import Charted, all_charts
from service.events import workflow as events
from service.events.schemas import SiteEventIn, SiteKind
from service.findings import FINDINGS
from service.http.dependencies import SiteReader, SiteTester, StoreDependency
from service.pages.explanations import citations
from service.pages.forms import Field, Filled, SentDependency, submitted, typed_of, values_of
from service.pages.rendering import PageRoute, page

router = APIRouter(prefix="/site/devices", include_in_schema=False, route_class=PageRoute)

#: What each signal points to (common practice, no one source).
_SUGGESTS = {
    "beyond_limit": "Something sudden: a leak, a wrong calibration, a wet sample line, a slip in the measurement itself.",
    "two_of_three": "A shift that has begun: a part that was changed, another gas bottle, a known person who is not as usual.",
    "four_of_five": "A small shift that stays.",
    "eight_on_one_side": "A slow drift: an ageing sensor, a turbine that wears, a change of room or procedure.",
}

_KINDS = tuple((kind, kind.replace("_", " ")) for kind in get_args(SiteKind))
_FIELDS = (
    Field("kind", "Kind", "choice", _KINDS, required=True, empty="choose"),
    Field("started_on", "Day", "day", required=True),
    Field(
        "title", "What was done", hint="A few words; everybody who may read a trend sees them.", required=True
    ),
    Field(
        "device",
        "Device",
        hint="As it is written in the analyser or ergometer of tests. An event of a device ends a shift in its charts.",
    ),
    Field("notes", "Notes", "long"),
)


@router.get("")
def devices_page(request: Request, principal: SiteReader, store: StoreDependency) -> Response:
    """Every control chart with its state; those out of control first."""
    del principal
    return _page(request, store, Filled())


@router.post("")
def note_event(
    request: Request, principal: SiteTester, store: StoreDependency, sent: SentDependency
) -> Response:
    """Note what was done at the site."""
    sent.only(one.name for one in _FIELDS)
    filled = Filled(typed_of(_FIELDS, sent.text))
    answer = submitted(
        filled,
        SiteEventIn,
        lambda: values_of(_FIELDS, filled.typed),
        lambda body: events.note_of_site(
            store,
            principal.name,
            body,
            respond=lambda _: RedirectResponse("/site/devices", status_code=303),
        ),
    )
    return answer or _page(request, store, filled)


def _page(request: Request, store: StoreDependency, filled: Filled) -> Response:
    with store.read() as session:
        charts = all_charts(session)
    # A shift that lasts first, then charts without limits, then the steady ones.
    charts.sort(key=lambda one: ({False: 0, None: 1, True: 2}[one.chart.in_control], one.key))
    known_person = any(one.chart.published_low is not None for one in charts)
    return page(
        request,
        "devices.html",
        status=filled.status,
        charts=[(one.about, one.chart, _address(one), _signals(one)) for one in charts],
        devices=sorted({one.about["device"] for one in charts}),
        rules=[(words, _SUGGESTS[rule]) for rule, (*_, words) in RULES.items()],
        rule_words={rule: words for rule, (*_, words) in RULES.items()},
        sources=citations(SOURCE),
        published=citations(PUBLISHED_SOURCE) if known_person else (),
        what_to_do=FINDINGS["device_shift"].what_to_do,
        baseline=(LEAST_BASELINE, BASELINE_COUNT, SETTLED_BASELINE, IN_CONTROL_RUN),
        fields=_FIELDS,
        filled=filled,
    )


def _address(one: Charted) -> str:
    kind = "charts" if one.about["kind"] == "biological" else "calibrations"
    query = urlencode({"device": one.about["device"], "key": one.key, "format": "svg"})
    return f"/v1/controls/{kind}?{query}"


def _signals(one: Charted) -> list[JudgedPoint]:
    """Measurements that met a rule, the newest first."""
    return [point for point in reversed(one.chart.points) if point.signals]
