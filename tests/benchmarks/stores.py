"""How SQLite and PostgreSQL hold up as a record grows: ``python -m tests.benchmarks.stores [TESTS ...]``.

Both are filled with the same people, with four tests each (`tests.benchmarks.filling`); then the same questions are asked of
both, in this process, one after the other, interleaved. Figures of one machine, made to be compared with each other.
"""

import json
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import sqlalchemy as sa
from starlette.testclient import TestClient

from service.app import configure_logging, create_app
from service.db.models import Subject
from service.settings import Settings
from service.upkeep.queries import size_bytes
from tests.api.conftest import Laboratory
from tests.benchmarks.filling import TESTS_EACH, FilledStore, fill
from tests.postgresql import started
from tests.proofs.hostile_files import csv_of, good


def median_ms(ask: Callable[[], object], times: int) -> float:
    """Median time of several askings."""
    took = []
    for _ in range(times):
        began = time.perf_counter()
        ask()
        took.append((time.perf_counter() - began) * 1000)
    return statistics.median(took)


def questions(store: FilledStore) -> Iterator[tuple[str, Callable[[], object], int]]:
    """What is asked, how, and how often."""
    client = TestClient(
        create_app(store.settings, store),
        headers={"Authorization": f"Bearer {store.key}"},
    )
    with store.read() as session:
        ids = list(session.scalars(sa.select(Subject.public_id).order_by(Subject.id)))
    chance = random.Random(1)

    def trend() -> None:
        answer = client.get(f"/v1/subjects/{chance.choice(ids)}/trends/vo2_peak_ml_kg_min")
        assert sum(len(one["points"]) for one in answer.json()["series"]) == TESTS_EACH

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


def measured(stores: dict[str, FilledStore]) -> dict[str, dict[str, float]]:
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
                "SQLite": fill(Settings(database_url=f"sqlite:///{folder}/{tests}.db"), tests),
                "PostgreSQL": fill(Settings(database_url=cluster.new(migrated=False)), tests),
            }
            for store in stores.values():
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
