"""The built wheel in a clean environment, away from the checkout."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import venv
import zipfile
from pathlib import Path

import httpx
import pytest

ROOT = Path(__file__).parents[2]

pytestmark = pytest.mark.proof


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", folder, ROOT],
        check=True,
        capture_output=True,
    )
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def environment() -> dict[str, str]:
    """Nothing of this checkout: no path, no settings."""
    return {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("UPSLOPE_", "PYTHON", "VIRTUAL_ENV"))
    }


@pytest.fixture(scope="module")
def installed(wheel, tmp_path_factory, environment) -> Path:
    """The command, in an environment made from the lock of the run-time dependencies and the wheel alone."""
    folder = tmp_path_factory.mktemp("installed")
    venv.create(folder, with_pip=True)
    pip = [folder / "bin" / "python", "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    for what in (["--require-hashes", "-r", ROOT / "requirements.lock"], ["--no-deps", wheel]):
        subprocess.run([*pip, *what], check=True, env=environment, cwd=folder)
    return folder / "bin" / "upslope"


@pytest.fixture
def run(installed, environment, tmp_path):
    def command(*arguments: object) -> str:
        return subprocess.run(
            [installed, *map(str, arguments)],
            env=environment,
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=True,
            timeout=120,
        ).stdout

    return command


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture
def start(installed, environment, tmp_path):
    """Start a service; stopped at the end as Ctrl-C stops it."""
    started: list[subprocess.Popen[str]] = []

    def begin(*arguments: object) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [installed, *map(str, arguments)],
            env=environment | {"TMPDIR": str(tmp_path)},  # where the demonstration keeps its record
            cwd=tmp_path,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        started.append(process)
        return process

    yield begin
    for process in started:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=30)


def ready(address: str, process: subprocess.Popen[str], *, seconds: float) -> httpx.Response:
    until = time.monotonic() + seconds
    while True:
        try:
            answer = httpx.get(f"{address}/readyz")
            if answer.is_success or time.monotonic() > until:
                return answer
        except httpx.TransportError:
            assert process.poll() is None, "it ended by itself"
            assert time.monotonic() < until, "it does not answer"
        time.sleep(0.3)


def test_the_wheel_has_what_it_needs_and_nothing_of_the_tests(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    for needed in (
        "service/_migrations/env.py", "service/_seed_data/record.json", "service/pages/guide/index.md",
        "service/reference/norms/friend_2015_treadmill.csv",
    ):  # fmt: skip
        assert needed in names
    assert [name for name in names if name.startswith("tests/") or "__pycache__" in name] == []
    assert any(name.startswith("service/_migrations/versions/20") for name in names)
    assert any(name.endswith("/licenses/LICENSE") for name in names)


def test_help(run):
    assert "analyse" in run("--help")


def test_one_file(run, tmp_path):
    example = tmp_path / "test.csv"
    example.write_bytes((ROOT / "seed_data" / "examples" / "cycle-step-15s.csv").read_bytes())
    assert run("analyse", example, "--mode", "cycle", "--mass", 75).startswith("VO2")
    document = json.loads(
        run("analyse", example, "--mode", "cycle", "--mass", 75, "--json", "--chart", "uptake.png")
    )
    assert document["peak"]["vo2_ml_min"] > 1000
    assert (tmp_path / "uptake.png").read_bytes().startswith(b"\x89PNG")


def test_serve_answers(run, start):
    port = free_port()
    process = start("serve", "--port", port)
    address = f"http://127.0.0.1:{port}"
    assert ready(address, process, seconds=60).json() == {"status": "ready"}
    key = run("keys", "create", "a", "--scope", "admin").strip()
    headers = {"Authorization": f"Bearer {key}"}
    assert httpx.get(f"{address}/v1/subjects", headers=headers).json() == {"items": [], "next": None}
    assert httpx.get(f"{address}/v1/subjects").status_code == 401
    for page in ("/guide", "/docs", "/openapi.json"):
        assert httpx.get(address + page).status_code == 200, page
    assert "FAILED" not in run("check")


def test_demo_answers(start):
    port = free_port()
    process = start("demo", "--port", port)
    address = f"http://127.0.0.1:{port}"
    assert ready(address, process, seconds=180).status_code == 200
    said = ""
    while "Stop with" not in said:
        said += process.stdout.readline()
    key = re.search(r"^Key +(\S+)$", said, re.MULTILINE)[1]
    headers = {"Authorization": f"Bearer {key}"}
    subjects = httpx.get(f"{address}/v1/subjects?limit=500", headers=headers).json()["items"]
    assert len(subjects) > 20
    trend = httpx.get(
        f"{address}/v1/subjects/{subjects[0]['id']}/trends/vo2_peak_ml_kg_min", headers=headers
    ).json()
    assert trend["series"]
