"""What the database is asked: as many statements for many as for few, and each finds its rows by an index."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
import sqlalchemy as sa

from service.db.transactions import Store

#: Tables that grow with the people; site, protocols, tables of norms, keys and groups stay few.
LARGE = {
    "subject",
    "visit",
    "exercise_test",
    "interval",
    "interval_extra",
    "analysis",
    "result",
    "stage_note",
    "reported_result",
    "measurement",
    "calibration",
    "exclusion",
    "conclusion",
    "change",
    "change_payload",
    "idempotency",
}


@contextmanager
def heard(store: Store) -> Iterator[list[tuple[str, Any]]]:
    """The statements of a store, with their parameters."""
    seen: list[tuple[str, Any]] = []

    def note(connection, cursor, statement, parameters, context, many):
        del connection, cursor, context, many
        if not statement.startswith(("BEGIN", "PRAGMA")):
            seen.append((statement, parameters))

    engines = [one for one in (store.read_engine, store.write_engine, store.prompt_engine) if one is not None]
    for engine in engines:
        sa.event.listen(engine, "before_cursor_execute", note)
    try:
        yield seen
    finally:
        for engine in engines:
            sa.event.remove(engine, "before_cursor_execute", note)


def asked(store: Store, ask: Callable[[], Any]) -> list[tuple[str, Any]]:
    with heard(store) as seen:
        answer = ask()
    assert answer.status_code in {200, 201}, answer.text
    return seen


@pytest.fixture
def ids(laboratory, client) -> dict[str, str]:
    ids = laboratory.one_of_each()
    client.post(
        "/v1/site/events", json={"kind": "device", "started_on": "2026-01-05", "title": "a new analyser"}
    )
    return ids


LISTS = (
    "/v1/subjects",
    "/v1/subjects?query=s",
    "/v1/subjects/{subject_id}/visits",
    "/v1/visits/{visit_id}/tests",
    "/v1/tests/{test_id}/intervals",
    "/v1/subjects/{subject_id}/events",
    "/v1/subjects/{subject_id}/trends",
    "/v1/subjects/{subject_id}/trends/vo2_peak_ml_kg_min",
    "/v1/subjects/{subject_id}/trends/vo2_peak_ml_kg_min/planning",
    "/v1/subjects/{subject_id}/trends/heart_rate_max_bpm",
    "/v1/tests/{test_id}/analysis",
    "/v1/changes?since=0",
    "/v1/events",
)


def _more(laboratory, client, ids: dict[str, str]) -> None:
    """Further people, visits, tests, events and changes."""
    members = [{"subject_id": ids["subject_id"]}]
    for number in range(4):
        members.append({"subject_id": laboratory.subject()["id"]})
        visit = laboratory.visit(ids["subject_id"], started_at=f"202{number}-03-14T09:30:00+01:00")
        laboratory.complete(visit["id"])
        laboratory.complete(ids["visit_id"])
        event = {"kind": "illness", "started_on": f"202{number}-02-05", "title": "a cold"}
        client.post(f"/v1/subjects/{ids['subject_id']}/events", json=event)
    client.put(f"/v1/cohorts/{ids['cohort_id']}/members", json=members)


@pytest.fixture
def unheld(make_store, open_client, make_key):
    """A service that keeps no answer ready: its store, and a client."""
    store = make_store(ready_mib=0)
    return store, open_client(store, make_key(store, "counting", "admin"))


def test_many_are_read_in_as_many_statements_as_few(laboratory, client, ids, unheld):
    store, counting = unheld
    addresses = [address.format(**ids) for address in LISTS]
    few = {address: len(asked(store, lambda at=address: counting.get(at))) for address in addresses}
    few = {address: len(asked(store, lambda at=address: counting.get(at))) for address in addresses}
    _more(laboratory, client, ids)
    many = {address: len(asked(store, lambda at=address: counting.get(at))) for address in addresses}
    assert many == few
    # Two before the route: the key, and the state of the record.
    assert max(many.values()) <= 20, many


@pytest.mark.sqlite_file
def test_what_is_asked_often_is_found_by_an_index(laboratory, laboratory_of, client, ids, unheld):
    store, counting = unheld
    _more(laboratory, client, ids)
    test = laboratory.planned(ids["visit_id"])["id"]
    asks: dict[str, Callable[[], Any]] = {
        address: lambda at=address: counting.get(at.format(**ids))
        for address in LISTS
        if "query" not in address  # a part of a name is looked for in every name
    }
    interval = {"end_s": 15.0, "vo2_ml_min": 900.0}
    asks["append"] = lambda: counting.post(f"/v1/tests/{test}/intervals", json={"intervals": [interval]})
    asks["note"] = lambda: counting.post(f"/v1/tests/{test}/stage-notes", json=[{"stage": 1, "rpe": 9}])
    asks["import"] = lambda: laboratory_of(counting).upload(ids["visit_id"], _FILE)
    wide = []
    for name, ask in asks.items():
        statements = asked(store, ask)
        assert statements, name
        wide += [(name, step, statement) for step, statement in _scans(store, statements)]
    assert wide == []


_LINES = (f"{15 * place},{800 + 40 * place}" for place in range(1, 50))
_FILE = "\n".join(["t (s),VO2 (mL/min)", *_LINES]).encode()


def _scans(store: Store, statements: list[tuple[str, Any]]) -> Iterator[tuple[str, str]]:
    """Steps that walk through a large table, but for the first rows of an order that it is kept in."""
    with store.read_engine.connect() as connection:
        for statement, parameters in statements:
            if not statement.startswith(("SELECT", "UPDATE", "DELETE", "WITH")):
                continue
            one = parameters[0] if isinstance(parameters, list) else parameters
            steps = [row[-1] for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", one)]
            sorted_first = any(step.startswith("USE TEMP B-TREE") for step in steps)
            if "LIMIT" in statement and "WHERE" not in statement and not sorted_first:
                continue
            for step in steps:
                if step.startswith("SCAN") and step.split()[1] in LARGE:
                    yield step, statement


@pytest.mark.sqlite_file
@pytest.mark.parametrize(
    ("statement", "seen"),
    [
        ("SELECT id FROM subject WHERE notes = ?", ["SCAN subject"]),
        ("SELECT id FROM subject WHERE notes = ? LIMIT 1", ["SCAN subject"]),
        ("SELECT id FROM visit WHERE subject_id = ?", []),
    ],
)
def test_a_walk_through_a_large_table_is_seen(store, statement, seen):
    assert [step for step, _ in _scans(store, [(statement, ("1",))])] == seen
