"""Reads and writes of events; nothing is committed here."""

from collections.abc import Collection, Mapping, Sequence
from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.controls.queries import count_change
from service.db.models import Event, Site, Subject
from service.db.transactions import now
from service.errors import InvalidContent, NotFound, Place, StaleRevision
from service.events.schemas import EventOut, PersonEventIn, SiteEventIn


def get(session: Session, event_pk: int) -> Event:
    """The event with this internal key."""
    found = session.get(Event, event_pk)
    if found is None:
        raise NotFound("The event was deleted in the meantime.")
    return found


def out(event: Event, subject_id: str | None) -> EventOut:
    """An event as it goes over the wire."""
    columns = {
        name: getattr(event, name) for name in EventOut.model_fields if name not in {"id", "subject_id"}
    }
    return EventOut(id=event.public_id, subject_id=subject_id, **columns)


def add(session: Session, given: PersonEventIn | SiteEventIn, subject_pk: int | None) -> Event:
    """Store an event."""
    event = Event(subject_id=subject_pk, created_at=now(), **given.model_dump())
    session.add(event)
    session.flush()
    return event


def check_after_birth(session: Session, subject_pk: int, started_on: date) -> None:
    """Refuse a day before the person was born."""
    subject = session.get(Subject, subject_pk)
    if subject is None:
        return
    born = subject.birth_date or (date(subject.birth_year, 1, 1) if subject.birth_year is not None else None)
    if born is not None and started_on < born:
        message = "lies before the birth of the subject"
        raise InvalidContent(
            f"started_on {message}.", (Place("body.started_on", message, value=started_on.isoformat()),)
        )


def listed(
    session: Session, subject_pk: int | None, *, after: tuple[date, int] | None, limit: int
) -> Sequence[Event]:
    """Events of a subject, or with None of the site, by their begin; one more than `limit` where there are more."""
    whose = Event.subject_id.is_(None) if subject_pk is None else Event.subject_id == subject_pk
    statement = sa.select(Event).where(whose).order_by(Event.started_on, Event.id).limit(limit + 1)
    if after is not None:
        statement = statement.where(sa.tuple_(Event.started_on, Event.id) > sa.tuple_(*after))
    return session.scalars(statement).all()


def count_site_change(session: Session, *, expected: int | None = None) -> None:
    """Count a write of the site's events; control charts rest on them too.

    Raises
    ------
    StaleRevision
        Another came since `expected` was read.
    """
    if expected is not None and expected != (
        session.scalar(sa.select(sa.func.max(Site.control_revision))) or 0
    ):
        raise StaleRevision(
            "The site's events have changed since you read them; read again and repeat your change."
        )
    count_change(session)


def of_trend(
    session: Session, subject_pk: int, *, since: date, until: date | None, devices: Collection[str] | None
) -> list[Mapping[str, Any]]:
    """Events of a person and of the site for a time line, by their begin.

    Parameters
    ----------
    since : date
        Those that ended before are left out.
    until : date, optional
        Those that began after are left out.
    devices : collection of str or None
        The devices that the tests were made with: an event of another device is left out. None where a test does not say.
    """
    statement = (
        sa.select(Event)
        .where(
            sa.or_(Event.subject_id == subject_pk, Event.subject_id.is_(None)),
            sa.func.coalesce(Event.ended_on, Event.started_on) >= since,
        )
        .order_by(Event.started_on, Event.id)
    )
    if until is not None:
        statement = statement.where(Event.started_on <= until)
    return [
        {
            "event_id": event.public_id,
            "of": "site" if event.subject_id is None else "person",
            "kind": event.kind,
            "started_on": event.started_on.isoformat(),
            "ended_on": None if event.ended_on is None else event.ended_on.isoformat(),
            "title": event.title,
            "device": event.device,
        }
        for event in session.scalars(statement)
        if event.device is None or devices is None or event.device in devices
    ]
