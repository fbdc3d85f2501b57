"""Pages about people: find one, and see what matters of one."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.analysis.ages import years_between
from service.db.models import Event, Subject
from service.db.transactions import now
from service.events.queries import listed as events_of_person
from service.http.cursors import Cursor, after, next_cursor, text
from service.http.dependencies import StoreDependency, SubjectDependency, principal_of
from service.http.keys import Principal
from service.outlets.sentences import latest_in_words
from service.outlets.text import CHANGES, due_in_words
from service.pages import queries
from service.pages.rendering import PageRoute, display_of, page
from service.quantities import QUANTITIES
from service.reports import queries as reports
from service.reports.workflow import rank_of_latest
from service.subjects import queries as subjects
from service.trends.queries import quantities_of
from service.trends.workflow import trend_of

router = APIRouter(prefix="/people", include_in_schema=False, route_class=PageRoute)

_ON_A_PAGE = 50
#: Nobody notes more of one person by hand.
_MOST_EVENTS = 500


def name_of(subject: Subject, principal: Principal) -> str:
    """The name where it is kept and may be seen, else nothing."""
    if not principal.sees_identity:
        return ""
    return " ".join(part for part in (subject.given_name, subject.family_name) if part)


def age_of(subject: Subject) -> str | None:
    """Age today in years; about, where only the year of birth is kept."""
    today = now().date()
    if subject.birth_date is not None:
        return str(int(years_between(subject.birth_date, today)))
    return None if subject.birth_year is None else f"about {today.year - subject.birth_year}"


@router.get("")
def people(
    request: Request,
    store: StoreDependency,
    query: Annotated[str, Query(max_length=200)] = "",
    cursor: Cursor = None,
) -> Response:
    """Everybody whom the key may see, by code."""
    principal = principal_of(request)
    last = after(request, cursor, text)
    with store.read() as session:
        found = subjects.listed(
            session, principal, query=query.strip(), cohort=None, after=last, limit=_ON_A_PAGE
        )
        shown = found[:_ON_A_PAGE]
        peaks = queries.latest_peaks(session, [one.id for one in shown])
    held = Response()
    next_cursor(request, held, [shown[-1].code] if len(found) > _ON_A_PAGE else None)
    # The address of the next part, as the interface gives it: "<address>; rel=next".
    more = held.headers["Link"][1:].partition(">")[0] if "Link" in held.headers else None
    lines = [
        {
            "id": one.public_id,
            "code": one.code,
            "name": name_of(one, principal),
            "sex": one.sex,
            "age": age_of(one),
            "peak": peaks.get(one.id),
        }
        for one in shown
    ]
    return page(request, "people.html", lines=lines, query=query, more=more, first=cursor is None)


@router.get("/{subject_id}")
def person(
    request: Request,
    ref: SubjectDependency,
    store: StoreDependency,
    quantity: Annotated[str, Query(max_length=64)] = "",
) -> Response:
    """One person, opening on what matters: the latest result in words, then a trend, events, tests, visits, measurements."""
    principal, display = principal_of(request), display_of(request)
    trend = trend_of(store, ref.subject_pk, ref.subject_id, queries.PEAK).as_dict()
    with store.read() as session:
        subject = subjects.get(session, ref.subject_pk)
        tests = reports.tests_of(session, ref.subject_pk)
        visits = queries.visits_of(session, ref.subject_pk)
        measurements = reports.latest_measurements(session, ref.subject_pk)
        kept = {one["quantity"] for one in quantities_of(session, ref.subject_pk)}
        events = events_of_person(session, ref.subject_pk, after=None, limit=_MOST_EVENTS)[:_MOST_EVENTS]
    trended = [one for key, one in QUANTITIES.items() if key in kept]
    asked = quantity or (queries.PEAK if queries.PEAK in kept or not trended else trended[0].key)
    drawn = QUANTITIES.get(asked)
    if drawn is not None and asked != queries.PEAK:
        shown = trend_of(store, ref.subject_pk, ref.subject_id, asked).as_dict()
    else:
        shown = trend
    return page(
        request,
        "person.html",
        subject=subject,
        name=name_of(subject, principal),
        age=age_of(subject),
        sentences=latest_in_words(
            trend, sex=subject.sex, rank=rank_of_latest(store, trend), display=display_of(request)
        ),
        due=due_in_words(trend["next_test_due"], display, today=now().date()),
        trend=shown,
        verdicts=CHANGES,
        drawn=drawn,
        events=_events_in_words(events, trend["events"]),
        tests=tests,
        visits=visits,
        measurements=[(QUANTITIES[key], day, value) for key, day, value in measurements],
        trended=trended,
    )


def _events_in_words(
    of_person: Sequence[Event], of_trend: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """What happened to the person, and at the site in the time of the tests, by its begin."""
    told = [
        {
            "whose": "the person",
            **{name: getattr(one, name) for name in ("kind", "title", "started_on", "ended_on")},
        }
        for one in of_person
    ]
    told += [
        {
            "whose": "the site" if one["device"] is None else f"the site, {one['device']}",
            **{name: one[name] for name in ("kind", "title")},
            **{
                name: None if one[name] is None else date.fromisoformat(one[name])
                for name in ("started_on", "ended_on")
            },
        }
        for one in of_trend
        if one["of"] == "site"
    ]
    return sorted(told, key=lambda one: one["started_on"], reverse=True)
