"""A data file into a visit: what would be stored is shown first, and stored only as it was shown.

Nothing of the file is kept between the two steps: the browser sends it again.
"""

import base64
import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from service.analyses.workflow import Target
from service.analysis.alignment import Alignment
from service.charts.as_read import as_read_spec
from service.charts.look import reworded
from service.charts.uptake import columns_of
from service.db.transactions import Store
from service.errors import InvalidContent, Place, RefusedFile, TooLarge, UnsupportedMediaType, UpslopeError
from service.http.dependencies import StoreDependency, Tester, VisitDependency, VisitRef
from service.http.problems import status_of
from service.imports.schemas import ImportOptions, ImportOut
from service.imports.workflow import Imported, Look, Source, alignments, exercise_in, import_file, look
from service.intake.measures import NAMEABLE, Measure
from service.intake.terms import read_header
from service.outlets.display import Display
from service.pages import queries
from service.pages.forms import Field, Filled, Sent, SentDependency, as_shown, typed_of, values_of
from service.pages.recording_sheet import STOPS
from service.pages.rendering import PageRoute, checked, display_of, page
from service.quantities import QUANTITIES
from service.subjects import queries as subjects
from service.visits import queries as visits

router = APIRouter(prefix="/visits/{visit_id}/import", include_in_schema=False, route_class=PageRoute)

MODES = ("treadmill", "cycle", "arm", "row", "ski", "step", "walk", "run")
_MAIN = (
    Field("mode", "Mode", "choice", tuple((one, one) for one in MODES), empty="choose"),
    Field("stop_reason", "Reason for stopping", "choice", STOPS),
)
_MORE = (
    Field(
        "purpose",
        "Purpose",
        "choice",
        tuple((one, one) for one in ("maximal", "submaximal", "verification", "other")),
        empty="maximal, unless the test it goes into says otherwise",
    ),
    Field(
        "shape",
        "How the load rises",
        "choice",
        tuple((one, one) for one in ("step", "ramp", "constant", "field", "other")),
        empty="as the file shows",
    ),
    Field(
        "decimal_mark",
        "Decimal mark",
        "choice",
        ((".", "point"), (",", "comma")),
        empty="as the file shows",
    ),
    Field(
        "time_marks",
        "A time stands at",
        "choice",
        (("end", "the end of its interval"), ("start", "the start of its interval")),
        empty="as the file says, else the end",
    ),
    Field(
        "volume_condition",
        "Ventilation is stated as",
        "choice",
        (("btps", "BTPS"), ("atps", "ATPS"), ("stpd", "STPD")),
        empty="as the file says, else BTPS",
    ),
    Field("sheet", "Sheet of the workbook"),
    Field("first_s", "First second to read (s)", "number", hint="Of a file with more than one test."),
    Field("last_s", "Last second to read (s)", "number"),
    Field(
        "exercise_start_s",
        "Exercise began at (s)",
        "number",
        hint="On the clock of the file; where seconds are added to it, on the clock that comes of that.",
    ),
    Field("exercise_end_s", "Exercise ended at (s)", "number"),
)
#: Only where there is a sheet to go with.
_OFFSET = Field(
    "offset_s",
    "Add to the times of the file (s)",
    "number",
    hint="So that they agree with the clock of the sheet. Less than 0 where the file began before it.",
    empty="0",
)
#: An offset that was proposed, and where that needs it the part of the file to read.
_USE = re.compile(r"(-?\d{1,6}(?:\.\d{1,3})?)(?:\|(\d{1,6}(?:\.\d{1,3})?)\|(\d{1,6}(?:\.\d{1,3})?))?")
_TIME_UNITS = ("s", "min", "h", "d", "mm:ss", "h:mm:ss")
_FROM = {"header": "its header", "units_row": "the line of units", "option": "your answer"}
_COLUMN = re.compile(r"(header|meaning)_\d{1,3}")
_LEFT_OUT = "-"

Choices = list[tuple[str, str]]


def _label(key: str) -> str:
    known = QUANTITIES.get(key)
    return known.label if known is not None else key.replace("_", " ").capitalize()


