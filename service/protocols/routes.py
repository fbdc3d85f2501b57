"""Protocols over HTTP."""

from typing import Any

from fastapi import APIRouter, Response

from service.http.answers import created
from service.http.cursors import Page
from service.http.dependencies import Reader, SiteTester, StoreDependency
from service.http.idempotency import OnceDependency
from service.protocols import queries
from service.protocols.schemas import ProposalIn, ProtocolIn, ProtocolOut
from service.protocols.workflow import proposals_for

router = APIRouter(prefix="/v1/protocols", tags=["protocols"])


@router.get("")
def list_protocols(principal: Reader, store: StoreDependency) -> Page[ProtocolOut]:
    """The standard protocols and the site's own, whole."""
    del principal
    with store.read() as session:
        return Page(items=queries.listed(session), next=None)


@router.post("", status_code=201, response_model=ProtocolOut)
def create_protocol(
    body: ProtocolIn, principal: SiteTester, store: StoreDependency, once: OnceDependency
) -> Response:
    """Store a site's own protocol."""
    claim = once.claim(store, body.model_dump(mode="json"))
    with store.write(principal.name, claim) as transaction:
        stored = queries.add(transaction.session, body)
        transaction.changed(
            "protocol", stored.id, action="created", payload={"after": body.model_dump(mode="json")}
        )
        return transaction.answer(created(stored, f"/v1/protocols/{stored.id}"))


@router.post("/propose")
def propose_protocol(body: ProposalIn, principal: Reader, store: StoreDependency) -> Page[dict[str, Any]]:
    """A ramp and a step protocol for a subject that should last 8 to 12 minutes, with the reason; nothing is stored."""
    return Page(items=proposals_for(store, principal, body.subject_id, body.mode), next=None)


@router.get("/{protocol_id}")
def get_protocol(protocol_id: str, principal: Reader, store: StoreDependency) -> ProtocolOut:
    """One protocol."""
    del principal
    with store.read() as session:
        return queries.get(session, protocol_id)
