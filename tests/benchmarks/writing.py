"""How quickly what is written is stored, held against the least that must be done: parse, analyse, write, commit."""

import contextlib
import csv
import io
import itertools
import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import httpx
import numpy as np
import sqlalchemy as sa
from rich.console import Console
from rich.progress import Progress

from service.analyses.queries import load_tests, norm_tables
from service.analyses.workflow import to_input
from service.analysis.series import Series
from service.analysis.summary import AnalysisSettings, analyse_test
from service.db.models import ExerciseTest, Subject
from service.upkeep.workflow import ToAnalyse, analyse_each, to_analyse
from service.workers import cores
from tests.api.conftest import step_test
from tests.benchmarks.bare import Bare
from tests.benchmarks.filling import FilledStore
from tests.benchmarks.load import asked, request
from tests.benchmarks.rows import TIMES, Row, in_turn, judged, milliseconds, tell
from tests.benchmarks.serving import floors, service
from tests.proofs.hostile_files import csv_of, good
from tests.proofs.served import environment_of

_CHANNELS = ("vo2_ml_min", "vco2_ml_min", "ve_l_min", "heart_rate_bpm", "speed_km_h", "grade_percent")
LEAST = "csv reader, the project's analysis in process, the driver's executemany and commit"
_ROWS = 60
#: Tests analysed anew in one measuring.
_ANEW = 2_000
#: Intervals appended between two counts of the slowest.
_COUNT = 100


def file_of(number: int) -> bytes:
    """An invented 15-s file that no other is like."""
    rows = good()[:_ROWS]
    rows[0][1] = float(rows[0][1]) + number / 1000  # type: ignore[arg-type] # a cell of numbers
    return csv_of(rows)


class Least:
    """The least: what an import comes to without a record around it."""

    def __init__(self, store: FilledStore, folder: Path) -> None:
        with store.read() as session:
            pk = session.scalars(sa.select(ExerciseTest.id).order_by(ExerciseTest.id).limit(1)).one()
            self.like = load_tests(session, [pk])[pk]
            self.norms = norm_tables(session)
        self.table = Bare(store.settings, folder / "least.db", 2 + len(_CHANNELS))

    def store(self, data: bytes) -> None:
        """Parse, analyse, store."""
        cells = csv.reader(io.StringIO(data.decode()))
        next(cells)
        table = np.array([[float(cell) for cell in row] for row in cells])
        end_s = table[:, 0]
        series = Series(
            end_s=end_s,
            duration_s=np.diff(end_s, prepend=0.0),
            channels={name: table[:, place] for place, name in enumerate(_CHANNELS, start=1)},
            phase=self.like.series.phase,
            stage=self.like.series.stage,
            excluded=np.zeros(len(table), dtype=np.bool_),
        )
        test = to_input(replace(self.like, series=series), None)
        document = json.dumps(analyse_test(test, AnalysisSettings(), self.norms, ()).as_dict())
        rows = zip(*(column.tolist() for column in (end_s, series.duration_s, *table[:, 1:].T)), strict=True)
        self.table.store(list(rows), document)


def rows(store: FilledStore, *, files: int, times: int = TIMES, quick: bool = False) -> list[Row]:
    """Rows of writing; each measuring of a file's import takes so many files, and a quick look no list by command."""
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        url = store.settings.database_url
        processes = [stack.enter_context(one) for one in (service(url), floors(url, folder))]
        port, floor = (one.wait() for one in processes)
        client = stack.enter_context(
            httpx.Client(
                base_url=f"http://127.0.0.1:{port}",
                headers={"Authorization": f"Bearer {store.key}"},
                timeout=60,
            )
        )
        least = Least(store, folder)
        stack.callback(least.table.close)
        return [
            *_ingest(store, client, least, folder, files, times, quick=quick),
            *_append(store, client, port, floor, times),
        ]


def _ingest(
    store: FilledStore,
    client: httpx.Client,
    least: Least,
    folder: Path,
    files: int,
    times: int,
    *,
    quick: bool,
) -> list[Row]:
    with store.read() as session:
        people = list(session.scalars(sa.select(Subject.public_id).order_by(Subject.id).limit(50)))
    turn = iter(range(10_000))
    visits = [_visit(client, people[place % len(people)], place) for place in range((times + 1) * files)]
    at = iter(visits)

    def over_http() -> None:
        for _ in range(files):
            _posted(
                client.post(
                    f"/v1/visits/{next(at)}/imports",
                    files={"file": ("test.csv", file_of(next(turn)))},
                    data={"options": '{"mode": "treadmill"}'},
                )
            )

    def bare() -> None:
        for _ in range(files):
            least.store(file_of(next(turn)))

    batch = 4 * files
    manifests = iter([_manifest(folder / f"batch-{place}", place, batch) for place in range(times)])
    program = [str(Path(sys.executable).with_name("upslope")), "import", "--manifest"]

    def by_command() -> None:
        subprocess.run(
            [*program, str(next(manifests))],
            env=environment_of(store.settings.database_url),
            stdout=subprocess.DEVNULL,
            check=True,
        )

    tell("imports")
    over_http()
    bare()
    kinds = {
        "http": lambda: milliseconds(over_http) / files,
        "least": lambda: milliseconds(bare) / files,
    }
    if not quick:
        kinds["command"] = lambda: milliseconds(by_command) / batch
    found = in_turn(kinds, times)
    size = f"{_ROWS} intervals"
    least_ms = found["least"]
    told = [
        judged(
            "import of a 15-s file over HTTP, ms",
            size,
            found["http"],
            floor=LEAST,
            floor_value=least_ms,
            at_least=0.5,
        )
    ]
    if not quick:
        words = f"bulk import by command, {batch} files, ms a file"
        told.append(judged(words, size, found["command"], floor=LEAST, floor_value=least_ms, at_least=0.8))
    return told


