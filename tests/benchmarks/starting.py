"""How long a start takes: ``python -m tests.benchmarks.starting``.

`upslope serve` on a record at the newest schema, from the start of the process until what is asked for is answered, beside a
process that does no more than load the two libraries that the service stands on. Both are new processes each time, and both
find the bytecode of what they load, as an installed program does.
"""

import argparse
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from service.db.migrate import upgrade
from service.db.transactions import Store
from service.keys.queries import make
from service.settings import Settings
from tests.benchmarks.rows import TIMES, Row, judged
from tests.proofs.served import environment_of, free_port

#: A start may take this many times what loading the two libraries does.
LIMIT = 2.0
_EVERY_S = 0.005
_AT_MOST_S = 60.0


#: What is asked of a service that was just started, by words, in this order.
ASKED = {
    "start until the first answer: /healthz (ms)": ("/healthz",),
    "start until all is loaded: /readyz, a record and a page (ms)": ("/readyz", "/v1/subjects", "/sign-in"),
}


@dataclass(frozen=True, slots=True)
class Starts:
    """What is measured, each in a new process.

    Attributes
    ----------
    service : callable
        Milliseconds from the start of the command until each of `ASKED` is answered.
    floor : callable
        The same of a process that imports fastapi and sqlalchemy, until its end.
    """

    service: Callable[[], list[float]]
    floor: Callable[[], float]


@contextmanager
def starts() -> Iterator[Starts]:
    """Functions that start, wait and stop; on a record of their own."""
    with tempfile.TemporaryDirectory(prefix="upslope-starts-") as place:
        settings = Settings(database_url=f"sqlite:///{place}/record.db")
        upgrade(settings)
        store = Store(settings)
        with store.write("benchmark") as transaction:
            headers = {"Authorization": f"Bearer {make(transaction, name='benchmark', scope='admin')[1]}"}
        store.close()
        environment = environment_of(settings.database_url) | {"PYTHONPYCACHEPREFIX": f"{place}/bytecode"}
        environment.pop("PYTHONDONTWRITEBYTECODE", None)

        def service() -> list[float]:
            port = free_port()
            began = time.perf_counter()
            process = subprocess.Popen(
                [Path(sys.executable).with_name("upslope"), "serve", "--port", str(port)],
                env=environment,
                stdout=subprocess.DEVNULL,
            )
            try:
                taken = []
                with httpx.Client(base_url=f"http://127.0.0.1:{port}", headers=headers, timeout=60) as client:
                    for addresses in ASKED.values():
                        for address in addresses:
                            _wait_for(client, address, process, began)
                        taken.append(1000 * (time.perf_counter() - began))
                return taken
            finally:
                process.send_signal(signal.SIGINT)
                process.wait(60)

        def floor() -> float:
            began = time.perf_counter()
            subprocess.run([sys.executable, "-c", "import fastapi, sqlalchemy"], env=environment, check=True)
            return 1000 * (time.perf_counter() - began)

        # The first of each writes the bytecode.
        service()
        floor()
        yield Starts(service, floor)


def _wait_for(client: httpx.Client, address: str, process: subprocess.Popen[bytes], began: float) -> None:
    while True:
        try:
            if client.get(address).is_success:
                return
        except httpx.TransportError:
            pass
        assert process.poll() is None, "the service ended by itself"
        assert time.perf_counter() - began < _AT_MOST_S, f"{address} is not answered"
        time.sleep(_EVERY_S)


def rows(times: int = TIMES) -> list[Row]:
    """Rows of the table, measured in turn."""
    with starts() as measured:
        taken = [(measured.service(), measured.floor()) for _ in range(times)]
    floor_ms = statistics.median(floor for _, floor in taken)
    return [
        judged(
            words,
            "",
            statistics.median(each[place] for each, _ in taken),
            floor="a new process that imports fastapi and sqlalchemy",
            floor_value=floor_ms,
            at_most=LIMIT,
        )
        for place, words in enumerate(ASKED)
    ]


def main() -> int:
    """Measure in turn, print the medians, say whether the start is quick enough."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.starting", description=__doc__)
    parser.add_argument("--times", type=int, default=7, help="starts of each kind (default 7)")
    found = rows(parser.parse_args().times)
    for row in found:
        sys.stdout.write(
            f"{row.work:52} {row.value:6.0f} ms, {row.ratio:.2f} times {row.floor_value:.0f} ms\n"
        )
    return int(not all(row.met in {None, True} for row in found))


if __name__ == "__main__":
    sys.exit(main())
