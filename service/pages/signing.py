"""Signing a browser in with a key, and out."""

from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from service.errors import Forbidden
from service.http.dependencies import StoreDependency, principal_of
from service.http.keys import SESSION_COOKIE, find_principal, from_this_site, session_token_of
from service.keys import queries
from service.pages.rendering import PageRoute, check_form, page

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_AFTER = "/people"


def _inside(wanted: str | None) -> str:
    """Where to go after signing in: an address of this service and no other."""
    ours = (
        wanted is not None and wanted.startswith("/") and not wanted.startswith("//") and "\\" not in wanted
    )
    return wanted if ours and wanted is not None and wanted.isprintable() else _AFTER


@router.get("/sign-in")
def sign_in_form(
    request: Request, wanted: Annotated[str | None, Query(alias="next", max_length=500)] = None
) -> Response:
    """The form for a key."""
    return page(request, "sign_in.html", wanted=_inside(wanted), refused=None)


@router.post("/sign-in")
def sign_in(
    request: Request,
    store: StoreDependency,
    key: Annotated[str, Form(max_length=500)],
    wanted: Annotated[str | None, Form(alias="next", max_length=500)] = None,
) -> Response:
    """Change a key for a session cookie that scripts cannot read."""
    if not from_this_site(request.scope):
        raise Forbidden("A page of another site asked for this; nothing was done.")
    with store.read() as session:
        principal = find_principal(session, key.strip())
    if principal is None:
        address = request.client.host if request.client else "unknown"
        wait = request.app.state.key_failures.over(address)
        refused = (
            "This key is not known, has expired or was revoked. Copy it whole, or ask for a new one."
            if wait is None
            else f"Too many refused keys from this address; wait {wait} s."
        )
        status = 401 if wait is None else 429
        return page(request, "sign_in.html", status=status, wanted=_inside(wanted), refused=refused)
    with store.write(principal.name) as transaction:
        token = queries.begin_session(transaction, principal, hours=store.settings.session_hours)
    answer = RedirectResponse(_inside(wanted), status_code=303)
    answer.set_cookie(
        SESSION_COOKIE,
        token,
        max_age=int(store.settings.session_hours * 3600),
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https" or store.settings.base_url.startswith("https://"),
    )
    return answer


@router.post("/sign-out")
def sign_out(
    request: Request, store: StoreDependency, form_token: Annotated[str, Form(max_length=100)]
) -> Response:
    """End the session, at once and on the server."""
    check_form(request, form_token)
    token = session_token_of(request.scope)
    if token is not None:
        with store.write(principal_of(request).name) as transaction:
            queries.end_session(transaction, principal_of(request), token)
    answer = RedirectResponse("/sign-in", status_code=303)
    answer.delete_cookie(SESSION_COOKIE)
    return answer
