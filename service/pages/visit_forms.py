"""The forms of a visit: when, what was measured and noted before the test, and other fitness measurements."""

import re
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta, timezone
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session
from starlette.responses import Response

from service.analyses.workflow import Target
from service.db.models import Visit
from service.db.transactions import Store, now
from service.errors import InvalidContent, Place
from service.http.dependencies import (
    StoreDependency,
    SubjectDependency,
    SubjectRef,
    Tester,
    VisitDependency,
    VisitRef,
)
from service.http.wire import Wire
from service.outlets import phrases
from service.outlets.display import Display
from service.pages.forms import (
    Field,
    Filled,
    SentDependency,
    as_shown,
    clock_value,
    instant_value,
    of_quantity,
    recorded,
    submitted,
    typed_of,
    values_of,
    yes_or_no,
)
from service.pages.rendering import PageRoute, display_of, page
from service.quantities import QUANTITIES, of_kind
from service.subjects import queries as subjects
from service.visits import queries, workflow
from service.visits.schemas import MeasurementIn, VisitIn, VisitPatch

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_WHEN = (
    Field("started_at", "Day", "day", required=True),
    Field("time", "Time of day", "time", required=True),
    Field(
        "offset",
        "Ahead of UTC by",
        hint="Hours and minutes with a sign, such as +01:00 or -05:00; the record keeps the clock of the place.",
        required=True,
    ),
)
#: Parts of the form that are always seen, each with a heading.
PARTS = (
    ("When", _WHEN),
    (
        "Body",
        (
            of_quantity("body_mass_kg", "In test clothes. Uptake per body mass rests on it."),
            Field(
                "body_mass_source",
                "Body mass was",
                "choice",
                (("measured", "measured on a scale"), ("stated", "stated by the person")),
            ),
            of_quantity("height_cm"),
            of_quantity("age_years", "Only where neither date nor year of birth is kept."),
        ),
    ),
    (
        "At rest",
        tuple(
            of_quantity(name)
            for name in (
                "resting_heart_rate_bpm",
                "resting_systolic_mmhg",
                "resting_diastolic_mmhg",
                "resting_spo2_percent",
            )
        ),
    ),
)
#: Parts that are opened where they are needed; the medications stand before them.
MORE_PARTS = (
    (
        "Meal, caffeine and exercise before",
        tuple(
            of_quantity(name) for name in ("hours_since_meal", "hours_since_caffeine", "hours_since_exercise")
        ),
    ),
    (
        "Room",
        tuple(
            of_quantity(name)
            for name in (
                "barometric_pressure_mmhg",
                "temperature_c",
                "relative_humidity_percent",
                "altitude_m",
            )
        ),
    ),
    (
        "Blood and lungs",
        (
            of_quantity("haemoglobin_g_dl"),
            of_quantity("fev1_l"),
            of_quantity("vital_capacity_l"),
            of_quantity("mvv_l_min", "Breathing reserve rests on it."),
        ),
    ),
    (
        "Record",
        (
            Field("site", "Place"),
            Field("round", "Round", hint="Of a programme or study, such as before or 12 weeks."),
            Field("tester", "Tester"),
            Field("history", "History", "long", hint="Health and training so far, as the person tells it."),
            Field("notes", "Notes", "long"),
        ),
    ),
)
FIELDS = tuple(one for _, fields in (*PARTS, *MORE_PARTS) for one in fields)
_SHAPES = {
    "started_at": (re.compile(r"\d{4}-\d{2}-\d{2}"), "must be a date such as 2026-03-14"),
    "time": (
        re.compile(r"([01]\d|2[0-3]):[0-5]\d(:[0-5]\d(\.\d{1,6})?)?"),
        "must be a time such as 09:30",
    ),
    "offset": (re.compile(r"Z|[+-]\d{2}:\d{2}"), "must be hours and minutes with a sign, such as +01:00"),
}
_OF_MEDICATION = re.compile(r"medication_(\d{1,2})_(?:name|dose|taken_at|limits_heart_rate)")
_MOST_MEDICATIONS, _LEAST_ROWS, _EMPTY_ROWS = 50, 3, 2
_THEN = ("prepare",)


