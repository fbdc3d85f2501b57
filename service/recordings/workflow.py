"""The clock of a recording, and its marks carried into the test."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, TypeVar

from sqlalchemy.orm import Session

from service.analyses.workflow import Edit, Target, record
from service.db.transactions import Claim, Store, Transaction, now
from service.errors import Conflict, InvalidContent, Place
from service.exercise_tests import queries as tests
from service.recordings import queries
from service.recordings.queries import Mark, counted, seconds_between
from service.recordings.schemas import MarkIn, StepOut

T = TypeVar("T")

#: A clock that is this far ahead is wrong; a mark that comes late is not (it may have waited for the connection).
_AHEAD = timedelta(seconds=60)


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a test is at a moment.

    Attributes
    ----------
    time_s : float or None
        On the clock of the test; None before it is started.
    phase : str or None
    stage : int or None
    step, following : StepOut or None
        Of the protocol: the present one, and the one after it.
    in_stage_s : float
        Since the stage began, without the time that it was held.
    left_s : float or None
        Until the step is over; None where no protocol says.
    held : bool
    work_rate_w, speed_km_h, grade_percent : float or None
        The load now: of the protocol, or as it was set by hand.
    stage_began_at : datetime or None
        Further back than `in_stage_s` where the stage was held.
    """

    time_s: float | None = None
    phase: str | None = None
    stage: int | None = None
    step: StepOut | None = None
    following: StepOut | None = None
    in_stage_s: float = 0.0
    left_s: float | None = None
    held: bool = False
    work_rate_w: float | None = None
    speed_km_h: float | None = None
    grade_percent: float | None = None
    stage_began_at: datetime | None = None


def standing(marks: Sequence[Mark], steps: Sequence[StepOut], at: datetime) -> Standing:
    """Where a test is at a moment: a stage goes over into the next one of its phase by itself, a phase does not.

    Parameters
    ----------
    marks : sequence of Mark
    steps : sequence of StepOut
        Of the protocol; empty where there is none.
    at : datetime

    Returns
    -------
    Standing
        `static/recording.js` finds the same; one table of cases holds both.
    """
    seen = [mark for mark in counted(marks) if mark.at <= at]
    zero = queries.clock_started_at(seen)
    begun = next((mark for mark in reversed(seen) if mark.kind in {"stage_started", "exercise_ended"}), None)
    if zero is None or begun is None:
        return Standing(time_s=seconds_between(zero, at), following=next(iter(steps), None))
    phase = "recovery" if begun.kind == "exercise_ended" else begun.phase
    later = [mark for mark in seen if mark.at >= begun.at]
    run_s, held = _run_s(later, begun.at, at)
    of_phase = [step for step in steps if step.phase == phase]
    place = next((place for place, step in enumerate(of_phase) if step.stage == begun.stage), None)
    if place is None:
        return Standing(
            *(seconds_between(zero, at), phase, begun.stage, None, _opening(steps, phase), run_s, None, held),
            *(begun.work_rate_w, begun.speed_km_h, begun.grade_percent, begun.at),
        )
    first, whole_s = place, run_s
    while place + 1 < len(of_phase) and run_s >= of_phase[place].duration_s:
        run_s -= of_phase[place].duration_s
        place += 1
    step = of_phase[place]
    following = of_phase[place + 1] if place + 1 < len(of_phase) else _opening(steps, phase)
    own = begun if place == first else Mark("stage_started", begun.at)
    by_hand = any(value is not None for value in (own.work_rate_w, own.speed_km_h, own.grade_percent))
    load = own if by_hand else step
    work_rate = load.work_rate_w
    if not by_hand and work_rate is not None and step.ramp_w_per_min is not None:
        work_rate += step.ramp_w_per_min * min(run_s, step.duration_s) / 60.0
    return Standing(
        *(seconds_between(zero, at), phase, step.stage, step, following, run_s),
        *(max(0.0, step.duration_s - run_s), held, work_rate, load.speed_km_h, load.grade_percent),
        stage_began_at=_has_run_at(later, begun.at, whole_s - run_s),
    )


def _run_s(marks: Sequence[Mark], since: datetime, at: datetime) -> tuple[float, bool]:
    """How long a stage has run without the time it was held, and whether it is held now."""
    held_for, held_since = timedelta(), None
    for mark in marks:
        if mark.kind == "stage_held" and held_since is None:
            held_since = mark.at
        elif mark.kind == "stage_resumed" and held_since is not None:
            held_for += mark.at - held_since
            held_since = None
    if held_since is not None:
        held_for += at - held_since
    return (at - since - held_for) / timedelta(seconds=1), held_since is not None


def _has_run_at(marks: Sequence[Mark], since: datetime, run_s: float) -> datetime:
    """When a stage had run so long; the time that it was held until then comes on top."""
    at, held_since = since + timedelta(seconds=run_s), None
    for mark in marks:
        if mark.kind == "stage_held" and held_since is None and mark.at < at:
            held_since = mark.at
        elif mark.kind == "stage_resumed" and held_since is not None:
            at += mark.at - held_since
            held_since = None
    return at


_ORDER = ("rest", "warm_up", "exercise", "recovery")


def _opening(steps: Sequence[StepOut], phase: str | None) -> StepOut | None:
    """The first step of the phases that follow this one."""
    later = _ORDER[_ORDER.index(phase) + 1 :] if phase in _ORDER else ()
    return next((step for name in later for step in steps if step.phase == name), None)


