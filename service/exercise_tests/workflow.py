"""Steps of writing a test: from the wire to an edit, and the record kept true."""

from collections.abc import Callable, Sequence
from dataclasses import asdict
from typing import Any, TypeVar

import numpy as np
from pydantic import ValidationError
from sqlalchemy.orm import Session

from service.analyses.queries import read_notes, write_series
from service.analyses.workflow import BreathMarks, Edit, ExclusionEdit, Target, record
from service.analysis.series import PHASES, Series, StageNote
from service.db.transactions import Claim, Store, Transaction
from service.errors import IntervalNotAfterLast, InvalidContent, Place
from service.exercise_tests import queries
from service.exercise_tests.schemas import ExclusionIn, IntervalIn, StageNoteIn, ThresholdIn
from service.outlets.cells import inert
from service.quantities import CHANNELS, QUANTITIES
from service.subjects.queries import bump

T = TypeVar("T")

#: Keeps float noise of a recorder's clock from reading as an overlap.
_CLOCK_TOLERANCE_S = 1e-6
_DECISIONS = ("excluded", "kept")


def series_of(rows: Sequence[IntervalIn], *, previous_end_s: float = 0.0) -> Series:
    """Intervals of the wire as a series.

    Without a duration an interval lasts from the previous end; the first as long as the second.

    Raises
    ------
    InvalidContent
        Times that do not rise, intervals that overlap, or a column that must be in another unit.
    """
    ends = np.array([row.end_s for row in rows], dtype=np.float64)
    faults = [
        Place(
            f"body.intervals.{place}.end_s",
            "must be later than the interval before",
            value=float(ends[place]),
        )
        for place in range(1, len(rows))
        if ends[place] <= ends[place - 1]
    ]
    gaps = np.diff(ends, prepend=previous_end_s)
    if previous_end_s == 0.0 and len(rows) > 1:
        gaps[0] = min(gaps[1], ends[0]) if gaps[1] > 0 else ends[0]
    durations = np.array(
        [gap if row.duration_s is None else row.duration_s for row, gap in zip(rows, gaps, strict=True)],
        dtype=np.float64,
    )
    starts = ends - durations
    for place in range(len(rows)):
        if starts[place] < -_CLOCK_TOLERANCE_S:
            faults.append(
                Place(
                    f"body.intervals.{place}.duration_s",
                    "begins before the recording",
                    value=float(durations[place]),
                )
            )
        before = ends[place - 1] if place else previous_end_s
        if not faults and starts[place] < before - 0.01:
            faults.append(
                Place(
                    f"body.intervals.{place}.duration_s",
                    "overlaps the interval before",
                    value=float(durations[place]),
                )
            )
    if faults:
        raise InvalidContent(f"{faults[0].location} {faults[0].message}.", tuple(faults[:50]))
    channels = {}
    for name in CHANNELS:
        values = np.array(
            [np.nan if getattr(row, name) is None else getattr(row, name) for row in rows], dtype=np.float64
        )
        if np.isfinite(values).any():
            channels[name] = values
    _refuse_wrong_units(channels)
    return Series(
        end_s=ends,
        duration_s=durations,
        channels=channels,
        phase=np.array([-1 if row.phase is None else PHASES.index(row.phase) for row in rows], dtype=np.int8),
        stage=np.array([-1 if row.stage is None else row.stage for row in rows], dtype=np.int64),
        excluded=np.zeros(len(rows), dtype=np.bool_),
    )


def _refuse_wrong_units(channels: dict[str, Any]) -> None:
    """More than half of a column beyond the hard limits is another unit, not a fault of single rows."""
    faults = []
    for name, values in channels.items():
        quantity = QUANTITIES[name]
        present = values[np.isfinite(values)]
        if quantity.hard is None or present.size < 2:
            continue
        low, high = quantity.hard
        beyond = np.count_nonzero((present < low) | (present > high))
        if beyond * 2 > present.size:
            faults.append(
                Place(
                    "body.intervals",
                    f"{name}: {beyond} of {present.size} values lie outside {low:g} to {high:g} {quantity.unit}; "
                    f"is it in another unit? {name} is in {quantity.unit or 'its plain ratio'}",
                    column=name,
                )
            )
    if faults:
        raise InvalidContent(faults[0].message, tuple(faults))