def _medication_rows(count: int) -> tuple[tuple[Field, ...], ...]:
    """The fields of so many medications."""
    return tuple(
        (
            Field(f"medication_{row}_name", "Medication"),
            Field(f"medication_{row}_dose", "Dose"),
            Field(
                f"medication_{row}_taken_at",
                "Last taken",
                "moment",
                hint=phrases.ON_ITS_CLOCK,
            ),
            yes_or_no(
                f"medication_{row}_limits_heart_rate",
                "Limits the heart rate",
                "As a beta blocker does. Heart rate then decides nothing about the effort.",
                empty="choose",
            ),
        )
        for row in range(count)
    )


def _rows_sent(sent: Mapping[str, str]) -> tuple[tuple[Field, ...], ...]:
    numbers = [int(found[1]) for name in sent if (found := _OF_MEDICATION.fullmatch(name))]
    return _medication_rows(min(max(numbers, default=-1) + 1, _MOST_MEDICATIONS))


def _medications(rows: Sequence[Sequence[Field]], filled: Filled, offset: str) -> list[dict[str, Any]]:
    """The medications that were typed; an empty row is none."""
    found: list[dict[str, Any]] = []
    faults = []
    for row in rows:
        values = values_of(row, filled.typed)
        name, dose, taken_at, limits = (values[one.name] for one in row)
        if name is None and dose is None and taken_at is None and limits is None:
            continue
        if name is None:
            faults.append(Place(row[0].name, "is needed, or empty the row"))
        if limits is None:
            faults.append(Place(row[3].name, "say yes or no: what heart rate may be used for rests on it"))
        for one in row:
            filled.places[f"medications.{len(found)}.{one.name.split('_', 2)[2]}"] = one.name
        found.append(
            {
                "name": name,
                "dose": dose,
                "taken_at": None if taken_at is None else instant_value(taken_at, offset),
                "limits_heart_rate": limits,
            }
        )
    if faults:
        raise InvalidContent(f"{faults[0].location}: {faults[0].message}", tuple(faults))
    return found


def _values(display: Display, rows: Sequence[Sequence[Field]], filled: Filled) -> dict[str, Any]:
    """Everything that the form says, as the interface takes it."""
    values = values_of(as_shown(FIELDS, display), filled.typed)
    parts = {name: values.pop(name) or "" for name in _SHAPES}
    faults = [
        Place(name, words) for name, (shape, words) in _SHAPES.items() if not shape.fullmatch(parts[name])
    ]
    if faults:
        raise InvalidContent(f"{faults[0].location}: {faults[0].message}", tuple(faults))
    time = parts["time"] if parts["time"].count(":") > 1 else f"{parts['time']}:00"
    return {
        **values,
        "started_at": f"{parts['started_at']}T{time}{parts['offset']}",
        "medications": _medications(rows, filled, parts["offset"]),
    }


@router.get("/people/{subject_id}/visits/new")
def new_visit(
    request: Request, principal: Tester, ref: SubjectDependency, store: StoreDependency
) -> Response:
    """A form with the present time, in the offset of the server's clock."""
    del principal
    here = now().astimezone()
    typed = {
        "started_at": here.date().isoformat(),
        "time": here.strftime("%H:%M"),
        "offset": here.isoformat()[-6:],
    }
    return _form(request, store, ref, Filled(typed), _medication_rows(_LEAST_ROWS), ref.revision)


