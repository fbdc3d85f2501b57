"""Reads of the audit, and of what an edit is about to replace."""

import json
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analyses import queries as analyses
from service.audit.schemas import AuditEntryOut
from service.db.models import Change, ChangePayload, Exclusion, ExerciseTest, Subject, Visit

_EMPTIED = (
    "Emptied when the data of this person were erased; that the change was made stays, and so does the chain."
)


def listed(
    session: Session,
    *,
    filters: Mapping[str, str],
    from_at: datetime | None,
    to_at: datetime | None,
    before_seq: int | None,
    limit: int,
) -> list[AuditEntryOut]:
    """Entries from the newest on, one more than `limit` where there are more.

    Parameters
    ----------
    session : Session
    filters : mapping
        Columns of the entry (``actor``, ``kind``, ``id``, ``subject_id``, ``action``) with the value wanted.
    from_at, to_at : datetime, optional
        First and last instant, both included.
    before_seq : int, optional
        Entries before this one.
    limit : int
    """
    statement = (
        sa.select(Change, ChangePayload.salt, ChangePayload.payload)
        .outerjoin(ChangePayload, ChangePayload.seq == Change.seq)
        .order_by(Change.seq.desc())
        .limit(limit + 1)
    )
    for name, value in filters.items():
        statement = statement.where(getattr(Change, name) == value)
    if from_at is not None:
        statement = statement.where(Change.at >= from_at)
    if to_at is not None:
        statement = statement.where(Change.at <= to_at)
    if before_seq is not None:
        statement = statement.where(Change.seq < before_seq)
    return [_entry(change, salt, payload) for change, salt, payload in session.execute(statement)]


def _entry(change: Change, salt: str | None, payload: str | None) -> AuditEntryOut:
    # A payload that was emptied has lost its salt too.
    content = json.loads(payload) if salt and payload is not None else None
    columns = {name: getattr(change, name) for name in AuditEntryOut.model_fields if hasattr(Change, name)}
    return AuditEntryOut(**columns, content=content, reason=_EMPTIED if content is None else None)


def values_before(
    session: Session,
    *,
    subject: tuple[int, Collection[str]],
    visit: tuple[int | None, Collection[str]],
    test: tuple[int | None, Collection[str]],
    parts: Collection[str],
) -> dict[str, Any]:
    """What an edit is about to replace, as the audit keeps it.

    Parameters
    ----------
    session : Session
        Before the edit is made.
    subject, visit, test : tuple of int and names
        Key of the row, and the columns that will be written.
    parts : collection of str
        Parts of the test that will be replaced: ``series``, ``notes``, ``reported``, ``calibrations``,
        ``tester_thresholds``, ``exclusions``.

    Returns
    -------
    dict
        Only what there is: no entry for a part that is empty.
    """
    before: dict[str, Any] = {}
    for model, (pk, names) in ((Subject, subject), (Visit, visit), (ExerciseTest, test)):
        if pk is not None and names:
            columns = [getattr(model, name) for name in sorted(names)]
            row = session.execute(sa.select(*columns).where(model.id == pk)).one()
            before |= dict(zip(sorted(names), row, strict=True))
    test_pk = test[0]
    if test_pk is None:
        return before
    readers = {
        "notes": ("stage_notes", analyses.read_notes),
        "reported": ("reported_results", analyses.read_reported),
        "calibrations": ("calibrations", analyses.read_calibrations),
        "tester_thresholds": ("thresholds", analyses.read_tester_thresholds),
    }
    for part, (name, read) in readers.items():
        if part in parts and (rows := read(session, test_pk)):
            before[name] = [_without_nulls(row) for row in rows]
    if "series" in parts and (columns_of_rows := _intervals(session, test_pk)):
        before["intervals"] = columns_of_rows
    if ("series" in parts or "exclusions" in parts) and (decided := _exclusions(session, test_pk)):
        before["exclusions"] = decided
    return before


def _without_nulls(row: Any) -> dict[str, Any]:
    fields = (
        row if isinstance(row, Mapping) else {name: getattr(row, name) for name in row.__dataclass_fields__}
    )
    return {name: value for name, value in fields.items() if value is not None}


def _intervals(session: Session, test_pk: int) -> dict[str, Any]:
    """Intervals by column: what a file that is read anew takes the place of can be put back by hand."""
    series = analyses.read_series(session, test_pk)
    if not len(series):
        return {}
    columns = {"end_s": series.end_s, "duration_s": series.duration_s, **series.channels}
    return {
        name: [None if np.isnan(value) else float(value) for value in values]
        for name, values in columns.items()
    } | {"phase": series.phase.tolist(), "stage": series.stage.tolist()}


def _exclusions(session: Session, test_pk: int) -> Sequence[dict[str, Any]]:
    rows = session.execute(
        sa.select(Exclusion.seq, Exclusion.excluded, Exclusion.by, Exclusion.reason, Exclusion.at)
        .where(Exclusion.test_id == test_pk)
        .order_by(Exclusion.seq)
    )
    return [dict(row._mapping) for row in rows]  # noqa: SLF001 SQLAlchemy's public name for it
