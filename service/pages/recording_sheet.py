"""The sheet on which a test is recorded while it runs: its clock, what is asked when, and the cool-down.

Everything here works with plain forms. The script of the page shows the clock as it moves, sends each entry at once through
the interface, and keeps it where the connection is gone.
"""

import json
import re
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session
from starlette.responses import Response

from service.analyses.workflow import Edit, Target, record
from service.analysis.recovery import PUBLISHED_LIMIT_BPM
from service.analysis.screening import STOP_SIGNS
from service.db.models import ExerciseTest
from service.db.transactions import Store, Transaction, now
from service.errors import InvalidContent, Place, UpslopeError
from service.exercise_tests import queries as tests
from service.exercise_tests.schemas import StageNoteIn, TestPatch
from service.exercise_tests.workflow import add_notes
from service.http.dependencies import StoreDependency, TestDependency, Tester, TestRef, principal_of
from service.http.idempotency import Once
from service.http.keys import Principal
from service.http.problems import status_of
from service.outlets.display import Display
from service.pages.forms import (
    Field,
    Filled,
    Sent,
    SentDependency,
    as_shown,
    of_quantity,
    recorded,
    shown_value,
    typed_of,
    values_of,
)
from service.pages.people import name_of
from service.pages.rendering import PageRoute, checked, display_of, page
from service.quantities import QUANTITIES
from service.recordings import queries as recordings
from service.recordings.queries import Mark
from service.recordings.schemas import MarkIn, MarkOut, RecordingOut, StepOut
from service.recordings.workflow import Standing, add_marks, standing
from service.subjects import queries as subjects
from service.visits import queries as visits

router = APIRouter(prefix="/tests/{test_id}/record", include_in_schema=False, route_class=PageRoute)

PHASES = {"rest": "Rest", "warm_up": "Warm-up", "exercise": "Exercise", "recovery": "Recovery"}
MARKS = {
    "clock_started": "Clock started",
    "stage_started": "Begun",
    "stage_held": "Stage held",
    "stage_resumed": "Gone on",
    "exercise_ended": "Exercise ended",
}
SCALES = (("6-20", "6 to 20"), ("0-10", "0 to 10"))
STOPS = (
    ("exhaustion", "Exhaustion"),
    ("legs", "Legs"),
    ("breath", "Breath"),
    ("symptom", "A symptom"),
    ("target_reached", "The target was reached"),
    ("tester", "The tester ended it"),
    ("equipment", "Equipment"),
    ("subject_request", "The person asked to end it"),
    ("other", "Other"),
)
#: What is read at which moment after exercise, s: the first two are those that the analysis reads (common practice).
RECOVERY = (
    (60, ("heart_rate_bpm",)),
    (120, ("heart_rate_bpm", "systolic_mmhg", "diastolic_mmhg")),
    (240, ("heart_rate_bpm", "systolic_mmhg", "diastolic_mmhg")),
    (360, ("heart_rate_bpm", "systolic_mmhg", "diastolic_mmhg")),
)
#: What may be asked for at the end of a stage, each with the fields that answer it.
ASKED = (
    ("rpe", "perceived exertion", ("rpe",)),
    ("heart_rate", "heart rate", ("heart_rate_bpm",)),
    ("pressure", "blood pressure", ("systolic_mmhg", "diastolic_mmhg")),
    ("lactate", "lactate", ("lactate_mmol_l",)),
    ("legs_and_breathing", "exertion of legs and of breathing", ("rpe_legs", "rpe_breathing")),
    ("saturation", "saturation", ("spo2_percent",)),
)

