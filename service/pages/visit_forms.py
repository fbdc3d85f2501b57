"""The form of a visit: when, and what was measured and noted before the test."""

import re
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session
from starlette.responses import Response

from service.analyses.workflow import Target
from service.db.models import Visit
from service.db.transactions import now
from service.errors import InvalidContent, Place
from service.http.dependencies import StoreDependency, SubjectDependency, Tester
from service.pages.forms import Field, Filled, SentDependency, of_quantity, submitted, typed_of, values_of
from service.pages.rendering import PageRoute, page
from service.subjects import queries as subjects
from service.visits import workflow
from service.visits.schemas import VisitIn

router = APIRouter(prefix="/people/{subject_id}/visits", include_in_schema=False, route_class=PageRoute)

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
#: Parts of the form, each with a heading.
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
FIELDS = tuple(one for _, fields in PARTS for one in fields)
_SHAPES = {
    "started_at": (re.compile(r"\d{4}-\d{2}-\d{2}"), "must be a date such as 2026-03-14"),
    "time": (re.compile(r"([01]\d|2[0-3]):[0-5]\d(:[0-5]\d)?"), "must be a time such as 09:30"),
    "offset": (re.compile(r"Z|[+-]\d{2}:\d{2}"), "must be hours and minutes with a sign, such as +01:00"),
}


@router.get("/new")
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
    return _form(request, store, ref, Filled(typed), ref.revision)


@router.post("/new")
def add_visit(
    request: Request, principal: Tester, ref: SubjectDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Add a visit; a form sent twice adds one."""
    sent.only(["revision", *(one.name for one in FIELDS)])
    revision = sent.revision()
    filled = Filled(typed_of(FIELDS, sent.text))

    def respond(session: Session, visit: Visit) -> Response:
        del session
        return RedirectResponse(f"/people/{ref.subject_id}#{visit.public_id}", status_code=303)

    target = Target(ref.subject_pk, ref.subject_id, revision=revision)
    answer = submitted(
        filled,
        VisitIn,
        lambda: _with_instant(values_of(FIELDS, filled.typed)),
        lambda body: workflow.make_visit(store, principal.name, target, body, respond=respond),
    )
    return answer or _form(request, store, ref, filled, revision)


def _with_instant(values: dict[str, Any]) -> dict[str, Any]:
    """The day, the time and the offset as one instant."""
    parts = {name: values.pop(name) or "" for name in _SHAPES}
    faults = [
        Place(name, words) for name, (shape, words) in _SHAPES.items() if not shape.fullmatch(parts[name])
    ]
    if faults:
        raise InvalidContent(f"{faults[0].location}: {faults[0].message}", tuple(faults))
    time = parts["time"] if parts["time"].count(":") > 1 else f"{parts['time']}:00"
    return {**values, "started_at": f"{parts['started_at']}T{time}{parts['offset']}"}


def _form(
    request: Request, store: StoreDependency, ref: SubjectDependency, filled: Filled, revision: int
) -> Response:
    with store.read() as session:
        subject = subjects.get(session, ref.subject_pk)
    return page(
        request,
        "visit_form.html",
        status=filled.status,
        parts=PARTS,
        fields=FIELDS,
        filled=filled,
        subject=subject,
        revision=revision,
    )
