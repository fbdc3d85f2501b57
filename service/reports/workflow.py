"""From the record to a report: what it shows is gathered here, what it says is written in the outlet."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime
from typing import Any

from service import __version__
from service.analyses.queries import local_date, norm_tables, read_notes, read_reported
from service.analyses.workflow import age_on, analysis_of, chart_from
from service.conclusions import queries as conclusions
from service.db.models import Subject, Visit
from service.db.transactions import Store, now
from service.errors import Conflict
from service.exercise_tests import queries as tests
from service.http.keys import Principal
from service.outlets.display import Display
from service.outlets.report.client import client_report
from service.outlets.report.document import Audience, Figure, Paper, Report
from service.outlets.report.history import history_report
from service.outlets.report.material import HistoryMaterial, Person, Sheet, TestMaterial
from service.outlets.report.record import record_report
from service.outlets.text import names_of
from service.protocols import queries as protocols
from service.reports import queries
from service.subjects import queries as subjects
from service.trends.workflow import RANKED, trend_chart, trend_of
from service.visits import queries as visits
from service.visits.queries import in_own_offset

_PROGRAM = f"Upslope {__version__}"


def print_day(store: Store, visit_pk: int | None) -> date:
    """Today by the clock of the place of a visit, so that a sheet bears the day on which it was printed there."""
    if visit_pk is None:
        return now().date()
    with store.read() as session:
        visit = visits.get(session, visit_pk)
        return local_date(now(), visit.utc_offset_minutes)


def latest_visit(store: Store, subject_pk: int) -> int | None:
    """Internal key of the latest visit of a subject."""
    with store.read() as session:
        visit = queries.latest_visit(session, subject_pk)
        return None if visit is None else visit.id


def report_of_test(
    store: Store,
    principal: Principal,
    *,
    subject_pk: int,
    subject_id: str,
    test_pk: int,
    audience: Audience,
    paper: Paper,
    printed: date,
    display: Display,
) -> Report:
    """The report of a test.

    Parameters
    ----------
    store : Store
    principal : Principal
        Decides whether names are shown.
    subject_pk, test_pk : int
    subject_id : str
    audience : {"client", "record"}
    paper : {"a4", "letter"}
    printed : date
    display : Display

    Raises
    ------
    Conflict
        The test is void.
    """
    record = audience == "record"
    with store.read() as session:
        test = tests.out(session, test_pk)
        if test.status == "void":
            raise Conflict("The test is void; there is nothing to report of it.")
        visit = visits.get(session, tests.get(session, test_pk).visit_id)
        subject = subjects.get(session, subject_pk)
        concluded = conclusions.out(session, test_pk, test.id)
        frozen = queries.frozen_document(session, test_pk) if record else None
        protocol = protocols.known(session, test.protocol_id)
        notes = [asdict(note) for note in read_notes(session, test_pk)]
        reported = [asdict(one) for one in read_reported(session, test_pk)]
        visit_out = visits.out(session, visit, subject_id).model_dump()
        names = names_of((one.id, one.name) for one in norm_tables(session))
    analysis = analysis_of(store, test_pk, {}, where="query") if frozen is None else frozen[1]
    day = in_own_offset(visit)
    trend = _up_to(trend_of(store, subject_pk, subject_id, RANKED, until=day.date()).as_dict(), test.id)
    points = trend["series"][0]["points"] if trend["series"] else []
    if len(points) > 1 and not record:
        # The one page has room for one.
        specs = [trend_chart(store, subject_pk, trend, display)]
    else:
        with store.read() as session:
            specs = [
                chart_from(session, test_pk, analysis, chart, display)
                for chart in _charts(analysis, record=record)
            ]
    versions = [one.model_dump() for one in concluded.versions]
    material = TestMaterial(
        person=_person(subject, visit, day.date(), principal),
        at=day,
        visit=visit_out,
        test=test.model_dump(),
        protocol=None if protocol is None else protocol.model_dump(),
        notes=notes,
        calibrations=test.calibrations,
        reported=reported,
        analysis=analysis,
        frozen=None if frozen is None else next(one for one in versions if one["version"] == frozen[0]),
        conclusions=versions,
        changed_since=bool(concluded.analysis_changed_since_signature),
        trend=trend,
        rank=_rank(points[-1]["norm_id"] if points else None, analysis["ranks"]),
        figures=[_figure(spec, display) for spec in specs],
        names=names,
    )
    sheet = Sheet(paper, printed, display, _PROGRAM)
    return (record_report if record else client_report)(material, sheet)


def _figure(spec: Mapping[str, Any], display: Display) -> Figure:
    """A chart as it is printed: light, with the marks of the site."""
    from service.charts.look import reworded
    from service.charts.render import render_svg

    shown = reworded(spec, display.said) if display.locale else spec
    return Figure(render_svg(shown, marks=display.of_the_charts()), shown["description"])


def _charts(analysis: Mapping[str, Any], *, record: bool) -> list[str]:
    """The charts of a test that have something to show."""
    if (analysis.get("marks") or {}).get("exercise_start_s") is None:
        return []
    if not record:
        return ["uptake"]
    lactate = bool(analysis["lactate"].get("stages"))
    return [
        "uptake",
        *(["heart_rate"] if analysis["maxima"].get("heart_rate_bpm") else []),
        *["lactate"] * lactate,
    ]


def _up_to(trend: dict[str, Any], test_id: str) -> dict[str, Any]:
    """The series of one test up to that test; no series where it has no point."""
    for series in trend["series"]:
        ids = [point["test_id"] for point in series["points"]]
        if test_id in ids:
            points = series["points"][: ids.index(test_id) + 1]
            return {**trend, "series": [{**series, "points": points}]}
    return {**trend, "series": []}


def _rank(norm_id: str | None, ranks: Sequence[dict[str, Any]]) -> dict[str, Any] | None:
    return next((one for one in ranks if one["norm_id"] == norm_id), None)


def _person(subject: Subject, visit: Visit | None, day: date, principal: Principal) -> Person:
    seen = principal.sees_identity
    given = {"birth_date": subject.birth_date, "birth_year": subject.birth_year}
    ages = age_on(given, {"age_years": None if visit is None else visit.age_years}, day)
    names = (subject.given_name, subject.family_name) if seen else ()
    return Person(
        code=subject.code,
        name=" ".join(part for part in names if part),
        identity_shown=seen,
        sex=subject.sex,
        age_years=ages["age_years"],
        birth_date=subject.birth_date if seen else None,
    )


def rank_of_latest(store: Store, trend: Mapping[str, Any]) -> dict[str, Any] | None:
    """The standing of the latest test in the table of its point, from its analysis."""
    ends = [series["points"][-1] for series in trend["series"]]
    if not ends:
        return None
    latest = max(ends, key=lambda one: one["date"])
    if latest["test_id"] is None or latest["norm_id"] is None:
        return None
    with store.read() as session:
        test_pk = queries.key_of_test(session, latest["test_id"])
    return _rank(latest["norm_id"], analysis_of(store, test_pk, {}, where="query")["ranks"])


def report_of_history(
    store: Store,
    principal: Principal,
    *,
    subject_pk: int,
    subject_id: str,
    audience: Audience,
    paper: Paper,
    printed: date,
    display: Display,
) -> Report:
    """The report of a person's history; parameters as of `report_of_test`."""
    trend = trend_of(store, subject_pk, subject_id, RANKED).as_dict()
    with store.read() as session:
        subject = subjects.get(session, subject_pk)
        lines = queries.tests_of(session, subject_pk)
        measurements = queries.latest_measurements(session, subject_pk)
        visit = queries.latest_visit(session, subject_pk)
        day = datetime.now(UTC).date() if visit is None else in_own_offset(visit).date()
        person = _person(subject, visit, day, principal)
    figures = []
    if trend["series"]:
        figures.append(_figure(trend_chart(store, subject_pk, trend, display), display))
    material = HistoryMaterial(
        person=person,
        trend=trend,
        rank=rank_of_latest(store, trend),
        tests=[asdict(line) for line in lines if line.status != "void"],
        measurements=[
            {"quantity": quantity, "day": on, "value": value} for quantity, on, value in measurements
        ],
        figures=figures,
    )
    return history_report(material, Sheet(paper, printed, display, _PROGRAM), audience)
