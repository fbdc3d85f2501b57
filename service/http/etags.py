"""Strong ETags by revision (RFC 9110).

Every write under a subject bumps the subject's revision, so a tag is the record, its revision and the
representation: ``"<id>.7.3f2a..."``. A part that is written (PUT of intervals) takes the tag of its parent:
what must agree is the revision. A read with the current tag is answered 304 without computing.
"""

import hashlib
import re

from fastapi import Request
from starlette.datastructures import Headers
from starlette.responses import Response
from starlette.types import Scope

from service import __version__
from service.errors import PreconditionRequired, StaleRevision

_TAG = re.compile(r'(W/)?"([^"]*)"')


class NotModified(Exception):
    """The client has the current representation."""

    def __init__(self, etag: str) -> None:
        super().__init__("not modified")
        self.etag = etag

    def response(self) -> Response:
        """304, with no body."""
        return Response(status_code=304, headers={"ETag": self.etag, "Cache-Control": "private, no-cache"})


def etag_of(scope: Scope, record_id: str, revision: int, *parts: object) -> str:
    """The strong tag of this address, form and reader with the record at `revision`."""
    told = "\n".join(
        [
            scope["path"],
            scope["query_string"].decode("latin-1"),
            Headers(scope=scope).get("accept", ""),
            __version__,
            # A picture holds numbers as the site shows them.
            str(scope["app"].state.display),
            *(str(part) for part in parts),
        ]
    )
    return f'"{record_id}.{revision}.{hashlib.sha256(told.encode()).hexdigest()[:12]}"'


def check(request: Request, etag: str, record_id: str, revision: int, *, required: bool) -> bool:
    """Evaluate the preconditions of a request; whether it is pinned to a state by If-Match.

    Raises
    ------
    NotModified
        GET, and If-None-Match holds the current tag.
    StaleRevision
        If-Match does not name the current revision.
    PreconditionRequired
        A change without If-Match where the setting wants one.
    """
    if request.method in {"GET", "HEAD"}:
        if is_named(request.headers.get("if-none-match"), etag):
            raise NotModified(etag)
        return False
    wanted = request.headers.get("if-match")
    if wanted is None:
        if required and request.method in {"PATCH", "PUT", "DELETE"}:
            raise PreconditionRequired("Send If-Match with the ETag of the state you change.")
        return False
    if wanted.strip() == "*":
        return False
    # Strong comparison: a weak tag never matches.
    state = f'"{record_id}.{revision}.'
    current = any(not weak and tag.startswith(state) for weak, tag in _tags(wanted))
    if not current:
        raise StaleRevision(
            "The record has changed since you read it; read it again and repeat your change on what it is now."
        )
    return True


def is_named(header: str | None, etag: str) -> bool:
    """Whether an If-None-Match names this tag, or any."""
    return header is not None and (header.strip() == "*" or etag in [tag for _, tag in _tags(header)])


def _tags(header: str) -> list[tuple[bool, str]]:
    return [(bool(match.group(1)), f'"{match.group(2)}"') for match in _TAG.finditer(header)]
