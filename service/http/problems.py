"""One shape for every error: ``application/problem+json`` (RFC 9457)."""

import json
import math
from http import HTTPStatus
from typing import Any

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from sqlalchemy.exc import DBAPIError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service import errors
from service.db.faults import unavailable_for
from service.errors import Place, UpslopeError

#: Status of each kind of error; a kind not named here has its parent's.
STATUS: dict[type[UpslopeError], int] = {
    UpslopeError: 500,
    errors.Unauthenticated: 401,
    errors.Forbidden: 403,
    errors.NotFound: 404,
    errors.Conflict: 409,
    errors.Gone: 410,
    errors.StaleRevision: 412,
    errors.PreconditionRequired: 428,
    errors.TooLarge: 413,
    errors.UnsupportedMediaType: 415,
    errors.UnreadableBody: 400,
    errors.TooManyRequests: 429,
    errors.RecordUnavailable: 503,
    errors.InvalidContent: 422,
}

#: Kinds that the web framework raises by itself.
FRAMEWORK: dict[int, tuple[str, str]] = {
    404: ("not-found", "Not found"),
    405: ("method-not-allowed", "This address does not take that method"),
    406: ("not-acceptable", "Not available in that form"),
}

#: An answer must not be much larger than what was sent: so many faults of it are told, each in so many signs.
_MOST_PLACES, _LONGEST, _LONGEST_DETAIL = 100, 200, 2000

_log = structlog.get_logger(__name__)


def status_of(error: UpslopeError) -> int:
    """HTTP status of an error, by the nearest named kind."""
    return next(STATUS[kind] for kind in type(error).__mro__ if kind in STATUS)


def problem(
    *,
    base_url: str,
    slug: str,
    title: str,
    status: int,
    detail: str,
    instance: str,
    places: tuple[Place, ...] = (),
    extra: dict[str, Any] | None = None,
    headers: dict[str, str] | None = None,
) -> Response:
    """The answer for one problem; `type` is a stable address in the guide."""
    body: dict[str, Any] = {
        **(extra or {}),
        "type": f"{base_url}/guide/errors#{slug}",
        "title": title,
        "status": status,
        "detail": detail if len(detail) <= _LONGEST_DETAIL else f"{detail[:_LONGEST_DETAIL]} ...",
        "instance": instance,
        "errors": [place.as_dict() for place in _first(places)],
    }
    return Response(
        json.dumps(body, default=str, ensure_ascii=True),
        status_code=status,
        media_type="application/problem+json",
        headers=headers,
    )


def _first(places: tuple[Place, ...]) -> tuple[Place, ...]:
    more = len(places) - _MOST_PLACES
    return (
        places if more <= 0 else (*places[:_MOST_PLACES], Place("body", f"And {more} more faults like these"))
    )


def problem_of(error: UpslopeError, *, base_url: str, instance: str) -> Response:
    """The answer for an error of the tree."""
    headers: dict[str, str] = {}
    if isinstance(error, errors.Unauthenticated):
        headers["WWW-Authenticate"] = 'Bearer realm="upslope"'
    if isinstance(error, errors.TooManyRequests):
        headers["Retry-After"] = str(error.extra.get("retry_after_s", 60))
    if isinstance(error, errors.RecordUnavailable):
        headers["Retry-After"] = "60"
    return problem(
        base_url=base_url,
        slug=error.slug,
        title=error.title,
        status=status_of(error),
        detail=error.detail,
        instance=instance,
        places=error.errors,
        extra=error.extra,
        headers=headers,
    )


def places_of(validation: RequestValidationError) -> tuple[Place, ...]:
    """The faults of a body or query, without the offending input where it cannot be repeated in JSON."""
    places = []
    for fault in validation.errors():
        value = fault.get("input")
        repeatable = isinstance(value, str | int) or (isinstance(value, float) and math.isfinite(value))
        message = str(fault["msg"]).removeprefix("Value error, ")
        places.append(
            Place(
                ".".join(str(part)[:_LONGEST] for part in fault["loc"]),
                message[:1].upper() + message[1:],
                value=(value[:_LONGEST] if isinstance(value, str) else value) if repeatable else None,
            )
        )
    return tuple(places)


def _route_of(request: Request) -> str | None:
    """The route's pattern and not its path: ids are personal data in a log, and a link's token is a secret."""
    path: str | None = getattr(request.scope.get("route"), "path", None)
    return path


def install(app: FastAPI, base_url: str) -> None:
    """Answer every error of `app` as a problem."""

    @app.exception_handler(UpslopeError)
    async def known(request: Request, error: UpslopeError) -> Response:
        if status_of(error) >= HTTPStatus.INTERNAL_SERVER_ERROR:
            _log.error("failed", error=type(error).__name__, route=_route_of(request))
        return problem_of(error, base_url=base_url, instance=request.url.path)

    @app.exception_handler(DBAPIError)
    async def of_the_database(request: Request, error: DBAPIError) -> Response:
        unavailable = unavailable_for(error)
        if unavailable is None:
            return await unknown(request, error)
        _log.error("record unavailable", reason=unavailable.detail, route=_route_of(request))
        return problem_of(unavailable, base_url=base_url, instance=request.url.path)

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: RequestValidationError) -> Response:
        unreadable = any(fault["type"] == "json_invalid" for fault in error.errors())
        kind = errors.UnreadableBody if unreadable else errors.InvalidContent
        places = places_of(error)
        detail = (
            "The body is not readable JSON."
            if unreadable
            else "; ".join(f"{place.location}: {place.message}" for place in places[:3])
        )
        return problem_of(kind(detail, places), base_url=base_url, instance=request.url.path)

    @app.exception_handler(HTTPException)
    async def framework(request: Request, error: HTTPException) -> Response:
        slug, title = FRAMEWORK.get(error.status_code, ("refused", HTTPStatus(error.status_code).phrase))
        if error.status_code == HTTPStatus.BAD_REQUEST:
            slug, title = errors.UnreadableBody.slug, errors.UnreadableBody.title
        return problem(
            base_url=base_url,
            slug=slug,
            title=title,
            status=error.status_code,
            detail=str(error.detail),
            instance=request.url.path,
            headers=dict(error.headers or {}),
        )

    @app.exception_handler(Exception)
    async def unknown(request: Request, error: Exception) -> Response:
        # The log has the trace; the answer never does.
        _log.error("failed", error=type(error).__name__, route=_route_of(request), exc_info=error)
        return problem_of(
            UpslopeError(
                "The service failed on this request; nothing was stored. The log of the server says more."
            ),
            base_url=base_url,
            instance=request.url.path,
        )
