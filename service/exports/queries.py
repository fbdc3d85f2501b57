"""Reads for an export, in batches and in the order of the people; nothing is written here."""

from collections.abc import Iterator, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased
from sqlalchemy.sql.elements import ColumnElement

from service.db.models import (
    Analysis,
    Base,
    Calibration,
    Cohort,
    CohortMember,
    Event,
    Exclusion,
    ExerciseTest,
    Interval,
    IntervalExtra,
    Measurement,
    Protocol,
    ProtocolStage,
    RecordingMark,
    ReportedResult,
    Result,
    StageNote,
    Subject,
    TesterThreshold,
    Visit,
)
from service.outlets.deidentify import SUBJECT_KEY
from service.quantities import EXTRA_CHANNELS, STORED_CHANNELS
from service.reference.protocols import STANDARD_PROTOCOLS

Row = dict[str, Any]

_SUBJECTS_AT_ONCE = 100
#: So many rows are gone again before a search for garbage goes through them.
_INTERVALS_AT_ONCE = 500


def one_state(session: Session) -> None:
    """See one state of the record to the end; on SQLite every transaction does."""
    if session.get_bind().dialect.name == "postgresql":
        session.connection(execution_options={"isolation_level": "REPEATABLE READ"})


def cohort_by_pk(session: Session, cohort_pk: int) -> Cohort | None:
    """The cohort with this internal key."""
    return session.get(Cohort, cohort_pk)


def cohort_by_id(session: Session, cohort_id: str) -> int | None:
    """Internal key of the cohort with this id."""
    return session.scalar(sa.select(Cohort.id).where(Cohort.public_id == cohort_id))


def cohort_by_name(session: Session, name: str) -> int | None:
    """Internal key of the cohort with this name or id."""
    return session.scalar(
        sa.select(Cohort.id)
        .where(sa.or_(Cohort.name == name, Cohort.public_id == name))
        .order_by(Cohort.name != name)
    )


def subjects_of(session: Session, cohort_pk: int | None) -> list[int]:
    """Internal keys of the people of a cohort, or of the whole record."""
    statement = sa.select(Subject.id).order_by(Subject.id)
    if cohort_pk is not None:
        members = sa.select(CohortMember.subject_id).where(CohortMember.cohort_id == cohort_pk)
        statement = statement.where(Subject.id.in_(members))
    return list(session.scalars(statement))


def in_runs(people: Sequence[int]) -> Iterator[Sequence[int]]:
    """People in their order, as many at a time as are also in the order of their keys."""
    first = 0
    for place in range(1, len(people) + 1):
        if place == len(people) or place - first == _SUBJECTS_AT_ONCE or people[place] < people[place - 1]:
            yield people[first:place]
            first = place


def _rows(
    session: Session,
    subjects: Sequence[int],
    statement: sa.Select[Any],
    *order: ColumnElement[Any] | Any,
) -> Iterator[Row]:
    """Rows of a statement on `Subject`, in the order of `subjects` and then of `order`."""
    told = statement.add_columns(Subject.id.label(SUBJECT_KEY))
    for first in range(0, len(subjects), _SUBJECTS_AT_ONCE):
        batch = subjects[first : first + _SUBJECTS_AT_ONCE]
        found: dict[int, list[Row]] = {}
        for row in session.execute(told.where(Subject.id.in_(batch)).order_by(Subject.id, *order)).mappings():
            found.setdefault(row[SUBJECT_KEY], []).append(dict(row))
        for subject in batch:
            yield from found.pop(subject, ())


def _columns(model: type[Base], *names: str) -> list[Any]:
    return [model.__table__.c[name] for name in names]


def subjects(session: Session, people: Sequence[int]) -> Iterator[Row]:
    """People."""
    names = ("code", "given_name", "family_name", "birth_date", "birth_year", "sex", "notes")
    statement = sa.select(Subject.public_id.label("subject_id"), *_columns(Subject, *names))
    yield from _rows(session, people, statement)


