"""What every page shares: templates, headers, and errors as a page."""

from collections.abc import Callable, Coroutine
from functools import cache
from http import HTTPStatus
from typing import Any, TypeVar

from fastapi import Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, StreamingResponse
from fastapi.routing import APIRoute
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from pydantic import BaseModel, ValidationError
from sqlalchemy.exc import DBAPIError
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.types import Scope

from service.db.faults import unavailable_for
from service.errors import Forbidden, InvalidContent, Place, UpslopeError
from service.http.dependencies import known_query_only
from service.http.keys import Principal
from service.http.problems import places_of, status_of
from service.outlets import phrases
from service.outlets.display import Display

M = TypeVar("M", bound=BaseModel)

#: Scripts, styles and pictures of this service alone; no frame around a page of health data.
_POLICY = (
    "default-src 'none'; img-src 'self' data:; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)


@cache
def _templates(display: Display) -> Environment:
    """The templates with the filters by which they show numbers and dates, and nowhere else."""
    templates = Environment(
        loader=PackageLoader("service.pages"),
        autoescape=select_autoescape(),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.globals["phrases"] = phrases
    templates.filters |= {
        "shown": display.quantity,
        "bare": display.number,
        "unit": display.unit,
        "heading": display.heading,
        "figure": display.figure,
        "significant": display.significant,
        "day": display.day,
        "moment": display.moment,
        "clock": display.clock,
        "said": display.said,
    }
    return templates


def display_of(request: Request) -> Display:
    """How this site shows numbers and dates."""
    display: Display = request.app.state.display
    return display


_HEADERS = {"Cache-Control": "no-store", "Content-Security-Policy": _POLICY}


def page(request: Request, template: str, *, status: int = 200, **context: Any) -> HTMLResponse:
    """A page made of a template, with who is signed in."""
    text = _templates(display_of(request)).get_template(template).render(_with_who(request, context))
    return HTMLResponse(text, status_code=status, headers=_HEADERS)


def page_in_pieces(request: Request, template: str, **context: Any) -> StreamingResponse:
    """A page that is sent while it is made: what takes long is shown line by line."""
    pieces = _templates(display_of(request)).get_template(template).generate(_with_who(request, context))
    return StreamingResponse(pieces, media_type="text/html", headers=_HEADERS)


def _with_who(request: Request, context: dict[str, Any]) -> dict[str, Any]:
    state = request.scope.get("state", {})
    principal: Principal | None = state.get("principal")
    return {
        "principal": principal,
        "form_token": state.get("form_token"),
        "path": request.url.path,
        **context,
    }


def check_form(request: Request, form_token: str) -> None:
    """Refuse a form that no page of this session made."""
    if form_token != request.scope["state"]["form_token"]:
        raise Forbidden("This form is of an earlier session; go back, read the page again and repeat it.")


def checked(schema: type[M], **fields: Any) -> M:
    """What a form holds, as strictly checked as what a program sends.

    Raises
    ------
    InvalidContent
        With the field and what is wrong with it.
    """
    try:
        return schema(**fields)
    except ValidationError as error:
        places = tuple(
            Place(".".join(str(part) for part in fault["loc"]), fault["msg"].removeprefix("Value error, "))
            for fault in error.errors(include_url=False, include_input=False)
        )
        told = "; ".join(f"{place.location}: {place.message}" for place in places[:3])
        raise InvalidContent(told, places) from error


class PageRoute(APIRoute):
    """A route whose errors are pages: what is wrong, where, what to do."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The handler, with errors turned into pages."""
        inner = super().get_route_handler()

        async def handler(request: Request) -> Response:
            try:
                known_query_only(request)
                return await inner(request)
            except UpslopeError as error:
                return _failed(request, status_of(error), error.title, error.detail, error.errors)
            except DBAPIError as error:
                if (unavailable := unavailable_for(error)) is None:
                    raise
                return _failed(request, status_of(unavailable), unavailable.title, unavailable.detail, ())
            except RequestValidationError as error:
                places = places_of(error)
                told = "; ".join(f"{place.location}: {place.message}" for place in places[:3])
                return _failed(request, HTTPStatus.UNPROCESSABLE_ENTITY, InvalidContent.title, told, places)
            except HTTPException as error:
                title = HTTPStatus(error.status_code).phrase
                return _failed(request, error.status_code, title, str(error.detail), ())

        return handler


def refused_page(scope: Scope, error: UpslopeError) -> HTMLResponse:
    """The page of what was refused before any route was asked."""
    return _failed(Request(scope), status_of(error), error.title, error.detail, error.errors)


def _failed(
    request: Request, status: int, title: str, detail: str, places: tuple[Place, ...]
) -> HTMLResponse:
    return page(request, "failed.html", status=status, title=title, detail=detail, places=places)
