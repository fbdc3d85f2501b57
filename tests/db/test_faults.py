"""A disk that is full, a record that can only be read, one that is damaged or gone: a clear message, and no harm."""

import os
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import psycopg
import pytest
import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError

from service.db.faults import unavailable_for
from service.db.models import Subject
from service.settings import Settings
from service.upkeep.workflow import run_checks
from tests.api.conftest import Laboratory, step_test

pytestmark = pytest.mark.sqlite_file


def at_each_connection(store, statement: str) -> None:
    """Have the writing connection told something first."""

    @sa.event.listens_for(store.write_engine, "connect")
    def tell(connection: Any, record: Any) -> None:
        del record
        connection.execute(statement)

    store.write_engine.dispose()


@pytest.fixture
def test_of_somebody(laboratory) -> dict[str, Any]:
    return laboratory.complete(laboratory.visit(laboratory.subject()["id"])["id"])


@pytest.fixture
def laboratory(client) -> Laboratory:
    return Laboratory(client)


def test_a_full_disk(store, client, laboratory, test_of_somebody):
    with closing(sqlite3.connect(store.settings.sqlite_path)) as connection:
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
    # SQLite's own limit gives the same result code as a disk without room.
    at_each_connection(store, f"PRAGMA max_page_count={pages + 1}")
    before = laboratory.analysis(test_of_somebody["id"])
    rows = step_test()
    refused = client.put(
        f"/v1/tests/{test_of_somebody['id']}/intervals",
        json={
            "intervals": [{**rows[place % len(rows)], "end_s": 15.0 * (place + 1)} for place in range(3000)]
        },
    )
    assert refused.status_code == 503, refused.text
    assert refused.headers["retry-after"] == "60"
    assert refused.json()["detail"].startswith("The disk of the record is full; nothing was stored.")
    assert laboratory.analysis(test_of_somebody["id"]) == before
    assert all(one.passed for one in run_checks(Settings(database_url=store.settings.database_url)))


def test_a_record_that_can_only_be_read(store, client, laboratory, test_of_somebody):
    at_each_connection(store, "PRAGMA query_only=ON")
    refused = client.post("/v1/subjects", json={"code": "new"})
    assert refused.status_code == 503
    assert "does not let itself be written" in refused.json()["detail"]
    assert laboratory.analysis(test_of_somebody["id"])["test_id"] == test_of_somebody["id"]


def test_another_program_that_holds_the_record(make_store, open_client, make_key):
    store = make_store(busy_timeout_s=0.2)
    client = open_client(store, make_key(store, "tester", "tester"))
    with closing(sqlite3.connect(store.settings.sqlite_path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        refused = client.post("/v1/subjects", json={"code": "new"})
        assert client.get("/v1/subjects").status_code == 200
    assert refused.status_code == 503
    assert "Another program has held the record" in refused.json()["detail"]
    assert client.post("/v1/subjects", json={"code": "new"}).status_code == 201


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_a_damaged_file(share, store, client, test_of_somebody):
    path = Path(store.settings.sqlite_path)
    store.close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with path.open("r+b") as file:
        file.seek(int(path.stat().st_size * share) // 4096 * 4096)
        file.write(os.urandom(8192))
    statuses = {
        client.get(address).status_code
        for address in (
            "/v1/subjects",
            f"/v1/tests/{test_of_somebody['id']}/analysis",
            f"/v1/tests/{test_of_somebody['id']}/intervals",
            "/v1/changes",
            "/v1/protocols",
        )
    }
    assert statuses <= {200, 401, 404, 503}, statuses
    failed = [one for one in run_checks(Settings(database_url=store.settings.database_url)) if not one.passed]
    assert failed, "the check finds it"


def test_what_is_no_database(store, client, admin):
    store.close()
    Path(store.settings.sqlite_path).write_bytes(b"something else" * 1000)
    answer = client.get("/v1/subjects")
    assert answer.status_code == 503
    assert answer.headers["content-type"] == "application/problem+json"
    assert "no database any more" in answer.json()["detail"]
    assert client.get("/readyz").status_code == 503


def test_a_page_says_it_too(store, open_client, tester_key):
    browser = open_client(store, follow_redirects=False)
    browser.post("/sign-in", data={"key": tester_key})
    token = browser.get("/people/new").text.split('name="form_token" value="')[1].split('"')[0]
    at_each_connection(store, "PRAGMA query_only=ON")
    answer = browser.post("/people", data={"form_token": token, "code": "new"})
    assert answer.status_code == 503
    assert "does not let itself be written" in answer.text


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("53100", "full"),
        ("53300", "limits"),
        ("25006", "only be read"),
        ("57P01", "stopping"),
        ("08006", "reached"),
        ("40001", "came between"),
        ("XX001", "damage"),
    ],
)
def test_what_postgresql_says(state, words):
    # Codes of appendix A of PostgreSQL's manual.
    error = DBAPIError("select 1", {}, psycopg.errors.lookup(state)("x"))
    told = unavailable_for(error)
    assert told is not None
    assert words in told.detail


def test_a_fault_of_ours_is_none_of_the_database(store):
    with pytest.raises(DBAPIError) as raised, store.write("test") as transaction:
        transaction.session.execute(sa.text("SELECT nothing FROM nowhere"))
    assert unavailable_for(raised.value) is None
    with store.read() as session:
        assert session.scalar(sa.select(sa.func.count()).select_from(Subject)) == 0
