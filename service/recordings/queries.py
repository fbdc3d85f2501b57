"""Reads and writes of recordings; nothing is committed here."""

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta, timezone
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analyses.queries import read_notes
from service.db.models import Change, ExerciseTest, RecordingMark
from service.db.transactions import now
from service.exercise_tests import queries as tests
from service.exercise_tests.schemas import StageNoteIn
from service.protocols import queries as protocols
from service.protocols.schemas import ProtocolOut
from service.recordings.schemas import MarkKind, MarkOut, RecordingOut, StepOut


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment of a recording. `at` has the offset that it was given with."""

    kind: MarkKind
    at: datetime
    phase: Any = None
    stage: int | None = None
    work_rate_w: float | None = None
    speed_km_h: float | None = None
    grade_percent: float | None = None
    stop_reason: Any = None
    stop_note: str | None = None
    counts: bool = True
    by: str = ""


_STORED_AS_IT_IS = tuple(name for name in Mark.__dataclass_fields__ if name != "at")


def read_marks(session: Session, test_pk: int) -> tuple[Mark, ...]:
    """The marks of a test in the order they came, those taken back too."""
    rows = session.scalars(
        sa.select(RecordingMark).where(RecordingMark.test_id == test_pk).order_by(RecordingMark.seq)
    )
    return tuple(
        Mark(
            at=row.at.astimezone(timezone(timedelta(minutes=row.utc_offset_minutes))),
            **{name: getattr(row, name) for name in _STORED_AS_IT_IS},
        )
        for row in rows
    )


def replace_marks(session: Session, test_pk: int, marks: Iterable[Mark]) -> None:
    """Store these marks in the place of what the test has."""
    session.execute(sa.delete(RecordingMark).where(RecordingMark.test_id == test_pk))
    for seq, mark in enumerate(marks):
        offset = mark.at.utcoffset() or timedelta()
        session.add(
            RecordingMark(
                test_id=test_pk,
                seq=seq,
                utc_offset_minutes=round(offset / timedelta(minutes=1)),
                **asdict(mark),
            )
        )
    session.flush()


def counted(marks: Iterable[Mark]) -> list[Mark]:
    """The marks that count, in the order of their time."""
    return sorted((mark for mark in marks if mark.counts), key=lambda mark: mark.at)


def clock_started_at(marks: Iterable[Mark]) -> datetime | None:
    """Zero of the clock of a test."""
    return next((mark.at for mark in counted(marks) if mark.kind == "clock_started"), None)


def seconds_between(zero: datetime | None, at: datetime) -> float | None:
    """A moment on the clock of the test, to the millisecond."""
    return None if zero is None else round((at - zero) / timedelta(seconds=1), 3)


def steps_of(protocol: ProtocolOut | None) -> list[StepOut]:
    """The steps of a protocol; those of exercise are numbered from 1."""
    steps: list[StepOut] = []
    for stage in protocol.stages if protocol is not None else ():
        number = 1 + sum(step.phase == "exercise" for step in steps) if stage.phase == "exercise" else None
        steps.append(StepOut(stage=number, **stage.model_dump()))
    return steps


def status_of(session: Session, test_pk: int) -> str | None:
    """Status of a test; None once it was deleted."""
    return session.scalar(sa.select(ExerciseTest.status).where(ExerciseTest.id == test_pk))


def feed_end(session: Session) -> int:
    """The last number of the feed of changes."""
    return session.scalar(sa.select(sa.func.max(Change.seq))) or 0


def out(session: Session, test_pk: int) -> RecordingOut:
    """A recording as it stands."""
    test = tests.get(session, test_pk)
    protocol = protocols.known(session, test.protocol_key)
    marks = read_marks(session, test_pk)
    zero = clock_started_at(marks)
    last_seq, _ = tests.last_interval(session, test_pk)
    last = tests.read_intervals(session, test_pk, after=last_seq - 1, limit=1) if last_seq >= 0 else []
    notes = read_notes(session, test_pk)
    return RecordingOut.model_validate(
        {
            "test_id": test.public_id,
            **{
                name: getattr(test, name)
                for name in (
                    *("status", "mode", "purpose", "stop_reason", "stop_note"),
                    *("exercise_start_s", "exercise_end_s"),
                )
            },
            "protocol_id": test.protocol_key,
            "protocol_name": None if protocol is None else protocol.name,
            "server_time": now(),
            "seq": feed_end(session),
            "clock_started_at": zero,
            "steps": steps_of(protocol),
            "marks": marks_out(marks, zero),
            "stage_notes": [_note_out(note) for note in notes],
            "n_intervals": last_seq + 1,
            "last_interval": _present(last[0]) if last else None,
        }
    )


def marks_out(marks: Sequence[Mark], zero: datetime | None) -> list[MarkOut]:
    """Marks as they go over the wire."""
    return [
        MarkOut(seq=seq, time_s=seconds_between(zero, mark.at), **asdict(mark))
        for seq, mark in enumerate(marks)
    ]


def _note_out(note: Any) -> StageNoteIn:
    return StageNoteIn.model_construct(**{name: getattr(note, name) for name in StageNoteIn.model_fields})


def _present(row: dict[str, Any]) -> dict[str, Any]:
    """An interval without what it lacks."""
    return {name: value for name, value in row.items() if value is not None}
