"""Keys, sessions, sizes and rates, decided before a body is read.

These are ASGI middleware and not dependencies: dependencies run after the body was read.
"""

import contextlib
import hashlib
import hmac
import json
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from http.cookies import CookieError, SimpleCookie
from typing import Any, Literal
from urllib.parse import quote, urlsplit

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session
from starlette.datastructures import Headers
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.db.faults import unavailable_for
from service.db.models import ApiKey, ApiKeySubject, WebSession
from service.db.transactions import Store, now
from service.db.types import Instant
from service.errors import (
    Forbidden,
    InvalidContent,
    NotFound,
    Place,
    TooLarge,
    TooManyRequests,
    Unauthenticated,
    UpslopeError,
)
from service.http.problems import problem_of
from service.http.reading import promptly
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

    def covers_subject(self, subject_pk: int | None) -> bool:
        """Whether this key reaches the subject; what is under none is for keys without a limit."""
        return self.subject_ids is None or subject_pk in self.subject_ids

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


_OF_KEY = sa.select(
    ApiKey.id,
    ApiKey.name,
    ApiKey.scope,
    ApiKey.identity,
    ApiKey.all_subjects,
).where(
    ApiKey.revoked_at.is_(None),
    sa.or_(ApiKey.expires_at.is_(None), ApiKey.expires_at > sa.bindparam("at", type_=Instant)),
)
#: Whose key this is; after a rotation the one before works for a while.
_BY_KEY = _OF_KEY.where(
    sa.or_(
        ApiKey.digest == sa.bindparam("digest"),
        sa.and_(
            ApiKey.previous_digest == sa.bindparam("digest"),
            ApiKey.previous_until > sa.bindparam("at", type_=Instant),
        ),
    )
)
_BY_SESSION = _OF_KEY.where(
    ApiKey.id.in_(
        sa.select(WebSession.api_key_id).where(
            WebSession.digest == sa.bindparam("digest"),
            WebSession.expires_at > sa.bindparam("at", type_=Instant),
        )
    )
)
_COVERED = sa.select(ApiKeySubject.subject_id).where(ApiKeySubject.api_key_id == sa.bindparam("api_key_id"))


def find_principal(connection: Session | sa.Connection, key: str) -> Principal | None:
    """Whose key this is; None where it is unknown, expired or revoked."""
    return _principal(connection, _BY_KEY, key)


def find_signed_in(connection: Session | sa.Connection, token: str) -> Principal | None:
    """Who signed in to this session; None where it has ended, or its key has expired or was revoked."""
    return _principal(connection, _BY_SESSION, token)


def _principal(
    connection: Session | sa.Connection, statement: sa.Select[*tuple[Any, ...]], secret: str
) -> Principal | None:
    row = connection.execute(statement, {"digest": digest_of(secret), "at": now()}).one_or_none()
    if row is None:
        return None
    subjects: frozenset[int] | None = None
    if not row.all_subjects:
        subjects = frozenset(connection.scalars(_COVERED, {"api_key_id": row.id}))
    return Principal(row.id, row.name, row.scope, row.identity, subjects)


#: The cookie of a browser that signed in.
SESSION_COOKIE = "upslope_session"


def form_token_of(session_token: str) -> str:
    """What a form of a signed-in browser must carry: a page of another site cannot know it."""
    return hmac.new(session_token.encode(), b"form", hashlib.sha256).hexdigest()


def session_token_of(scope: Scope) -> str | None:
    """The session cookie of a request."""
    with contextlib.suppress(CookieError):
        morsel = SimpleCookie(Headers(scope=scope).get("cookie", "")).get(SESSION_COOKIE)
        return morsel.value if morsel is not None else None
    return None


def bearer_key_of(scope: Scope) -> str | None:
    """The key that a request was sent with."""
    kind, _, key = Headers(scope=scope).get("authorization", "").partition(" ")
    return key.strip() or None if kind.lower() == "bearer" else None


def from_this_site(scope: Scope) -> bool:
    """Whether the browser says that a page of this service asked; without its word the Origin decides."""
    headers = Headers(scope=scope)
    told = headers.get("sec-fetch-site")
    if told is not None:
        return told in {"same-origin", "none"}
    origin = headers.get("origin")
    return origin is None or urlsplit(origin).netloc == headers.get("host", "")


class LastUse:
    """When each key was last used: remembered here and written down now and then, so that no reading waits for a write."""

    def __init__(self) -> None:
        self._at: dict[int, datetime] = {}
        self._lock = threading.Lock()

    def note(self, key_id: int) -> None:
        """The key was used now."""
        with self._lock:
            self._at[key_id] = now()

    def write_down(self, store: Store) -> None:
        """Put what was noted since the last time into the record."""
        with self._lock:
            noted, self._at = self._at, {}
        if not noted:
            return
        with store.write("service") as transaction:
            for key_id, at in sorted(noted.items()):
                later = sa.or_(ApiKey.last_used_at.is_(None), ApiKey.last_used_at < at)
                transaction.session.execute(
                    sa.update(ApiKey).where(ApiKey.id == key_id, later).values(last_used_at=at)
                )


