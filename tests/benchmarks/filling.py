"""Large records of invented people, filled in seconds: `filled` in a file of its own, `fill` in any empty record.

A few people are made as anybody is, over HTTP; then all their rows are copied within the database, each copy with numbers
and ids of its own. The audit is chained anew over everybody, so that a check of the record passes. Ids, the key and what is
measured are the same in every filling; when it was written down is not.
"""

import random
import sys
import time
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine
from starlette.testclient import TestClient

from service.analysis.series import PHASES
from service.app import configure_logging, create_app
from service.db.migrate import upgrade
from service.db.models import Base, Change, ChangePayload, ExerciseTest
from service.db.transactions import Store, chained_hash, payload_digest
from service.keys.queries import make
from service.privacy.queries import paths_to_a_person
from service.settings import Settings
from tests.analysis.simulated_tests import RAMP_15, simulate
from tests.api.conftest import Laboratory, step_test

TESTS_EACH = 4
#: People made over HTTP: of their hundred tests one is breath by breath.
_PEOPLE = 25
TESTS_AT_ONCE = _PEOPLE * TESTS_EACH
_INTERVALS = 60
_BREATHS = 600
#: Copies between two commits: what is not committed is held in memory or in a log.
_COPIES_AT_ONCE = 50
#: How much of a public id a copy keeps; the number of the copy follows.
_KEPT = 9
_FIRST_NUMBER = 1_000_000


class FilledStore(Store):
    """A record with the secret of its one key, which is an admin's."""

    key: str


def filled(folder: Path, tests: int) -> FilledStore:
    """A SQLite record at the newest schema with so many tests.

    Parameters
    ----------
    folder : Path
        Where the file is made.
    tests : int
        In hundreds: people with four tests each, of 60 intervals; one test in a hundred is breath by breath.
    """
    return fill(Settings(database_url=f"sqlite:///{folder / f'{tests}.db'}"), tests)


