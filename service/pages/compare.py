"""The page on which two tests of a person stand beside each other."""

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.analysis.references import REFERENCES, cited_keys
from service.comparisons.queries import tests_of
from service.comparisons.workflow import CHARTED, check_channel, comparison_of, default_pair
from service.errors import InvalidContent
from service.http.dependencies import StoreDependency, SubjectDependency, principal_of
from service.http.problems import status_of
from service.outlets.sentences import comparison_in_words, middle_of, place_in_words
from service.pages.people import name_of
from service.pages.rendering import PageRoute, display_of, page
from service.quantities import QUANTITIES
from service.subjects import queries as subjects

router = APIRouter(prefix="/people/{subject_id}/compare", include_in_schema=False, route_class=PageRoute)

#: The two axes, and what the page calls them.
_AXES = (("work_rate", "At the same work rate"), ("percent_of_peak", "At the same percent of peak"))


@router.get("")
def compare_tests(
    request: Request,
    ref: SubjectDependency,
    store: StoreDependency,
    first: Annotated[str, Query(max_length=64)] = "",
    second: Annotated[str, Query(max_length=64)] = "",
    channel: Annotated[str, Query(max_length=64)] = "heart_rate_bpm",
) -> Response:
    """Any two tests of a person: their results, and one channel drawn at the same work rate and at the same percent of peak."""
    principal, display = principal_of(request), display_of(request)
    with store.read() as session:
        subject = subjects.get(session, ref.subject_pk)
        tests = tests_of(session, ref.subject_pk)
    pair = default_pair(tests, first=first, second=second)
    document, status, faults = None, 200, {}
    try:
        check_channel(channel)
        if pair is not None:
            document = comparison_of(store, ref.subject_pk, ref.subject_id, *pair)
    except InvalidContent as error:
        status = status_of(error)
        faults = {place.location.removeprefix("query."): place.message for place in error.errors}
    if document is not None:
        first, second = (document[side]["test_id"] for side in ("first", "second"))
    elif pair is not None:
        first, second = pair
    return page(
        request,
        "compare.html",
        status=status,
        subject=subject,
        name=name_of(subject, principal),
        tests=tests,
        channels=[QUANTITIES[key] for key in CHARTED],
        asked={"first": first, "second": second, "channel": channel},
        faults=faults,
        document=document,
        sentences=[] if document is None else comparison_in_words(document, display),
        axes=[]
        if document is None
        else [_axis(document[key], words, channel, display) for key, words in _AXES],
        readable=_readable,
        sources=[] if document is None else _sources(document),
    )


def _axis(curves: Mapping[str, Any], words: str, channel: str, display: Any) -> dict[str, Any]:
    """One axis: every channel at the middle of what both tests have, and the asked channel at every place."""
    asked = next((one for one in curves["channels"] if one["channel"] == channel), None)
    # The channel that reaches furthest tells the middle for all.
    longest: list[dict[str, Any]] = max((one["points"] for one in curves["channels"]), key=len, default=[])
    middle = middle_of(longest)
    lines = (
        []
        if middle is None
        else [
            {
                **one,
                "point": next((point for point in one["points"] if point["along"] == middle["along"]), None),
            }
            for one in curves["channels"]
        ]
    )
    return {
        "words": words,
        "curves": curves,
        "middle": None if middle is None else place_in_words(curves["along"], middle, display),
        "lines": lines,
        "asked": asked,
        "places": []
        if asked is None
        else [(place_in_words(curves["along"], point, display), point) for point in asked["points"]],
    }


def _readable(text: str) -> str:
    """A text with its keys of the bibliography as a reader says them; the list of sources has the rest."""
    for key in cited_keys(text):
        text = text.replace(key, key.replace("_", " ").title())
    return text


def _sources(document: Mapping[str, Any]) -> list[str]:
    texts = [*document["method"]["sources"]]
    for curves in (document["work_rate"], document["percent_of_peak"]):
        texts += [
            (one["typical_error"] or {}).get("source") or one["error_reason"] for one in curves["channels"]
        ]
    keys = dict.fromkeys(key for text in texts if text for key in cited_keys(text))
    return [REFERENCES[key].text for key in keys]
