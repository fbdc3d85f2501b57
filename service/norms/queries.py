"""Reads and writes of the site's own reference tables; nothing is committed here."""

from collections.abc import Collection

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analyses.queries import norm_tables, site
from service.db.models import LoadedNorm
from service.db.transactions import now
from service.errors import Conflict, NotFound
from service.reference.tables import DEFAULT_NORM_IDS, NormTable


def get(session: Session, norm_id: str) -> NormTable:
    """The table with this id, published or the site's own."""
    found = next((table for table in norm_tables(session) if table.id == norm_id), None)
    if found is None:
        raise NotFound(f"There is no norm {norm_id[:80]!r}; GET /v1/norms lists them.")
    return found


def defaults(session: Session, modes: Collection[str | None]) -> dict[str | None, NormTable | None]:
    """The site's default table of each mode; None where there is none."""
    chosen = {**DEFAULT_NORM_IDS, **site(session).settings.get("default_norms", {})}
    tables = {table.id: table for table in norm_tables(session)}
    return {mode: tables.get(chosen.get(mode or "", "")) for mode in modes}


def add(session: Session, table: NormTable) -> None:
    """Store a site's own table."""
    if any(known.id == table.id for known in norm_tables(session)):
        raise Conflict(f"There is a norm {table.id!r} already; choose another id.")
    session.add(LoadedNorm(key=table.id, document=table.as_document(), created_at=now()))
    session.flush()


def loaded(session: Session) -> set[str]:
    """Ids of the site's own tables."""
    return set(session.scalars(sa.select(LoadedNorm.key)))
