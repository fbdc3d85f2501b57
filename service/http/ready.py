"""Answers kept ready: the same state of the record gives the same bytes, so they are made once.

A strong ETag names one representation of one state (RFC 9110, 8.8.1). An answer that a route lets be kept is held in the
memory of this process under its tag. A later reading finds, by its key and on one snapshot, the state of the record, makes
the tag of it, and sends what is held; a write anywhere under the subject or at the site makes another tag, so nothing has to
be told to be out of date, by whichever process it was written.
"""

from collections import OrderedDict
from dataclasses import dataclass
from typing import Any

from fastapi import Request
from sqlalchemy.exc import DBAPIError
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.db.transactions import Store
from service.http import etags
from service.http.dependencies import SUBJECT_STATE, TEST_STATE, state_found, tag_of
from service.http.keys import Principal

#: The state that an answer rests on, by the part of the address that names the record.
_STATES = {"subjects": SUBJECT_STATE, "tests": TEST_STATE}


@dataclass(frozen=True, slots=True)
class Answer:
    """What was sent."""

    route: Any
    headers: tuple[tuple[bytes, bytes], ...]
    body: bytes

    @property
    def size_bytes(self) -> int:
        """What is held of it."""
        return len(self.body) + sum(len(name) + len(value) for name, value in self.headers)


class ReadyAnswers:
    """The answers that one process holds, the latest used last; used by the event loop alone.

    Parameters
    ----------
    most_bytes : int
        The longest unused go where there would be more.

    Attributes
    ----------
    size_bytes : int
        Of what is held.
    """

    #: One answer takes no more than this part of what is held.
    _LARGEST_PART = 16

    def __init__(self, most_bytes: int) -> None:
        self.most_bytes = most_bytes
        self._held: OrderedDict[str, Answer] = OrderedDict()
        self.size_bytes = 0

    def get(self, tag: str) -> Answer | None:
        """The answer with this tag."""
        found = self._held.get(tag)
        if found is not None:
            self._held.move_to_end(tag)
        return found

    def keep(self, tag: str, answer: Answer) -> None:
        """Hold an answer, unless it is too large."""
        if answer.size_bytes > self.most_bytes // self._LARGEST_PART or tag in self._held:
            return
        self._held[tag] = answer
        self.size_bytes += answer.size_bytes
        while self.size_bytes > self.most_bytes:
            _, gone = self._held.popitem(last=False)
            self.size_bytes -= gone.size_bytes

    def forget(self) -> None:
        """Hold nothing more."""
        self._held.clear()
        self.size_bytes = 0


async def keep_ready(request: Request) -> None:
    """A dependency of a route that any key may read, and whose answer rests on nothing that its tag does not name."""
    request.scope["state"]["keep_ready"] = True


async def forget_ready(request: Request) -> None:
    """A dependency of a route after which nothing is held: what is told of somebody has no place in memory after an erasure."""
    request.scope["state"]["forget_ready"] = True


class ReadyMiddleware:
    """Sends an answer that is held; holds what a route lets be kept.

    Parameters
    ----------
    app : ASGIApp
    answers : ReadyAnswers
    """

    def __init__(self, app: ASGIApp, *, answers: ReadyAnswers) -> None:
        self.app = app
        self.answers = answers
        self._store: Store | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or pass on."""
        if scope["type"] != "http" or scope["method"] != "GET":
            await self.app(scope, receive, send)
            if (scope.get("state") or {}).get("forget_ready"):
                self.answers.forget()
            return
        tag = await self._tag(scope)
        if tag is None:
            await self.app(scope, receive, send)
        elif (held := self.answers.get(tag)) is None:
            await self.app(scope, receive, self._keeping(scope, tag, send))
        else:
            scope["route"] = held.route
            if etags.is_named(Headers(scope=scope).get("if-none-match"), tag):
                await etags.NotModified(tag).response()(scope, receive, send)
                return
            await send({"type": "http.response.start", "status": 200, "headers": list(held.headers)})
            await send({"type": "http.response.body", "body": held.body})

    async def _tag(self, scope: Scope) -> str | None:
        """The tag that the answer would have now; None where none is kept under this address."""
        parts = scope["path"].split("/", 4)
        if len(parts) < 5 or parts[1] != "v1" or (statement := _STATES.get(parts[2])) is None:
            return None
        principal: Principal = scope["state"]["principal"]
        store: Store = scope["app"].state.store
        if store is not self._store:
            # A tag is of one record: a copy of it goes its own way under the same ids and revisions.
            self.answers.forget()
            self._store = store
        try:
            row = await state_found(store, statement, parts[3])
        except DBAPIError:
            return None  # the route meets it too, and tells it
        if row is None or not principal.covers_subject(row.subject_pk):
            return None
        return tag_of(scope, principal, row.subject_id, row.revision, row)

    def _keeping(self, scope: Scope, tag: str, send: Send) -> Send:
        started: Message | None = None
        pieces: list[bytes] = []

        async def sent(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start" and message["status"] == 200:
                # The state that the route read may be a later one than the tag was made of.
                told = Headers(raw=message["headers"]).get("etag")
                if scope["state"].get("keep_ready") and told == tag:
                    # Before the headers that are made for each request are put beside them.
                    started = {**message, "headers": list(message["headers"])}
            elif started is not None and message["type"] == "http.response.body":
                pieces.append(message.get("body", b""))
                if not message.get("more_body", False):
                    held = Answer(scope.get("route"), tuple(started["headers"]), b"".join(pieces))
                    self.answers.keep(tag, held)
            await send(message)

        return sent