@router.post("/people/{subject_id}/visits/new")
def add_visit(
    request: Request, principal: Tester, ref: SubjectDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Add a visit; a form sent twice adds one."""
    rows = _rows_sent(sent.text)
    fields = (*FIELDS, *(one for row in rows for one in row))
    sent.only(["revision", "then", *(one.name for one in fields)])
    revision = sent.revision()
    filled = Filled(typed_of(fields, sent.text))

    def respond(session: Session, visit: Visit) -> Response:
        del session
        if sent.text.get("then") in _THEN:
            return RedirectResponse(f"/visits/{visit.public_id}/prepare", status_code=303)
        return RedirectResponse(f"/people/{ref.subject_id}#{visit.public_id}", status_code=303)

    target = Target(ref.subject_pk, ref.subject_id, revision=revision)
    answer = submitted(
        filled,
        VisitIn,
        lambda: _values(display_of(request), rows, filled),
        lambda body: workflow.make_visit(store, principal.name, target, body, respond=respond),
    )
    return answer or _form(request, store, ref, filled, rows, revision)


@router.get("/visits/{visit_id}/edit")
def edit_visit(request: Request, principal: Tester, ref: VisitDependency, store: StoreDependency) -> Response:
    """The form of a visit as recorded."""
    del principal
    with store.read() as session:
        typed, rows = _recorded(queries.get(session, ref.visit_pk), display_of(request))
    return _form(request, store, ref, Filled(typed), rows, ref.revision, ref.visit_id)


@router.post("/visits/{visit_id}/edit")
def change_visit(
    request: Request, principal: Tester, ref: VisitDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Change what differs from the record, on the state that the form was opened in or not at all."""
    rows = _rows_sent(sent.text)
    fields = (*FIELDS, *(one for row in rows for one in row))
    sent.only(["revision", *(one.name for one in fields)])
    revision = sent.revision()
    display = display_of(request)
    with store.read() as session:
        typed, recorded_rows = _recorded(queries.get(session, ref.visit_pk), display)
    filled = Filled(typed_of(fields, sent.text))

    def changes() -> dict[str, Any]:
        before = _values(display, recorded_rows, Filled(typed))
        now_typed = _values(display, rows, filled)
        return {name: value for name, value in now_typed.items() if value != before[name]}

    def respond(session: Session, visit: Visit) -> Response:
        del session
        return _to_the_line(ref, visit.public_id)

    def store_changes(body: VisitPatch) -> Response:
        if not body.model_fields_set:
            return _to_the_line(ref, ref.visit_id)
        return workflow.change_visit(
            store, principal.name, _target(ref, revision), ref.visit_id, body, respond=respond
        )

    answer = submitted(filled, VisitPatch, changes, store_changes)
    return answer or _form(request, store, ref, filled, rows, revision, ref.visit_id)


def _target(ref: VisitRef, revision: int) -> Target:
    return Target(ref.subject_pk, ref.subject_id, ref.visit_pk, revision=revision)


def _to_the_line(ref: VisitRef, visit_id: str) -> Response:
    """Where the visit stands on the page of its person."""
    return RedirectResponse(f"/people/{ref.subject_id}#{visit_id}", status_code=303)


def _recorded(visit: Visit, display: Display) -> tuple[dict[str, str], tuple[tuple[Field, ...], ...]]:
    """What is recorded, as it is typed, and the rows for its medications and further ones."""
    at = queries.in_own_offset(visit)
    day, _, time = clock_value(at, _clock_of(visit)).partition("T")
    when = {"started_at": day, "time": time, "offset": at.isoformat()[-6:]}
    others = [one for one in FIELDS if one.name not in when]
    typed = recorded(as_shown(others, display), visit)
    stored = visit.medications or []
    rows = _medication_rows(min(max(len(stored) + _EMPTY_ROWS, _LEAST_ROWS), _MOST_MEDICATIONS))
    for row, one in zip(rows, stored, strict=False):
        taken_at = one.get("taken_at")
        moment = "" if taken_at is None else clock_value(datetime.fromisoformat(taken_at), _clock_of(visit))
        limits = "true" if one["limits_heart_rate"] else "false"
        for part, text in zip(row, (one["name"], one.get("dose") or "", moment, limits), strict=True):
            typed[part.name] = text
    return {**{one.name: "" for row in rows for one in row}, **typed, **when}, rows


def _clock_of(visit: Visit) -> timezone:
    return timezone(timedelta(minutes=visit.utc_offset_minutes))


def _form(
    request: Request,
    store: Store,
    ref: SubjectRef,
    filled: Filled,
    rows: tuple[tuple[Field, ...], ...],
    revision: int,
    visit_id: str | None = None,
) -> Response:
    with store.read() as session:
        subject = subjects.get(session, ref.subject_pk)
    return page(
        request,
        "visit_form.html",
        status=filled.status,
        parts=[(heading, as_shown(fields, display_of(request))) for heading, fields in PARTS],
        more_parts=[(heading, as_shown(fields, display_of(request))) for heading, fields in MORE_PARTS],
        medications=rows,
        fields=(*FIELDS, *(one for row in rows for one in row)),
        filled=filled,
        subject=subject,
        visit_id=visit_id,
        revision=revision,
    )


# -- other fitness measurements ---------------------------------------------------------------------------------------

_MEASURED = of_kind("measurement")
_NOTE = "_note"
MEASUREMENTS = tuple(
    (of_quantity(one.key), Field(f"{one.key}{_NOTE}", f"Note about {one.label[0].lower()}{one.label[1:]}"))
    for one in _MEASURED
)
_MEASUREMENT_FIELDS = tuple(one for pair in MEASUREMENTS for one in pair)


class _Measurements(Wire):
    """What the form holds."""

    rows: list[MeasurementIn]


@router.get("/visits/{visit_id}/measurements")
def measurements_page(
    request: Request, principal: Tester, ref: VisitDependency, store: StoreDependency
) -> Response:
    """A line for each measurement that the registry knows, with what is recorded."""
    del principal
    with store.read() as session:
        stored = queries.out(session, queries.get(session, ref.visit_pk), ref.subject_id).measurements
    typed = {one.name: "" for one in _MEASUREMENT_FIELDS}
    for one in stored:
        value = display_of(request).typed(one.value, one.quantity)
        typed |= {one.quantity: value, f"{one.quantity}{_NOTE}": one.note or ""}
    return _measurements_form(request, store, ref, Filled(typed), ref.revision)


@router.post("/visits/{visit_id}/measurements")
def store_measurements(
    request: Request, principal: Tester, ref: VisitDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Store these measurements in the place of those there are."""
    sent.only(["revision", *(one.name for one in _MEASUREMENT_FIELDS)])
    revision = sent.revision()
    filled = Filled(typed_of(_MEASUREMENT_FIELDS, sent.text))

    def values() -> dict[str, Any]:
        given = values_of(as_shown(_MEASUREMENT_FIELDS, display_of(request)), filled.typed)
        rows: list[dict[str, Any]] = []
        for value, note in MEASUREMENTS:
            if given[value.name] is None and given[note.name] is not None:
                message = f"is a note about {QUANTITIES[value.name].label.lower()}, and there is no value"
                raise InvalidContent(f"{note.name} {message}", (Place(note.name, message),))
            if given[value.name] is not None:
                for at, one in (("value", value), ("quantity", value), ("note", note)):
                    filled.places |= {f"rows.{len(rows)}.{at}": one.name, f"{len(rows)}.{at}": one.name}
                rows.append({"quantity": value.name, "value": given[value.name], "note": given[note.name]})
        return {"rows": rows}

    def respond(session: Session, visit: Visit) -> Response:
        del session
        return _to_the_line(ref, visit.public_id)

    answer = submitted(
        filled,
        _Measurements,
        values,
        lambda body: workflow.replace_measurements(
            store, principal.name, _target(ref, revision), ref.visit_id, body.rows, respond=respond
        ),
    )
    return answer or _measurements_form(request, store, ref, filled, revision)


def _measurements_form(
    request: Request, store: Store, ref: VisitRef, filled: Filled, revision: int
) -> Response:
    with store.read() as session:
        subject = subjects.get(session, ref.subject_pk)
        at = queries.in_own_offset(queries.get(session, ref.visit_pk))
    return page(
        request,
        "measurements_form.html",
        status=filled.status,
        lines=[as_shown(pair, display_of(request)) for pair in MEASUREMENTS],
        fields=_MEASUREMENT_FIELDS,
        filled=filled,
        subject=subject,
        visit_id=ref.visit_id,
        at=at,
        revision=revision,
    )
