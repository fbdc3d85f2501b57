"""How quickly the service answers over HTTP, held against a bare answer of the same framework on the same machine.

Every service is a process of its own with one worker, as `upslope serve` starts it. `asked again` is what a dashboard or a
page does: the answer is ready (see `service/http/ready.py`). `computed` is a service that may keep nothing ready, asked
about one person after the other.
"""

import contextlib
import itertools
import random
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from service.db.models import ExerciseTest, Subject
from service.db.transactions import Store
from service.trends.workflow import trend_of
from tests.benchmarks.filling import FilledStore
from tests.benchmarks.load import Load, answered, asked, request
from tests.benchmarks.rows import TIMES, Row, judged, tell
from tests.proofs.served import environment_of, free_port, wait_until_ready

#: The renderers of a service that was just started take the machine for a moment.
_RENDERERS_S = 3.0
QUANTITY = "vo2_peak_ml_kg_min"
FLOOR = "the same key and `select 1`, then constant bytes of the same size"
BARE = "the framework's bare async constant of the same size"


@dataclass(frozen=True, slots=True)
class Process:
    """A process that will answer on a port."""

    port: int
    ready_at: str
    process: "subprocess.Popen[bytes]"

    def wait(self) -> int:
        """The port, once it answers."""
        wait_until_ready(f"http://127.0.0.1:{self.port}", self.process, at=self.ready_at)
        return self.port


@contextlib.contextmanager
def _started(command: list[str], ready_at: str, url: str, variables: Mapping[str, str]) -> Iterator[Process]:
    port = free_port()
    process = subprocess.Popen(
        [part.replace("PORT", str(port)) for part in command],
        env=environment_of(url) | variables,
        stdout=subprocess.DEVNULL,
    )
    try:
        yield Process(port, ready_at, process)
    finally:
        process.terminate()
        process.wait(60)


def service(url: str, **variables: str) -> contextlib.AbstractContextManager[Process]:
    """`upslope serve` on a record."""
    program = str(Path(sys.executable).with_name("upslope"))
    return _started([program, "serve", "--port", "PORT"], "/readyz", url, variables)


def floors(url: str, folder: Path) -> contextlib.AbstractContextManager[Process]:
    """The floors on a record."""
    command = [
        sys.executable,
        "-m",
        "tests.benchmarks.floors",
        "PORT",
        str(folder / f"floor_{free_port()}.db"),
    ]
    return _started(command, "/bare/1", url, {})


@dataclass(frozen=True, slots=True)
class _Kind:
    """Something that is asked for again and again."""

    port: int
    requests: Iterator[bytes]
    status: int = 200


def rows(stores: Mapping[int, FilledStore], *, seconds: float, times: int = TIMES) -> list[Row]:
    """Rows of reading, the same for each record, and how they grow with it."""
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        started = {}
        for tests, store in stores.items():
            url = store.settings.database_url
            each = (service(url), service(url, UPSLOPE_READY_MIB="0"), floors(url, folder))
            started[tests] = [stack.enter_context(one) for one in each]
        kinds = {
            (name, tests): kind
            for tests, store in stores.items()
            for name, kind in _kinds(store, *(one.wait() for one in started[tests])).items()
        }
        time.sleep(_RENDERERS_S)
        found = _measured(kinds, seconds, times)
    answer: list[Row] = []
    for tests in stores:
        answer += _of_size(found, tests)
    answer += _growth(found, stores)
    return answer