def _cohorts(cohort_pk: int | None) -> Any:
    return sa.true() if cohort_pk is None else Cohort.id == cohort_pk


def cohorts(session: Session, cohort_pk: int | None, *, of_person: int | None = None) -> Iterator[Row]:
    """The cohort, or all, or those that one person is in."""
    statement = sa.select(
        Cohort.public_id.label("cohort_id"), *_columns(Cohort, "name", "notes", "effort_rules")
    )
    statement = statement.where(_cohorts(cohort_pk))
    if of_person is not None:
        joined = sa.select(CohortMember.cohort_id).where(CohortMember.subject_id == of_person)
        statement = statement.where(Cohort.id.in_(joined))
    for row in session.execute(statement.order_by(Cohort.id)).mappings():
        yield dict(row)


def members(session: Session, people: Sequence[int], cohort_pk: int | None) -> Iterator[Row]:
    """Who is in which cohort."""
    statement = (
        sa.select(
            Cohort.public_id.label("cohort_id"),
            Subject.public_id.label("subject_id"),
            *_columns(CohortMember, "arm", "joined_on", "left_on"),
        )
        .join(CohortMember, CohortMember.subject_id == Subject.id)
        .join(Cohort, Cohort.id == CohortMember.cohort_id)
        .where(_cohorts(cohort_pk))
    )
    yield from _rows(session, people, statement, Cohort.id)


def visits(session: Session, people: Sequence[int]) -> Iterator[Row]:
    """Visits with all their columns, and what the age on the day is worked out from."""
    own = [column for column in Visit.__table__.c if column.name not in {"id", "subject_id"}]
    statement = sa.select(
        Visit.public_id.label("visit_id"),
        Subject.public_id.label("subject_id"),
        *_columns(Subject, "birth_date", "birth_year", "sex"),
        *own,
    ).join(Visit, Visit.subject_id == Subject.id)
    yield from _rows(session, people, statement, Visit.started_at, Visit.id)


def first_test_days(session: Session, people: Sequence[int]) -> Iterator[Row]:
    """Begin and offset of each visit with a test, the first ones first."""
    statement = (
        sa.select(*_columns(Visit, "started_at", "utc_offset_minutes"))
        .join(Visit, Visit.subject_id == Subject.id)
        .where(sa.exists().where(ExerciseTest.visit_id == Visit.id))
    )
    yield from _rows(session, people, statement, Visit.started_at)


def last_days(session: Session, people: Sequence[int]) -> Iterator[Row]:
    """Every other day of a person that an export tells: of events, and of joining and leaving a cohort."""
    of_events = sa.select(*_columns(Event, "started_on", "ended_on")).join(
        Event, Event.subject_id == Subject.id
    )
    of_members = sa.select(*_columns(CohortMember, "joined_on", "left_on")).join(
        CohortMember, CohortMember.subject_id == Subject.id
    )
    for statement in (of_events, of_members):
        yield from _rows(session, people, statement)


def measurements(session: Session, people: Sequence[int]) -> Iterator[Row]:
    """Other measurements."""
    statement = (
        sa.select(Visit.public_id.label("visit_id"), *_columns(Measurement, "quantity", "value", "note"))
        .join(Visit, Visit.subject_id == Subject.id)
        .join(Measurement, Measurement.visit_id == Visit.id)
    )
    yield from _rows(session, people, statement, Visit.started_at, Visit.id, Measurement.quantity)


def events(session: Session, people: Sequence[int], *, of_site: bool) -> Iterator[Row]:
    """Events of the people, and of the site."""
    names = ("kind", "started_on", "ended_on", "title", "device", "notes")
    statement = sa.select(
        Event.public_id.label("event_id"), Subject.public_id.label("subject_id"), *_columns(Event, *names)
    ).join(Event, Event.subject_id == Subject.id)
    yield from _rows(session, people, statement, Event.started_on, Event.id)
    if of_site:
        alone = sa.select(Event.public_id.label("event_id"), *_columns(Event, *names))
        for row in session.execute(
            alone.where(Event.subject_id.is_(None)).order_by(Event.started_on, Event.id)
        ).mappings():
            yield dict(row)


