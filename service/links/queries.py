"""Reads and writes of links; nothing is committed here."""

from collections.abc import Sequence
from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import ApiKey, ApiKeySubject, ExerciseTest, SignedLink, Subject, Visit
from service.db.transactions import Transaction, now
from service.errors import LinkEnded, NotFound
from service.http.keys import Principal, digest_of
from service.links.schemas import LinkOut


def subject_of(
    session: Session, principal: Principal, *, subject_id: str | None, test_id: str | None
) -> tuple[int, str] | None:
    """Keys, internal and public, of the subject that an address is under; None where the key does not cover it."""
    statement = sa.select(Subject.id, Subject.public_id)
    if test_id is not None:
        statement = (
            statement.join(Visit, Visit.subject_id == Subject.id)
            .join(ExerciseTest, ExerciseTest.visit_id == Visit.id)
            .where(ExerciseTest.public_id == test_id)
        )
    else:
        statement = statement.where(Subject.public_id == subject_id)
    row = session.execute(statement).one_or_none()
    if row is None or not principal.covers_subject(row.id):
        return None
    return row.id, row.public_id


def key_expiry(session: Session, principal: Principal) -> datetime | None:
    """When the key that asks ends by itself."""
    return session.scalar(sa.select(ApiKey.expires_at).where(ApiKey.id == principal.key_id))


def add(
    transaction: Transaction,
    principal: Principal,
    *,
    subject_pk: int,
    subject_id: str,
    address: str,
    token: str,
    expires_at: datetime,
) -> SignedLink:
    """Store a link; of its token only the SHA-256."""
    link = SignedLink(
        digest=digest_of(token),
        subject_id=subject_pk,
        address=address,
        created_by=principal.name,
        created_at=now(),
        expires_at=expires_at,
    )
    transaction.session.add(link)
    transaction.session.flush()
    transaction.changed(
        "link",
        link.public_id,
        action="created",
        subject_id=subject_id,
        payload={"address": address, "expires_at": expires_at.isoformat()},
    )
    return link


def out(link: SignedLink, subject_id: str) -> LinkOut:
    """A link as it goes over the wire."""
    columns = {name: getattr(link, name) for name in LinkOut.model_fields if name not in {"id", "subject_id"}}
    return LinkOut(id=link.public_id, subject_id=subject_id, **columns)


def listed(
    session: Session, principal: Principal, *, after: int | None, limit: int
) -> Sequence[tuple[SignedLink, str]]:
    """Links of this key, or every one for an admin, with the ids of their subjects; one more than `limit`."""
    statement = (
        sa.select(SignedLink, Subject.public_id)
        .join(Subject, Subject.id == SignedLink.subject_id)
        .order_by(SignedLink.id)
        .limit(limit + 1)
    )
    if principal.scope != "admin":
        statement = statement.where(SignedLink.created_by == principal.name)
    if after is not None:
        statement = statement.where(SignedLink.id > after)
    return [(link, subject_id) for link, subject_id in session.execute(statement)]


def revoke(transaction: Transaction, principal: Principal, link_id: str) -> None:
    """End a link, at once.

    Raises
    ------
    NotFound
        There is none, or it is another key's and this one is no admin's.
    """
    session = transaction.session
    row = session.execute(
        sa.select(SignedLink, Subject.public_id)
        .join(Subject, Subject.id == SignedLink.subject_id)
        .where(SignedLink.public_id == link_id)
    ).one_or_none()
    if row is None or (principal.scope != "admin" and row.SignedLink.created_by != principal.name):
        raise NotFound("There is no such link, or another key made it.")
    if row.SignedLink.revoked_at is None:
        row.SignedLink.revoked_at = now()
        session.flush()
        transaction.changed("link", link_id, action="deleted", subject_id=row.public_id)


def find(session: Session, token: str) -> SignedLink:
    """The link with this token, if it still works.

    A link lends what its key may see, so it ends with the key: where that was revoked, has expired, or no longer covers
    the subject.

    Raises
    ------
    NotFound
        There is none.
    LinkEnded
        It has expired or was revoked, by itself or with its key.
    """
    link = session.scalars(sa.select(SignedLink).where(SignedLink.digest == digest_of(token))).one_or_none()
    if link is None:
        raise NotFound("There is no such link.")
    if link.revoked_at is not None or link.expires_at <= now() or not _key_still_covers(session, link):
        raise LinkEnded(
            "This link has ended: it expired, or whoever made it took it back. Ask for a new one."
        )
    return link


def _key_still_covers(session: Session, link: SignedLink) -> bool:
    key = session.scalars(sa.select(ApiKey).where(ApiKey.name == link.created_by)).one_or_none()
    if key is None or key.revoked_at is not None or (key.expires_at is not None and key.expires_at <= now()):
        return False
    own = sa.select(ApiKeySubject.subject_id).where(
        ApiKeySubject.api_key_id == key.id, ApiKeySubject.subject_id == link.subject_id
    )
    return key.all_subjects or session.scalar(own) is not None
