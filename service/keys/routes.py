"""Keys over HTTP."""

from urllib.parse import quote

from fastapi import APIRouter, Response

from service.http.answers import created, json_response
from service.http.cursors import Page
from service.http.dependencies import Admin, StoreDependency
from service.http.idempotency import OnceDependency
from service.keys import queries
from service.keys.schemas import KeyIn, KeyOut, NewKeyOut, RotationIn

router = APIRouter(prefix="/v1/keys", tags=["keys"])


@router.get("")
def list_keys(principal: Admin, store: StoreDependency) -> Page[KeyOut]:
    """Every key, without its secret, whole."""
    del principal
    with store.read() as session:
        return Page(items=queries.listed(session), next=None)


@router.post("", status_code=201, response_model=NewKeyOut)
def create_key(body: KeyIn, principal: Admin, store: StoreDependency, once: OnceDependency) -> Response:
    """Make a key; its secret is in this answer and nowhere else, so the answer is not kept for a repetition."""
    claim = once.claim(store, body.model_dump(mode="json"))
    with store.write(principal.name, claim) as transaction:
        key, secret = queries.make(transaction, **body.model_dump())
        known, location = queries.out(transaction.session, key), f"/v1/keys/{quote(key.name)}"
        transaction.answer(created(known, location))
        return created(NewKeyOut(**known.model_dump(), key=secret), location)


@router.post("/{name:path}/rotation", response_model=NewKeyOut)
def rotate_key(name: str, body: RotationIn, principal: Admin, store: StoreDependency) -> Response:
    """Give a key another secret, which is in this answer and nowhere else; name, scope and subjects stay."""
    with store.write(principal.name) as transaction:
        key, secret = queries.rotate(transaction, name, overlap_hours=body.overlap_hours)
        known = queries.out(transaction.session, key)
        return json_response(NewKeyOut(**known.model_dump(), key=secret))


@router.delete("/{name:path}", status_code=204)
def delete_key(name: str, principal: Admin, store: StoreDependency) -> Response:
    """Revoke a key, at once."""
    with store.write(principal.name) as transaction:
        queries.revoke(transaction, name)
    return Response(status_code=204)
