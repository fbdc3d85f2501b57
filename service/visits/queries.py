"""Reads and writes of visits; nothing is committed here."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta, timezone
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analysis.screening import Caution, RestingValues, cautions_before
from service.db.models import ExerciseTest, Measurement, Subject, Visit
from service.errors import InvalidContent, NotFound, Place
from service.exercise_tests.queries import of_visits
from service.quantities import QUANTITIES, of_kind
from service.visits.schemas import MeasurementIn, MeasurementOut, PreTestIn, PreTestOut, VisitOut


def get(session: Session, visit_pk: int) -> Visit:
    """The visit with this internal key."""
    visit = session.get(Visit, visit_pk)
    if visit is None:
        raise NotFound("The visit was deleted in the meantime.")
    return visit


def out(session: Session, visit: Visit, subject_id: str) -> VisitOut:
    """A visit as it goes over the wire."""
    return out_all(session, [visit], subject_id)[0]


def out_all(session: Session, visits: Sequence[Visit], subject_id: str) -> list[VisitOut]:
    """The same of some visits of a subject, in as many statements as of one."""
    pks = [visit.id for visit in visits]
    measured: dict[int, list[MeasurementOut]] = {}
    for one in session.scalars(
        sa.select(Measurement).where(Measurement.visit_id.in_(pks)).order_by(Measurement.quantity)
    ):
        measured.setdefault(one.visit_id, []).append(
            MeasurementOut(
                quantity=one.quantity, value=one.value, unit=QUANTITIES[one.quantity].unit, note=one.note
            )
        )
    tests = of_visits(session, pks)
    names = [name for name in VisitOut.model_fields if hasattr(Visit, name) and name != "id"]
    return [
        VisitOut.model_validate(
            {
                **{name: getattr(visit, name) for name in names},
                "id": visit.public_id,
                "subject_id": subject_id,
                "started_at": in_own_offset(visit),
                "measurements": measured.get(visit.id, []),
                "pre_test": pre_test(visit),
                "tests": tests.get(visit.id, []),
                "cautions": [one.as_dict() for one in _cautions(visit)],
            }
        )
        for visit in visits
    ]


def pre_test(visit: Visit) -> PreTestOut:
    """What was asked before the test."""
    return PreTestOut(
        answers=visit.pre_test_answers or [],
        consent_given_at=visit.consent_given_at,
        cleared_by=visit.cleared_by,
    )


def pre_test_columns(body: PreTestIn) -> dict[str, Any]:
    """What was asked before the test, as columns."""
    return {
        "pre_test_answers": [answer.model_dump() for answer in body.answers],
        "consent_given_at": body.consent_given_at,
        "cleared_by": body.cleared_by,
    }


def _cautions(visit: Visit) -> tuple[Caution, ...]:
    """Only where something was asked, measured or taken: silence is not told of."""
    resting = RestingValues(
        visit.resting_systolic_mmhg, visit.resting_diastolic_mmhg, visit.resting_spo2_percent
    )
    limits = any(one.get("limits_heart_rate") for one in visit.medications or ())
    if not visit.pre_test_answers and resting == RestingValues() and not limits:
        return ()
    return cautions_before(visit.pre_test_answers, resting, limits_heart_rate=limits)


def in_own_offset(visit: Visit) -> datetime:
    """The instant of a visit as its place's clock showed it."""
    return visit.started_at.astimezone(timezone(timedelta(minutes=visit.utc_offset_minutes)))


def columns_of(values: dict[str, Any]) -> dict[str, Any]:
    """Wire fields as columns: an instant carries its offset in a column of its own."""
    if "started_at" in values:
        offset = values["started_at"].utcoffset() or timedelta()
        values = {**values, "utc_offset_minutes": round(offset / timedelta(minutes=1))}
    if "medications" in values:
        values = {**values, "medications": [_plain(one) for one in values["medications"]]}
    return values


def _plain(medication: dict[str, Any]) -> dict[str, Any]:
    taken_at = medication.get("taken_at")
    return {**medication, "taken_at": None if taken_at is None else taken_at.isoformat()}


