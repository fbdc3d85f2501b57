"""Reads and writes of protocols; nothing is committed here."""

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import Protocol, ProtocolStage
from service.db.transactions import now
from service.errors import Conflict, NotFound, Place
from service.protocols.schemas import ProtocolIn, ProtocolOut, StageIn
from service.reference.protocols import STANDARD_PROTOCOLS

_STAGE_FIELDS = tuple(StageIn.model_fields)


def listed(session: Session) -> list[ProtocolOut]:
    """The standard protocols, then the site's own by id."""
    own = session.scalars(sa.select(Protocol).order_by(Protocol.key)).all()
    return [
        *(_standard(protocol_id) for protocol_id in STANDARD_PROTOCOLS),
        *(_out(session, protocol) for protocol in own),
    ]


def get(session: Session, protocol_id: str) -> ProtocolOut:
    """One protocol."""
    if protocol_id in STANDARD_PROTOCOLS:
        return _standard(protocol_id)
    protocol = session.scalars(sa.select(Protocol).where(Protocol.key == protocol_id)).one_or_none()
    if protocol is None:
        raise NotFound(f"There is no protocol {protocol_id[:80]!r}; GET /v1/protocols lists them.")
    return _out(session, protocol)


def known(session: Session, protocol_id: str | None) -> ProtocolOut | None:
    """The protocol of a test; None where none is named, or the site has it no longer."""
    try:
        return None if protocol_id is None else get(session, protocol_id)
    except NotFound:
        return None


def add(session: Session, body: ProtocolIn) -> ProtocolOut:
    """Store a site's own protocol."""
    taken = body.id in STANDARD_PROTOCOLS or session.scalar(
        sa.select(Protocol.id).where(Protocol.key == body.id)
    )
    if taken:
        message = "is the id of another protocol"
        raise Conflict(f"{body.id!r} {message}.", (Place("body.id", message, value=body.id),))
    fields = body.model_dump(exclude={"id", "stages"})
    protocol = Protocol(key=body.id, created_at=now(), **fields)
    session.add(protocol)
    session.flush()
    for seq, stage in enumerate(body.stages):
        session.add(ProtocolStage(protocol_id=protocol.id, seq=seq, **stage.model_dump()))
    session.flush()
    return _out(session, protocol)


def _standard(protocol_id: str) -> ProtocolOut:
    return ProtocolOut.model_validate(STANDARD_PROTOCOLS[protocol_id].as_dict())


def _out(session: Session, protocol: Protocol) -> ProtocolOut:
    stages = session.scalars(
        sa.select(ProtocolStage).where(ProtocolStage.protocol_id == protocol.id).order_by(ProtocolStage.seq)
    ).all()
    return ProtocolOut.model_validate(
        {
            "id": protocol.key,
            **{
                name: getattr(protocol, name)
                for name in ("name", "family", "mode", "shape", "purpose", "source")
            },
            "stages": [{name: getattr(stage, name) for name in _STAGE_FIELDS} for stage in stages],
        }
    )
