"""Reads and writes of keys; nothing is committed here."""

import secrets
from collections.abc import Sequence
from datetime import datetime, timedelta

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import ApiKey, ApiKeySubject, Subject, WebSession
from service.db.transactions import Transaction, now
from service.errors import Conflict, InvalidContent, NotFound, Place
from service.http.keys import KeyScope, Principal, digest_of, new_key
from service.keys.schemas import KeyOut


def make(
    transaction: Transaction,
    *,
    name: str,
    scope: KeyScope,
    subject_codes: Sequence[str] | None = None,
    identity: bool = False,
    expires_at: datetime | None = None,
) -> tuple[ApiKey, str]:
    """Make a key and answer it with its secret, which is not kept.

    Raises
    ------
    Conflict
        A key of this name exists.
    InvalidContent
        A subject that there is not, an expiry in the past, or an admin's key limited to subjects.
    """
    session = transaction.session
    if session.scalar(sa.select(ApiKey.id).where(ApiKey.name == name)) is not None:
        raise Conflict(
            f"There is a key named {name!r}; choose another name.", (Place("name", "is taken", value=name),)
        )
    if expires_at is not None and expires_at <= now():
        raise InvalidContent("The expiry lies in the past.", (Place("expires_at", "lies in the past"),))
    if scope == "admin" and subject_codes is not None:
        message = "cannot be limited to subjects: it concerns the whole record"
        raise InvalidContent(f"A key with the scope 'admin' {message}.", (Place("subject_codes", message),))
    secret = new_key()
    key = ApiKey(
        name=name,
        digest=digest_of(secret),
        scope=scope,
        identity=identity,
        all_subjects=subject_codes is None,
        created_at=now(),
        expires_at=expires_at,
    )
    session.add(key)
    session.flush()
    for code in subject_codes or ():
        subject_pk = session.scalar(sa.select(Subject.id).where(Subject.code == code))
        if subject_pk is None:
            raise InvalidContent(
                f"There is no subject {code!r}.", (Place("subject_codes", "names no subject", value=code),)
            )
        session.add(ApiKeySubject(api_key_id=key.id, subject_id=subject_pk))
    session.flush()
    transaction.changed("key", name, action="created", payload={"scope": scope, "identity": identity})
    return key, secret


def out(session: Session, key: ApiKey) -> KeyOut:
    """A key as it goes over the wire."""
    codes = None
    if not key.all_subjects:
        codes = list(
            session.scalars(
                sa.select(Subject.code)
                .join(ApiKeySubject, ApiKeySubject.subject_id == Subject.id)
                .where(ApiKeySubject.api_key_id == key.id)
                .order_by(Subject.code)
            )
        )
    columns = {name: getattr(key, name) for name in KeyOut.model_fields if hasattr(ApiKey, name)}
    return KeyOut.model_validate({**columns, "subject_codes": codes})


def listed(session: Session) -> list[KeyOut]:
    """Every key, the revoked ones too."""
    return [out(session, key) for key in session.scalars(sa.select(ApiKey).order_by(ApiKey.id))]


def revoke(transaction: Transaction, name: str) -> None:
    """Take a key out of use, at once.

    Raises
    ------
    NotFound
        No such key.
    """
    key = transaction.session.scalars(sa.select(ApiKey).where(ApiKey.name == name)).one_or_none()
    if key is None:
        raise NotFound(f"There is no key named {name[:80]!r}.")
    if key.revoked_at is None:
        key.revoked_at = now()
        transaction.session.flush()
        transaction.changed("key", name, action="deleted")


def rotate(transaction: Transaction, name: str, *, overlap_hours: float) -> tuple[ApiKey, str]:
    """Give a key another secret; the one before works on for a while, or not at all.

    Raises
    ------
    NotFound
        No such key.
    Conflict
        The key was revoked or has expired.
    """
    session = transaction.session
    key = session.scalars(sa.select(ApiKey).where(ApiKey.name == name)).one_or_none()
    if key is None:
        raise NotFound(f"There is no key named {name[:80]!r}.")
    if key.revoked_at is not None or (key.expires_at is not None and key.expires_at <= now()):
        raise Conflict(f"The key {name!r} was revoked or has expired; make a new one.")
    secret = new_key()
    key.previous_digest = key.digest if overlap_hours else None
    key.previous_until = now() + timedelta(hours=overlap_hours) if overlap_hours else None
    key.digest = digest_of(secret)
    if not overlap_hours:
        session.execute(sa.delete(WebSession).where(WebSession.api_key_id == key.id))
    session.flush()
    transaction.changed("key", name, action="changed", payload={"rotated": {"overlap_hours": overlap_hours}})
    return key, secret


def begin_session(transaction: Transaction, principal: Principal, *, hours: float) -> str:
    """Sign a browser in for so many hours; the token is answered once and not kept. Ended sessions are forgotten."""
    session = transaction.session
    session.execute(sa.delete(WebSession).where(WebSession.expires_at <= now()))
    token = secrets.token_urlsafe(32)
    session.add(
        WebSession(
            digest=digest_of(token),
            api_key_id=principal.key_id,
            created_at=now(),
            expires_at=now() + timedelta(hours=hours),
        )
    )
    transaction.changed("session", principal.name, action="created")
    return token


def end_session(transaction: Transaction, principal: Principal, token: str) -> None:
    """Sign a browser out, at once."""
    transaction.session.execute(sa.delete(WebSession).where(WebSession.digest == digest_of(token)))
    transaction.changed("session", principal.name, action="deleted")