def check_after_birth(subject: Subject, started_at: datetime, utc_offset_minutes: int) -> None:
    """Refuse a visit before the birth of its subject."""
    day = started_at.astimezone(timezone(timedelta(minutes=utc_offset_minutes))).date()
    born = subject.birth_date.isoformat() if subject.birth_date else None
    early = subject.birth_date is not None and day < subject.birth_date
    early = early or (
        subject.birth_date is None and subject.birth_year is not None and day.year < subject.birth_year
    )
    if early:
        message = f"lies before the birth of the subject ({born or subject.birth_year})"
        raise InvalidContent(
            f"started_at {message}.", (Place("body.started_at", message, value=day.isoformat()),)
        )


def check_all_after_birth(session: Session, subject_pk: int, values: Mapping[str, Any]) -> None:
    """Refuse a birth date or year, in `values`, that lies after a visit of the subject."""
    birth_date, birth_year = values.get("birth_date"), values.get("birth_year")
    first = session.scalars(
        sa.select(Visit).where(Visit.subject_id == subject_pk).order_by(Visit.started_at).limit(1)
    ).one_or_none()
    if first is None:
        return
    day = in_own_offset(first).date()
    for name, value, early in (
        ("birth_date", birth_date, birth_date is not None and day < birth_date),
        ("birth_year", birth_year, birth_year is not None and day.year < birth_year),
    ):
        if early:
            message = f"lies after a visit of the subject ({day.isoformat()})"
            raise InvalidContent(f"{name} {message}.", (Place(f"body.{name}", message, value=value),))


def check_measurements(rows: Sequence[MeasurementIn]) -> None:
    """Refuse what is no measurement of a visit, is impossible, or comes twice."""
    known = {quantity.key: quantity for quantity in of_kind("measurement")}
    faults = []
    seen: set[str] = set()
    for place, row in enumerate(rows):
        quantity = known.get(row.quantity)
        if quantity is None:
            faults.append(
                Place(
                    f"body.{place}.quantity",
                    f"is not known; known are {', '.join(known)}",
                    value=row.quantity,
                )
            )
        elif not quantity.possible(row.value):
            faults.append(
                Place(
                    f"body.{place}.value", f"is not possible in {quantity.unit or 'counts'}", value=row.value
                )
            )
        elif row.quantity in seen:
            faults.append(Place(f"body.{place}.quantity", "comes twice", value=row.quantity))
        seen.add(row.quantity)
    if faults:
        raise InvalidContent(f"{faults[0].location}: {faults[0].message}"[:500], tuple(faults))


def replace_measurements(session: Session, visit_pk: int, rows: Sequence[MeasurementIn]) -> None:
    """Store these measurements in the place of what the visit has."""
    session.execute(sa.delete(Measurement).where(Measurement.visit_id == visit_pk))
    session.add_all(Measurement(visit_id=visit_pk, **row.model_dump()) for row in rows)
    session.flush()


def listed(
    session: Session, subject_pk: int, *, after: tuple[datetime, int] | None, limit: int
) -> Sequence[Visit]:
    """Visits of a subject by time, one more than `limit` where there are more."""
    statement = (
        sa.select(Visit)
        .where(Visit.subject_id == subject_pk)
        .order_by(Visit.started_at, Visit.id)
        .limit(limit + 1)
    )
    if after is not None:
        at, pk = after
        statement = statement.where(
            sa.or_(Visit.started_at > at, sa.and_(Visit.started_at == at, Visit.id > pk))
        )
    return session.scalars(statement).all()


def held(session: Session, visit_pk: int) -> dict[str, int]:
    """What a deletion of the visit would take with it."""

    def count(table: type[ExerciseTest] | type[Measurement]) -> int:
        return (
            session.scalar(sa.select(sa.func.count()).select_from(table).where(table.visit_id == visit_pk))
            or 0
        )

    return {"tests": count(ExerciseTest), "measurements": count(Measurement)}
