"""Reading and writing: one short write transaction a request, begun as late as possible.

A write transaction remembers what it changed; the change rows are chained and written as the last
statement before the commit, so that the order of `seq` is the order of commits.
"""

import hashlib
import json
import secrets
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Literal, Protocol, TypeVar, cast

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.engine import BEGIN, make_engine
from service.db.models import Change, ChangePayload
from service.errors import StaleRevision
from service.settings import Settings

T = TypeVar("T")
R = TypeVar("R")
Action = Literal["created", "changed", "deleted"]

_CHANGES, _PAYLOADS = (cast("sa.Table", model.__table__) for model in (Change, ChangePayload))
_LAST_HASH = sa.select(Change.hash).order_by(Change.seq.desc()).limit(1)

#: A number of our own for PostgreSQL's advisory lock, held while change rows are written.
_CHANGE_LOCK = 7_516_402


def now() -> datetime:
    """The present instant; the one clock of the service."""
    return datetime.now(UTC)


class Claim(Protocol):
    """The right to be the first to answer a repeated request; `service.http.idempotency` has it."""

    def open(self, session: Session) -> None:
        """Take the claim, or raise the first answer."""

    def close(self, session: Session, response: Any, subject_pk: int | None) -> None:
        """Store the answer."""


class Turn(Protocol):
    """A lock, of the threads of one process or of several processes."""

    def acquire(self) -> bool:
        """Wait for the turn."""

    def release(self) -> None:
        """Give it to the next."""


@dataclass(slots=True)
class Transaction:
    """An open write transaction.

    Attributes
    ----------
    session : Session
    actor : str
        Name of the key, or of the command, that writes.
    claim : Claim, optional
        Of an Idempotency-Key; closed with the answer before the commit.
    before : dict
        What the edit replaces, for the audit: it goes with the next change that is noted.
    """

    session: Session
    actor: str
    claim: Claim | None = None
    before: dict[str, Any] = field(default_factory=dict)
    _changes: list[dict[str, Any]] = field(default_factory=list)

    def changed(
        self,
        kind: str,
        public_id: str,
        *,
        action: Action,
        subject_id: str | None = None,
        payload: dict[str, Any] | None = None,
    ) -> None:
        """Remember one change for the feed and the audit.

        Parameters
        ----------
        kind : str
            ``subject``, ``visit``, ``test``, ``analysis``, ``cohort``, ``norm``, ``protocol``, ``control``, ``key``,
            ``site``, ``backup``.
        public_id : str
        action : {"created", "changed", "deleted"}
        subject_id : str, optional
            Public id of the subject it is under.
        payload : dict, optional
            Before and after, as JSON.
        """
        content = dict(payload or {})
        if self.before:
            content.setdefault("before", self.before)
            self.before = {}
        self._changes.append(
            {
                "kind": kind,
                "id": public_id,
                "action": action,
                "subject_id": subject_id,
                "payload": json.dumps(content, sort_keys=True, default=str),
            }
        )

    def answer(self, response: R, *, subject_pk: int | None = None) -> R:
        """Say what is answered once this is committed; the same answer is kept for a repeated request."""
        if self.claim is not None:
            self.session.flush()
            self.claim.close(self.session, response, subject_pk)
        return response

    def write_changes(self) -> None:
        """Write the remembered changes, chained to the last one stored."""
        if not self._changes:
            return
        session = self.session
        session.flush()
        if session.get_bind().dialect.name == "postgresql":
            session.execute(sa.select(sa.func.pg_advisory_xact_lock(_CHANGE_LOCK)))
        last = session.scalar(_LAST_HASH) or ""
        at = now()
        for change in self._changes:
            payload = change.pop("payload")
            salt = secrets.token_hex(16)
            digest = payload_digest(salt, payload)
            last = chained_hash(last, at=at, actor=self.actor, digest=digest, **change)
            row = {"at": at, "actor": self.actor, "payload_digest": digest, "hash": last, **change}
            seq = session.execute(sa.insert(_CHANGES).returning(_CHANGES.c.seq), row).scalar_one()
            session.execute(sa.insert(_PAYLOADS), {"seq": seq, "salt": salt, "payload": payload})


def payload_digest(salt: str, payload: str) -> str:
    """SHA-256 of salt and payload."""
    return hashlib.sha256(f"{salt}\n{payload}".encode()).hexdigest()


def chained_hash(
    previous: str,
    *,
    at: datetime,
    actor: str,
    kind: str,
    id: str,  # noqa: A002 the column's name
    subject_id: str | None,
    action: str,
    digest: str,
) -> str:
    """SHA-256 of the previous hash, the row and the digest of its payload."""
    row = json.dumps([previous, at.isoformat(), actor, kind, id, subject_id, action, digest])
    return hashlib.sha256(row.encode()).hexdigest()


class Store:
    """The database of one process.

    Parameters
    ----------
    settings : Settings
    writers : Turn, optional
        Where several processes take turns to write; else those of this process do.
    """

    def __init__(self, settings: Settings, *, writers: Turn | None = None) -> None:
        self.settings = settings
        self.write_engine = make_engine(settings)
        self.read_engine = make_engine(settings, read_only=True)
        #: Reads that may not wait for anything, which only SQLite promises.
        self.prompt_engine = (
            None if settings.sqlite_path is None else make_engine(settings, read_only=True, waits=False)
        )
        # Writers queue here, in order, and not by polling the file.
        self._writers = threading.Lock() if writers is None else writers
        self._writing = threading.local()

    def close(self) -> None:
        """Give all connections back."""
        self.write_engine.dispose()
        self.read_engine.dispose()
        if self.prompt_engine is not None:
            self.prompt_engine.dispose()

    @contextmanager
    def read(self) -> Iterator[Session]:
        """A read-only session on one consistent snapshot."""
        with Session(self.read_engine, autoflush=False, expire_on_commit=False) as session:
            yield session

    @contextmanager
    def write(self, actor: str, claim: Claim | None = None) -> Iterator[Transaction]:
        """One write transaction; commits at the end of the block, undoes everything on an exception.

        Raises
        ------
        RuntimeError
            This thread has one open already: it would wait for itself for ever.
        """
        if getattr(self._writing, "open", False):
            raise RuntimeError("A write transaction was begun within another one.")
        sqlite = self.settings.sqlite_path is not None
        if sqlite:
            self._writers.acquire()
        self._writing.open = True
        try:
            engine = self.write_engine.execution_options(**{BEGIN: "IMMEDIATE"})
            with Session(engine, expire_on_commit=False) as session, session.begin():
                transaction = Transaction(session, actor, claim)
                if claim is not None:
                    claim.open(session)
                yield transaction
                transaction.write_changes()
        finally:
            self._writing.open = False
            if sqlite:
                self._writers.release()


def on_fresh_snapshot(attempt: Callable[[], T], *, pinned: bool, tries: int = 8) -> T:
    """Run `attempt` (read a snapshot, compute, write if its revision still stands) until it holds.

    Parameters
    ----------
    attempt : callable
        Raises `StaleRevision` where another writer came between.
    pinned : bool
        Whether the caller named the state it changes: then the first stale answer is the answer.
    tries : int
        After so many the last `StaleRevision` is raised.
    """
    for turn in range(tries):
        try:
            return attempt()
        except StaleRevision:
            if pinned or turn == tries - 1:
                raise
    raise AssertionError
