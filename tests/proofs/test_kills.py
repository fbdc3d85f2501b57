"""A service killed at random moments keeps every write that it answered, and has no half of another.

SIGKILL leaves the pages that the operating system holds; what a loss of power does rests on SQLite's `synchronous=FULL`
and on disks that keep their word, and is not tried here.
"""

import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.settings import Settings
from service.upkeep.workflow import run_checks
from tests.api.conftest import Laboratory, step_test
from tests.proofs.served import free_port

pytestmark = pytest.mark.sqlite_file
ROOT = Path(__file__).parents[2]


class Nursery:
    """Starts the service, kills it, starts it again."""

    def __init__(self, url: str) -> None:
        self.port = free_port()
        self.address = f"http://127.0.0.1:{self.port}"
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.proofs.nursery", url, str(self.port)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._said() == "ready"
        self.child = 0

    def _said(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline().strip()

    def start(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write("start\n")
        self._process.stdin.flush()
        self.child = int(self._said())
        until = time.monotonic() + 30
        while True:
            try:
                if httpx.get(f"{self.address}/healthz", timeout=5).status_code == 200:
                    return
            except httpx.TransportError:
                assert time.monotonic() < until, "the service does not come back"
                time.sleep(0.01)

    def kill(self) -> None:
        os.kill(self.child, signal.SIGKILL)

    def close(self) -> None:
        self.kill()
        self._process.communicate()


@dataclass
class Writer:
    """Writes one after the other; what is answered is acknowledged, what is cut off is repeated with its key."""

    make: Callable[[int], tuple[str, str, dict[str, Any]]]
    acknowledged: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    cut_off: int = 0
    number: int = 0

    def go_on(self, client: httpx.Client, stop: threading.Event) -> None:
        while not stop.is_set():
            method, path, content = self.make(self.number)
            try:
                answer = client.request(
                    method, path, headers={"Idempotency-Key": f"{id(self)}-{self.number}"}, **content
                )
            except httpx.TransportError:
                self.cut_off += 1
                return
            if answer.status_code not in {200, 201}:
                self.refused.append(answer.text)
                return
            self.acknowledged.append((self.number, answer.json()))
            self.number += 1


def csv_of(number: int) -> bytes:
    """A file like no other."""
    rows = step_test(3000.0 + number)
    names = (
        "end_s",
        "vo2_ml_min",
        "vco2_ml_min",
        "ve_l_min",
        "heart_rate_bpm",
        "speed_km_h",
        "grade_percent",
    )
    head = "t (s),VO2 (mL/min),VCO2 (mL/min),VE (L/min),HR (bpm),Speed (km/h),Grade (%)"
    return "\n".join([head, *(",".join(str(row[name]) for name in names) for row in rows)]).encode()


@pytest.fixture
def nursery(store, tester_key) -> Iterator[Nursery]:
    store.close()
    one = Nursery(store.settings.database_url)
    yield one
    one.close()


@pytest.mark.parametrize("kills", [5, pytest.param(200, marks=pytest.mark.proof)])
def test_every_acknowledged_write_is_there(kills, nursery, store, tester_key, figures):
    seed = random.randrange(10**6)
    moments = random.Random(seed)
    nursery.start()

    def connected() -> httpx.Client:
        headers = {"Authorization": f"Bearer {tester_key}"}
        return httpx.Client(base_url=nursery.address, headers=headers, timeout=30)

    with connected() as client:
        laboratory = Laboratory(client)
        importing, recording, judging = (laboratory.visit(laboratory.subject()["id"])["id"] for _ in range(3))
        recorded = laboratory.planned(recording)["id"]
        judged = laboratory.complete(judging)["id"]
    writers = {
        "imports": Writer(
            lambda number: (
                "POST",
                f"/v1/visits/{importing}/imports",
                {"files": {"file": ("a.csv", csv_of(number))}, "data": {"options": '{"mode": "treadmill"}'}},
            )
        ),
        "notes": Writer(
            lambda number: (
                "POST",
                f"/v1/tests/{recorded}/stage-notes",
                {
                    "json": [
                        {"stage": number + 1, "time_s": 5.0 * number, "heart_rate_bpm": 60 + number % 100}
                    ]
                },
            )
        ),
        "analyses": Writer(
            lambda number: (
                "POST",
                f"/v1/tests/{judged}/analysis",
                {"json": {"settings": {"peak_window_s": 20 + number % 30}}},
            )
        ),
    }

    def answered() -> int:
        return sum(len(one.acknowledged) for one in writers.values())

    for _ in range(kills):
        stop = threading.Event()
        with connected() as client:
            threads = [threading.Thread(target=one.go_on, args=(client, stop)) for one in writers.values()]
            for thread in threads:
                thread.start()
            # After some answers, or before the first, and then in the middle of whatever is being done.
            wanted = answered() + moments.randint(0, 9)
            until = time.monotonic() + 5.0
            while answered() < wanted and time.monotonic() < until:
                time.sleep(0.001)
            time.sleep(moments.uniform(0.0, 0.06))
            nursery.kill()
            for thread in threads:
                thread.join(60)
            stop.set()
        nursery.start()
    # Once more, so that what was cut off last is repeated too.
    with connected() as client:
        for one in writers.values():
            stop = threading.Event()
            threading.Timer(0.5, stop.set).start()
            one.go_on(client, stop)
        told = f"seed {seed}, { ({name: one.refused[:2] for name, one in writers.items()}) }"
        assert all(not one.refused for one in writers.values()), told
        assert sum(one.cut_off for one in writers.values()) >= kills / 2, "too few kills met a write"
        # Imports: each a whole test, none twice.
        rows = len(step_test())
        ids = [answer["test_id"] for _, answer in writers["imports"].acknowledged]
        listed = client.get(f"/v1/visits/{importing}/tests").json()["items"]
        assert sorted(one["id"] for one in listed) == sorted(ids), told
        assert {one["status"] for one in listed} == {"complete"}
        assert {answer["rows"] for _, answer in writers["imports"].acknowledged} == {rows}
        # Notes: each as it was sent, once.
        notes = client.get(f"/v1/tests/{recorded}/stage-notes").json()["items"]
        assert [note["stage"] for note in notes] == [
            number + 1 for number, _ in writers["notes"].acknowledged
        ], told
        assert [note["heart_rate_bpm"] for note in notes] == [60 + place % 100 for place in range(len(notes))]
        # The analysis is the last that was answered.
        last, answer = writers["analyses"].acknowledged[-1]
        now = client.get(f"/v1/tests/{judged}/analysis").json()
        assert now["settings"]["peak_window_s"] == 20 + last % 30, told
        assert now["peak"]["vo2_ml_min"] == answer["peak"]["vo2_ml_min"]
    outcomes = run_checks(Settings(database_url=store.settings.database_url))
    assert all(one.passed for one in outcomes), (told, outcomes)
    assert answered() > 2 * kills, "too few writes were answered between the kills"
    assert min(len(one.acknowledged) for one in writers.values()) > kills / 10
    counts = {name: len(one.acknowledged) for name, one in writers.items()}
    told_counts = ", ".join(f"{count} {name}" for name, count in counts.items())
    figures(
        "nothing-lost",
        f"{kills} kills, {sum(counts.values())} acknowledged writes all there ({told_counts}), "
        f"{sum(one.cut_off for one in writers.values())} cut off and repeated, none twice, check clean",
    )