def _meanings(key: str, measure: Measure) -> Choices:
    """What a column of this quantity may be, with each unit of the trade."""
    if measure.role == "clock":
        return [(f"{key}|{unit}", f"{_label(key)}, {unit}") for unit in _TIME_UNITS]
    units = [one.text for one in measure.units if one.text not in {"Borg", "MET"}]
    if len(measure.units) < 2 and (not units or units == ["fraction"]):
        return [(f"{key}|", _label(key))]
    return [(f"{key}|{unit}", f"{_label(key)}, {unit}") for unit in units]


#: Everything that a column may be said to be.
MEANINGS: Choices = [one for key, measure in NAMEABLE.items() for one in _meanings(key, measure)]


def _likely(header: str) -> Choices:
    """What the header of a column speaks of, in each unit."""
    reading = read_header(header)
    if reading is None:
        return []
    name = reading.measure.keys[0] if reading.measure.keys else reading.measure.name
    return _meanings(name, NAMEABLE[name]) if name in NAMEABLE else []


@dataclass(slots=True)
class _Looked:
    """What is shown of a file."""

    look: Look | None = None
    offset_s: float = 0.0
    aligned: Sequence[Alignment] = ()
    chart: str = ""
    refused: UpslopeError | None = None
    seen: str = ""
    changed: bool = False
    meanings: Mapping[str, str] = field(default_factory=dict)
    replace: bool = False

    @property
    def told(self) -> ImportOut | None:
        """What was read."""
        return None if self.look is None else self.look.told


@router.get("")
def import_page(
    request: Request, principal: Tester, ref: VisitDependency, store: StoreDependency, into: str = ""
) -> Response:
    """Choose a file, and say what a file cannot; `into` is the test whose sheet waits for it."""
    del principal
    filled = Filled()
    if into:
        filled.typed["test_id"] = into
        if into not in dict(_into(store, ref).choices):
            filled.faults["test_id"] = (
                "this visit has no such test that waits for data; choose another, or a new one"
            )
    return _form(request, store, ref, filled, _Looked(), ref.revision)


