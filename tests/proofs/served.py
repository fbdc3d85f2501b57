"""The service as it is started for real, with several processes."""

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


@contextmanager
def serving(url: str, *, workers: int) -> Iterator[str]:
    """`upslope serve` on a record; its address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {name: value for name, value in os.environ.items() if not name.startswith("UPSLOPE_")}
    process = subprocess.Popen(
        [Path(sys.executable).with_name("upslope"), "serve", "--port", str(port), "--workers", str(workers)],
        env=environment | {"UPSLOPE_DATABASE_URL": url, "UPSLOPE_LOG_LEVEL": "error"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        until = time.monotonic() + 120
        while True:
            try:
                if httpx.get(f"{address}/readyz", timeout=5).status_code == 200:
                    break
            except httpx.TransportError:
                assert process.poll() is None, "the service ended by itself"
                assert time.monotonic() < until, "the service does not answer"
                time.sleep(0.1)
        yield address
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(60)