def _with_tests(*columns: Any) -> sa.Select[Any]:
    return (
        sa.select(*columns)
        .select_from(Subject)
        .join(Visit, Visit.subject_id == Subject.id)
        .join(ExerciseTest, ExerciseTest.visit_id == Visit.id)
    )


_TEST_ORDER = (Visit.started_at, Visit.id, ExerciseTest.id)


def protocol_rows(session: Session, people: Sequence[int]) -> list[Row]:
    """The protocols that the tests of these people name, published and own; each with its `stages`."""
    statement = _with_tests(ExerciseTest.protocol_key).where(ExerciseTest.protocol_key.is_not(None))
    keys = sorted({row["protocol_key"] for row in _rows(session, people, statement)})
    answer: list[Row] = []
    for key in keys:
        standard = STANDARD_PROTOCOLS.get(key)
        if standard is not None:
            known = standard.as_dict()
            answer.append({**known, "protocol_id": key})
            continue
        own = session.scalars(sa.select(Protocol).where(Protocol.key == key)).one_or_none()
        if own is None:
            answer.append({"protocol_id": key, "stages": []})
            continue
        names = ("name", "family", "mode", "shape", "purpose", "source")
        stages = session.execute(
            sa.select(*_columns(ProtocolStage, "seq", "phase", "duration_s", *_STAGE_NAMES))
            .where(ProtocolStage.protocol_id == own.id)
            .order_by(ProtocolStage.seq)
        ).mappings()
        answer.append(
            {
                "protocol_id": key,
                **{name: getattr(own, name) for name in names},
                "stages": [dict(stage) for stage in stages],
            }
        )
    return answer


_STAGE_NAMES = ("work_rate_w", "speed_km_h", "grade_percent", "cadence_per_min", "ramp_w_per_min")


def tests(session: Session, people: Sequence[int]) -> Iterator[Row]:
    """Tests."""
    verified = aliased(ExerciseTest)
    own = [
        column
        for column in ExerciseTest.__table__.c
        if column.name
        not in {
            "id", "public_id", "visit_id", "verifies_test_id", "protocol_key", "source_hash", "source_columns", "source_findings",
        }
    ]  # fmt: skip
    statement = _with_tests(
        ExerciseTest.public_id.label("test_id"),
        Visit.public_id.label("visit_id"),
        Subject.public_id.label("subject_id"),
        verified.public_id.label("verifies_test_id"),
        ExerciseTest.protocol_key.label("protocol_id"),
        ExerciseTest.source_hash.label("source_sha256"),
        ExerciseTest.source_columns,
        *own,
    ).outerjoin(verified, verified.id == ExerciseTest.verifies_test_id)
    for row in _rows(session, people, statement, *_TEST_ORDER):
        columns = row["source_columns"]
        yield row | {"source_columns": None if columns is None else {"columns": columns}}


def test_keys(session: Session, people: Sequence[int]) -> Iterator[tuple[int, str, int]]:
    """Internal key and id of each test, and internal key of its person."""
    statement = _with_tests(ExerciseTest.id.label("pk"), ExerciseTest.public_id.label("test_id"))
    for row in _rows(session, people, statement, *_TEST_ORDER):
        yield row["pk"], row["test_id"], row[SUBJECT_KEY]


def count_tests(session: Session, people: Sequence[int]) -> int:
    """How many tests there are."""
    return sum(1 for _ in test_keys(session, people))


#: Columns of `intervals`, after the internal key of the test.
INTERVAL_NAMES = ("seq", "end_s", "duration_s", "phase", "stage", *STORED_CHANNELS, *EXTRA_CHANNELS)


