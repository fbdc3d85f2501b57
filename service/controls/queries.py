"""Reads and writes of control measurements; nothing is committed here."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analyses.queries import local_date, site
from service.controls.schemas import BaselineIn, ControlMeasurementIn, ControlMeasurementOut
from service.db.models import Calibration, ControlMeasurement, Event, ExerciseTest, Site, Subject, Visit
from service.errors import InvalidContent, NotFound, Place

_SETTING = "control_baselines"


def count_change(session: Session) -> None:
    """Count a change of what control charts rest on: answers that warn of a shift get another tag by it."""
    row = session.scalars(sa.select(Site)).first()
    if row is None:
        row = Site(id=1, revision=0, settings={}, control_revision=0)
        session.add(row)
    row.control_revision += 1
    session.flush()


def subjects_of(session: Session, rows: Sequence[ControlMeasurementIn]) -> dict[str, int]:
    """Internal keys of the subjects that are named; one that there is not is refused."""
    wanted = {row.subject_id for row in rows}
    found = session.execute(sa.select(Subject.public_id, Subject.id).where(Subject.public_id.in_(wanted)))
    known = {public_id: pk for public_id, pk in found}  # noqa: C416 rows are not pairs to the type checker
    faults = [
        Place(f"body.{place}.subject_id", "names no subject", value=row.subject_id)
        for place, row in enumerate(rows)
        if row.subject_id not in known
    ]
    if faults:
        raise InvalidContent(f"{faults[0].location}: {faults[0].message}.", tuple(faults))
    return known


def add(
    session: Session, rows: Sequence[ControlMeasurementIn], subjects: Mapping[str, int]
) -> list[ControlMeasurement]:
    """Store measurements."""
    made = []
    for row in rows:
        values = row.model_dump(exclude={"subject_id"})
        offset = row.taken_at.utcoffset() or dt.timedelta()
        made.append(
            ControlMeasurement(
                subject_id=subjects[row.subject_id],
                utc_offset_minutes=round(offset / dt.timedelta(minutes=1)),
                **values,
            )
        )
    session.add_all(made)
    session.flush()
    return made


def get(session: Session, measurement_id: str) -> tuple[ControlMeasurement, str]:
    """A measurement with the public id of its subject."""
    row = session.execute(
        sa.select(ControlMeasurement, Subject.public_id)
        .join(Subject, Subject.id == ControlMeasurement.subject_id)
        .where(ControlMeasurement.public_id == measurement_id)
    ).one_or_none()
    if row is None:
        raise NotFound("There is no such control measurement.")
    return row[0], row[1]


def delete(session: Session, row: ControlMeasurement) -> None:
    """Take a measurement that was entered wrongly away."""
    session.execute(sa.delete(ControlMeasurement).where(ControlMeasurement.id == row.id))


def instant_of(row: ControlMeasurement) -> dt.datetime:
    """When it was taken, as the clock of its place showed it."""
    return row.taken_at.astimezone(dt.timezone(dt.timedelta(minutes=row.utc_offset_minutes)))


def out(row: ControlMeasurement, subject_id: str) -> ControlMeasurementOut:
    """A measurement as it goes over the wire."""
    columns = {name: getattr(row, name) for name in ControlMeasurementOut.model_fields if name != "id"}
    return ControlMeasurementOut.model_validate(
        {**columns, "id": row.public_id, "subject_id": subject_id, "taken_at": instant_of(row)}
    )


def _matching(statement: Any, given: Mapping[str, Any]) -> Any:
    columns = {**given}
    subject_id = columns.pop("subject_id", None)
    if subject_id is not None:
        statement = statement.where(Subject.public_id == subject_id)
    for name, value in columns.items():
        if value is not None:
            statement = statement.where(getattr(ControlMeasurement, name) == value)
    return statement


def listed(
    session: Session, given: Mapping[str, Any], *, after: int | None, limit: int
) -> list[tuple[ControlMeasurement, str]]:
    """Measurements in the order they were stored, one more than `limit` where there are more."""
    statement = (
        sa.select(ControlMeasurement, Subject.public_id)
        .join(Subject, Subject.id == ControlMeasurement.subject_id)
        .order_by(ControlMeasurement.id)
        .limit(limit + 1)
    )
    if after is not None:
        statement = statement.where(ControlMeasurement.id > after)
    return [(row[0], row[1]) for row in session.execute(_matching(statement, given))]


def in_time(session: Session, given: Mapping[str, Any]) -> list[tuple[ControlMeasurement, str]]:
    """All measurements that match, in the order of time."""
    statement = (
        sa.select(ControlMeasurement, Subject.public_id)
        .join(Subject, Subject.id == ControlMeasurement.subject_id)
        .order_by(ControlMeasurement.taken_at, ControlMeasurement.id)
    )
    return [(row[0], row[1]) for row in session.execute(_matching(statement, given))]


@dataclass(frozen=True, slots=True)
class Reading:
    """A calibration reading of a test.

    Attributes
    ----------
    device : str or None
        Its own, else the analyser of its test.
    when, kind, expected, measured, unit, seq
        As entered.
    test_id : str
    on : date
        Of the test.
    """

    device: str | None
    when: str
    kind: str
    expected: float
    measured: float
    unit: str
    seq: int
    test_id: str
    on: dt.date


def calibrations(session: Session, *, device: str | None = None, kind: str | None = None) -> list[Reading]:
    """Calibration readings of tests that are not void, in the order of time."""
    own = sa.func.coalesce(Calibration.device, ExerciseTest.analyser)
    statement = (
        sa.select(
            own,
            Calibration.moment,
            Calibration.kind,
            Calibration.expected,
            Calibration.measured,
            Calibration.unit,
            Calibration.seq,
            ExerciseTest.public_id,
            Visit.started_at,
            Visit.utc_offset_minutes,
        )
        .join(ExerciseTest, ExerciseTest.id == Calibration.test_id)
        .join(Visit, Visit.id == ExerciseTest.visit_id)
        .where(ExerciseTest.status != "void")
        .order_by(Visit.started_at, ExerciseTest.started_at, ExerciseTest.id, Calibration.seq)
    )
    if device is not None:
        statement = statement.where(own == device)
    if kind is not None:
        statement = statement.where(Calibration.kind == kind)
    return [
        Reading(
            device=device_of,
            when=when,
            kind=kind_of,
            expected=expected,
            measured=measured,
            unit=unit,
            seq=seq,
            test_id=test_id,
            on=local_date(started_at, offset),
        )
        for device_of, when, kind_of, expected, measured, unit, seq, test_id, started_at, offset in session.execute(
            statement
        )
    ]


def state(session: Session) -> tuple[int, ...]:
    """What changes whenever a control chart may: the counter, and numbers of rows for what an erasure takes away."""
    one = session.execute(
        sa.select(
            sa.select(sa.func.max(Site.control_revision)).scalar_subquery(),
            sa.select(sa.func.count(ControlMeasurement.id)).scalar_subquery(),
            sa.select(sa.func.max(ControlMeasurement.id)).scalar_subquery(),
            sa.select(sa.func.count()).select_from(Calibration).scalar_subquery(),
        )
    ).one()
    return tuple(number or 0 for number in one)


def feeds_charts(session: Session, visit_pk: int | None) -> bool:
    """Whether readings of the tests of a visit stand in a chart of calibrations."""
    reading = sa.exists().where(Calibration.test_id == ExerciseTest.id, ExerciseTest.visit_id == visit_pk)
    return bool(session.scalar(sa.select(reading)))


def devices(session: Session) -> list[str]:
    """Every device that has a control measurement or a calibration reading."""
    own = sa.func.coalesce(Calibration.device, ExerciseTest.analyser)
    readings = (
        sa.select(own)
        .join(ExerciseTest, ExerciseTest.id == Calibration.test_id)
        .where(ExerciseTest.status != "void", own.is_not(None))
    )
    return sorted(session.scalars(sa.union(sa.select(ControlMeasurement.device), readings)))


def events_of_devices(session: Session) -> dict[str, list[dt.date]]:
    """Days of the site's events, by device."""
    rows = session.execute(
        sa.select(Event.device, Event.started_on)
        .where(Event.subject_id.is_(None), Event.device.is_not(None))
        .order_by(Event.started_on)
    )
    answer: dict[str, list[dt.date]] = {}
    for device, day in rows:
        answer.setdefault(str(device), []).append(day)
    return answer


def baselines(session: Session) -> dict[str, BaselineIn]:
    """The stated baselines, by device."""
    stored = site(session).settings.get(_SETTING) or []
    return {one["device"]: BaselineIn.model_validate(one) for one in stored}


def replace_baselines(session: Session, rows: Sequence[BaselineIn]) -> None:
    """Store these baselines in the place of those there are."""
    seen: set[str] = set()
    for place, row in enumerate(rows):
        if row.device in seen:
            message = "comes twice; a device has one baseline"
            raise InvalidContent(
                f"device {message}.", (Place(f"body.{place}.device", message, value=row.device),)
            )
        seen.add(row.device)
    count_change(session)
    kept = session.scalars(sa.select(Site)).one()
    kept.settings = {**kept.settings, _SETTING: [row.model_dump(mode="json") for row in rows]}
    session.flush()
