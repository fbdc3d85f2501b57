"""How SQLite and PostgreSQL hold up as a record grows: ``python -m tests.benchmarks.stores [TESTS ...]``.

People with four tests of 60 intervals each are copied row by row into both; then the same questions are asked of both, in
this process, one after the other, interleaved. Figures of one machine, made to be compared with each other.
"""

import json
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from starlette.testclient import TestClient

from service.app import configure_logging, create_app
from service.db.migrate import upgrade
from service.db.models import Base, Subject, new_public_id
from service.db.transactions import Store
from service.keys.queries import make
from service.privacy.queries import paths_to_a_person, rows_of
from service.settings import Settings
from service.upkeep.queries import size_bytes
from tests.api.conftest import Laboratory, step_test
from tests.postgresql import started
from tests.proofs.hostile_files import csv_of, good

_TESTS_EACH = 4
_AT_ONCE = 100
#: Far more than rows of one person: the numbers of a copy never meet those of another.
_STEP = 10_000


def base_of(store: Store) -> int:
    """Somebody with four tests, made as anybody is."""
    with store.write("benchmark") as transaction:
        key = make(transaction, name="benchmark", scope="admin")[1]
    client = TestClient(create_app(store.settings, store), headers={"Authorization": f"Bearer {key}"})
    laboratory = Laboratory(client)
    person = laboratory.subject()
    rows = step_test()[:60]
    for year in range(_TESTS_EACH):
        visit = laboratory.visit(person["id"], started_at=f"{2020 + year}-03-14T09:30:00+01:00")
        laboratory.complete(visit["id"], rows)
    store.key = key  # type: ignore[attr-defined] # the one that asks later
    with store.read() as session:
        return session.scalars(sa.select(Subject.id)).one()


def fill(store: Store, base: int, people: int) -> None:
    """Copies of this person, each with numbers and ids of its own."""
    with store.read() as session:
        rows = {name: found for name, found in rows_of(session, base) if found}
    order = [table for table in Base.metadata.sorted_tables if table.name in rows]
    moved = {table.name: _moved(table) for table in order}
    with store.write_engine.begin() as connection:
        for first in range(1, people, _AT_ONCE):
            for table in order:
                connection.execute(
                    sa.insert(table),
                    [
                        _copy(row, moved[table.name], number)
                        for number in range(first, min(first + _AT_ONCE, people))
                        for row in rows[table.name]
                    ],
                )


def _moved(table: sa.Table) -> set[str]:
    """Columns that number rows of a person, or name one."""
    under = paths_to_a_person()
    named = {key.parent.name for key in table.foreign_keys if key.column.table.name in under}
    return named | ({"id"} if "id" in table.columns else set())


def _copy(row: dict[str, Any], moved: set[str], number: int) -> dict[str, Any]:
    made = {
        name: value + number * _STEP if name in moved and value is not None else value
        for name, value in row.items()
    }
    if "public_id" in made:
        made["public_id"] = new_public_id()
    if "code" in made:
        made["code"] = f"B-{number:07}"
    return made


def median_ms(ask: Callable[[], object], times: int) -> float:
    """Median time of several askings."""
    took = []
    for _ in range(times):
        began = time.perf_counter()
        ask()
        took.append((time.perf_counter() - began) * 1000)
    return statistics.median(took)


def questions(store: Store) -> Iterator[tuple[str, Callable[[], object], int]]:
    """What is asked, how, and how often."""
    client = TestClient(
        create_app(store.settings, store),
        headers={"Authorization": f"Bearer {store.key}"},  # type: ignore[attr-defined]
    )
    with store.read() as session:
        ids = list(session.scalars(sa.select(Subject.public_id).order_by(Subject.id)))
    chance = random.Random(1)

    def trend() -> None:
        answer = client.get(f"/v1/subjects/{chance.choice(ids)}/trends/vo2_peak_ml_kg_min")
        assert len(answer.json()["series"][0]["points"]) == _TESTS_EACH

    yield "trend of one person (ms)", trend, 100
    yield "first 50 people (ms)", lambda: client.get("/v1/subjects"), 30
    yield "search of a name (ms)", lambda: client.get("/v1/subjects", params={"query": "b-00000"}), 20
    visits = iter(
        [
            Laboratory(client).visit(chance.choice(ids), started_at=f"2025-0{1 + place % 9}-10T10:00:00Z")[
                "id"
            ]
            for place in range(20)
        ]
    )

    def upload() -> None:
        answer = Laboratory(client).upload(next(visits), csv_of(good()))
        assert answer.status_code == 201, answer.text

    yield "import of a file, analysed and stored (ms)", upload, 20


def measured(stores: dict[str, Store]) -> dict[str, dict[str, float]]:
    """Each question to each store in turn."""
    found: dict[str, dict[str, float]] = {}
    asked = {name: list(questions(store)) for name, store in stores.items()}
    for place in range(len(next(iter(asked.values())))):
        for name in stores:
            words, ask, times = asked[name][place]
            found.setdefault(words, {})[name] = median_ms(ask, times)
    for name, store in stores.items():
        with store.read() as session:
            intervals = session.scalar(sa.text("SELECT count(*) FROM interval")) or 1
            size = size_bytes(session)
        found.setdefault("whole database by interval (bytes)", {})[name] = size / intervals
    return found


def main(sizes: list[int]) -> None:
    """Print a table, and write it to build/stores.json."""
    configure_logging("error")
    result = {}
    with started() as cluster, tempfile.TemporaryDirectory() as folder:
        for tests in sizes:
            stores = {
                "SQLite": Store(Settings(database_url=f"sqlite:///{folder}/{tests}.db")),
                "PostgreSQL": Store(Settings(database_url=cluster.new(migrated=False))),
            }
            for store in stores.values():
                upgrade(store.settings)
                fill(store, base_of(store), tests // _TESTS_EACH)
                if store.settings.sqlite_path is None:
                    with store.write_engine.connect().execution_options(isolation_level="AUTOCOMMIT") as one:
                        one.execute(sa.text("VACUUM ANALYZE"))
            result[str(tests)] = measured(stores)
            for store in stores.values():
                store.close()
    sys.stdout.write(
        "| Question | "
        + " | ".join(f"{name}, {tests} tests" for tests in sizes for name in ("SQLite", "PostgreSQL"))
        + " |\n"
    )
    sys.stdout.write("| --- |" + " ---: |" * (2 * len(sizes)) + "\n")
    for words in result[str(sizes[0])]:
        cells = [
            f"{result[str(tests)][words][name]:.3g}" for tests in sizes for name in ("SQLite", "PostgreSQL")
        ]
        sys.stdout.write(f"| {words} | " + " | ".join(cells) + " |\n")
    out = Path("build/stores.json")
    out.parent.mkdir(exist_ok=True)
    out.write_text(json.dumps(result, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main([int(one) for one in sys.argv[1:]] or [1_000, 10_000])
