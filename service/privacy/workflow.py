"""A copy of a person's data, and their erasure down to the bytes of the file."""

import json
import sqlite3
import time
import zipfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import IO, Any

import sqlalchemy as sa

from service.controls.queries import count_change
from service.db.models import Subject
from service.db.transactions import Store, now
from service.errors import Conflict, InvalidContent, Place
from service.exports.workflow import Question, write_tables
from service.fhir.workflow import bundle_of
from service.outlets.data_package import Zip
from service.privacy import queries
from service.privacy.schemas import Basis, ErasureOut
from service.subjects.queries import bump

#: How long an erasure waits for readers to let go of the log before it says that it could not empty it.
_LOG_WAIT_S = 10.0

_COPIES = (
    "Copies of the record made before (backups, exports, printed reports, files that were imported) still hold the data; "
    "erase or replace them by your own rules."
)

_ABOUT_THE_COPY = """# A copy of your data

Everything that this record holds about one person, made {at:%Y-%m-%d %H:%M} UTC.

- `tables/`: the tests, their rows and results as tables, with a description of every column (`tables/README.md`).
- `record.json`: every row of the database about this person, under the names of the database.
- `history.json`: every entry of the audit about this person: who did what and when, with what was there before and what came.
- `fhir.json`: the tests as a FHIR R4 bundle, for other health programs.

What the data are used for, on what ground, who receives them and how long they are kept is for the site to tell beside this copy.
Nothing in it is a diagnosis. Ask the people who made the tests what the numbers mean for you.
"""


def access_copy(store: Store, actor: str, subject_pk: int, subject_id: str, stream: IO[bytes]) -> None:
    """Write everything that is held about one person as a zip archive, and note it in the audit.

    Parameters
    ----------
    store : Store
    actor : str
        Who asks.
    subject_pk : int
    subject_id : str
    stream : binary file
        Written in pieces.
    """
    with store.read() as session:
        record = {
            "format": "every row of the database about one person",
            "tables": dict(queries.rows_of(session, subject_pk)),
        }
        history = queries.audit_of(session, subject_id)
    bundle = bundle_of(store, subject_pk, identity=True)
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("README.md", _ABOUT_THE_COPY.format(at=now()))
        archive.writestr("record.json", _json(record))
        archive.writestr(
            "history.json", _json([entry | {"content": _read(entry["content"])} for entry in history])
        )
        archive.writestr("fhir.json", _json(bundle))
        question = Question(None, "identified", "datapackage", subject_pk=subject_pk)
        written = write_tables(store, question, Zip(archive, "tables/"))
    with store.write(actor) as transaction:
        transaction.changed(
            "access_copy",
            written.id,
            action="created",
            subject_id=subject_id,
            payload={"rows": written.rows},
        )


def _read(content: str | None) -> Any:
    return json.loads(content) if content else None


def _json(value: Any) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False, default=str) + "\n"


def erase(
    store: Store,
    actor: str,
    subject_pk: int,
    subject_id: str,
    *,
    basis: Basis,
    code: str | None = None,
    revision: int | None = None,
) -> ErasureOut:
    """Take a person out of the record: every row, the content of the audit, and the bytes of the file.

    Parameters
    ----------
    store, actor
    subject_pk : int
    subject_id : str
    basis : str
        Why; stays in the audit.
    code : str, optional
        Must be the code of the person where it is given.
    revision : int, optional
        The state it is made on, or not at all.

    Raises
    ------
    InvalidContent
        The code is another one.
    """
    with store.write(actor) as transaction:
        session = transaction.session
        bump(session, subject_pk, expected=revision)
        if (
            code is not None
            and session.scalar(sa.select(Subject.code).where(Subject.id == subject_pk)) != code
        ):
            message = "is not the code of this person; nothing was erased"
            raise InvalidContent(f"code {message}.", (Place("body.code", message),))
        counts = queries.counts_of(session, subject_pk)
        if queries.feeds_control_charts(session, subject_pk) or "calibration" in counts:
            count_change(session)
        session.execute(sa.delete(Subject).where(Subject.id == subject_pk))
        emptied = queries.empty_audit_of(session, subject_id)
        transaction.changed(
            "subject",
            subject_id,
            action="deleted",
            subject_id=subject_id,
            payload={"erasure": {"basis": basis, "rows": counts, "entries_emptied": emptied}},
        )
    overwritten = overwrite_log(store)
    return ErasureOut(
        subject_id=subject_id,
        erased=counts,
        audit_entries_emptied=emptied,
        file_overwritten=overwritten,
        remaining=_remaining(store, overwritten=overwritten),
    )


def overwrite_log(store: Store, *, wait_s: float = _LOG_WAIT_S) -> bool:
    """Bring the write-ahead log of SQLite into the file and empty it, so that no earlier page stays in it.

    Deleted content is overwritten in the file itself (``secure_delete``). False where readers kept the log in use, or
    on PostgreSQL, which has means of its own.
    """
    path = store.settings.sqlite_path
    if path is None:
        return False
    until = time.monotonic() + wait_s
    while True:
        with sqlite3.connect(path, timeout=1.0) as connection:
            busy, *_ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        connection.close()
        if not busy:
            return True
        if time.monotonic() > until:
            return False
        time.sleep(0.1)


def _remaining(store: Store, *, overwritten: bool) -> list[str]:
    told = [_COPIES]
    path = store.settings.sqlite_path
    if path is None:
        told.append(
            "PostgreSQL keeps deleted rows in its files until they are vacuumed, and in its archived logs; see the guide."
        )
    else:
        folder = Path(path).absolute().parent
        beside = sorted(one.name for one in folder.glob(f"{Path(path).name}.before-*"))
        if beside:
            told.append(f"Beside the record lie copies made before an upgrade: {', '.join(beside)}.")
        if not overwritten:
            told.append(
                "Readers kept the write-ahead log in use; it is emptied at the next erasure or when the service stops."
            )
    return told


@dataclass(frozen=True, slots=True)
class Due:
    """Somebody whose data have been kept as long as the site keeps them."""

    subject_pk: int
    subject_id: str
    code: str
    last_kept: date


def due_for_erasure(store: Store) -> list[Due]:
    """People whose last visit is longer ago than ``UPSLOPE_RETENTION_YEARS``, the longest ago first.

    Raises
    ------
    Conflict
        The site has set no such time.
    """
    years = store.settings.retention_years
    if years == 0:
        raise Conflict("UPSLOPE_RETENTION_YEARS is not set: data are kept until somebody erases them.")
    with store.read() as session:
        rows = queries.last_kept_before(session, queries.first_day_to_keep(years, now().date()))
    return [Due(pk, subject_id, code, at.date()) for pk, subject_id, code, at in rows]
