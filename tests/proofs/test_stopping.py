"""A service that is told to stop finishes the import that it has begun, or undoes it whole; and it does stop."""

import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import httpx
import pytest

from service.settings import Settings
from service.upkeep.workflow import run_checks
from tests.api.conftest import Laboratory
from tests.proofs.hostile_files import csv_of
from tests.proofs.served import environment_of, free_port, wait_until_ready

pytestmark = [pytest.mark.proof, pytest.mark.sqlite_file]
ROWS = 60_000


@pytest.mark.parametrize("after_s", [0.05, 0.5, 1.5])
def test_an_import_in_flight(after_s, store, tester_key):
    port = free_port()
    process = subprocess.Popen(
        [Path(sys.executable).with_name("upslope"), "serve", "--port", str(port)],
        env=environment_of(store.settings.database_url),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    address = f"http://127.0.0.1:{port}"
    wait_until_ready(address, process)
    headers = {"Authorization": f"Bearer {tester_key}"}
    statuses: list[int | str] = []
    with httpx.Client(base_url=address, headers=headers, timeout=60) as client:
        laboratory = Laboratory(client)
        visit = laboratory.visit(laboratory.subject()["id"])["id"]
        rows = [[place + 1.0, 1500 + place % 400, 1400, 40, 120, 8, 1] for place in range(ROWS)]

        def upload() -> None:
            try:
                statuses.append(laboratory.upload(visit, csv_of(rows)).status_code)
            except httpx.TransportError as error:
                statuses.append(type(error).__name__)

        # One who watches must not keep the service from stopping.
        watched = laboratory.planned(visit)["id"]
        watching = threading.Thread(target=watch, args=(address, headers, watched))
        uploading = threading.Thread(target=upload)
        watching.start()
        uploading.start()
        time.sleep(after_s)
        began = time.monotonic()
        process.send_signal(signal.SIGTERM)
        uploading.join(60)
        process.wait(60)
        watching.join(60)
    assert time.monotonic() - began < 40
    outcomes = run_checks(Settings(database_url=store.settings.database_url))
    assert all(one.passed for one in outcomes), outcomes
    with store.read() as session:
        rows_stored = session.connection().exec_driver_sql("SELECT count(*) FROM interval").scalar_one()
    (status,) = statuses
    # Cut off, it is there whole or not at all: its answer may have been lost on the way.
    assert rows_stored == ROWS if status == 201 else isinstance(status, str) and rows_stored in {0, ROWS}


def watch(address: str, headers: dict[str, str], test_id: str) -> None:
    try:
        with httpx.stream(
            "GET", f"{address}/v1/tests/{test_id}/events", headers=headers, timeout=60
        ) as answer:
            for _ in answer.iter_lines():
                pass
    except httpx.TransportError:
        return