_LOADS = {
    "cycle": ("work_rate_w",),
    "arm": ("work_rate_w",),
    "row": ("work_rate_w",),
    "ski": ("work_rate_w",),
}
_BELONGS = (("now", "now"), ("before", "the end of the stage before"))
_MAIN = (
    Field("rpe_scale", "Scale of perceived exertion", "choice", SCALES, empty="choose"),
    Field("rpe", "Perceived exertion", "number", quantity="rpe"),
    of_quantity("heart_rate_bpm"),
    of_quantity("systolic_mmhg"),
    of_quantity("diastolic_mmhg"),
    of_quantity("lactate_mmol_l"),
)
_MORE = (
    Field("rpe_legs", "Perceived exertion, legs", "number", quantity="rpe_legs"),
    Field("rpe_breathing", "Perceived exertion, breathing", "number", quantity="rpe_breathing"),
    of_quantity("spo2_percent"),
    Field("symptoms", "Symptoms", "text", hint="What the person feels, or you see."),
    Field("note", "Note", "text"),
    Field("belongs", "Time of this entry", "choice", _BELONGS, empty="now"),
)
_ENTRY = (*_MAIN, *_MORE)
_NOTED = tuple(one.name for one in _ENTRY if one.name != "belongs")
_VALUES = tuple(name for name in _NOTED if name not in {"rpe_scale", "symptoms", "note"})
_POSTURES = (("upright", "upright"), ("sitting", "sitting"), ("lying", "lying"))
_COOL_DOWN = (
    Field(
        "recovery_active",
        "Cool-down",
        "flag",
        (("true", "active, with light work"), ("false", "at rest")),
    ),
    Field("recovery_posture", "Posture", "choice", _POSTURES),
)
_ONCE = re.compile(r"[A-Za-z0-9_.:+-]{1,120}")


def load_fields(mode: str) -> tuple[Field, ...]:
    """Fields of a load that is set by hand, in this mode."""
    return tuple(of_quantity(name) for name in _LOADS.get(mode, ("speed_km_h", "grade_percent")))


@dataclass(frozen=True, slots=True)
class _Sheet:
    """What the page is made of."""

    recording: RecordingOut
    marks: tuple[Mark, ...]
    place: Standing
    display: Display
    rpe_scale: str
    lactate_is_planned: bool


def _read(session: Session, ref: TestRef, display: Display, at: datetime) -> _Sheet:
    recording = recordings.out(session, ref.test_pk)
    marks = recordings.read_marks(session, ref.test_pk)
    test = tests.get(session, ref.test_pk)
    noted = [note.rpe_scale for note in recording.stage_notes if note.rpe_scale is not None]
    return _Sheet(
        recording,
        marks,
        standing(marks, recording.steps, at),
        display,
        noted[-1] if noted else _planned_scale(test),
        test.lactate_sample_site is not None or test.lactate_analyser is not None,
    )


def _planned_scale(test: ExerciseTest) -> str:
    return test.rpe_scale or "6-20"


@router.get("")
def recording_sheet(
    request: Request, ref: TestDependency, store: StoreDependency, entry: int | None = None
) -> Response:
    """The sheet as it stands; with `entry` that note stands in the form, to be changed."""
    return _page(request, store, ref, Filled(), entry=entry)


