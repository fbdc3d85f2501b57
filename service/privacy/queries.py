"""Reads and writes of a person's rights. What is under a person is found in the models, so that no table is forgotten."""

from collections.abc import Iterator, Sequence
from datetime import date, datetime, timedelta
from functools import cache
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import (
    Base,
    Change,
    ChangePayload,
    Consent,
    ControlMeasurement,
    Restriction,
    Subject,
    Visit,
)
from service.db.transactions import now
from service.errors import Conflict, InvalidContent, Place
from service.privacy.schemas import ConsentIn, ConsentOut, RightsOut

#: Answers kept for repeated requests: they repeat what the other tables hold, for a day.
_REPEATED = "idempotency"
_RESTRICTED = "The data are restricted: they are kept, and used for nothing else."
_WITHDRAWN = "Consent to research was withdrawn."


@cache
def paths_to_a_person() -> dict[str, tuple[sa.ForeignKey, ...]]:
    """For each table under a person the foreign keys that lead to `subject`, nearest table first.

    Worked out from the models: a new table is in it by its foreign key.
    """
    paths: dict[str, tuple[sa.ForeignKey, ...]] = {Subject.__tablename__: ()}
    found = True
    while found:
        found = False
        for table in Base.metadata.sorted_tables:
            if table.name in paths:
                continue
            for key in sorted(table.foreign_keys, key=lambda one: one.parent.nullable or False):
                parent = key.column.table.name
                if parent != table.name and parent in paths:
                    paths[table.name] = (key, *paths[parent])
                    found = True
                    break
    return paths


def rows_of(session: Session, subject_pk: int) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """Every row under a person, table by table, with the names of the database.

    Yields
    ------
    tuple of str and list of dict
        Name of the table and its rows, also where there are none.
    """
    for name, path in paths_to_a_person().items():
        if name == _REPEATED:
            continue
        statement = _under(sa.select(Base.metadata.tables[name]), path, subject_pk)
        yield name, [dict(row) for row in session.execute(statement).mappings()]


def counts_of(session: Session, subject_pk: int) -> dict[str, int]:
    """How many rows there are under a person, by table."""
    counts = {}
    for name, path in paths_to_a_person().items():
        table = Base.metadata.tables[name]
        statement = _under(sa.select(sa.func.count()).select_from(table), path, subject_pk)
        if count := session.scalar(statement):
            counts[name] = count
    return counts


def _under(statement: sa.Select[Any], path: Sequence[sa.ForeignKey], subject_pk: int) -> sa.Select[Any]:
    if not path:
        return statement.where(Subject.id == subject_pk)
    for key in path[:-1]:
        statement = statement.join(key.column.table, key.parent == key.column)
    return statement.where(path[-1].parent == subject_pk)


def audit_of(session: Session, subject_id: str) -> list[dict[str, Any]]:
    """Every entry of the audit about a person, with its content as it is kept."""
    rows = session.execute(
        sa.select(Change, ChangePayload.payload)
        .outerjoin(ChangePayload, ChangePayload.seq == Change.seq)
        .where(Change.subject_id == subject_id)
        .order_by(Change.seq)
    )
    return [
        {
            "seq": change.seq,
            "at": change.at,
            "actor": change.actor,
            "kind": change.kind,
            "id": change.id,
            "action": change.action,
            "content": payload,
        }
        for change, payload in rows
    ]


def empty_audit_of(session: Session, subject_id: str) -> int:
    """Empty the content and the salt of every entry about a person; entries, digests and so the chain stay."""
    of_person = sa.select(Change.seq).where(Change.subject_id == subject_id)
    emptied = session.execute(
        sa.update(ChangePayload)
        .where(ChangePayload.seq.in_(of_person), ChangePayload.salt != "")
        .values(salt="", payload="")
    )
    return int(emptied.rowcount)  # type: ignore[attr-defined] # an update's result has it


def feeds_control_charts(session: Session, subject_pk: int) -> bool:
    """Whether control charts rest on measurements of this person."""
    own = sa.select(ControlMeasurement.id).where(ControlMeasurement.subject_id == subject_pk).limit(1)
    return session.scalar(own) is not None


