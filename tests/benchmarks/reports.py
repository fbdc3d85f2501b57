"""How long printed reports take: ``python -m tests.benchmarks.reports``.

Reports of tests of several kinds and of a long history, of the demonstration record, served by the command on this machine and
asked for over HTTP one at a time. Prints the median and the slowest of several answers, and of the answer that nothing has
changed; exits 1 where a median is over the limit.
"""

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import httpx

from tests.benchmarks.pages import measured
from tests.browser.served import demonstration, serve

LIMIT_MS = 400.0
#: Breath by breath; in steps; with lactate; reported only; each by the code of its person and the date of its visit.
TESTS = (
    ("breath by breath", "FC-07", "2024-12-03"),
    ("steps", "FC-10", "2024-08-20"),
    ("lactate", "RS-01", "2024-10-07"),
    ("reported", "FC-10", "2021-09-07"),
)


def addresses(client: httpx.Client) -> dict[str, str]:
    """What is printed, by a name."""

    def got(address: str, **query: Any) -> Any:
        return client.get(address, params=query).raise_for_status().json()["items"]

    found = {}
    for words, code, day in TESTS:
        (subject,) = (one for one in got("/v1/subjects", query=code) if one["code"] == code)
        visits = got(f"/v1/subjects/{subject['id']}/visits")
        (visit,) = (one for one in visits if one["started_at"].startswith(day))
        found[words] = f"/v1/tests/{visit['tests'][0]}/report"
        found["history"] = f"/v1/subjects/{subject['id']}/report"
    return {
        f"{words}, for the {audience}": f"{address}?audience={audience}&format=pdf"
        for words, address in found.items()
        for audience in ("client", "record")
    }


def unchanged(client: httpx.Client, address: str) -> float:
    """Milliseconds of the answer that the client has the newest."""
    tag = client.get(address).headers["etag"]
    began = time.perf_counter()
    answer = client.get(address, headers={"If-None-Match": tag})
    taken = 1000 * (time.perf_counter() - began)
    assert answer.status_code == 304
    return taken


def main() -> int:
    """Measure, print the table, say whether all reports are quick enough."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.reports", description=__doc__)
    parser.add_argument("--times", type=int, default=7, help="answers of each report that count (default 7)")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        record = Path(place) / "demonstration.db"
        demonstration(record)
        with serve(record, Path(place) / "log") as served:
            headers = {"Authorization": f"Bearer {served.key('benchmark', 'admin')}"}
            with httpx.Client(base_url=served.address, headers=headers, timeout=60) as client:
                taken = {
                    name: (measured(client, address, asked.times), unchanged(client, address))
                    for name, address in addresses(client).items()
                }
    sys.stdout.write(f"{'report':36} {'median ms':>9} {'slowest ms':>10} {'unchanged ms':>12}\n")
    for name, (each, same) in taken.items():
        sys.stdout.write(f"{name:36} {statistics.median(each):9.0f} {max(each):10.0f} {same:12.0f}\n")
    late = [name for name, (each, _) in taken.items() if statistics.median(each) > LIMIT_MS]
    sys.stdout.write(f"{len(late)} of {len(taken)} reports over {LIMIT_MS:.0f} ms\n")
    return min(len(late), 1)


if __name__ == "__main__":
    sys.exit(main())
