"""What concerns the whole site: the state of its record, what it has set, and how it is configured."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from service import __version__
from service.analyses.queries import norm_tables
from service.analysis.references import citation
from service.analysis.rule_sets import RULE_SETS
from service.analysis.summary import ANALYSIS_VERSION
from service.backups.queries import changes_since, last_noted
from service.backups.workflow import backups_in, next_backup_at
from service.db.migrate import schema_state
from service.db.transactions import Store, now
from service.effort_rules.queries import own_rule_sets
from service.events import queries as events
from service.http.dependencies import Admin, SiteReader, StoreDependency
from service.norms.queries import loaded
from service.pages.forms import SentDependency
from service.pages.rendering import PageRoute, page
from service.pages.settings_form import settings_offered
from service.quantities import QUANTITIES
from service.reliability.workflow import all_typical_errors
from service.settings import Settings
from service.site import queries
from service.upkeep.queries import counts, size_bytes
from service.upkeep.workflow import Outcome, quick_checks

router = APIRouter(prefix="/site", include_in_schema=False, route_class=PageRoute)

#: A copy that is older is told (project's choice; how often copies are made is a matter of the site).
_OLD = timedelta(days=7)
#: How long after its time a copy by the clock is late.
_LATE = timedelta(hours=1)
_MOST_EVENTS = 500


@dataclass(frozen=True, slots=True)
class Backups:
    """What is known of the copies of the record.

    Attributes
    ----------
    own_tools : bool
        Whether the copies are made with the tools of the database, and not known here.
    at : datetime or None
        When the last known copy was made; None where none is known.
    by : {"the clock", "hand"}
    path : Path or None
    size_bytes : int
    there : bool
        Whether a file of that size is still where it was made.
    lacks : int
        Changes since.
    old, late : bool
        Whether the copy is older than a week, and whether the clock has missed one.
    next_at : datetime or None
        When the clock makes the next one; None where it makes none.
    """

    own_tools: bool = False
    at: datetime | None = None
    by: str = ""
    path: Path | None = None
    size_bytes: int = 0
    there: bool = False
    lacks: int = 0
    old: bool = False
    late: bool = False
    next_at: datetime | None = None


def backups_of(session: Session, settings: Settings) -> Backups:
    """The newest known copy of the record, by the clock or by hand."""
    if settings.sqlite_path is None:
        return Backups(own_tools=True)
    known = []
    if settings.backup_folder:
        known += [
            (one.at, "the clock", one.path, one.size_bytes)
            for one in backups_in(Path(settings.backup_folder))[:1]
        ]
    if (noted := last_noted(session)) is not None:
        known.append((noted.at, "hand", noted.path, noted.size_bytes))
    next_at = next_backup_at(settings)
    late = next_at is not None and now() - next_at > _LATE
    if not known:
        return Backups(late=late, next_at=next_at)
    at, by, path, size = max(known, key=lambda one: one[0])
    return Backups(
        at=at,
        by=by,
        path=path,
        size_bytes=size,
        there=path.is_file() and path.stat().st_size == size,
        lacks=changes_since(session, at),
        old=now() - at > _OLD,
        late=late,
        next_at=next_at,
    )


@router.get("")
def site_page(request: Request, principal: SiteReader, store: StoreDependency) -> Response:
    """The state of the record, and what the site has set."""
    return _page(request, store, admin=principal.covers("admin"))


@router.post("/check")
def check_record(
    request: Request, principal: Admin, store: StoreDependency, sent: SentDependency
) -> Response:
    """Check the record now, as far as a page can wait for it."""
    del principal
    sent.only([])
    with store.read() as session:
        checks = quick_checks(session)
    return _page(request, store, admin=True, checks=checks)


def _page(request: Request, store: Store, *, admin: bool, checks: list[Outcome] | None = None) -> Response:
    settings = store.settings
    with store.read() as session:
        told: dict[str, Any] = {
            "size_bytes": size_bytes(session),
            "counts": counts(session),
            "backups": backups_of(session, settings),
            "set": queries.out(session),
            "norms": norm_tables(session),
            "own_norms": loaded(session),
            "own_rules": [one.id for one in own_rule_sets(session)],
            "rules": [*RULE_SETS.values(), *own_rule_sets(session)],
            "typical_errors": [one for one in all_typical_errors(session) if one.own is not None],
            "events": events.listed(session, None, after=None, limit=_MOST_EVENTS)[:_MOST_EVENTS],
            "settings": settings_offered(tuple(own_rule_sets(session))),
        }
    return page(
        request,
        "site.html",
        admin=admin,
        checks=checks,
        version=__version__,
        analysis_version=ANALYSIS_VERSION,
        schema=schema_state(settings),
        sqlite=settings.sqlite_path is not None,
        database=settings.shown_url,
        quantities=QUANTITIES,
        citation=citation,
        configured=_configured(settings) if admin else [],
        **told,
    )


def _configured(settings: Settings) -> list[dict[str, Any]]:
    """Every variable of the environment with its value here; never the password of a database."""
    values = settings.model_dump() | {"database_url": settings.shown_url}
    return [
        {**one, "value": values[one["name"].removeprefix("UPSLOPE_").lower()]} for one in Settings.described()
    ]
