"""Reads and writes of what the site has set; nothing is committed here."""

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analyses.queries import bump_site, norm_tables, site
from service.analysis.choice import check_settings, choose
from service.db.models import Analysis
from service.effort_rules.queries import own_rule_sets
from service.errors import InvalidContent, Place, StaleRevision
from service.reference.tables import DEFAULT_NORM_IDS
from service.site.schemas import SiteOut

#: Parts of the settings, and what each is where the site has set nothing.
_EMPTY: Mapping[str, Any] = {
    "analysis": {},
    "default_norms": {},
    "smallest_worthwhile_change": {},
    "retest_interval_days": None,
    "typical_errors": {},
}
_NOTICE = (
    "Settings of the analysis hold for analyses made from now on. Stored ones keep those they were made with until they are "
    "analysed anew (upslope reanalyse, or POST /v1/tests/{test_id}/analysis); GET of an analysis says what would differ, and "
    "upslope check counts them."
)


def out(session: Session) -> SiteOut:
    """The settings as they go over the wire."""
    row = site(session)
    told = {name: row.settings.get(name, empty) for name, empty in _EMPTY.items()}
    in_force = choose({}, (), told["analysis"]).as_dict()
    del in_force["chosen_by"]
    return SiteOut(
        revision=row.revision,
        **told,
        in_force={"analysis": in_force, "default_norms": {**DEFAULT_NORM_IDS, **told["default_norms"]}},
        notice=_NOTICE,
    )


def change(session: Session, given: Mapping[str, Any], *, expected: int | None) -> tuple[Any, Any]:
    """Set these parts; what they were and are.

    Parameters
    ----------
    given : mapping
        Parts with their new values; None sets a part back.
    expected : int or None
        The revision that the change is made on or not at all.

    Raises
    ------
    StaleRevision
        The settings changed since `expected` was read.
    InvalidContent
        A rule set, rule, method or norm that there is not, or a combination that cannot be.
    """
    before = site(session)
    if expected is not None and before.revision != expected:
        raise StaleRevision(
            "The settings have changed since you read them; read them again and repeat your change."
        )
    if given.get("analysis"):
        check_settings(choose({}, (), given["analysis"]), own_rule_sets(session), where="body.analysis")
    _check_norms(session, given.get("default_norms") or {})
    old_revision, old = before.revision, dict(before.settings)
    revision = bump_site(session)
    row = site(session)
    kept = {name: value for name, value in old.items() if name not in given}
    row.settings = kept | {name: value for name, value in given.items() if value is not None}
    # No table changed, so a standing that was up to date still is: it need not be worked out anew on reading.
    session.execute(
        sa.update(Analysis).where(Analysis.site_revision == old_revision).values(site_revision=revision)
    )
    session.flush()
    return {name: old.get(name) for name in given}, dict(given)


def _check_norms(session: Session, by_mode: Mapping[str, str | None]) -> None:
    """Refuse a table that there is not, or that is of another mode."""
    known = {table.id: table for table in norm_tables(session)}
    faults = []
    for mode, norm_id in by_mode.items():
        if norm_id is None:
            continue
        place = f"body.default_norms.{mode}"
        if norm_id not in known:
            faults.append(Place(place, "names no norm; GET /v1/norms lists them", norm_id))
        elif known[norm_id].mode != mode:
            faults.append(Place(place, f"is a norm of the mode {known[norm_id].mode}", norm_id))
    if faults:
        raise InvalidContent(f"{faults[0].location}: {faults[0].message}.", tuple(faults))
