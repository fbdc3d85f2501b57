"""The first moment of a process: what is answered before all of it is loaded, and what is loaded at all."""

import json
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from starlette.testclient import TestClient

import service.app
from service.app import create_app
from service.db.migrate import upgrade
from service.early import Early
from service.settings import Settings

#: Slow to load, and needed by few requests: each is loaded where it is used.
HEAVY = (
    "alembic",
    "altair",
    "openpyxl",
    "pandas",
    "pint",
    "psycopg",
    "pyarrow",
    "python_calamine",
    "scipy",
    "typst",
    "vl_convert",
)
#: What the probes can do without.
NOT_FOR_PROBES = (*HEAVY, "babel", "fastapi", "jinja2", "numpy", "service.app", "service.db.models")


@pytest.fixture
def settings(tmp_path):
    return Settings(database_url=f"sqlite:///{tmp_path / 'record.db'}")


@pytest.fixture
def held(monkeypatch):
    """Nothing but the probes is loaded until this is set."""
    go_on = threading.Event()

    def made(*given, **named):
        assert go_on.wait(30)
        return create_app(*given, **named)

    monkeypatch.setattr(service.app, "create_app", made)
    yield go_on
    go_on.set()


def loaded_by(module: str) -> set[str]:
    code = f"import json, sys, {module}; print(json.dumps(sorted(sys.modules)))"
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(json.loads(answer.stdout))


@pytest.mark.parametrize(
    ("module", "without"),
    [
        ("service.app", HEAVY),
        ("service.early", NOT_FOR_PROBES),
        ("service.cli", NOT_FOR_PROBES),
        ("service.db.migrate", ("alembic", "service.db.models")),
    ],
)
def test_what_is_slow_to_load_is_loaded_where_it_is_used(module, without):
    found = loaded_by(module)
    assert module in found
    assert [name for name in without if name in found] == []


def test_probes_are_answered_before_the_rest_is_loaded(settings, held):
    upgrade(settings)
    with TestClient(Early(settings)) as client, ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(client.get, "/v1/subjects")
        early = {path: client.get(path) for path in ("/healthz", "/readyz")}
        assert not waiting.done()
        held.set()
        assert waiting.result(30).status_code == 401  # it has no key: judged by the whole service
        late = {path: client.get(path) for path in early}
    assert (early["/healthz"].status_code, early["/healthz"].json()) == (200, late["/healthz"].json())
    assert early["/readyz"].status_code == 503
    assert early["/readyz"].json() == {"status": "not ready", "reason": "the service is being loaded"}
    assert (late["/readyz"].status_code, late["/readyz"].json()) == (200, {"status": "ready"})
    for path, first in early.items():
        assert "X-Request-Id" in late[path].headers
        alike = {name: value for name, value in first.headers.items() if name != "content-length"}
        assert alike.items() <= dict(late[path].headers).items()


def test_only_what_probes_ask_is_answered_early(settings, held):
    upgrade(settings)
    with TestClient(Early(settings)) as client, ThreadPoolExecutor(2) as pool:
        waiting = [pool.submit(client.post, "/healthz"), pool.submit(client.get, "/healthz/")]
        assert client.get("/healthz").status_code == 200
        assert [one.done() for one in waiting] == [False, False]
        held.set()
        assert [one.result(30).status_code for one in waiting] == [405, 404]


def test_a_record_that_cannot_be_used_is_told_early(settings, held):
    with TestClient(Early(settings)) as client:
        answer = client.get("/readyz")
        assert (answer.status_code, answer.json()["status"]) == (503, "not ready")
        assert "upslope migrate" in answer.json()["reason"]
        held.set()


def test_a_process_that_cannot_be_loaded_ends(settings, monkeypatch, caplog):
    def broken(*given, **named):
        raise ImportError("a part is missing")

    told = []
    monkeypatch.setattr(service.app, "create_app", broken)
    monkeypatch.setattr("service.early.signal.raise_signal", told.append)
    with TestClient(Early(settings)) as client, pytest.raises(ImportError, match="a part is missing"):
        client.get("/v1/subjects")
    assert [one.name for one in told] == ["SIGTERM"]
    assert "a part is missing" in caplog.text
