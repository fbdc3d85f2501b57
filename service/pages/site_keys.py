"""Keys: who may do what; a new one is shown once, and one is taken out of use at once."""

from datetime import UTC, date, datetime, time
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from service.db.transactions import Store, now
from service.errors import InvalidContent, Place
from service.http.dependencies import Admin, StoreDependency
from service.keys import queries
from service.keys.schemas import KeyIn
from service.pages.forms import Field, Filled, SentDependency, submitted, typed_of, values_of, yes_or_no
from service.pages.rendering import PageRoute, page

router = APIRouter(prefix="/site/keys", include_in_schema=False, route_class=PageRoute)

#: How many hours the secret before works on.
_OVERLAPS = {"day": 24.0, "none": 0.0}
_SCOPES = (
    ("reader", "reader: sees results, without names unless told below"),
    ("tester", "tester: also adds and changes people, visits and tests"),
    ("admin", "admin: also keys, settings, the audit and erasure"),
)
_FIELDS = (
    Field("name", "Name", hint="Of the person or program that gets it; the audit names it.", required=True),
    Field("scope", "Scope", "choice", _SCOPES, required=True, empty="choose"),
    Field(
        "subject_codes",
        "Limited to people",
        "long",
        hint="Codes, one in each line; empty: everybody. Not for an admin's key.",
    ),
    yes_or_no("identity", "A reader sees names", empty="no"),
    Field(
        "expires_on",
        "Last day it is valid",
        "day",
        hint="Until the end of that day, UTC. Empty: without an end.",
    ),
)


@router.get("")
def keys_page(request: Request, principal: Admin, store: StoreDependency) -> Response:
    """Every key, without its secret."""
    del principal
    return _page(request, store, Filled())


@router.post("")
def make_key(request: Request, principal: Admin, store: StoreDependency, sent: SentDependency) -> Response:
    """Make a key; this page alone shows it."""
    sent.only(one.name for one in _FIELDS)
    filled = Filled(typed_of(_FIELDS, sent.text), places={"expires_at": "expires_on"})

    def store_key(body: KeyIn) -> tuple[str, str]:
        with store.write(principal.name) as transaction:
            key, secret = queries.make(transaction, **body.model_dump())
            return key.name, secret

    made = submitted(filled, KeyIn, lambda: _values(filled.typed), store_key)
    return _page(request, store, Filled() if made else filled, made=made)


def _values(typed: dict[str, str]) -> dict[str, Any]:
    values = values_of(_FIELDS, typed)
    day = values.pop("expires_on")
    codes = [code.strip() for code in (values["subject_codes"] or "").splitlines() if code.strip()]
    return values | {
        "subject_codes": codes or None,
        "identity": values["identity"] or False,
        "expires_at": None if day is None else _end_of(day),
    }


def _end_of(day: str) -> datetime:
    try:
        return datetime.combine(date.fromisoformat(day), time(23, 59, 59), UTC)
    except ValueError as error:
        message = "must be a day such as 2026-05-31"
        raise InvalidContent(f"expires_on {message}.", (Place("expires_on", message),)) from error


@router.post("/rotation")
def rotate_key(request: Request, principal: Admin, store: StoreDependency, sent: SentDependency) -> Response:
    """Give a key another secret, which this page alone shows; the one before works for a day, or not at all."""
    sent.only(["name", "overlap"])
    name, overlap = sent.text.get("name", ""), sent.text.get("overlap", "")
    if overlap not in _OVERLAPS:
        message = "must be day or none"
        raise InvalidContent(f"overlap {message}.", (Place("overlap", message),))
    with store.write(principal.name) as transaction:
        _, secret = queries.rotate(transaction, name, overlap_hours=_OVERLAPS[overlap])
    return _page(request, store, Filled(), made=(name, secret), anew=True)


@router.post("/revocation")
def revoke_key(principal: Admin, store: StoreDependency, sent: SentDependency) -> Response:
    """Take a key out of use at once."""
    sent.only(["name"])
    with store.write(principal.name) as transaction:
        queries.revoke(transaction, sent.text.get("name", ""))
    return RedirectResponse("/site/keys", status_code=303)


def _page(
    request: Request,
    store: Store,
    filled: Filled,
    *,
    made: tuple[str, str] | None = None,
    anew: bool = False,
) -> Response:
    with store.read() as session:
        keys = queries.listed(session)
    return page(
        request,
        "site_keys.html",
        status=filled.status,
        keys=sorted(keys, key=lambda one: one.revoked_at is not None),
        at=now(),
        fields=_FIELDS,
        filled=filled,
        made=made,
        anew=anew,
    )
