"""Idempotency-Key: the first answer again, for the same content under the same key.

The claim is inserted at the start of the write transaction and the answer stored before its commit: a
second request waits for the first, and a crash between the two leaves neither.
"""

import hashlib
import re
from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Header, Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from service.db.models import Idempotency
from service.db.transactions import Store, now
from service.errors import InvalidContent, KeyReused, Place
from service.http.keys import json_bytes


class Replayed(Exception):
    """The request was answered before."""

    def __init__(self, response: Response) -> None:
        super().__init__("answered before")
        self.response = response


_KEY = re.compile(r'"([\x20\x21\x23-\x5b\x5d-\x7e]{1,200})"|([\x21\x23-\x7e]{1,200})')


@dataclass(frozen=True, slots=True)
class Once:
    """The Idempotency-Key of a request; `key` is None where there was none."""

    api_key_id: int
    key: str | None
    method: str
    path: str
    hours: int

    def claim(self, store: Store, *content: Any) -> "Claim":
        """A claim for this content; answers at once where the first answer is known.

        Parameters
        ----------
        content : JSON values or bytes
            Parsed fields and file bytes.

        Raises
        ------
        Replayed
            With the first answer.
        KeyReused
            The key was used for other content.
        """
        digest = hashlib.sha256(f"{self.method} {self.path}".encode())
        for part in content:
            digest.update(b"\n")
            digest.update(part if isinstance(part, bytes) else json_bytes(part))
        claim = Claim(self, digest.hexdigest())
        if self.key is not None:
            with store.read() as session:
                claim.replay(session)
        return claim


@dataclass(frozen=True, slots=True)
class Claim:
    """The right to answer first."""

    once: Once
    fingerprint: str

    def _row(self) -> sa.ColumnElement[bool]:
        return sa.and_(Idempotency.api_key_id == self.once.api_key_id, Idempotency.key == self.once.key)

    def replay(self, session: Session) -> None:
        """Raise the first answer where there is one."""
        row = session.scalars(sa.select(Idempotency).where(self._row())).one_or_none()
        if row is None or row.created_at < now() - timedelta(hours=self.once.hours):
            return
        if row.fingerprint != self.fingerprint:
            message = "was used for other content; use a new key for a new request"
            raise KeyReused(f"This Idempotency-Key {message}.", (Place("header.Idempotency-Key", message),))
        headers = {"Idempotent-Replayed": "true"}
        if row.location is not None:
            headers["Location"] = row.location
        raise Replayed(
            Response(row.body, status_code=row.status, media_type="application/json", headers=headers)
        )

    def open(self, session: Session) -> None:
        """Take the claim inside the write transaction; waits for, and then repeats, a first request."""
        if self.once.key is None:
            return
        self.replay(session)
        session.execute(
            sa.delete(Idempotency).where(Idempotency.created_at < now() - timedelta(hours=self.once.hours))
        )
        values = {
            "api_key_id": self.once.api_key_id,
            "key": self.once.key,
            "fingerprint": self.fingerprint,
            "status": 0,
            "body": "",
            "created_at": now(),
        }
        try:
            with session.begin_nested():
                session.execute(sa.insert(Idempotency).values(values))
        except sa.exc.IntegrityError:
            self.replay(session)
            raise

    def close(self, session: Session, response: Response, subject_pk: int | None) -> None:
        """Store the answer before the commit."""
        if self.once.key is None:
            return
        session.execute(
            sa.update(Idempotency)
            .where(self._row())
            .values(
                status=response.status_code,
                location=response.headers.get("location"),
                body=bytes(response.body).decode(),
                subject_id=subject_pk,
            )
        )


async def _once(
    request: Request,
    idempotency_key: Annotated[
        str | None, Header(description="The same request again gives its first answer again, for 24 hours.")
    ] = None,
) -> Once:
    key = None
    if idempotency_key is not None:
        match = _KEY.fullmatch(idempotency_key.strip())
        if match is None:
            message = "must be 1 to 200 printable characters, quoted or bare"
            raise InvalidContent(f"Idempotency-Key {message}", (Place("header.Idempotency-Key", message),))
        key = match.group(1) or match.group(2)
    store: Store = request.app.state.store
    return Once(
        request.scope["state"]["principal"].key_id,
        key,
        request.method,
        str(request.url.path) + ("?" + request.url.query if request.url.query else ""),
        store.settings.idempotency_hours,
    )


OnceDependency = Annotated[Once, Depends(_once)]