class PerMinute:
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
    """Finds the principal of every request that needs one; 401 and 429 before the body is read.

    Under /v1 that is a key, or the session of a browser that signed in; a page without a session leads to the
    page to sign in.

    Parameters
    ----------
    app : ASGIApp
    settings : Settings
    pages : tuple of str
        First parts of the addresses of pages that need a session.
    failures : PerMinute
        Counts refused keys by address, those of the page to sign in too.
    last_use : LastUse
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        settings: Settings,
        failures: "PerMinute",
        last_use: LastUse,
        pages: tuple[str, ...] = (),
    ) -> None:
        self.app = app
        self.settings = settings
        self.failures = failures
        self.last_use = last_use
        self.pages = pages
        self.requests = PerMinute(settings.requests_per_minute)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what has a key or a session, or needs none."""
        if scope["type"] != "http" or scope["method"] == "OPTIONS":
            await self.app(scope, receive, send)
            return
        first = _first_part(scope)
        answer: Response | None = None
        try:
            _refuse_null_character(scope)
            if first in {"/v1", "/metrics"}:
                scope.setdefault("state", {}).update(await self._of_interface(scope))
            elif first in self.pages:
                state = await self._signed_in(scope)
                if state is None:
                    answer = self._to_sign_in(scope)
                scope.setdefault("state", {}).update(state or {})
        except UpslopeError as error:
            answer = problem_of(error, base_url=self.settings.base_url, instance=scope["path"])
        except DBAPIError as error:
            if (unavailable := unavailable_for(error)) is None:
                raise
            answer = problem_of(unavailable, base_url=self.settings.base_url, instance=scope["path"])
        await (answer or self.app)(scope, receive, send)

    async def _of_interface(self, scope: Scope) -> dict[str, Any]:
        headers = Headers(scope=scope)
        if "authorization" not in headers and session_token_of(scope) is not None:
            state = await self._signed_in(scope)
            if state is not None:
                token = headers.get("x-form-token", "")
                if scope["method"] not in {"GET", "HEAD"} and not hmac.compare_digest(
                    token.encode(), state["form_token"].encode()
                ):
                    raise Forbidden(
                        "A write by a signed-in browser needs the header X-Form-Token of its page."
                    )
                return state
        return {"principal": await self._principal(scope)}

    async def _signed_in(self, scope: Scope) -> dict[str, Any] | None:
        """Who signed in, and the token that forms of the session must carry."""
        token = session_token_of(scope)
        if token is None:
            return None
        found = await promptly(scope["app"].state.store, lambda connection: find_signed_in(connection, token))
        if found is None:
            return None
        self.last_use.note(found.key_id)
        if scope["method"] not in {"GET", "HEAD"} and not from_this_site(scope):
            raise Forbidden("A page of another site asked for this; nothing was done.")
        return {"principal": found, "form_token": form_token_of(token)}

    @staticmethod
    def _to_sign_in(scope: Scope) -> Response:
        query = scope["query_string"].decode("latin-1")
        wanted = scope["path"] + (f"?{query}" if query else "")
        back = f"?next={quote(wanted, safe='')}" if scope["method"] in {"GET", "HEAD"} else ""
        return RedirectResponse(f"/sign-in{back}", status_code=303, headers={"Cache-Control": "no-store"})

    async def _principal(self, scope: Scope) -> Principal:
        key = bearer_key_of(scope)
        found = None
        if key is not None:
            found = await promptly(
                scope["app"].state.store, lambda connection: find_principal(connection, key)
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
        self.last_use.note(found.key_id)
        if self.requests.limit and (wait := self.requests.over(found.name)) is not None:
            raise TooManyRequests(
                "This key has asked too often in the last minute; wait a little.",
                extra={"retry_after_s": wait},
            )
        return found


def _refuse_null_character(scope: Scope) -> None:
    """No text of the record has a null character, and PostgreSQL cannot even be asked for one."""
    if "\x00" in scope["path"]:
        raise NotFound("There is nothing at this address: no address has a null character.")
    if b"%00" in scope["query_string"]:
        message = "has a null character, which no text of the record has"
        raise InvalidContent(f"The query {message}.", (Place("query", message),))


class BodyLimitMiddleware:
    """Refuses (413) a body that is too large: by its header before it is read, else while it is read.

    Parameters
    ----------
    app : ASGIApp
    settings : Settings
    pages : tuple of str
        First parts of the addresses of pages, where a person reads the refusal.
    page_of : callable, optional
        Makes the page of a refusal.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        settings: Settings,
        pages: tuple[str, ...] = (),
        page_of: Callable[[Scope, UpslopeError], Response] | None = None,
    ) -> None:
        self.app = app
        self.settings = settings
        self.pages = pages
        self.page_of = page_of

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
        error = TooLarge(f"The body is larger than the {mib} MiB this service accepts.")
        page_of = self.page_of if _first_part(scope) in self.pages else None
        read, more = 0, True

        async def refuse() -> None:
            if page_of is None:
                refusal: Response = problem_of(error, base_url=self.settings.base_url, instance=scope["path"])
            else:
                if more:
                    await _let_pass(receive, _WAITED_FOR * limit)
                refusal = page_of(scope, error)
            await refusal(scope, receive, send)

        declared = headers.get("content-length", "")
        if declared.isdigit() and int(declared) > limit:
            await refuse()
            return

        async def counted() -> Message:
            nonlocal read, more
            message = await receive()
            more = bool(message.get("more_body", False))
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
            await refuse()


#: So many times what is accepted is let pass before a page is answered.
_WAITED_FOR = 20


async def _let_pass(receive: Receive, most: int) -> None:
    """Take in the rest of a body and keep nothing: a browser shows an answer only once it has sent all."""
    taken = 0
    while taken <= most:
        message = await receive()
        taken += len(message.get("body", b""))
        if message["type"] != "http.request" or not message.get("more_body", False):
            return


def _first_part(scope: Scope) -> str:
    """The first part of an address, with its slash."""
    return "/" + scope["path"].split("/", 2)[1] if scope["path"].startswith("/") else ""


class _BodyTooLargeError(Exception):
    pass


def json_bytes(value: object) -> bytes:
    """Compact JSON; NaN is a fault of ours and fails."""
    return json.dumps(value, allow_nan=False, separators=(",", ":"), ensure_ascii=False, default=str).encode()
