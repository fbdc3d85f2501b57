"""Cursors of lists: the place after the last item, bound to the filters of the list."""

import base64
import hashlib
import json
from collections.abc import Callable
from typing import Annotated, Any, Generic, TypeVar
from urllib.parse import urlencode

from fastapi import Query, Request, Response
from pydantic import BaseModel

from service.errors import InvalidContent, Place

T = TypeVar("T")
K = TypeVar("K")

Limit = Annotated[int, Query(ge=1, le=500, description="Most items of one answer.")]
Cursor = Annotated[str | None, Query(max_length=500, description="`next` of the answer before.")]


class Page(BaseModel, Generic[T]):
    """One part of a list."""

    items: list[T]
    next: str | None


def _filters(request: Request) -> str:
    kept = sorted(
        (name, value) for name, value in request.query_params.multi_items() if name not in {"cursor", "limit"}
    )
    return hashlib.sha256(json.dumps([request.url.path, kept]).encode()).hexdigest()[:16]


def after(request: Request, cursor: str | None, read: Callable[[list[Any]], K]) -> K | None:
    """The sort key that `cursor` stands for, as `read` makes it of its JSON form; None where there is no cursor.

    Raises
    ------
    InvalidContent
        It is not one of ours, or belongs to other filters.
    """
    if cursor is None:
        return None
    try:
        filters, key = json.loads(base64.urlsafe_b64decode(cursor.encode() + b"=" * (-len(cursor) % 4)))
        if filters == _filters(request):
            return read(key)
    except (ValueError, TypeError, LookupError, OverflowError, RecursionError):
        pass
    message = "is not a cursor of this list with these filters; begin again without it"
    raise InvalidContent(f"cursor: {message}", (Place("query.cursor", message),))


def whole_number(key: list[Any]) -> int:
    """A sort key of one number, as the database counts."""
    (number,) = key
    if not isinstance(number, int) or abs(number) >= 2**63:
        raise ValueError("not a number of the database")
    return number


def text(key: list[Any]) -> str:
    """A sort key of one text."""
    (value,) = key
    if not isinstance(value, str):
        raise TypeError("not a text")
    value.encode()
    return value


def next_cursor(request: Request, response: Response, key: list[Any] | None) -> str | None:
    """The cursor after `key`, also as a ``Link`` header (RFC 8288); None at the end of the list."""
    if key is None:
        return None
    raw = json.dumps([_filters(request), key], separators=(",", ":")).encode()
    cursor = base64.urlsafe_b64encode(raw).decode().rstrip("=")
    kept = [(name, value) for name, value in request.query_params.multi_items() if name != "cursor"]
    response.headers["Link"] = f'<{request.url.path}?{urlencode([*kept, ("cursor", cursor)])}>; rel="next"'
    return cursor