def fill(settings: Settings, tests: int) -> FilledStore:
    """Bring an empty record to the newest schema and fill it with so many tests, in hundreds."""
    if tests < TESTS_AT_ONCE or tests % TESTS_AT_ONCE:
        raise ValueError(f"tests come in hundreds, not {tests}")
    upgrade(settings)
    store = FilledStore(settings)
    store.key = _make_people(store)
    store.close()  # nobody else may have the file open while it is copied into
    engine = _in_a_hurry(settings)
    _copy_people(engine, tests // TESTS_AT_ONCE)
    engine.dispose()
    return store


def _in_a_hurry(settings: Settings) -> Engine:
    """Connections that may lose the file if the power fails: it can be filled again."""
    engine = sa.create_engine(settings.database_url)
    if settings.sqlite_path is not None:

        @sa.event.listens_for(engine, "connect")
        def prepare(connection: Any, record: object) -> None:
            del record
            for setting in ("journal_mode=OFF", "synchronous=OFF", "cache_size=-262144"):
                connection.execute(f"PRAGMA {setting}").close()

    return engine


# --- people as anybody makes them --------------------------------------------------------------------------------


def _make_people(store: Store) -> str:
    """A key, and people with four tests each; the key's secret."""
    chance = random.Random(20_260_314)
    with (
        mock.patch("service.db.models.secrets.choice", chance.choice),
        mock.patch("service.http.keys.secrets.token_urlsafe", lambda size: chance.randbytes(size).hex()),
    ):
        with store.write("benchmark") as transaction:
            key = make(transaction, name="benchmark", scope="admin")[1]
        client = TestClient(create_app(store.settings, store), headers={"Authorization": f"Bearer {key}"})
        laboratory = Laboratory(client)
        for number in range(_PEOPLE):
            _make_person(laboratory, number)
    return key


def _make_person(laboratory: Laboratory, number: int) -> None:
    person = laboratory.subject(
        code=_code(number + 1),
        sex=("male", "female")[number % 2],
        birth_date=f"{1960 + number}-06-15",
    )
    for year in range(TESTS_EACH):
        visit = laboratory.visit(
            person["id"],
            started_at=f"{2020 + year}-{1 + number % 12:02}-14T09:30:00+01:00",
            round=str(year + 1),
            body_mass_kg=60.0 + number + 0.3 * year,
        )
        if number == _PEOPLE - 1 and year == TESTS_EACH - 1:
            laboratory.complete(visit["id"], _breaths(), mode="cycle", shape="ramp")
        else:
            peak_ml_min = 2600.0 + 60.0 * number + 25.0 * year * (7 * number % 5 - 1)
            laboratory.complete(visit["id"], step_test(peak_ml_min)[:_INTERVALS])


def _breaths() -> list[dict[str, Any]]:
    """An invented ramp, breath by breath."""
    series = simulate(RAMP_15, 5, exercise_s=1100.0).series
    values = {name: np.round(column, 2).tolist() for name, column in series.channels.items()}
    return [
        {
            "end_s": round(float(series.end_s[row]), 3),
            "phase": PHASES[series.phase[row]],
            **{name: column[row] for name, column in values.items()},
        }
        for row in range(min(_BREATHS, len(series)))
    ]


def _code(number: int) -> str:
    return f"B-{number:07}"


# --- their copies ------------------------------------------------------------------------------------------------


def _copy_people(engine: Engine, times: int) -> None:
    """Copy every row of the people there are, until all are there so many times."""
    with engine.connect() as connection:
        tables = [table for table in Base.metadata.sorted_tables if table.name in paths_to_a_person()]
        tables = [one for one in tables if connection.scalar(sa.select(sa.func.count()).select_from(one))]
        last = {
            table.name: connection.scalar(sa.select(sa.func.max(table.c.id)))
            for table in tables
            if "id" in table.c
        }
    for first in range(1, times, _COPIES_AT_ONCE):
        with engine.begin() as connection:
            for table in tables:
                _copy(connection, table, last, range(first, min(first + _COPIES_AT_ONCE, times)))
    with engine.begin() as connection:
        _copy_audit(connection, times)
        if connection.dialect.name == "postgresql":
            _go_on_counting(connection, tables)


def _copy(connection: Connection, table: sa.Table, last: dict[str, int], copies: range) -> None:
    """Copies of the rows that were there first, in the order of their keys."""
    numbers = sa.select(sa.literal(copies.start, sa.Integer).label("copy")).cte("numbers", recursive=True)
    numbers = numbers.union_all(sa.select(numbers.c.copy + 1).where(numbers.c.copy < copies.stop - 1))
    copy = numbers.c.copy
    source = table.alias("source")
    tables: Any = numbers.join(source, _is_first(source, table, last))
    columns: dict[str, Any] = {column.name: column for column in source.c}
    for column in table.c:
        parents = [key.column.table.name for key in column.foreign_keys]
        counted = (
            parents[0] if parents and parents[0] in last else table.name if column.name == "id" else None
        )
        if counted is not None:
            columns[column.name] = source.c[column.name] + copy * last[counted]
    if "public_id" in columns:
        columns["public_id"] = _id_of_copy(source.c.public_id, copy)
    if "code" in columns:
        number = sa.cast(columns["id"] + 10_000_000, sa.Text)
        columns["code"] = sa.literal("B-") + sa.func.substr(number, 2)
    if "document" in columns:
        # What is served names the test.
        test = ExerciseTest.__table__.alias("test")
        tables = tables.join(test, test.c.id == source.c.test_id)
        columns["document"] = sa.func.replace(
            source.c.document, test.c.public_id, _id_of_copy(test.c.public_id, copy)
        )
    rows = (
        sa.select(*columns.values())
        .select_from(tables)
        .order_by(copy, *(source.c[key.name] for key in table.primary_key))
    )
    connection.execute(sa.insert(table).from_select(list(columns), rows))


def _is_first(source: Any, table: sa.Table, last: dict[str, int]) -> Any:
    """Of those made over HTTP: by its own number, or by that of what it is of."""
    if "id" in table.c:
        return source.c.id <= last[table.name]
    parents = [(one.parent.name, one.column.table.name) for one in table.foreign_keys]
    return sa.and_(*(source.c[name] <= last[parent] for name, parent in parents if parent in last))


def _id_of_copy(public_id: Any, copy: Any) -> Any:
    return sa.func.substr(public_id, 1, _KEPT) + sa.cast(copy + _FIRST_NUMBER, sa.Text)


def _copy_audit(connection: Connection, times: int) -> None:
    """What was noted of these people, of every copy, chained on."""
    change, payload = Change.__table__, ChangePayload.__table__
    rows = connection.execute(
        sa.select(change, payload.c.salt, payload.c.payload)
        .join(payload, payload.c.seq == change.c.seq)
        .order_by(change.c.seq)
    ).all()
    last = rows[-1].hash
    own = [row for row in rows if row.subject_id is not None]
    ids = {row.id for row in own}
    templates = [_with_marks(row.payload, ids) for row in own]
    seq = rows[-1].seq
    for copy in range(1, times):
        number = str(copy + _FIRST_NUMBER)
        changes, payloads = [], []
        for row, template in zip(own, templates, strict=True):
            seq += 1
            text = template.replace(_MARK, number)
            salt = f"{seq:032x}"
            names = {
                "actor": row.actor,
                "kind": row.kind,
                "id": row.id[:_KEPT] + number,
                "subject_id": row.subject_id[:_KEPT] + number,
                "action": row.action,
            }
            digest = payload_digest(salt, text)
            last = chained_hash(last, at=row.at, digest=digest, **names)
            changes.append({"seq": seq, "at": row.at, "payload_digest": digest, "hash": last, **names})
            payloads.append({"seq": seq, "salt": salt, "payload": text})
        connection.execute(sa.insert(change), changes)
        connection.execute(sa.insert(payload), payloads)


#: Stands for the number of the copy in what is noted.
_MARK = "\x00"


def _with_marks(text: str, ids: set[str]) -> str:
    for one in ids:
        text = text.replace(one, one[:_KEPT] + _MARK)
    return text


def _go_on_counting(connection: Connection, tables: list[sa.Table]) -> None:
    """Let PostgreSQL count on after the numbers that were given here."""
    for table, name in [*((one, "id") for one in tables if "id" in one.c), (Change.__table__, "seq")]:
        sequence = sa.func.pg_get_serial_sequence(table.name, name)
        connection.execute(
            sa.select(sa.func.setval(sequence, sa.select(sa.func.max(table.c[name])).scalar_subquery()))
        )


def main() -> None:
    """Fill a record of so many tests in a folder: ``python -m tests.benchmarks.filling FOLDER TESTS``."""
    configure_logging("error")
    began = time.perf_counter()
    filled(Path(sys.argv[1]), int(sys.argv[2])).close()
    sys.stdout.write(f"filled in {time.perf_counter() - began:.1f} s\n")


if __name__ == "__main__":
    main()
