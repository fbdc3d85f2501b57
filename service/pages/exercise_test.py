"""The page of one test: the verdict in words, what it rests on, charts, findings with what to do."""

from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from service.analyses.workflow import analysis_of
from service.analysis.references import REFERENCES, cited_keys
from service.conclusions import queries as conclusions
from service.conclusions.schemas import ConclusionIn
from service.conclusions.workflow import conclude
from service.db.transactions import now
from service.errors import Forbidden
from service.exercise_tests import queries as tests
from service.http.dependencies import StoreDependency, TestDependency, principal_of
from service.outlets import text as words_of
from service.pages.people import name_of
from service.pages.rendering import PageRoute, check_form, checked, page
from service.subjects import queries as subjects
from service.visits import queries as visits
from service.visits.queries import in_own_offset

router = APIRouter(prefix="/tests", include_in_schema=False, route_class=PageRoute)

#: Charts in the order of the page, each with what it shows.
_CHARTS = (
    ("uptake", "Oxygen uptake, with the window of the peak and the lines of the plateau rule"),
    ("v_slope", "CO2 output on oxygen uptake"),
    ("ventilatory_equivalents", "Ventilatory equivalents"),
    ("heart_rate", "Heart rate and oxygen pulse"),
    ("rer", "Respiratory exchange ratio"),
    ("lactate", "Blood lactate"),
    ("substrate", "Fat and carbohydrate"),
    ("all_curves", "All channels over time"),
)
_MET = {True: "met", False: "not met", None: "not assessable"}


@router.get("/{test_id}")
def exercise_test(request: Request, ref: TestDependency, store: StoreDependency) -> Response:
    """One test as it was judged, or, while it is being recorded, as far as it can be."""
    principal = principal_of(request)
    with store.read() as session:
        subject = subjects.get(session, ref.subject_pk)
        test = tests.out(session, ref.test_pk)
        day = in_own_offset(visits.get(session, ref.visit_pk)).date()
        concluded = conclusions.out(session, ref.test_pk, ref.test_id)
    if test.status == "void":
        return page(
            request,
            "exercise_test.html",
            subject=subject,
            name=name_of(subject, principal),
            test=test,
            day=day,
            document=None,
        )
    document = analysis_of(store, ref.test_pk, {}, where="query")
    label = document["peak"]["label"] or "VO2peak"
    verdict = [line.strip() for line in words_of.verdict_lines(document, label)]
    # The first standing belongs to the verdict; the other tables and equations have a part of their own.
    standing = list(words_of.rank_lines(document["ranks"]))
    groups = words_of.finding_groups(document["findings"])
    return page(
        request,
        "exercise_test.html",
        subject=subject,
        name=name_of(subject, principal),
        test=test,
        day=day,
        document=document,
        verdict=[line for line in verdict if line not in standing[1:]],
        standing=standing,
        peak_words=words_of.where_the_peak_is(document["peak"]),
        in_the_peak=list(words_of.values_of_the_peak(document["peak"])),
        highest=list(words_of.highest_values(document)),
        serious=[group for group in groups if group[0]["severity"] != "info"],
        assumed=[one for group in groups if group[0]["severity"] == "info" for one in group],
        rules=[
            (words_of.plateau_words(rule), rule, words_of.of_rule(rule))
            for rule in document["plateau"]["rules"]
        ],
        criteria=[
            (words_of.CRITERIA.get(one["criterion"], one["criterion"]), one, _MET[one["met"]])
            for one in document["effort"]["criteria"]
        ],
        charts=[(key, words) for key, words in _CHARTS if _has(document, key)],
        sources=_sources(document),
        concluded=concluded,
        may_write=principal.covers("tester"),
        revision=ref.revision,
    )


@router.post("/{test_id}/conclusion")
def conclude_test(
    request: Request,
    ref: TestDependency,
    store: StoreDependency,
    form_token: Annotated[str, Form(max_length=100)],
    revision: Annotated[int, Form()],
    text: Annotated[str, Form(max_length=10_000)],
    author: Annotated[str, Form(max_length=200)],
    credentials: Annotated[str, Form(max_length=200)] = "",
    sign: Annotated[bool, Form()] = False,
) -> Response:
    """Keep the conclusion as a draft, or sign it."""
    check_form(request, form_token)
    principal = principal_of(request)
    if not principal.covers("tester"):
        raise Forbidden(f"This needs a key with the scope 'tester'; yours has '{principal.scope}'.")
    body = checked(
        ConclusionIn,
        text=text,
        author=author.strip(),
        credentials=credentials.strip() or None,
        signed_at=now() if sign else None,
    )
    conclude(
        store,
        principal.name,
        body,
        subject_pk=ref.subject_pk,
        subject_id=ref.subject_id,
        test_pk=ref.test_pk,
        test_id=ref.test_id,
        revision=revision,
    )
    return RedirectResponse(f"/tests/{ref.test_id}#conclusion", status_code=303)


def _has(document: dict[str, Any], chart: str) -> bool:
    """Whether a chart has anything to show; one of the uptake always says what is missing."""
    if chart == "lactate":
        return bool(document["lactate"].get("stages"))
    if document["marks"]["exercise_start_s"] is None:
        return False
    if chart in {"v_slope", "ventilatory_equivalents", "rer", "substrate"}:
        return document["maxima"]["rer"] is not None
    return True


def _sources(document: dict[str, Any]) -> list[str]:
    keys = dict.fromkeys(key for source in words_of.sources_of(document) for key in cited_keys(source))
    return [REFERENCES[key].text for key in keys]
