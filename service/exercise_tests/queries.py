"""Reads and writes of tests; nothing is committed here."""

from collections.abc import Collection
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analyses.queries import read_calibrations_of
from service.analysis.series import PHASES
from service.db.models import (
    Calibration,
    Conclusion,
    Exclusion,
    ExerciseTest,
    Interval,
    IntervalExtra,
    Protocol,
    RecordingMark,
    ReportedResult,
    StageNote,
    Subject,
    Visit,
)
from service.errors import Conflict, InvalidContent, NotFound, Place
from service.exercise_tests.schemas import ExclusionOut, PhaseName, TestOut
from service.quantities import CHANNELS, EXTRA_CHANNELS, STORED_CHANNELS
from service.reference.protocols import STANDARD_PROTOCOLS


def get(session: Session, test_pk: int) -> ExerciseTest:
    """The test with this internal key."""
    test = session.get(ExerciseTest, test_pk)
    if test is None:
        raise NotFound("The test was deleted in the meantime.")
    return test


def status_of(session: Session, test_pk: int) -> str:
    """Whether the test is planned, being recorded, complete or void."""
    status = session.scalar(sa.select(ExerciseTest.status).where(ExerciseTest.id == test_pk))
    if status is None:
        raise NotFound("The test was deleted in the meantime.")
    return status


def set_status(session: Session, test_pk: int, status: str) -> None:
    """Store where the test is."""
    session.execute(sa.update(ExerciseTest).where(ExerciseTest.id == test_pk).values(status=status))


def refuse_void(session: Session, test_pk: int) -> str:
    """The status of a test that may be written: only a void one refuses it."""
    status = status_of(session, test_pk)
    if status == "void":
        raise Conflict("The test is void; make a new test.")
    return status


def begun(session: Session, test_pk: int) -> dict[str, str]:
    """The first thing recorded of a planned test makes it recording."""
    return {"status": "recording"} if status_of(session, test_pk) == "planned" else {}


_VERIFIED = sa.orm.aliased(ExerciseTest)
# Made once: to make it takes longer than to ask it.
_WITH_IDS = (
    sa.select(ExerciseTest, Visit.public_id, Subject.public_id, _VERIFIED.public_id)
    .join(Visit, Visit.id == ExerciseTest.visit_id)
    .join(Subject, Subject.id == Visit.subject_id)
    .outerjoin(_VERIFIED, _VERIFIED.id == ExerciseTest.verifies_test_id)
    .order_by(ExerciseTest.id)
)


def out(session: Session, test_pk: int) -> TestOut:
    """A test as it goes over the wire."""
    found = out_all(session, ExerciseTest.id == test_pk)
    if not found:
        raise NotFound("The test was deleted in the meantime.")
    return found[0]


def out_of_visit(session: Session, visit_pk: int) -> list[TestOut]:
    """The tests of a visit as they go over the wire, in the order they were made."""
    return out_all(session, ExerciseTest.visit_id == visit_pk)


def out_all(session: Session, which: sa.ColumnElement[bool]) -> list[TestOut]:
    """The same of some tests, in as many statements as of one."""
    rows = session.execute(_WITH_IDS.where(which)).all()
    pks = [test.id for test, *_ in rows]
    counted = session.execute(
        sa.select(Interval.test_id, sa.func.count())
        .where(Interval.test_id.in_(pks))
        .group_by(Interval.test_id)
    )
    intervals = {test_pk: count for test_pk, count in counted}  # noqa: C416 rows are not pairs to the type checker
    calibrations = read_calibrations_of(session, pks)
    names = [name for name in TestOut.model_fields if hasattr(ExerciseTest, name) and name != "id"]
    return [
        TestOut.model_validate(
            {
                **{name: getattr(test, name) for name in names},
                "id": test.public_id,
                "visit_id": visit_id,
                "subject_id": subject_id,
                "protocol_id": test.protocol_key,
                "verifies_test_id": verifies,
                "source_sha256": test.source_hash,
                "n_intervals": intervals.get(test.id, 0),
                "calibrations": calibrations.get(test.id, ()),
            }
        )
        for test, visit_id, subject_id, verifies in rows
    ]


def count_intervals(session: Session, test_pk: int) -> int:
    """How many intervals a test has."""
    return (
        session.scalar(sa.select(sa.func.count()).select_from(Interval).where(Interval.test_id == test_pk))
        or 0
    )


def linked_test(
    session: Session, subject_pk: int, verifies_test_id: str, *, but: int | None = None, where: str = "body"
) -> int:
    """The test that a verification bout verifies: another test of the same subject.

    Raises
    ------
    InvalidContent
        There is none with this id.
    """
    found = session.scalar(
        sa.select(ExerciseTest.id)
        .join(Visit, Visit.id == ExerciseTest.visit_id)
        .where(ExerciseTest.public_id == verifies_test_id, Visit.subject_id == subject_pk)
    )
    if found is None or found == but:
        message = "names no other test of this subject"
        raise InvalidContent(
            f"verifies_test_id {message}.",
            (Place(f"{where}.verifies_test_id", message, value=verifies_test_id),),
        )
    return found


