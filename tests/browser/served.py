"""A record served by the command itself, and the browser that looks at it."""

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx
from playwright.sync_api import Browser, BrowserContext, BrowserType, ConsoleMessage, Request, Response

from service.db.migrate import upgrade
from service.db.transactions import Store
from service.demonstration.workflow import load
from service.http.keys import SESSION_COOKIE
from service.keys.queries import make
from service.settings import Settings
from tests.proofs.served import environment_of, free_port

ROOT = Path(__file__).parents[2]

HOW_TO_INSTALL = (
    "no Chromium: install Debian's package (apt-get install --no-install-recommends chromium), "
    "or name the program in CHROMIUM"
)

#: No sandbox, because a gate often runs as root; nothing of the browser's own on the network, and no name is resolved.
_ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)


def chromium() -> str | None:
    """Path of the browser, None where there is none."""
    return shutil.which(os.environ.get("CHROMIUM") or "chromium")


def launched(browsers: BrowserType) -> Browser:
    """The browser of this machine; none is downloaded."""
    return browsers.launch(executable_path=chromium(), args=list(_ARGUMENTS))


@dataclass(frozen=True, slots=True)
class Served:
    """A service that answers.

    Attributes
    ----------
    address : str
    settings : Settings
    sessions : dict
        Session cookie of each key that signed in.
    """

    address: str
    settings: Settings
    sessions: dict[str, str] = field(default_factory=dict)

    def key(self, name: str, scope: str) -> str:
        """Make a key; its secret."""
        store = Store(self.settings)
        try:
            with store.write("browser tests") as transaction:
                return make(transaction, name=name, scope=scope)[1]
        finally:
            store.close()

    def session(self, key: str) -> str:
        """Value of the session cookie of a key, which signs in the first time."""
        if key not in self.sessions:
            answer = httpx.post(f"{self.address}/sign-in", data={"key": key})
            self.sessions[key] = answer.cookies[SESSION_COOKIE]
        return self.sessions[key]


@dataclass(slots=True)
class Complaints:
    """What a browser did that no page may make it do."""

    left_the_host: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)

    def listen(self, context: BrowserContext, address: str) -> None:
        def requested(request: Request) -> None:
            if not request.url.startswith((f"{address}/", "data:", "blob:", "about:")):
                self.left_the_host.append(request.url)

        def said(message: ConsoleMessage) -> None:
            # Of a refused form the browser says so too; what was answered is judged below.
            if message.type in {"error", "warning"} and not message.text.startswith(
                "Failed to load resource"
            ):
                self.told.append(message.text)

        def answered(response: Response) -> None:
            part = response.request.resource_type not in {"document", "fetch", "xhr"}
            if response.status >= (400 if part else 500):
                self.failed.append(f"{response.status} {response.url}")

        context.on("request", requested)
        context.on("console", said)
        context.on("weberror", lambda error: self.told.append(str(error.error)))
        context.on("response", answered)


def demonstration(path: Path) -> None:
    """Load the demonstration record into a new file."""
    settings = Settings(database_url=f"sqlite:///{path}")
    upgrade(settings)
    store = Store(settings)
    try:
        load(store)
    finally:
        store.close()


@contextmanager
def serve(record: Path, log: Path, *, present: Path | None = None) -> Iterator[Served]:
    """Serve a record with `upslope serve` until the block ends, then stop it as Ctrl-C does.

    Parameters
    ----------
    record, log : Path
    present : Path, optional
        File with the time that it is, where the clock of the service is moved by a test.
    """
    settings = Settings(database_url=f"sqlite:///{record}")
    port = free_port()
    plain = [Path(sys.executable).with_name("upslope")]
    command = plain if present is None else [sys.executable, "-m", "tests.browser.moved_clock", present]
    with log.open("a") as told:
        process = subprocess.Popen(
            [*command, "serve", "--port", str(port)],
            env=environment_of(settings.database_url),
            cwd=ROOT,
            stdout=told,
            stderr=told,
        )
    try:
        served = Served(f"http://127.0.0.1:{port}", settings)
        _wait_for(served.address, process, log)
        yield served
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(timeout=30)


def _wait_for(address: str, process: subprocess.Popen[bytes], log: Path) -> None:
    until = time.monotonic() + 120
    while True:
        try:
            if httpx.get(f"{address}/readyz").is_success:
                return
        except httpx.TransportError:
            pass
        assert process.poll() is None, f"the service ended by itself: {log.read_text()}"
        assert time.monotonic() < until, f"the service does not answer: {log.read_text()}"
        time.sleep(0.2)
