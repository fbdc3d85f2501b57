"""Changes of events, of a person or of the site."""

from collections.abc import Callable
from typing import Any, TypeVar, get_args

import sqlalchemy as sa

from service.db.models import Event
from service.db.transactions import Claim, Store, Transaction
from service.errors import InvalidContent, Place
from service.events import queries
from service.events.schemas import EventPatch, PersonEventIn, PersonKind, SiteEventIn, SiteKind
from service.subjects.queries import bump

T = TypeVar("T")


def begin(
    transaction: Transaction, subject_pk: int | None, started_on: Any = None, *, expected: int | None = None
) -> None:
    """Count the write first, under the person or the site, and refuse a day before birth."""
    if subject_pk is None:
        queries.count_site_change(transaction.session, expected=expected)
        return
    bump(transaction.session, subject_pk, expected=expected)
    if started_on is not None:
        queries.check_after_birth(transaction.session, subject_pk, started_on)


def change(transaction: Transaction, event: Event, given: EventPatch) -> None:
    """Set what is given.

    Raises
    ------
    InvalidContent
        A kind or a device that does not go with whose event it is, or an end before the begin.
    """
    values = given.model_dump(exclude_unset=True)
    of_site = event.subject_id is None
    kinds = get_args(SiteKind if of_site else PersonKind)
    kind = values.get("kind", event.kind)
    device = values.get("device", event.device)
    started_on, ended_on = (values.get(name, getattr(event, name)) for name in ("started_on", "ended_on"))
    faults = []
    if kind not in kinds:
        faults.append(
            Place(
                "body.kind", f"is one of {', '.join(kinds)} for {'the site' if of_site else 'a person'}", kind
            )
        )
    if not of_site and device is not None:
        faults.append(Place("body.device", "belongs to events of the site", device))
    if of_site and str(kind).startswith("device_") and device is None:
        faults.append(Place("body.device", f"is missing; a {kind} is about one"))
    if ended_on is not None and ended_on < started_on:
        faults.append(Place("body.ended_on", "lies before started_on", str(ended_on)))
    if faults:
        raise InvalidContent(f"{faults[0].location[5:]} {faults[0].message}.", tuple(faults))
    if event.subject_id is not None:
        queries.check_after_birth(transaction.session, event.subject_id, started_on)
    for name, value in values.items():
        setattr(event, name, value)
    transaction.session.flush()


def note_of_person(
    store: Store,
    actor: str,
    subject: tuple[int, str],
    body: PersonEventIn,
    *,
    expected: int | None,
    respond: Callable[[Event], T],
    claim: Claim | None = None,
) -> T:
    """Note what happened to a person.

    Parameters
    ----------
    store, actor
    subject : tuple of int and str
        Internal key and id.
    body : PersonEventIn
    expected : int or None
        State of the record that the event is noted in, or not at all.
    respond : callable
        Takes the new event; makes the answer before the commit.
    claim : Claim, optional

    Raises
    ------
    StaleRevision
    InvalidContent
        A day before the person was born.
    """
    subject_pk, subject_id = subject
    with store.write(actor, claim) as transaction:
        begin(transaction, subject_pk, body.started_on, expected=expected)
        event = queries.add(transaction.session, body, subject_pk)
        transaction.changed(
            "event",
            event.public_id,
            action="created",
            subject_id=subject_id,
            payload={"after": body.model_dump(mode="json")},
        )
        return transaction.answer(respond(event), subject_pk=subject_pk)


def note_of_site(
    store: Store,
    actor: str,
    body: SiteEventIn,
    *,
    respond: Callable[[Event], T],
    claim: Claim | None = None,
) -> T:
    """Note what happened at the site.

    Parameters
    ----------
    store, actor
    body : SiteEventIn
    respond : callable
        Takes the new event; makes the answer before the commit.
    claim : Claim, optional
    """
    with store.write(actor, claim) as transaction:
        begin(transaction, None)
        event = queries.add(transaction.session, body, None)
        transaction.changed(
            "event", event.public_id, action="created", payload={"after": body.model_dump(mode="json")}
        )
        return transaction.answer(respond(event))


def take_away(
    store: Store,
    actor: str,
    event_pk: int,
    subject_pk: int | None,
    subject_id: str | None,
    *,
    expected: int | None,
) -> None:
    """Take an event away that was noted wrongly, of a person or without one of the site; the audit keeps it.

    Raises
    ------
    StaleRevision
    NotFound
        Somebody took it away before.
    """
    with store.write(actor) as transaction:
        begin(transaction, subject_pk, expected=expected)
        event = queries.get(transaction.session, event_pk)
        before = queries.out(event, subject_id).model_dump(mode="json")
        transaction.session.execute(sa.delete(Event).where(Event.id == event_pk))
        transaction.changed(
            "event",
            before["id"],
            action="deleted",
            subject_id=subject_id,
            payload={"before": before},
        )