def _visit(client: httpx.Client, person: str, place: int) -> str:
    body = {
        "started_at": f"2025-{1 + place % 12:02}-{1 + place // 12 % 28:02}T{8 + place // 336 % 12:02}:00:00Z",
        "body_mass_kg": 75.0,
        "height_cm": 180.0,
    }
    answer = _posted(client.post(f"/v1/subjects/{person}/visits", json=body))
    made: str = answer.json()["id"]
    return made


def _posted(answer: httpx.Response) -> httpx.Response:
    assert answer.status_code == httpx.codes.CREATED, answer.text
    return answer


def _manifest(folder: Path, number: int, files: int) -> Path:
    """A folder of files, each of somebody new, and the list of them."""
    folder.mkdir()
    lines = ["subject,sex,birth_date,date,mode,body_mass_kg,file"]
    for place in range(files):
        name = f"{place}.csv"
        (folder / name).write_bytes(file_of(1_000_000 + number * files + place))
        lines.append(f"M-{number}-{place},male,1990-06-15,2025-03-14,treadmill,75,{name}")
    path = folder / "manifest.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _append(store: FilledStore, client: httpx.Client, port: int, floor: int, times: int) -> list[Row]:
    """One interval after the other into a running test, on one connection; the slowest of a hundred."""
    key = {"Authorization": f"Bearer {store.key}", "Content-Type": "application/json"}
    with store.read() as session:
        person = session.scalars(sa.select(Subject.public_id).order_by(Subject.id).limit(1)).one()
    size = 1

    def appended() -> list[bytes]:
        body = {"started_at": "2026-02-01T10:00:00Z", "body_mass_kg": 75.0}
        visit = _posted(client.post(f"/v1/subjects/{person}/visits", json=body)).json()["id"]
        test = _posted(client.post(f"/v1/visits/{visit}/tests", json={"mode": "treadmill"})).json()["id"]
        rows = (step_test() * 3)[:_COUNT]
        return [
            request(
                f"/v1/tests/{test}/intervals",
                method="POST",
                headers=key,
                body=json.dumps({"intervals": [{**row, "end_s": 15.0 * (place + 1)}]}).encode(),
            )
            for place, row in enumerate(rows)
        ]

    def p99(make: Callable[[], list[bytes]], to: int) -> float:
        return asked(to, iter(make()), seconds=600, connections=1).p99_ms

    tell("appending")
    bare = [request(f"/write/{size}", method="POST", body=b"{}")] * _COUNT
    p99(appended, port)
    found = in_turn(
        {"service": lambda: p99(appended, port), "floor": lambda: p99(lambda: bare, floor)}, times
    )
    return [
        judged(
            "appending one interval to a running test, p99, ms",
            f"{_COUNT} intervals",
            found["service"],
            floor="HTTP constant and a bare commit of one row by the driver",
            floor_value=found["floor"],
            at_most=2.0,
        )
    ]


def analysed_anew(store: FilledStore, *, tests: int = _ANEW, times: int = TIMES) -> list[Row]:
    """One process and all cores analyse parts of a record anew, in turn, each part by both."""
    every = to_analyse(store, everything=True)
    parts = [every[place : place + tests] for place in range(0, len(every), tests)]
    turns = itertools.cycle(parts)
    with Progress(console=Console(stderr=True), transient=True) as progress:

        def anew(part: Sequence[ToAnalyse], processes: int) -> float:
            began = time.perf_counter()
            told = analyse_each(store, "benchmark", part, processes=processes)
            for _ in progress.track(told, total=len(part), description=f"analysing, {processes} at once"):
                pass
            return (time.perf_counter() - began) / len(part) * 1000

        one, all_of_them = [], []
        for _ in range(times):
            part = next(turns)
            one.append(anew(part, 1))
            all_of_them.append(anew(part, cores()))
    return [
        judged(
            f"analysing tests anew on {cores()} cores, ms a test",
            f"{times} x {tests:,} of {len(every):,} tests",
            statistics.median(all_of_them),
            floor="the time of one process divided by the cores",
            floor_value=statistics.median(one) / cores(),
            at_least=0.8,
        )
    ]
