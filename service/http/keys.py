"""Keys, sizes and rates, decided before a body is read.

These are ASGI middleware and not dependencies: dependencies run after the body was read.
"""

import contextlib
import hashlib
import json
import secrets
import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import Literal

import sqlalchemy as sa
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.db.models import ApiKey, ApiKeySubject
from service.db.transactions import Store, now
from service.errors import TooLarge, TooManyRequests, Unauthenticated, UpslopeError
from service.http.problems import problem_of
from service.settings import Settings

KeyScope = Literal["reader", "tester", "admin"]
_RANK: dict[KeyScope, int] = {"reader": 0, "tester": 1, "admin": 2}


@dataclass(frozen=True, slots=True)
class Principal:
    """Who asks.

    Attributes
    ----------
    key_id : int
    name : str
    scope : {"reader", "tester", "admin"}
    identity : bool
        Whether names may be seen.
    subject_ids : frozenset of int, optional
        Internal ids of the subjects the key is limited to; None is no limit.
    """

    key_id: int
    name: str
    scope: KeyScope
    identity: bool
    subject_ids: frozenset[int] | None

    def covers(self, scope: KeyScope) -> bool:
        """Whether this key may do what `scope` may."""
        return _RANK[self.scope] >= _RANK[scope]

    @property
    def sees_identity(self) -> bool:
        """Whether names and birth dates may be shown."""
        return self.identity or self.scope != "reader"


def new_key() -> str:
    """A key of 256 bits."""
    return f"ups_{secrets.token_urlsafe(32)}"


def digest_of(key: str) -> str:
    """What is stored of a key: with 256 random bits a plain SHA-256 cannot be searched."""
    return hashlib.sha256(key.encode()).hexdigest()


def find_principal(session: Session, key: str) -> Principal | None:
    """Whose key this is; None where it is unknown, expired or revoked."""
    row = session.execute(
        sa.select(ApiKey.id, ApiKey.name, ApiKey.scope, ApiKey.identity, ApiKey.all_subjects).where(
            ApiKey.digest == digest_of(key),
            ApiKey.revoked_at.is_(None),
            sa.or_(ApiKey.expires_at.is_(None), ApiKey.expires_at > now()),
        )
    ).one_or_none()
    if row is None:
        return None
    subjects: frozenset[int] | None = None
    if not row.all_subjects:
        subjects = frozenset(
            session.scalars(sa.select(ApiKeySubject.subject_id).where(ApiKeySubject.api_key_id == row.id))
        )
    return Principal(row.id, row.name, row.scope, row.identity, subjects)


class _Minute:
    """Counts events of the last 60 s by name."""

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self._events: dict[str, deque[float]] = {}
        self._lock = threading.Lock()

    def over(self, name: str) -> int | None:
        """Count one event; the seconds to wait where there were too many."""
        at = time.monotonic()
        with self._lock:
            if len(self._events) > 10_000:  # addresses without end must not fill the memory
                self._events = {
                    known: events for known, events in self._events.items() if events and events[-1] > at - 60
                }
            events = self._events.setdefault(name, deque())
            while events and events[0] <= at - 60:
                events.popleft()
            if len(events) >= self.limit:
                return max(1, int(events[0] + 60 - at) + 1)
            events.append(at)
            return None


class KeyMiddleware:
    """Finds the principal of every request under /v1; 401 and 429 before the body is read."""

    def __init__(self, app: ASGIApp, *, settings: Settings) -> None:
        self.app = app
        self.settings = settings
        self.failures = _Minute(settings.auth_failures_per_minute)
        self.requests = _Minute(settings.requests_per_minute)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what has a key or needs none."""
        guarded = scope["type"] == "http" and (
            scope["path"].startswith("/v1/") or scope["path"] in {"/v1", "/metrics"}
        )
        if not guarded or scope["method"] == "OPTIONS":
            await self.app(scope, receive, send)
            return
        try:
            scope.setdefault("state", {})["principal"] = await self._principal(scope)
        except UpslopeError as error:
            answer = problem_of(error, base_url=self.settings.base_url, instance=scope["path"])
            await answer(scope, receive, send)
            return
        await self.app(scope, receive, send)

    async def _principal(self, scope: Scope) -> Principal:
        kind, _, key = Headers(scope=scope).get("authorization", "").partition(" ")
        key = key.strip()
        found = (
            await run_in_threadpool(self._find, scope["app"].state.store, key)
            if kind.lower() == "bearer" and key
            else None
        )
        if found is None:
            address = scope["client"][0] if scope.get("client") else "unknown"
            if (wait := self.failures.over(address)) is not None:
                raise TooManyRequests(
                    "Too many refused keys from this address; wait a little.", extra={"retry_after_s": wait}
                )
            raise Unauthenticated(
                "Send a valid key in the header 'Authorization: Bearer <key>'. 'upslope keys create' makes one."
            )
        if self.requests.limit and (wait := self.requests.over(found.name)) is not None:
            raise TooManyRequests(
                "This key has asked too often in the last minute; wait a little.",
                extra={"retry_after_s": wait},
            )
        return found

    @staticmethod
    def _find(store: Store, key: str) -> Principal | None:
        with store.read() as session:
            return find_principal(session, key)


class BodyLimitMiddleware:
    """Refuses (413) a body that is too large: by its header before it is read, else while it is read."""

    def __init__(self, app: ASGIApp, *, settings: Settings) -> None:
        self.app = app
        self.settings = settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what is small enough."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        upload = headers.get("content-type", "").startswith("multipart/")
        # A multipart body carries its boundaries and the options beside the file.
        mib = self.settings.max_upload_mib + 1 if upload else self.settings.max_body_mib
        limit = mib * 1024 * 1024
        refusal = problem_of(
            TooLarge(f"The body is larger than the {mib} MiB this service accepts."),
            base_url=self.settings.base_url,
            instance=scope["path"],
        )
        declared = headers.get("content-length", "")
        if declared.isdigit() and int(declared) > limit:
            await refusal(scope, receive, send)
            return

        read = 0

        async def counted() -> Message:
            nonlocal read
            message = await receive()
            if message["type"] == "http.request":
                read += len(message.get("body", b""))
                if read > limit:
                    raise _BodyTooLargeError
            return message

        async def watched(message: Message) -> None:
            # Whoever reads the body may turn the exception into an answer of its own.
            if read <= limit:
                await send(message)

        with contextlib.suppress(_BodyTooLargeError):
            await self.app(scope, counted, watched)
        if read > limit:
            await refusal(scope, receive, send)


class _BodyTooLargeError(Exception):
    pass


def json_bytes(value: object) -> bytes:
    """Compact JSON; NaN is a fault of ours and fails."""
    return json.dumps(value, allow_nan=False, separators=(",", ":"), ensure_ascii=False, default=str).encode()