@router.post("")
def record_step(
    request: Request, principal: Tester, ref: TestDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Do one thing on the sheet, and show it again; a form that is sent twice does it once."""
    act = sent.text.get("act", "")
    if act not in _DO:
        raise InvalidContent("This form does not say what is to be done.", (Place("act", "is not known"),))
    at = now().astimezone()
    display = display_of(request)
    with store.read() as session:
        sheet = _read(session, ref, display, at)
    doing = _Doing(store, principal, ref, sent, sheet, at)
    filled = Filled(typed_of(_fields_of(act, sheet), sent.text))
    try:
        return _DO[act](doing, filled)
    except UpslopeError as error:
        if status_of(error) in {403, 404}:
            raise
        filled.refuse(error)
    return _page(request, store, ref, filled, act=act, entry=doing.entry())


def _fields_of(act: str, sheet: _Sheet) -> tuple[Field, ...]:
    fields: dict[str, tuple[Field, ...]] = {
        "start": load_fields(sheet.recording.mode),
        "stage": load_fields(sheet.recording.mode),
        "note": _ENTRY,
        "reading": tuple(of_quantity(name) for name in ("heart_rate_bpm", "systolic_mmhg", "diastolic_mmhg")),
        "cool_down": _COOL_DOWN,
        "reason": (Field("stop_note", "Note on the end"),),
        "end": (),
    }
    return as_shown(fields.get(act, ()), sheet.display)


@dataclass(frozen=True, slots=True)
class _Doing:
    """One thing that a plain form asks for."""

    store: Store
    principal: Principal
    ref: TestRef
    sent: Sent
    sheet: _Sheet
    at: datetime

    @property
    def target(self) -> Target:
        """The test; what is appended needs no state to be appended to."""
        return Target(self.ref.subject_pk, self.ref.subject_id, self.ref.visit_pk, self.ref.test_pk)

    def back(self, place: str) -> Callable[[Session], Response]:
        """To the sheet again."""
        return lambda _: RedirectResponse(f"/tests/{self.ref.test_id}/record#{place}", status_code=303)

    def claim(self) -> Any:
        """The right to do it first: a form that is sent twice carries the same word."""
        word = self.sent.text.get("once") or None
        if word is not None and not _ONCE.fullmatch(word):
            raise InvalidContent("This form is not as the sheet made it; read the sheet again.")
        path = f"/tests/{self.ref.test_id}/record"
        once = Once(self.principal.key_id, word, "POST", path, self.store.settings.idempotency_hours)
        return once.claim(
            self.store, {name: text for name, text in self.sent.text.items() if name != "form_token"}
        )

    def mark(self, *rows: MarkIn, place: str = "clock") -> Response:
        """Store marks, and show the sheet again."""
        claim = self.claim()
        return add_marks(
            self.store,
            self.principal.name,
            self.target,
            self.ref.test_id,
            rows,
            respond=self.back(place),
            claim=claim,
        )

    def note(self, place: str, **values: Any) -> Response:
        """Store one note, and show the sheet again."""
        claim = self.claim()
        return add_notes(
            self.store,
            self.principal.name,
            self.target,
            self.ref.test_id,
            [checked(StageNoteIn, **values)],
            respond=self.back(place),
            claim=claim,
        )

    def entry(self) -> int | None:
        """Place of the note that is changed."""
        text = self.sent.text.get("entry", "")
        return int(text) if text.isascii() and text.isdigit() and len(text) < 6 else None


def _start(doing: _Doing, filled: Filled) -> Response:
    doing.sent.only(["act", "once", "phase", *filled.typed])
    clock = checked(MarkIn, kind="clock_started", at=doing.at)
    return doing.mark(clock, _stage_mark(doing, filled, doing.sent.text.get("phase", "")))


def _stage(doing: _Doing, filled: Filled) -> Response:
    doing.sent.only(["act", "once", "phase", *filled.typed])
    return doing.mark(_stage_mark(doing, filled, doing.sent.text.get("phase", "")))


def _stage_mark(doing: _Doing, filled: Filled, phase: str) -> MarkIn:
    """The begin of a phase, or of the stage of exercise after the present one."""
    place = doing.sheet.place
    stage = None
    if phase == "exercise":
        stage = (place.stage or 0) + 1 if place.phase == "exercise" else 1
    load = values_of(_fields_of("stage", doing.sheet), filled.typed)
    return checked(MarkIn, kind="stage_started", at=doing.at, phase=phase, stage=stage, **load)


def _simple(kind: str) -> Callable[[_Doing, Filled], Response]:
    def do(doing: _Doing, filled: Filled) -> Response:
        del filled
        doing.sent.only(["act", "once"])
        return doing.mark(checked(MarkIn, kind=kind, at=doing.at), place="clock")

    return do


def _reason(doing: _Doing, filled: Filled) -> Response:
    doing.sent.only(["act", "once", "stop_reason", *filled.typed])
    end = next(
        (mark for mark in recordings.counted(doing.sheet.marks) if mark.kind == "exercise_ended"), None
    )
    if end is None:
        raise InvalidContent("Exercise has not ended.", (Place("stop_reason", "exercise has not ended"),))
    note = filled.typed["stop_note"].strip()
    return doing.mark(
        checked(
            MarkIn,
            kind="exercise_ended",
            at=end.at,
            stop_reason=doing.sent.text.get("stop_reason") or None,
            **({"stop_note": note} if note else {}),
        ),
        place="cool-down",
    )


def _take_back(doing: _Doing, filled: Filled) -> Response:
    del filled
    doing.sent.only(["act", "once", "kind", "at"])
    row = checked(MarkIn, kind=doing.sent.text.get("kind"), at=doing.sent.text.get("at"), counts=False)
    if all((mark.kind, mark.at) != (row.kind, row.at) for mark in doing.sheet.marks):
        raise InvalidContent("There is no such mark.", (Place("at", "names no mark of this test"),))
    return doing.mark(row, place="entries")


def _note(doing: _Doing, filled: Filled) -> Response:
    doing.sent.only(["act", "once", "entry", *filled.typed])
    values = values_of(_fields_of("note", doing.sheet), filled.typed)
    before = values.pop("belongs") == "before"
    number = doing.entry()
    if all(values[name] is None for name in _NOTED if name != "rpe_scale"):
        raise InvalidContent(
            "Nothing is entered.", (Place("rpe", "enter at least one value, symptom or note"),)
        )
    if all(values[name] is None for name in ("rpe", "rpe_legs", "rpe_breathing")):
        values["rpe_scale"] = None
    if number is not None:
        known = doing.sheet.recording.stage_notes
        if number >= len(known):
            raise InvalidContent("There is no such entry.", (Place("entry", "names no entry of this test"),))
        place = {name: getattr(known[number], name) for name in ("stage", "phase", "time_s")}
    else:
        place = _where(doing.sheet, doing.at, before=before)
    return doing.note("entry", **values, **place)


def _where(sheet: _Sheet, at: datetime, *, before: bool = False) -> dict[str, Any]:
    """Phase, stage, time and load of an entry that is made at a moment, or at the end of the stage before it."""
    if before:
        at = (sheet.place.stage_began_at or at) - timedelta(seconds=1)
    place = standing(sheet.marks, sheet.recording.steps, at)
    of_ramp = place.step is not None and place.step.ramp_w_per_min is not None
    load = {name: getattr(place, name) for name in ("work_rate_w", "speed_km_h", "grade_percent")}
    return {
        "phase": place.phase,
        "stage": None if of_ramp else place.stage,
        "time_s": None if place.time_s is None or place.time_s < 0 else place.time_s,
        **({} if place.phase == "recovery" else load),
    }


def _reading(doing: _Doing, filled: Filled) -> Response:
    doing.sent.only(["act", "once", "after_s", *filled.typed])
    text = doing.sent.text.get("after_s", "")
    end_s = doing.sheet.recording.exercise_end_s
    if text not in {str(after) for after, _ in RECOVERY} or end_s is None:
        raise InvalidContent(
            "This reading has no moment.", (Place("after_s", "must be a moment of the cool-down"),)
        )
    values = values_of(_fields_of("reading", doing.sheet), filled.typed)
    if all(value is None for value in values.values()):
        raise InvalidContent("Nothing is entered.", (Place("heart_rate_bpm", "enter the reading"),))
    return doing.note("cool-down", phase="recovery", time_s=end_s + int(text), **values)


def _cool_down(doing: _Doing, filled: Filled) -> Response:
    doing.sent.only(["act", "once", *filled.typed])
    values = values_of(_COOL_DOWN, filled.typed)
    return _change(doing, checked(TestPatch, **values), "cool-down")


def _complete(doing: _Doing, filled: Filled) -> Response:
    del filled
    doing.sent.only(["act", "once"])
    return _change(doing, checked(TestPatch, status="complete"), "attach")


def _change(doing: _Doing, body: TestPatch, place: str) -> Response:
    values = body.model_dump(exclude_unset=True)
    claim = doing.claim()

    def answer(transaction: Transaction, _: int | None) -> Response:
        payload = {"after": body.model_dump(mode="json", exclude_unset=True)}
        transaction.changed(
            "test", doing.ref.test_id, action="changed", subject_id=doing.ref.subject_id, payload=payload
        )
        return transaction.answer(doing.back(place)(transaction.session), subject_pk=doing.ref.subject_pk)

    return record(
        doing.store,
        doing.principal.name,
        doing.target,
        Edit(test=values),
        answer=answer,
        claim=claim,
        check=lambda session: tests.refuse_void(session, doing.ref.test_pk),
    )


_DO: dict[str, Callable[[_Doing, Filled], Response]] = {
    "start": _start,
    "stage": _stage,
    "hold": _simple("stage_held"),
    "go_on": _simple("stage_resumed"),
    "end": _simple("exercise_ended"),
    "reason": _reason,
    "take_back": _take_back,
    "note": _note,
    "reading": _reading,
    "cool_down": _cool_down,
    "complete": _complete,
}


def _quantities(display: Display) -> dict[str, Any]:
    """How the script of the page shows numbers, and reads what is typed."""
    keys = (
        *(
            "work_rate_w",
            "speed_km_h",
            "grade_percent",
            "cadence_per_min",
            "heart_rate_bpm",
            "rpe",
            "rpe_legs",
        ),
        *("rpe_breathing", "systolic_mmhg", "diastolic_mmhg", "lactate_mmol_l", "spo2_percent", "vo2_ml_min"),
    )
    return {
        key: {
            "label": QUANTITIES[key].label,
            "symbol": QUANTITIES[key].symbol,
            "unit": display.unit(key),
            "decimals": display.of(key).decimals,
            "scale": display.converted(1.0, key, difference=True),
        }
        for key in keys
    }


def _load_words(display: Display, step: StepOut | Standing | MarkOut | None) -> str:
    """A load in words."""
    if step is None:
        return ""
    parts = [
        display.quantity(getattr(step, name), name)
        for name in ("work_rate_w", "speed_km_h", "grade_percent")
        if getattr(step, name) is not None
    ]
    planned = step.step if isinstance(step, Standing) else step
    if isinstance(planned, StepOut) and planned.cadence_per_min is not None:
        parts.append(f"cadence {display.quantity(planned.cadence_per_min, 'cadence_per_min')}")
    if isinstance(step, StepOut) and step.ramp_w_per_min is not None:
        parts.append(f"rising {display.quantity(step.ramp_w_per_min, 'work_rate_w')} each minute")
    return ", ".join(parts)


def _page(
    request: Request,
    store: Store,
    ref: TestRef,
    filled: Filled,
    *,
    act: str = "",
    entry: int | None = None,
) -> Response:
    principal = principal_of(request)
    display = display_of(request)
    at = now().astimezone()
    with store.read() as session:
        subject = subjects.get(session, ref.subject_pk)
        visit = visits.get(session, ref.visit_pk)
        test = tests.get(session, ref.test_pk)
        sheet = _read(session, ref, display, at)
        cool_down = recorded(_COOL_DOWN, test)
    recording = sheet.recording
    fields = as_shown(_ENTRY, display)
    known = recording.stage_notes
    changed = entry if entry is not None and 0 <= entry < len(known) else None
    if act != "note":
        typed = {one.name: "" for one in _ENTRY} | {"rpe_scale": sheet.rpe_scale}
        if changed is not None:
            typed = {one.name: shown_value(getattr(known[changed], one.name, None), one) for one in fields}
            typed["rpe_scale"] = typed["rpe_scale"] or sheet.rpe_scale
        entered = Filled(typed)
    else:
        entered = filled
    is_open = recording.status in {"planned", "recording"}
    script = {
        "recording": recording.model_dump(mode="json"),
        "form_token": request.scope["state"].get("form_token"),
        "may_write": principal.covers("tester") and is_open,
        "quantities": _quantities(display),
        "decimal_mark": display.decimal_mark,
        "phases": PHASES,
        "marks": MARKS,
        "noted": _VALUES,
        "asked": [{"key": key, "words": words, "fields": fields} for key, words, fields in ASKED],
        "lactate_is_planned": sheet.lactate_is_planned,
        "recovery": [{"after_s": after, "fields": fields} for after, fields in RECOVERY],
        "stops": dict(STOPS),
        "signs": {sign.code: {"label": sign.label, "stop_reason": sign.stop_reason} for sign in STOP_SIGNS},
    }
    return page(
        request,
        "recording_sheet.html",
        status=filled.status,
        subject=subject,
        name=name_of(subject, principal),
        visit=visit,
        recording=recording,
        place=sheet.place,
        at=at,
        is_open=is_open,
        may_write=principal.covers("tester") and is_open,
        act=act,
        filled=filled,
        refused=filled.told + ([] if act == "note" else list(filled.faults.values())),
        entered=entered,
        fields=fields,
        main=fields[: len(_MAIN)],
        more=fields[len(_MAIN) :],
        changed=changed,
        ended_at=next(
            (mark.at for mark in recordings.counted(sheet.marks) if mark.kind == "exercise_ended"), None
        ),
        loads=as_shown(load_fields(recording.mode), display),
        phases=PHASES,
        stops=STOPS,
        signs=STOP_SIGNS,
        asked=ASKED,
        recovery=[(after, as_shown(map(of_quantity, names), display)) for after, names in RECOVERY],
        cool_down=Filled(cool_down),
        cool_down_fields=_COOL_DOWN,
        limit_bpm=PUBLISHED_LIMIT_BPM,
        load_now=_load_words(display, sheet.place),
        load_next=_load_words(display, sheet.place.following),
        heart_rates=_heart_rates(recording),
        first_phase=recording.steps[0].phase if recording.steps else "exercise",
        lines=_lines(display, recording),
        once=secrets.token_urlsafe(12),
        script=json.dumps(script),
    )


def _heart_rates(recording: RecordingOut) -> dict[str, Any]:
    """The highest heart rate that was noted in exercise, and those of the cool-down by their moment."""
    of_exercise = [
        note.heart_rate_bpm
        for note in recording.stage_notes
        if note.heart_rate_bpm is not None and note.phase in {None, "exercise"}
    ]
    end_s = recording.exercise_end_s
    later = {
        round(note.time_s - end_s): note
        for note in recording.stage_notes
        if end_s is not None and note.phase == "recovery" and note.time_s is not None
    }
    return {"highest": max(of_exercise, default=None), "later": later}


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of what is recorded."""

    time_s: float | None
    where: str
    what: str
    counts: bool = True
    entry: int | None = None
    kind: str = ""
    at: str = ""


def _lines(display: Display, recording: RecordingOut) -> list[_Line]:
    """What is recorded, the latest first."""
    lines = [
        _Line(
            mark.time_s,
            _where_words(mark.phase, mark.stage),
            ", ".join(
                part
                for part in (
                    MARKS[mark.kind],
                    _load_words(display, mark),
                    dict(STOPS).get(mark.stop_reason or "", ""),
                    mark.stop_note or "",
                )
                if part
            ),
            mark.counts,
            kind=mark.kind,
            at=mark.at.isoformat(),
        )
        for mark in recording.marks
    ]
    lines += [
        _Line(note.time_s, _where_words(note.phase, note.stage), _note_words(display, note), entry=number)
        for number, note in enumerate(recording.stage_notes)
    ]
    return sorted(lines, key=lambda line: -1.0 if line.time_s is None else line.time_s, reverse=True)


def _where_words(phase: str | None, stage: int | None) -> str:
    words = PHASES.get(phase or "", "")
    return f"{words}, stage {stage}" if stage is not None and words else words


def _note_words(display: Display, note: StageNoteIn) -> str:
    parts = [
        f"{QUANTITIES[name].symbol} {display.quantity(getattr(note, name), name)}"
        for name in _VALUES
        if getattr(note, name) is not None
    ]
    if note.rpe_scale is not None:
        parts.append(f"scale {note.rpe_scale}")
    return ", ".join([*parts, *(text for text in (note.symptoms, note.note) if text)])