def intervals(session: Session, run: Sequence[int]) -> Iterator[tuple[Sequence[Any], ...]]:
    """The intervals of a run of people (`in_runs`), raw, in the order of their tests: columns, a piece at a time."""
    test, interval, extra = ExerciseTest.__table__, Interval.__table__, IntervalExtra.__table__
    columns = [extra.c[name] if name in EXTRA_CHANNELS else interval.c[name] for name in INTERVAL_NAMES]
    statement = (
        _with_tests(test.c.id, *columns)
        .join(interval, interval.c.test_id == test.c.id)
        .outerjoin(extra, sa.and_(extra.c.test_id == interval.c.test_id, extra.c.seq == interval.c.seq))
        .where(Subject.id.in_(run))
        # On SQLite the order of the indexes on the way: nothing is sorted or held.
        .order_by(Subject.id, *_TEST_ORDER, interval.c.seq)
        .execution_options(yield_per=_INTERVALS_AT_ONCE)
    )
    for part in session.connection().execute(statement).partitions():
        yield tuple(zip(*part, strict=True))


def of_tests(session: Session, people: Sequence[int], model: type[Base], key: str) -> Iterator[Row]:
    """The rows of a table below the test, all columns, in the order of `key`."""
    table = model.__table__
    statement = _with_tests(
        ExerciseTest.public_id.label("test_id"), *(column for column in table.c if column.name != "test_id")
    ).join(table, table.c.test_id == ExerciseTest.id)
    yield from _rows(session, people, statement, *_TEST_ORDER, table.c[key])


#: Tables below the test, by their name in an export: model and column of the order.
BELOW_TESTS: dict[str, tuple[type[Base], str]] = {
    "exclusions": (Exclusion, "seq"),
    "stage_notes": (StageNote, "seq"),
    "recording_marks": (RecordingMark, "seq"),
    "reported_results": (ReportedResult, "quantity"),
    "calibrations": (Calibration, "seq"),
    "tester_thresholds": (TesterThreshold, "threshold"),
}


def analyses(session: Session, people: Sequence[int], **parts: str) -> Iterator[Row]:
    """The stored analysis of each test, with parts of its document; what is of an analysis is None where there is none.

    Parameters
    ----------
    session : Session
    people : sequence of int
    **parts : str
        Name of the part -> where it is, such as ``peak.basis``. A text comes as it is; a list or object as JSON. The
        database finds a part in a fraction of the time in which the whole document is read.
    """
    names = ("analysis_version", "input_hash", "site_revision", "settings", "computed_at")
    statement = _with_tests(
        ExerciseTest.id.label("pk"),
        ExerciseTest.public_id.label("test_id"),
        *_columns(Analysis, *names),
        *(_part(session, place).label(name) for name, place in parts.items()),
    ).outerjoin(Analysis, Analysis.test_id == ExerciseTest.id)
    yield from _rows(session, people, statement, *_TEST_ORDER)


def _part(session: Session, place: str) -> ColumnElement[Any]:
    if session.get_bind().dialect.name == "postgresql":
        return sa.func.json_extract_path_text(sa.cast(Analysis.document, sa.JSON), *place.split("."))
    return sa.func.json_extract(Analysis.document, f"$.{place}")


def results(session: Session, people: Sequence[int]) -> Iterator[Row]:
    """The index of results."""
    own = [
        column
        for column in Result.__table__.c
        if column.name not in {"id", "subject_id", "visit_id", "test_id", "occurred_at"}
    ]
    statement = (
        sa.select(
            Subject.public_id.label("subject_id"),
            Visit.public_id.label("visit_id"),
            ExerciseTest.public_id.label("test_id"),
            *own,
        )
        .select_from(Subject)
        .join(Result, Result.subject_id == Subject.id)
        .join(Visit, Visit.id == Result.visit_id)
        .outerjoin(ExerciseTest, ExerciseTest.id == Result.test_id)
    )
    yield from _rows(session, people, statement, Visit.started_at, Visit.id, Result.test_id, Result.quantity)