class StoredAlready(Exception):
    """All that was posted is in the record, as it was posted."""


class _CompleteError(Exception):
    """An analysis rests on the test."""


def new_part(session: Session, test_pk: int, rows: Sequence[IntervalIn]) -> tuple[int, Series]:
    """The new part of posted intervals, and the place of its first in the test.

    Raises
    ------
    StoredAlready
        There is none.
    IntervalNotAfterLast
        A posted interval is not after the last stored one, and its content is another.
    """
    seq, last_end_s = queries.last_interval(session, test_pk)
    new = []
    for place, row in enumerate(rows):
        if seq < 0 or row.end_s > last_end_s + _CLOCK_TOLERANCE_S:
            new.append(row)
            continue
        stored = queries.interval_at(session, test_pk, row.end_s)
        given = row.model_dump(exclude_unset=True)
        if stored is None or any(stored[name] != value for name, value in given.items() if value is not None):
            message = f"is not after the last stored interval, which ends at {last_end_s:g} s, and is not the one stored there"
            raise IntervalNotAfterLast(
                f"The interval that ends at {row.end_s:g} s {message}.",
                (Place(f"body.intervals.{place}.end_s", message, value=row.end_s),),
            )
    if not new:
        raise StoredAlready
    return seq + 1, series_of(new, previous_end_s=max(last_end_s, 0.0))


def append(
    store: Store,
    actor: str,
    target: Target,
    test_id: str,
    rows: Sequence[IntervalIn],
    *,
    respond: Callable[[Session], T],
    claim: Claim | None = None,
) -> T:
    """Append intervals to a test; a planned one is then recording. What is stored already is answered, and stores nothing.

    No analysis rests on the intervals of a test that is not complete: they are written at once, in one short transaction.

    Parameters
    ----------
    store : Store
    actor : str
        Who writes.
    target : Target
        The test.
    test_id : str
        Its public id.
    rows : sequence of IntervalIn
    respond : callable
        Makes the answer from a session that sees the intervals.
    claim : Claim, optional
        Of an Idempotency-Key.

    Raises
    ------
    Conflict
        The test is void.
    IntervalNotAfterLast
    StaleRevision
    """
    payload = {"intervals_posted": len(rows)}

    def edit(session: Session) -> Edit:
        return Edit(appended=new_part(session, _key(target), rows)[1])

    def at_once(transaction: Transaction) -> None:
        session, test_pk = transaction.session, _key(target)
        bump(session, target.subject_pk, expected=target.revision)
        status = queries.refuse_void(session, test_pk)
        if status == "complete":
            raise _CompleteError
        first_seq, series = new_part(session, test_pk, rows)
        write_series(session, test_pk, series, first_seq=first_seq)
        if status == "planned":
            transaction.before = {"status": status}
            queries.set_status(session, test_pk, "recording")
        transaction.changed("test", test_id, action="changed", subject_id=target.subject_id, payload=payload)

    try:
        try:
            with store.write(actor, claim) as transaction:
                at_once(transaction)
                return transaction.answer(respond(transaction.session), subject_pk=target.subject_pk)
        except _CompleteError:
            # Its analysis is made anew, outside the transaction as ever.
            return change(store, actor, target, test_id, edit, payload, respond=respond, claim=claim)
    except StoredAlready:
        with store.read() as session:
            return respond(session)


def notes_of(rows: Sequence[StageNoteIn]) -> tuple[StageNote, ...]:
    """Stage notes of the wire as the core takes them."""
    return tuple(StageNote(**row.model_dump()) for row in rows)


