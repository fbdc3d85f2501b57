"""The commands as processes of their own, as they are started."""

import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import httpx
import pytest

COMMAND = Path(sys.executable).with_name("upslope")


@pytest.fixture
def environment(tmp_path):
    return {
        **{name: value for name, value in os.environ.items() if not name.startswith("UPSLOPE_")},
        "UPSLOPE_DATABASE_URL": f"sqlite:///{tmp_path / 'record.db'}",
    }


def upslope(*arguments: str, environment: dict[str, str], folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [COMMAND, *arguments],
        env=environment,
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@contextmanager
def serving(*arguments: str, environment: dict[str, str], folder: Path) -> Iterator[tuple[str, list[str]]]:
    """A started service: its address, and what it has said when it is stopped."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    said: list[str] = []
    process = subprocess.Popen(
        [COMMAND, "serve", "--port", str(port), *arguments],
        env=environment,
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        until = time.monotonic() + 40
        while True:
            try:
                if httpx.get(f"{address}/readyz").status_code == 200:
                    break
            except httpx.TransportError:
                pass
            assert process.poll() is None, "the service ended by itself"
            assert time.monotonic() < until, "the service does not answer"
            time.sleep(0.2)
        yield address, said
    finally:
        process.send_signal(signal.SIGINT)
        said += process.communicate(timeout=30)[0].splitlines()


def test_an_editable_install_works_from_any_working_directory(environment, tmp_path):
    del environment["UPSLOPE_DATABASE_URL"]  # its default lies in the working directory
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    made = upslope("migrate", environment=environment, folder=folder)
    assert (made.returncode, made.stderr) == (0, "")
    assert (folder / "upslope.db").exists()
    checked = upslope("check", environment=environment, folder=folder)
    assert (checked.returncode, checked.stderr) == (0, "")


def test_exit_statuses_of_the_process(environment, tmp_path):
    assert upslope("--version", environment=environment, folder=tmp_path).returncode == 0
    assert upslope("check", environment=environment, folder=tmp_path).returncode == 1
    wrong = upslope("analyse", environment=environment, folder=tmp_path)
    assert (wrong.returncode, wrong.stdout) == (2, "")
    assert "Traceback" not in wrong.stderr


def test_serving_migrates_an_empty_record_first_and_two_workers_answer(environment, tmp_path):
    with serving("--workers", "2", environment=environment, folder=tmp_path) as (address, said):
        made = upslope("keys", "create", "a", "--scope", "tester", environment=environment, folder=tmp_path)
        headers = {"Authorization": f"Bearer {made.stdout.strip()}"}
        body = {"code": "a1", "sex": "female"}
        assert httpx.post(f"{address}/v1/subjects", json=body, headers=headers).status_code == 201
        # Whichever of the two is asked, the record is the same.
        found = [httpx.get(f"{address}/v1/subjects", headers=headers).json() for _ in range(12)]
        assert [[one["code"] for one in page["items"]] for page in found] == [["a1"]] * 12
        assert upslope("check", environment=environment, folder=tmp_path).returncode == 0
    assert "from empty to schema" in said[0]
    assert address in said[1]


def test_a_taken_port_is_told_and_nothing_is_made(environment, tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        for command in ("serve", "demo"):
            ended = upslope(command, "--port", port, environment=environment, folder=tmp_path)
            assert ended.returncode == 1
            assert f"127.0.0.1:{port}" in ended.stderr
            assert "--port" in ended.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_record_of_a_newer_program_is_not_served(environment, tmp_path):
    upslope("migrate", environment=environment, folder=tmp_path)
    with closing(sqlite3.connect(tmp_path / "record.db")) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = 'from_the_future'")
    ended = upslope("serve", "--port", "0", environment=environment, folder=tmp_path)
    assert ended.returncode == 2  # no port: wrong usage comes first
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = str(probe.getsockname()[1])
    ended = upslope("serve", "--port", port, environment=environment, folder=tmp_path)
    assert ended.returncode == 1
    assert "newer" in ended.stderr


def test_programs_that_upgrade_at_once_wait_for_each_other(environment, tmp_path):
    started = [
        subprocess.Popen(
            [COMMAND, "migrate"],
            env=environment,
            cwd=tmp_path,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        for _ in range(3)
    ]
    assert [process.communicate(timeout=60)[1] for process in started] == [b""] * 3
    assert [process.returncode for process in started] == [0] * 3
    assert upslope("check", environment=environment, folder=tmp_path).returncode == 0
