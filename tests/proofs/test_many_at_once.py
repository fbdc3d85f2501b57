"""Many who write and many who read at once, over several processes: no error of a lock, no write lost."""

import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import httpx
import pytest

from service.settings import Settings
from service.upkeep.workflow import run_checks
from tests.api.conftest import Laboratory
from tests.proofs.served import serving


@dataclass
class Told:
    """What one thread was answered."""

    statuses: Counter[int] = field(default_factory=Counter)
    appended: int = 0
    raised: int = 0
    failed: list[str] = field(default_factory=list)

    def ask(self, client: httpx.Client, method: str, path: str, **content: Any) -> httpx.Response:
        answer = client.request(method, path, **content)
        self.statuses[answer.status_code] += 1
        if answer.status_code not in {200, 201, 412}:
            self.failed.append(f"{method} {path}: {answer.status_code} {answer.text[:300]}")
        return answer


def write(told: Told, client: httpx.Client, test_id: str, shared: str, until: float) -> None:
    """Appends intervals to a test of one's own, and raises a number that all share, one by one."""
    while time.monotonic() < until:
        end_s = 5.0 * (told.appended + 1)
        row = {"end_s": end_s, "vo2_ml_min": 1000.0 + told.appended, "heart_rate_bpm": 100.0}
        if (
            told.ask(client, "POST", f"/v1/tests/{test_id}/intervals", json={"intervals": [row]}).status_code
            == 200
        ):
            told.appended += 1
        if told.appended % 3 == 0:
            read = told.ask(client, "GET", shared)
            body = {"notes": str(int(read.json()["notes"]) + 1)}
            answer = told.ask(client, "PATCH", shared, json=body, headers={"If-Match": read.headers["ETag"]})
            told.raised += answer.status_code == 200


def read(told: Told, client: httpx.Client, addresses: list[str], until: float) -> None:
    place = 0
    while time.monotonic() < until:
        told.ask(client, "GET", addresses[place % len(addresses)])
        place += 1


@pytest.mark.parametrize(
    ("each", "seconds"), [(8, 3.0), pytest.param(32, 60.0, marks=pytest.mark.proof)], ids=["8", "32"]
)
def test_no_lock_error_and_no_lost_write(each, seconds, store, tester_key, figures):
    headers = {"Authorization": f"Bearer {tester_key}"}
    with serving(store.settings.database_url, workers=2) as address:
        with httpx.Client(base_url=address, headers=headers, timeout=60) as client:
            laboratory = Laboratory(client)
            tests = [
                laboratory.planned(laboratory.visit(laboratory.subject()["id"])["id"])["id"]
                for _ in range(each)
            ]
            person = laboratory.subject(notes="0")
            judged = laboratory.complete(laboratory.visit(person["id"])["id"])["id"]
        shared = f"/v1/subjects/{person['id']}"
        addresses = [
            f"/v1/tests/{judged}/analysis",
            f"{shared}/trends/vo2_peak_ml_kg_min",
            "/v1/subjects?limit=50",
            "/v1/changes?limit=100",
        ]
        until = time.monotonic() + seconds
        tellers = [Told() for _ in range(2 * each)]
        with httpx.Client(
            base_url=address, headers=headers, timeout=60, limits=httpx.Limits(max_connections=2 * each)
        ) as client:
            threads = [
                threading.Thread(target=write, args=(told, client, test_id, shared, until))
                for told, test_id in zip(tellers[:each], tests, strict=True)
            ] + [
                threading.Thread(target=read, args=(told, client, addresses, until))
                for told in tellers[each:]
            ]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            failed = [line for told in tellers for line in told.failed]
            assert failed == []
            raised = sum(told.raised for told in tellers)
            assert int(client.get(shared).json()["notes"]) == raised
            for told, test_id in zip(tellers[:each], tests, strict=True):
                rows = client.get(f"/v1/tests/{test_id}/intervals?limit=5000").json()["items"]
                assert [row["vo2_ml_min"] for row in rows] == [
                    1000.0 + place for place in range(told.appended)
                ]
    outcomes = run_checks(Settings(database_url=store.settings.database_url))
    assert all(one.passed for one in outcomes), outcomes
    appended = sum(told.appended for told in tellers[:each])
    reads = sum(sum(told.statuses.values()) for told in tellers[each:])
    stale = sum(told.statuses[412] for told in tellers)
    assert min(told.appended for told in tellers[:each]) > 0
    on = "PostgreSQL" if store.settings.sqlite_path is None else "SQLite"
    figures(
        f"many-at-once-{on.lower()}",
        f"{on}, 2 processes: {each} writers and {each} readers for {seconds:g} s: {appended} intervals and "
        f"{raised} raises of one shared number, none lost ({stale} stale ones refused), {reads} reads, no error",
    )