def give_consent(session: Session, subject_pk: int, body: ConsentIn) -> Consent:
    """Note a consent, or the end of the one that stands.

    Raises
    ------
    InvalidContent
        Neither an instant of giving nor one of withdrawing; or withdrawn before it was given.
    Conflict
        There is no consent to withdraw, or one to this purpose stands already.
    """
    standing = session.scalars(
        sa.select(Consent).where(
            Consent.subject_id == subject_pk, Consent.purpose == body.purpose, Consent.withdrawn_at.is_(None)
        )
    ).one_or_none()
    if body.given_at is None and body.withdrawn_at is None:
        message = "is needed, or withdrawn_at"
        raise InvalidContent(f"given_at {message}.", (Place("body.given_at", message),))
    if body.given_at is not None:
        if standing is not None:
            message = (
                f"a consent to {body.purpose} stands since {standing.given_at.date()}; withdraw it first"
            )
            raise Conflict(message.capitalize() + ".", (Place("body.purpose", message),))
        standing = Consent(
            subject_id=subject_pk, purpose=body.purpose, given_at=body.given_at, note=body.note
        )
        session.add(standing)
    if standing is None:
        message = f"no consent to {body.purpose} stands"
        raise Conflict(message.capitalize() + ".", (Place("body.purpose", message),))
    if body.withdrawn_at is not None:
        if body.withdrawn_at < standing.given_at:
            message = "lies before the consent was given"
            raise InvalidContent(f"withdrawn_at {message}.", (Place("body.withdrawn_at", message),))
        standing.withdrawn_at = body.withdrawn_at
        standing.note = body.note or standing.note
    session.flush()
    return standing


def restrict(session: Session, subject_pk: int, *, by: str, reason: str) -> None:
    """Keep the data and use them for nothing else; a restriction that stands is told anew."""
    lift(session, subject_pk)
    session.add(Restriction(subject_id=subject_pk, at=now(), by=by, reason=reason))
    session.flush()


def lift(session: Session, subject_pk: int) -> None:
    """Take a restriction away."""
    session.execute(sa.delete(Restriction).where(Restriction.subject_id == subject_pk))


def rights_of(session: Session, subject_pk: int, subject_id: str) -> RightsOut:
    """What stands of a person's consents and restriction."""
    restriction = session.get(Restriction, subject_pk, populate_existing=True)
    consents = session.scalars(
        sa.select(Consent).where(Consent.subject_id == subject_pk).order_by(Consent.given_at, Consent.id)
    )
    return RightsOut(
        subject_id=subject_id,
        restricted=restriction is not None,
        restricted_at=restriction.at if restriction else None,
        restricted_by=restriction.by if restriction else None,
        reason=restriction.reason if restriction else None,
        left_out_of_exports=left_out(session, [subject_pk]).get(subject_pk),
        consents=[
            ConsentOut(
                id=one.public_id,
                purpose=one.purpose,
                given_at=one.given_at,
                withdrawn_at=one.withdrawn_at,
                note=one.note,
            )
            for one in consents
        ],
    )


def left_out(session: Session, people: Sequence[int]) -> dict[int, str]:
    """Of these people those whose data go into no export, with the reason."""
    wanted = set(people)
    answer: dict[int, str] = {}
    # The last word about research counts: a consent given anew after a withdrawal stands.
    for subject_pk, withdrawn_at in session.execute(
        sa.select(Consent.subject_id, Consent.withdrawn_at)
        .where(Consent.purpose == "research")
        .order_by(Consent.given_at, Consent.id)
    ):
        if subject_pk in wanted:
            answer.pop(subject_pk, None)
            if withdrawn_at is not None:
                answer[subject_pk] = _WITHDRAWN
    for subject_pk in session.scalars(sa.select(Restriction.subject_id)):
        if subject_pk in wanted:
            answer[subject_pk] = _RESTRICTED
    return answer


def last_kept_before(session: Session, day: date) -> list[tuple[int, str, str, datetime]]:
    """People whose last visit (without one, whose entry) was before a day.

    Returns
    -------
    list of tuple
        Internal key, id, code, and the instant, the longest ago first.
    """
    last = sa.func.coalesce(sa.func.max(Visit.started_at), Subject.created_at)
    rows = session.execute(
        sa.select(Subject.id, Subject.public_id, Subject.code, last)
        .outerjoin(Visit, Visit.subject_id == Subject.id)
        .group_by(Subject.id, Subject.public_id, Subject.code, Subject.created_at)
        .having(last < datetime.combine(day, datetime.min.time(), tzinfo=now().tzinfo))
        .order_by(last)
    )
    return [(pk, subject_id, code, at) for pk, subject_id, code, at in rows]


def first_day_to_keep(years: int, today: date) -> date:
    """Data whose last visit is before this day are due."""
    try:
        return today.replace(year=today.year - years)
    except ValueError:  # 29 February
        return today.replace(year=today.year - years, day=28) + timedelta(days=1)