def _kinds(store: FilledStore, ready: int, computed: int, floor: int) -> dict[str, _Kind]:
    key = {"Authorization": f"Bearer {store.key}"}
    with store.read() as session:
        people = list(session.scalars(sa.select(Subject.public_id).order_by(Subject.id)))
        tests = list(
            session.scalars(sa.select(ExerciseTest.public_id).order_by(ExerciseTest.id).limit(20_000))
        )
    chance = random.Random(1)
    trends = [f"/v1/subjects/{one}/trends/{QUANTITY}" for one in people]
    analyses = [f"/v1/tests/{one}/analysis" for one in tests]
    answer: dict[str, _Kind] = {}
    for name, addresses in (("trend", trends), ("analysis", analyses)):
        address = addresses[len(addresses) // 2]
        headers, body = answered(ready, request(address, headers=key))
        again = request(address, headers=key)
        answer[f"{name} asked again"] = _Kind(ready, itertools.repeat(again))
        unchanged = request(address, headers=key | {"If-None-Match": headers["etag"]})
        answer[f"{name} not modified"] = _Kind(ready, itertools.repeat(unchanged), 304)
        order = [request(one, headers=key) for one in chance.sample(addresses, min(len(addresses), 5000))]
        answer[f"{name} computed"] = _Kind(computed, itertools.cycle(order))
        answer[f"{name} floor"] = _Kind(
            floor, itertools.repeat(request(f"/v1/floor/{len(body)}", headers=key))
        )
        answer[f"{name} bare"] = _Kind(floor, itertools.repeat(request(f"/bare/{len(body)}")))
    return answer


def _measured(
    kinds: Mapping[tuple[str, int], _Kind], seconds: float, times: int
) -> dict[tuple[str, int], Load]:
    """Medians of several askings, all kinds in turn; the first asking of each warms up and does not count."""
    taken: dict[tuple[str, int], list[Load]] = {name: [] for name in kinds}
    for turn in range(times + 1):
        tell(f"reading, turn {turn} of {times}")
        for name, kind in kinds.items():
            load = asked(
                kind.port, kind.requests, status=kind.status, seconds=seconds if turn else seconds / 2
            )
            if turn:
                taken[name].append(load)
    return {
        name: Load(*(statistics.median(getattr(load, part) for load in loads) for part in Load.__slots__))
        for name, loads in taken.items()
    }


def _of_size(found: Mapping[tuple[str, int], Load], tests: int) -> Iterator[Row]:
    size = f"{tests:,} tests"
    for what, words, goal in (
        ("trend", "trend of one subject", 0.5),
        ("analysis", "stored analysis of a test", 0.6),
    ):
        floor, bare = found[f"{what} floor", tests], found[f"{what} bare", tests]
        for state, least in (("asked again", goal), ("not modified", 0.8), ("computed", goal)):
            load = found[f"{what} {state}", tests]
            rate = f"{words} over HTTP, {state}, 8 connections, requests/s"
            yield judged(
                rate,
                size,
                load.per_second,
                floor=FLOOR,
                floor_value=floor.per_second,
                at_least=least,
                rate=True,
            )
            if what == "trend" and state != "not modified":
                yield judged(
                    rate,
                    size,
                    load.per_second,
                    floor=BARE,
                    floor_value=bare.per_second,
                    at_least=0.2,
                    rate=True,
                )
            for part in ("p50_ms", "p99_ms"):
                yield judged(
                    f"{words} over HTTP, {state}, {part[:3]}, ms",
                    size,
                    getattr(load, part),
                    floor=FLOOR,
                    floor_value=getattr(floor, part),
                )


def _growth(found: Mapping[tuple[str, int], Load], stores: Mapping[int, Store]) -> Iterator[Row]:
    smallest, *larger = sorted(stores)
    on_sqlite = all(store.settings.sqlite_path is not None for store in stores.values())
    steps = {tests: steps_of_a_trend(store) for tests, store in stores.items()} if on_sqlite else {}
    for tests in larger:
        floor = f"the same with {smallest:,} tests"
        for state in ("asked again", "computed"):
            yield judged(
                f"trend of one subject over HTTP, {state}, p50, ms",
                f"{tests:,} tests",
                found[f"trend {state}", tests].p50_ms,
                floor=floor,
                floor_value=found[f"trend {state}", smallest].p50_ms,
                at_most=1.15,
            )
        if not steps:
            continue
        yield judged(
            "trend of one subject: steps of SQLite's machine, which are as many as rows scanned make them",
            f"{tests:,} tests",
            steps[tests],
            floor=floor,
            floor_value=steps[smallest],
            at_most=1.0,
        )


def steps_of_a_trend(store: Store) -> int:
    """Instructions that SQLite's virtual machine runs for one trend: its rows decide them, and no clock."""
    steps = 0

    def count() -> int:
        nonlocal steps
        steps += 1
        return 0

    own = Store(store.settings)
    try:
        with own.read() as session:
            subject_pk, subject_id = session.execute(
                sa.select(Subject.id, Subject.public_id).order_by(Subject.id).limit(1)
            ).one()
        trend_of(own, subject_pk, subject_id, QUANTITY)  # the connection is open, its schema known
        with own.read_engine.connect() as connection:
            held = connection.connection.driver_connection
            assert isinstance(held, sqlite3.Connection)
            held.set_progress_handler(count, 1)
        trend_of(own, subject_pk, subject_id, QUANTITY)
    finally:
        own.close()
    assert steps > 0, "the connection that was counted was not the one that was asked"
    return steps
