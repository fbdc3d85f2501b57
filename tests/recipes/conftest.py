"""The demonstration record, served as it is in use; and the recipes of the guide, taken out of its page."""

import os
import re
import shlex
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from markdown_it import MarkdownIt

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "service" / "pages" / "guide" / "dashboards.md"
PROGRAMS = Path(sys.executable).parent
#: The site whose page may read.
BOARD = "https://board.example"


@dataclass(frozen=True)
class Service:
    """A running service, and the key of the board that the page has made.

    Attributes
    ----------
    address, key : str
    tester_key : str
        Of who writes meanwhile.
    subject_ids : dict of str to str
        By code.
    environment : dict of str to str
        Of who follows the page.
    """

    address: str
    key: str
    tester_key: str
    subject_ids: dict[str, str]
    environment: dict[str, str]

    def client(self, key: str | None = None) -> httpx.Client:
        return httpx.Client(
            base_url=self.address, headers={"Authorization": f"Bearer {key or self.key}"}, timeout=60
        )


@pytest.fixture(scope="session")
def recipes() -> dict[str, str]:
    """The files of the page, by name."""
    found = {}
    for token in MarkdownIt("commonmark").parse(PAGE.read_text("utf-8")):
        if token.type == "fence" and (name := re.search(r"\bfile=(\S+)", token.info)):
            found[name[1]] = token.content
    return found


@pytest.fixture
def folder(recipes, tmp_path) -> Path:
    """A fresh folder with the files of the page."""
    for name, content in recipes.items():
        (tmp_path / name).write_text(content, encoding="utf-8")
    return tmp_path


def _upslope(line: str, environment: dict[str, str], where: Path) -> str:
    program, *arguments = shlex.split(line)
    assert program == "upslope"
    done = subprocess.run(
        [PROGRAMS / program, *arguments],
        env=environment,
        cwd=where,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return done.stdout.strip()


@pytest.fixture(scope="session")
def service(demonstration_file, tmp_path_factory) -> Iterator[Service]:
    """`upslope serve` over the demonstration record, on localhost."""
    where = tmp_path_factory.mktemp("served")
    shutil.copy(demonstration_file, where / "record.db")
    plain = {name: value for name, value in os.environ.items() if not name.startswith("UPSLOPE_")}
    plain["PATH"] = f"{PROGRAMS}{os.pathsep}{plain['PATH']}"
    # Nothing but this machine is to be reached.
    plain |= dict.fromkeys(("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY"), "http://127.0.0.1:9")
    plain |= {"no_proxy": "127.0.0.1", "NO_PROXY": "127.0.0.1", "PYTHONWARNINGS": "error"}
    environment = plain | {
        "UPSLOPE_DATABASE_URL": f"sqlite:///{where / 'record.db'}",
        "UPSLOPE_CORS_ORIGINS": BOARD,
    }
    (line,) = re.findall(r"^`(upslope keys create [^`]+)`$", PAGE.read_text("utf-8"), re.MULTILINE)
    key = _upslope(line, environment, where)
    tester_key = _upslope("upslope keys create desk --scope tester", environment, where)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with (where / "said.txt").open("wb") as said:
        process = subprocess.Popen(
            [PROGRAMS / "upslope", "serve", "--port", str(port)],
            env=environment,
            cwd=where,
            stdout=said,
            stderr=said,
        )
    address = f"http://127.0.0.1:{port}"
    try:
        until = time.monotonic() + 120
        while True:
            try:
                if httpx.get(f"{address}/readyz").status_code == 200:
                    break
            except httpx.TransportError:
                pass
            assert process.poll() is None, (where / "said.txt").read_text("utf-8")
            assert time.monotonic() < until, "the service does not answer"
            time.sleep(0.2)
        subjects = httpx.get(
            f"{address}/v1/subjects", params={"limit": 500}, headers={"Authorization": f"Bearer {tester_key}"}
        ).json()["items"]
        yield Service(
            address,
            key,
            tester_key,
            {one["code"]: one["id"] for one in subjects},
            plain | {"SERVICE_ADDRESS": address, "SERVICE_KEY": key},
        )
    finally:
        process.terminate()
        process.wait(timeout=30)