@router.post("")
def import_step(
    request: Request, principal: Tester, ref: VisitDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Show what would be stored; or store it, where file and answers are those that were shown."""
    display = display_of(request)
    fields = as_shown((*_MAIN, _into(store, ref), _OFFSET, *_MORE), display)
    sent.only(
        [
            *("revision", "seen", "step", "use", "replace", "file"),
            *(one.name for one in fields),
            *(name for name in sent.text if _COLUMN.fullmatch(name)),
        ]
    )
    revision = sent.revision()
    filled = Filled(typed_of(fields, sent.text) | {"file": ""})
    if used := _USE.fullmatch(sent.text.get("use", "")):
        for name, value in zip(("offset_s", "first_s", "last_s"), used.groups(), strict=True):
            if value is not None:
                filled.typed[name] = display.typed(float(value))
    looked = _Looked(meanings=_answers(sent), replace=sent.text.get("replace") == "true")
    try:
        source = _source(sent)
        options = _options(fields, filled, looked.meanings)
        # The revision too: a file is read with the mass and the room of its visit.
        asked = f"{options.model_dump_json()} {revision}".encode()
        looked.seen = hashlib.sha256(source.data + asked).hexdigest()
        wants_storing = sent.text.get("step") == "store" and used is None
        looked.changed = wants_storing and sent.text.get("seen") != looked.seen
        if wants_storing and not looked.changed:
            target = Target(ref.subject_pk, ref.subject_id, ref.visit_pk, revision=revision)
            try:
                return import_file(
                    store,
                    principal.name,
                    target,
                    source,
                    options,
                    replace=looked.replace,
                    respond=_to_the_test,
                )
            except UpslopeError as error:
                _refuse(filled, looked, error)
        looked.look = look(store, ref.visit_pk, source, options)
        looked.offset_s = options.offset_s or 0.0
        looked.aligned = alignments(looked.look, looked.offset_s)
        looked.chart = _chart(looked.look, options, display)
    except UpslopeError as error:
        if status_of(error) in {403, 404}:
            raise
        looked.seen = ""
        _refuse(filled, looked, error)
    return _form(request, store, ref, filled, looked, revision)


def _to_the_test(imported: Imported) -> Response:
    return RedirectResponse(f"/tests/{imported.answer.test_id}", status_code=303)


def _refuse(filled: Filled, looked: _Looked, error: UpslopeError) -> None:
    filled.refuse(error)
    if filled.stale:
        return
    of_the_file = isinstance(error, RefusedFile | TooLarge | UnsupportedMediaType)
    if of_the_file or not error.errors or error.extra.get("test_id"):
        # Shown with rows and columns, and not a second time above the form.
        filled.told = []
        filled.faults.pop("file", None)
        looked.refused = error


def _source(sent: Sent) -> Source:
    file = sent.files.get("file")
    if file is None or not file.filename:
        message = "choose the file; a browser does not keep it from the page before"
        raise InvalidContent(f"file: {message}", (Place("file", message),))
    return Source(file.file.read(), file.filename)


def _answers(sent: Sent) -> dict[str, str]:
    """What was said of columns, by header; what was left as the file says is not there."""
    return {
        sent.text[name]: sent.text[f"meaning_{name[7:]}"]
        for name in sent.text
        if name.startswith("header_") and sent.text.get(f"meaning_{name[7:]}")
    }


def _options(fields: tuple[Field, ...], filled: Filled, meanings: Mapping[str, str]) -> ImportOptions:
    values = values_of(fields, filled.typed)
    if values["mode"] is None and values["test_id"] is None:
        raise InvalidContent("mode is needed.", (Place("mode", "choose how the work was done"),))
    first, last = values.pop("first_s"), values.pop("last_s")
    if (first is None) != (last is None):
        name = "first_s" if first is None else "last_s"
        raise InvalidContent(f"{name} is needed.", (Place(name, "is needed with the other one"),))
    if first is not None:
        values["rows"] = (first, last)
    if meanings:
        values["columns"] = {header: _column_of(meaning) for header, meaning in meanings.items()}
    return checked(ImportOptions, **{name: value for name, value in values.items() if value is not None})


def _column_of(meaning: str) -> dict[str, Any] | None:
    if meaning == _LEFT_OUT:
        return None
    quantity, _, unit = meaning.partition("|")
    return {"quantity": quantity, "unit": unit or None}


def _into(store: Store, ref: VisitRef) -> Field:
    with store.read() as session:
        waiting = queries.waiting_tests_of(session, ref.visit_pk, for_data=True)
    return Field("test_id", "Goes into", "choice", tuple(waiting), empty="a new test")


def _chart(seen: Look, options: ImportOptions, display: Display) -> str:
    """The file as read with the notes and marks of the sheet over it, as the address of a picture."""
    from service.charts.render import render_svg

    file, sheet = seen.file, seen.sheet
    found = exercise_in(file.series)
    of_file = tuple(
        getattr(options if getattr(options, name) is not None else found, name, None)
        for name in ("exercise_start_s", "exercise_end_s")
    )
    of_sheet = (None, None) if sheet is None else (sheet.exercise_start_s, sheet.exercise_end_s)
    whose = "" if sheet is None else ", by the file"
    marks = [
        (at, f"exercise {word}{owner}")
        for owner, pair in ((whose, of_file), (", by the sheet", of_sheet))
        for at, word in zip(pair, ("begins", "ends"), strict=True)
        if at is not None
    ]
    notes = [
        {
            "time_s": note.time_s,
            "heart_rate_bpm": note.heart_rate_bpm,
            "words": f"stage {note.stage}"
            if note.stage is not None
            else (note.phase or "").replace("_", "-"),
        }
        for note in (sheet.notes if sheet is not None else ())
    ]
    said = []
    if sheet is not None:
        said.append(
            f"{display.significant(options.offset_s or 0.0)} s are added to the times of the file. Where the clocks agree, the "
            "diamonds lie on the heart rate, and begin and end of file and sheet lie on each other."
        )
    spec = as_read_spec(columns_of(file.series), marks=marks, notes=notes, said=said)
    svg = render_svg(reworded(spec, display.said), marks=display.of_the_charts(), follows_theme=True)
    return f"data:image/svg+xml;base64,{base64.b64encode(svg.encode()).decode()}"


def _proposals(looked: _Looked) -> list[dict[str, Any]]:
    """The offsets that may be chosen with one touch, each with what it rests on."""
    if looked.look is None:
        return []
    series = looked.look.file.series
    starts, ends = series.start_s - looked.offset_s, series.end_s - looked.offset_s
    proposals = []
    for one in looked.aligned:
        use, lost_s = "", 0.0
        if one.offset_s is not None:
            use = f"{one.offset_s:.1f}"
            if float(ends[0]) + one.offset_s < 0:
                # No time is below zero: what lies before the clock of the sheet is left out, and that is said.
                first = float(starts[starts + one.offset_s >= 0][0])
                lost_s = first - float(starts[0])
                use += f"|{first:.3f}|{float(ends[-1]):.3f}"
        proposals.append({"offset_s": one.offset_s, "reason": one.reason, "use": use, "lost_s": lost_s})
    return proposals


def _lines(looked: _Looked) -> list[dict[str, Any]]:
    """The columns to be shown: those read, else those that are asked about or were answered."""
    told = looked.told.columns if looked.told is not None else []
    read = {one["header"]: one for one in told}
    places = looked.refused.errors if looked.refused is not None else ()
    asked = [str(place.column) for place in places if place.column is not None and place.row is None]
    return [
        {
            "header": header,
            "meaning": looked.meanings.get(header, ""),
            "likely": _likely(header),
            "asked": header in asked,
            "read_as": _read_as(read[header]) if header in read else None,
            "from": _FROM.get(read[header]["from"], "") if header in read else "",
        }
        for header in dict.fromkeys([*read, *asked, *looked.meanings])
    ]


def _read_as(column: dict[str, Any]) -> str:
    if column["quantity"] is None:
        return "left out"
    label = _label(column["quantity"])
    return f"{label}, in {column['unit']}" if column["unit"] else label


def _first_rows(told: ImportOut | None, display: Display) -> dict[str, Any] | None:
    if told is None or not told.first_rows:
        return None
    channels = [name for name in told.first_rows[0] if name in QUANTITIES]
    return {
        "channels": [display.of(name) for name in channels],
        "rows": [
            {
                **row,
                "shown": [display.number(row[name], name) for name in channels],
            }
            for row in told.first_rows
        ],
    }


def _what_to_do(message: str) -> str:
    """A question in words; the example of the interface is for programs, and the page has a field instead."""
    for start in (" Answer with the option columns", "Answer with the option columns"):
        if start in message:
            return message.partition(start)[0] or "Say below what the column is, and in which unit."
    return message


def _form(
    request: Request, store: Store, ref: VisitRef, filled: Filled, looked: _Looked, revision: int
) -> Response:
    with store.read() as session:
        subject = subjects.get(session, ref.subject_pk)
        visit = visits.get(session, ref.visit_pk)
    into = _into(store, ref)
    refused = looked.refused
    return page(
        request,
        "import_form.html",
        status=filled.status,
        filled=filled,
        subject=subject,
        visit=visit,
        at=visits.in_own_offset(visit),
        main=as_shown((*_MAIN, *((into, _OFFSET) if into.choices else ())), display_of(request)),
        more=as_shown(_MORE, display_of(request)),
        more_open=any(filled.typed.get(one.name) for one in _MORE)
        or any(one.name in filled.faults for one in _MORE),
        fields=(Field("file", "Data file"), *_MAIN, into, _OFFSET, *_MORE),
        refused=refused,
        places=[(place, _what_to_do(place.message)) for place in refused.errors] if refused else [],
        known_test=refused.extra.get("test_id") if refused else None,
        replace=looked.replace,
        lines=_lines(looked),
        meanings=MEANINGS,
        left_out=_LEFT_OUT,
        told=looked.told,
        chart=looked.chart,
        proposals=_proposals(looked),
        offset_s=looked.offset_s,
        changed=looked.changed,
        seen=looked.seen,
        rows=_first_rows(looked.told, display_of(request)),
        revision=revision,
    )
