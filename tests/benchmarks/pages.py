"""How long the pages take: ``python -m tests.benchmarks.pages``.

Every page of `tests/browser/addresses.py` over the demonstration record, served by the command on this machine and asked
for over HTTP one at a time, without its charts: text does not wait for them. Prints the first answer, and the median and
the slowest of several more, slowest page first; exits 1 where a median is over the limit.
"""

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

import httpx

from service.http.keys import SESSION_COOKIE
from tests.browser.addresses import ADDRESSES, records
from tests.browser.served import demonstration, serve

LIMIT_MS = 200.0


def measured(client: httpx.Client, address: str, times: int) -> list[float]:
    """Milliseconds of each answer; the first one, which fills what is kept in memory, stands apart."""
    taken = []
    for _ in range(times + 1):
        began = time.perf_counter()
        answer = client.get(address)
        taken.append(1000 * (time.perf_counter() - began))
        answer.raise_for_status()
    return taken


def main() -> int:
    """Measure, print the table, say whether all pages are quick enough."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.pages", description=__doc__)
    parser.add_argument("--times", type=int, default=7, help="answers of each page that count (default 7)")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        record = Path(place) / "demonstration.db"
        demonstration(record)
        with serve(record, Path(place) / "log") as served:
            key = served.key("benchmark", "admin")
            found = records(served, key)
            cookies = {SESSION_COOKIE: served.session(key)}
            with httpx.Client(base_url=served.address, cookies=cookies, timeout=60) as client:
                taken = {
                    name: measured(client, address, asked.times)
                    for route in ADDRESSES
                    for name, address in found.addresses(route).items()
                }
    medians = {name: statistics.median(answers[1:]) for name, answers in taken.items()}
    lines = [f"{'page':32} {'first ms':>8} {'median ms':>9} {'slowest ms':>10}"]
    lines += [
        f"{name:32} {taken[name][0]:8.0f} {medians[name]:9.0f} {max(taken[name][1:]):10.0f}"
        for name in sorted(medians, key=medians.__getitem__, reverse=True)
    ]
    late = [name for name, median in medians.items() if median > LIMIT_MS]
    print("\n".join(lines))  # noqa: T201 a command that says what it found
    print(f"{len(late)} of {len(medians)} pages over {LIMIT_MS:.0f} ms")  # noqa: T201 as above
    return min(len(late), 1)


if __name__ == "__main__":
    sys.exit(main())