def amended(stored: Sequence[StageNote], rows: Sequence[StageNoteIn]) -> tuple[StageNote, ...]:
    """Stored notes with these appended, or laid over the one of the same stage, phase and time."""
    notes = list(stored)
    for place, row in enumerate(rows):
        key = (row.stage, row.phase, row.time_s)
        # A note of no stage, phase or time names no other note: it is a new one.
        at = next(
            (
                at
                for at, note in enumerate(notes)
                if any(part is not None for part in key) and (note.stage, note.phase, note.time_s) == key
            ),
            None,
        )
        if at is None:
            notes.append(StageNote(**row.model_dump()))
        else:
            notes[at] = _laid_over(notes[at], row, place)
    return tuple(notes)


def _laid_over(note: StageNote, row: StageNoteIn, place: int) -> StageNote:
    """A stored note with the fields that are given now; the whole must be a note that could be sent."""
    try:
        whole = StageNoteIn.model_validate({**asdict(note), **row.model_dump(exclude_unset=True)})
    except ValidationError as error:
        message = f"does not go with the note that is stored: {error.errors()[0]['msg']}"
        raise InvalidContent(f"The note {message}.", (Place(f"body.{place}", message),)) from error
    return StageNote(**whole.model_dump())


def add_notes(
    store: Store,
    actor: str,
    target: Target,
    test_id: str,
    rows: Sequence[StageNoteIn],
    *,
    respond: Callable[[Session], T],
    claim: Claim | None = None,
) -> T:
    """Append stage notes, or amend those of the same stage, phase and time; a planned test is then recording.

    Parameters
    ----------
    store : Store
    actor : str
        Who writes.
    target : Target
        The test.
    test_id : str
        Its public id.
    rows : sequence of StageNoteIn
    respond : callable
        Makes the answer from a session that sees the notes.
    claim : Claim, optional
        Of an Idempotency-Key.
    """
    test_pk = _key(target)

    def edit(session: Session) -> Edit:
        return Edit(test=queries.begun(session, test_pk), notes=amended(read_notes(session, test_pk), rows))

    sent = [row.model_dump(mode="json") for row in rows]
    return change(store, actor, target, test_id, edit, {"stage_notes": sent}, respond=respond, claim=claim)


def change(
    store: Store,
    actor: str,
    target: Target,
    test_id: str,
    edit: Edit | Callable[[Session], Edit],
    payload: dict[str, Any],
    *,
    respond: Callable[[Session], T],
    claim: Claim | None = None,
) -> T:
    """Make an edit of a test that is not void, and note it for the feed.

    Parameters
    ----------
    store : Store
    actor : str
        Who writes.
    target : Target
        The test.
    test_id : str
        Its public id.
    edit : Edit or callable
    payload : dict
        What the feed tells of it.
    respond : callable
        Makes the answer from a session that sees the edit.
    claim : Claim, optional
        Of an Idempotency-Key.
    """

    def answer(transaction: Transaction, _: int | None) -> T:
        transaction.changed("test", test_id, action="changed", subject_id=target.subject_id, payload=payload)
        transaction.session.expire_all()
        return transaction.answer(respond(transaction.session), subject_pk=target.subject_pk)

    def check(session: Session) -> None:
        queries.refuse_void(session, _key(target))

    return record(store, actor, target, edit, answer=answer, claim=claim, check=check)


def _key(target: Target) -> int:
    assert target.test_pk is not None  # noqa: S101 the address names a test
    return target.test_pk


def exclusions_edit(target: Target, actor: str, rows: Sequence[ExclusionIn]) -> Callable[[Session], Edit]:
    """The edit that decides about single intervals, on behalf of `actor`.

    Raises
    ------
    InvalidContent
        Where it is made: a row that there is not.
    """

    def edit(session: Session) -> Edit:
        check_exclusions(rows, queries.count_intervals(session, _key(target)))
        return Edit(exclusions=tuple(ExclusionEdit(row.seq, row.excluded, actor, row.reason) for row in rows))

    return edit


def thresholds_edit(rows: Sequence[ThresholdIn]) -> Edit:
    """The edit that puts these thresholds of the tester in the place of what a test has.

    Raises
    ------
    InvalidContent
        As `check_thresholds`.
    """
    check_thresholds(rows)
    return Edit(tester_thresholds=[row.model_dump() for row in rows])