def check_protocol(session: Session, protocol_id: str, *, where: str = "body") -> None:
    """Refuse a protocol that there is not."""
    if protocol_id in STANDARD_PROTOCOLS:
        return
    if session.scalar(sa.select(Protocol.id).where(Protocol.key == protocol_id)) is None:
        message = "names no protocol; GET /v1/protocols lists them"
        raise InvalidContent(
            f"protocol_id {message}.", (Place(f"{where}.protocol_id", message, value=protocol_id),)
        )


def read_intervals(
    session: Session, test_pk: int, *, after: int | None = None, limit: int | None = None
) -> list[dict[str, Any]]:
    """Intervals as stored, each with what was decided about it by hand: `excluded`, or `kept`, by whom and why."""
    extra = [IntervalExtra.__table__.c[name] for name in EXTRA_CHANNELS]
    stored = [
        Interval.__table__.c[name]
        for name in ("seq", "end_s", "duration_s", "phase", "stage", *STORED_CHANNELS)
    ]
    statement = (
        sa.select(*stored, *extra, Exclusion.excluded.label("decision"), Exclusion.by, Exclusion.reason)
        .outerjoin(
            IntervalExtra,
            sa.and_(IntervalExtra.test_id == Interval.test_id, IntervalExtra.seq == Interval.seq),
        )
        .outerjoin(Exclusion, sa.and_(Exclusion.test_id == Interval.test_id, Exclusion.seq == Interval.seq))
        .where(Interval.test_id == test_pk)
        .order_by(Interval.seq)
    )
    if after is not None:
        statement = statement.where(Interval.seq > after)
    if limit is not None:
        statement = statement.limit(limit)
    return [
        {
            "seq": row.seq,
            "end_s": row.end_s,
            "duration_s": row.duration_s,
            "phase": phase_name(row.phase),
            "stage": row.stage,
            **{name: getattr(row, name) for name in CHANNELS},
            "excluded": {"by": row.by, "reason": row.reason} if row.decision is True else None,
            "kept": {"by": row.by, "reason": row.reason} if row.decision is False else None,
        }
        for row in session.execute(statement)
    ]


def read_exclusions(session: Session, test_pk: int) -> list[ExclusionOut]:
    """Decisions by hand about single intervals."""
    rows = session.scalars(sa.select(Exclusion).where(Exclusion.test_id == test_pk).order_by(Exclusion.seq))
    return [
        ExclusionOut(seq=row.seq, excluded=row.excluded, by=row.by, reason=row.reason, at=row.at)
        for row in rows
    ]


def phase_name(code: int | None) -> PhaseName | None:
    """A stored phase as it goes over the wire."""
    return None if code is None else PHASES[code]


def interval_at(session: Session, test_pk: int, end_s: float) -> dict[str, Any] | None:
    """The stored interval that ends at this time."""
    seq = session.scalar(sa.select(Interval.seq).where(Interval.test_id == test_pk, Interval.end_s == end_s))
    if seq is None:
        return None
    return read_intervals(session, test_pk, after=seq - 1, limit=1)[0]


def last_interval(session: Session, test_pk: int) -> tuple[int, float]:
    """Seq and end of the last stored interval; (-1, 0.0) where there is none."""
    row = session.execute(
        sa.select(Interval.seq, Interval.end_s)
        .where(Interval.test_id == test_pk)
        .order_by(Interval.seq.desc())
        .limit(1)
    ).one_or_none()
    return (-1, 0.0) if row is None else (row.seq, row.end_s)


def held(session: Session, test_pk: int) -> dict[str, int]:
    """What a deletion of the test would take with it."""
    return {
        name: session.scalar(sa.select(sa.func.count()).select_from(table).where(table.test_id == test_pk))
        or 0
        for name, table in (
            ("intervals", Interval),
            ("stage_notes", StageNote),
            ("recording_marks", RecordingMark),
            ("reported_results", ReportedResult),
            ("calibrations", Calibration),
            ("conclusions", Conclusion),
        )
    }


def of_visits(session: Session, visit_pks: Collection[int]) -> dict[int, list[str]]:
    """Public ids of the tests of each visit, in the order they were made; a visit without any is not in it."""
    rows = session.execute(
        sa.select(ExerciseTest.visit_id, ExerciseTest.public_id)
        .where(ExerciseTest.visit_id.in_(visit_pks))
        .order_by(ExerciseTest.id)
    )
    answer: dict[int, list[str]] = {}
    for visit_pk, public_id in rows:
        answer.setdefault(visit_pk, []).append(public_id)
    return answer
