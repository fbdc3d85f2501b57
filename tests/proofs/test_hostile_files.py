"""Broken and hostile files: refused with a reason or read without harm, in bounded time and memory, and nothing half stored."""

import resource
import time
from typing import Any

import pytest

from tests.api.conftest import everything
from tests.proofs.hostile_files import files

#: Answers that the document of the interface names for an import; another is a fault of the service.
ALLOWED = {200, 201, 400, 409, 413, 415, 422}
SECONDS = 20.0
MORE_MIB = 600


def peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@pytest.mark.parametrize("full", [False, pytest.param(True, marks=pytest.mark.proof)], ids=["quick", "full"])
def test_no_file_does_harm(full, client, store, laboratory, figures):
    visit = laboratory.visit(laboratory.subject()["id"])["id"]
    # The first import loads what all of them need.
    laboratory.upload(visit, b"t (s),VO2 (mL/min)\n1,2\n")
    before, held = peak_mib(), everything(store)
    tried, refused, slowest = 0, 0, (0.0, "")
    for what, name, data in files(full=full):
        tried += 1
        for dry in (True, False):
            began = time.process_time()
            answer = send(laboratory, visit, name, data, dry=dry)
            seconds = time.process_time() - began
            slowest = max(slowest, (seconds, what))
            assert answer.status_code in ALLOWED, (what, answer.status_code, answer.text[:500])
            assert seconds < SECONDS, (what, seconds)
            if answer.status_code >= 400:
                assert answer.headers["content-type"] == "application/problem+json", what
                assert len(answer.content) < 100_000, (what, "the answer repeats the file")
                assert "root:" not in answer.text, what
                assert everything(store) == held, (what, "something was stored")
        if answer.status_code >= 400:
            refused += 1
        else:
            whole(client, answer.json(), what)
            held = everything(store)
    more = peak_mib() - before
    assert more < MORE_MIB, f"{more:.0f} MiB more at the peak"
    assert tried >= 80
    figures(
        "hostile-files",
        f"{tried} files: {refused} refused with nothing stored, {tried - refused} read whole; slowest {slowest[0]:.1f} s "
        f"({slowest[1]}), {more:.0f} MiB more memory at the peak",
    )


def send(laboratory: Any, visit: str, name: str, data: bytes, *, dry: bool) -> Any:
    query: dict[str, Any] = {"dry_run": "true"} if dry else {}
    return laboratory.upload(visit, data, name=name, **query)


def whole(client: Any, answer: dict[str, Any], what: str) -> None:
    """What was read is a whole test: as many rows as were told, an analysis, and no number that is none."""
    test = client.get(f"/v1/tests/{answer['test_id']}").json()
    assert test["status"] == "complete", what
    rows = client.get(f"/v1/tests/{answer['test_id']}/intervals", params={"limit": 5000}).json()["items"]
    assert len(rows) == min(answer["rows"], 5000), what
    assert client.get(f"/v1/tests/{answer['test_id']}/analysis").status_code == 200, what