def check_exclusions(rows: Sequence[ExclusionIn], count: int) -> None:
    """Refuse a row that there is not.

    Raises
    ------
    InvalidContent
        With a place for each.
    """
    there_are = f"the test has intervals 0 to {count - 1}" if count else "the test has no intervals"
    faults = tuple(
        Place(f"body.{place}.seq", there_are, value=row.seq)
        for place, row in enumerate(rows)
        if row.seq >= count
    )
    if faults:
        raise InvalidContent(f"{faults[0].location}: {faults[0].message}.", faults)


def check_thresholds(rows: Sequence[ThresholdIn]) -> None:
    """Refuse a threshold that comes twice, or that says neither an uptake nor a time.

    Raises
    ------
    InvalidContent
        With a place for each.
    """
    faults = [
        Place(f"body.{place}.threshold", "comes twice", value=row.threshold)
        for place, row in enumerate(rows)
        if row.threshold in [earlier.threshold for earlier in rows[:place]]
    ]
    faults += [
        Place(f"body.{place}", "needs vo2_ml_min or time_s: where is the threshold?")
        for place, row in enumerate(rows)
        if row.vo2_ml_min is None and row.time_s is None
    ]
    if faults:
        raise InvalidContent(f"{faults[0].location}: {faults[0].message}.", tuple(faults))


def check_reported(rows: Sequence[Any]) -> None:
    """Refuse a reported result that is no quantity of a test, or that comes twice.

    Raises
    ------
    InvalidContent
        With a place for each.
    """
    faults = []
    seen: set[str] = set()
    known = [key for key, quantity in QUANTITIES.items() if "result" in quantity.kinds]
    for place, row in enumerate(rows):
        if row.quantity not in known:
            faults.append(
                Place(
                    f"body.{place}.quantity",
                    f"is not a result of a test; known are {', '.join(known)}",
                    value=row.quantity,
                )
            )
        elif row.quantity in seen:
            faults.append(Place(f"body.{place}.quantity", "comes twice", value=row.quantity))
        seen.add(row.quantity)
    if faults:
        raise InvalidContent(
            f"{faults[0].location}: {faults[0].value} {faults[0].message}."[:500], tuple(faults)
        )


def marked(rows: list[dict[str, Any]], marks: BreathMarks) -> list[dict[str, Any]]:
    """Intervals, with the rule and its reason where it leaves one out."""
    for row in rows:
        reason = marks.reasons.get(row["seq"])
        if reason is not None and row["excluded"] is None and row["kept"] is None:
            row["excluded"] = {"by": marks.rule, "reason": reason}
    return rows


def table_bytes(rows: list[dict[str, Any]], form: str) -> bytes:
    """Intervals as a CSV or Parquet table; who excluded or kept one, and why, in columns of their own."""
    import pandas as pd

    flat = [
        {
            **{name: value for name, value in row.items() if name not in _DECISIONS},
            **{
                f"{name}_{part}": row[name][part] if row[name] else None
                for name in _DECISIONS
                for part in ("by", "reason")
            },
        }
        for row in rows
    ]
    decided = [f"{name}_{part}" for name in _DECISIONS for part in ("by", "reason")]
    columns = ["seq", "end_s", "duration_s", "phase", "stage", *CHANNELS, *decided]
    frame = pd.DataFrame(flat, columns=columns)
    for name in ("end_s", "duration_s", *CHANNELS):
        frame[name] = frame[name].astype("float64")
    frame["stage"] = frame["stage"].astype("Int64")
    for name in ("phase", *decided):
        frame[name] = frame[name].astype("string")
    if form == "parquet":
        return bytes(frame.to_parquet(index=False, engine="pyarrow"))
    for name in decided:
        frame[name] = frame[name].map(inert, na_action="ignore")
    return frame.to_csv(index=False, lineterminator="\r\n").encode()
