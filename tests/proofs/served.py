"""The service as it is started for real, with several processes."""

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def environment_of(url: str) -> dict[str, str]:
    """Variables for a service on this record, with no others of the service's."""
    others = {name: value for name, value in os.environ.items() if not name.startswith("UPSLOPE_")}
    return others | {"UPSLOPE_DATABASE_URL": url, "UPSLOPE_LOG_LEVEL": "error"}


def wait_until_ready(address: str, process: subprocess.Popen[bytes], *, at: str = "/readyz") -> None:
    """Until the record can be used and all is loaded, or what `at` names is answered."""
    until = time.monotonic() + 120
    while True:
        with contextlib.suppress(httpx.TransportError):
            if httpx.get(f"{address}{at}", timeout=5).status_code == 200:
                return
        assert process.poll() is None, "the service ended by itself"
        assert time.monotonic() < until, "the service does not answer"
        time.sleep(0.1)


@contextmanager
def serving(url: str, *, workers: int) -> Iterator[str]:
    """`upslope serve` on a record; its address."""
    port = free_port()
    process = subprocess.Popen(
        [Path(sys.executable).with_name("upslope"), "serve", "--port", str(port), "--workers", str(workers)],
        env=environment_of(url),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        wait_until_ready(address, process)
        yield address
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(60)