def merged(stored: Sequence[Mark], rows: Sequence[MarkIn], by: str, received: datetime) -> tuple[Mark, ...]:
    """Stored marks with these appended, or laid over the one of the same kind and instant.

    Raises
    ------
    InvalidContent
        A mark that lies ahead of the clock of the service.
    Conflict
        Together they are no recording: a second start of the clock, an end before the begin.
    """
    marks = list(stored)
    for place, row in enumerate(rows):
        at = row.at or received
        if at > received + _AHEAD:
            message = (
                f"lies ahead of the clock of the service, which says {received.isoformat(timespec='seconds')}"
            )
            raise InvalidContent(f"The mark {message}.", (Place(f"body.{place}.at", message, value=str(at)),))
        known = next((n for n, mark in enumerate(marks) if (mark.kind, mark.at) == (row.kind, at)), None)
        if known is None:
            marks.append(Mark(**(row.model_dump() | {"at": at, "by": by})))
        else:
            marks[known] = replace(marks[known], **row.model_dump(exclude_unset=True, exclude={"at", "kind"}))
    _refuse_disorder(counted(marks))
    return tuple(marks)


def _refuse_disorder(marks: Sequence[Mark]) -> None:
    """Refuse marks that contradict each other, with what to do."""
    clocks = [mark for mark in marks if mark.kind == "clock_started"]
    ends = [mark for mark in marks if mark.kind == "exercise_ended"]
    begins = [mark for mark in marks if mark.kind == "stage_started" and mark.phase == "exercise"]
    message = None
    if len(clocks) > 1:
        message = (
            f"The clock was started at {_told(clocks[0])} already; take that mark back to start it anew."
        )
    elif marks and (not clocks or marks[0].at < clocks[0].at):
        message = "A mark lies before the start of the clock; start the clock first."
    elif len(ends) > 1:
        message = f"Exercise was ended at {_told(ends[0])} already; take that mark back to end it anew."
    elif ends and (not begins or begins[0].at >= ends[0].at):
        message = "Exercise has not begun, so it cannot end; mark its first stage, or take back the end."
    elif ends and begins[-1].at > ends[0].at:
        message = f"Exercise was ended at {_told(ends[0])}; take that mark back before a further stage of it begins."
    if message is not None:
        raise Conflict(message, (Place("body", message),))


def _told(mark: Mark) -> str:
    return mark.at.isoformat(timespec="seconds")


def columns_of(marks: Sequence[Mark]) -> dict[str, Any]:
    """What the marks say of the test."""
    in_order = counted(marks)
    zero = queries.clock_started_at(in_order)
    begin = next(
        (mark for mark in in_order if mark.kind == "stage_started" and mark.phase == "exercise"), None
    )
    end = next((mark for mark in in_order if mark.kind == "exercise_ended"), None)
    return {
        "started_at": zero,
        "exercise_start_s": None if begin is None else seconds_between(zero, begin.at),
        "exercise_end_s": None if end is None else seconds_between(zero, end.at),
        "stop_reason": None if end is None else end.stop_reason,
        "stop_note": None if end is None else end.stop_note,
    }


def add_marks(
    store: Store,
    actor: str,
    target: Target,
    test_id: str,
    rows: Sequence[MarkIn],
    *,
    respond: Callable[[Session], T],
    claim: Claim | None = None,
) -> T:
    """Store marks of a recording, and carry what they say into the test; a planned test is then recording.

    What is stored already, with the same content, is answered and stores nothing.

    Parameters
    ----------
    store : Store
    actor : str
        Who writes.
    target : Target
        The test.
    test_id : str
        Its public id.
    rows : sequence of MarkIn
    respond : callable
        Makes the answer from a session that sees the marks.
    claim : Claim, optional
        Of an Idempotency-Key.

    Raises
    ------
    Conflict
        The test is void, or the marks contradict those that are stored.
    InvalidContent
        A mark that lies ahead of the clock of the service.
    """
    assert target.test_pk is not None  # noqa: S101 the address names a test
    test_pk = target.test_pk
    received = now().astimezone()

    def check(session: Session) -> None:
        tests.refuse_void(session, test_pk)

    with store.read() as session:
        check(session)
        stored = queries.read_marks(session, test_pk)
        if merged(stored, rows, actor, received) == stored:
            return respond(session)

    def edit(session: Session) -> Edit:
        before = queries.read_marks(session, test_pk)
        was, told = columns_of(before), columns_of(merged(before, rows, actor, received))
        # What the marks do not change stays as it was set by hand.
        values = {name: value for name, value in told.items() if value != was[name]}
        return Edit(test=values | tests.begun(session, test_pk))

    def answer(transaction: Transaction, _: int | None) -> T:
        session = transaction.session
        marks = merged(queries.read_marks(session, test_pk), rows, actor, received)
        queries.replace_marks(session, test_pk, marks)
        sent = [row.model_dump(mode="json", exclude_unset=True) for row in rows]
        transaction.changed(
            "test", test_id, action="changed", subject_id=target.subject_id, payload={"marks": sent}
        )
        session.expire_all()
        return transaction.answer(respond(session), subject_pk=target.subject_pk)

    return record(store, actor, target, edit, answer=answer, claim=claim, check=check)
