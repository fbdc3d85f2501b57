"""Answers kept ready: sent again as they were while the record stays the same, and never after it changed."""

import sqlite3
from typing import Any

import pytest
import sqlalchemy as sa

from service.db.transactions import Store
from service.http.ready import Answer, ReadyAnswers, ReadyMiddleware

KEPT = (
    "/v1/tests/{test}/analysis",
    "/v1/tests/{test}/charts/uptake?format=svg",
    "/v1/subjects/{subject}/trends/vo2_peak_ml_kg_min",
    "/v1/subjects/{subject}/trends/vo2_peak_ml_kg_min?format=csv",
)
TREND = KEPT[2]

COMPUTING = (
    "service.analyses.workflow.analysis_of",
    "service.analyses.workflow.chart_of",
    "service.trends.workflow.trend_of",
)


@pytest.fixture
def ids(laboratory) -> dict[str, str]:
    subject = laboratory.subject()
    visit = laboratory.visit(subject["id"])
    return {"subject": subject["id"], "visit": visit["id"], "test": laboratory.complete(visit["id"])["id"]}


@pytest.fixture
def count_of_computing(monkeypatch) -> list[str]:
    """Grows by a name each time an answer is computed."""
    computed: list[str] = []

    def counted(name: str):
        module, _, function = name.rpartition(".")
        original = getattr(__import__(module, fromlist=[function]), function)

        def one(*given: Any, **named: Any) -> Any:
            computed.append(name)
            return original(*given, **named)

        return one

    for name in COMPUTING:
        monkeypatch.setattr(name, counted(name))
    return computed


@pytest.mark.parametrize("address", KEPT)
def test_the_same_reading_again_is_sent_as_it_was(client, ids, count_of_computing, address):
    first = client.get(address.format(**ids))
    again = client.get(address.format(**ids))
    assert first.status_code == again.status_code == 200
    assert len(count_of_computing) == (2 if "charts" in address else 1)  # a chart is drawn from an analysis
    assert again.content == first.content
    each_time = {"x-request-id"}
    assert {name: value for name, value in again.headers.items() if name not in each_time} == {
        name: value for name, value in first.headers.items() if name not in each_time
    }
    assert again.headers["x-request-id"] != first.headers["x-request-id"]


def test_what_is_ready_takes_two_statements_and_what_the_client_has_no_more(client, store, ids):
    if store.prompt_engine is None:
        pytest.skip("counted on SQLite")
    address = TREND.format(**ids)
    tag = client.get(address).headers["etag"]
    seen: list[str] = []
    for engine in (store.prompt_engine, store.read_engine, store.write_engine):
        sa.event.listen(engine, "before_cursor_execute", lambda *told: seen.append(told[2]))
    for headers, status in (({}, 200), ({"If-None-Match": tag}, 304)):
        seen.clear()
        assert client.get(address, headers=headers).status_code == status
        asked = [one for one in seen if not one.startswith("BEGIN")]
        assert [one.split("FROM ")[-1].split()[0] for one in asked] == ["api_key", "subject"]


WRITES: tuple[tuple[str, str, Any], ...] = (
    ("PATCH", "/v1/subjects/{subject}", {"notes": "new"}),
    ("PATCH", "/v1/visits/{visit}", {"body_mass_kg": 81}),
    ("PATCH", "/v1/tests/{test}", {"stop_reason": "legs"}),
    ("PUT", "/v1/tests/{test}/exclusions", [{"seq": 3, "excluded": True, "reason": "cough"}]),
    ("PATCH", "/v1/site", {"retest_interval_days": 200}),
)


@pytest.mark.parametrize("address", KEPT)
@pytest.mark.parametrize(("method", "changed", "body"), WRITES)
def test_every_write_makes_the_next_reading_anew(
    client, admin, ids, count_of_computing, address, method, changed, body
):
    asked = address.format(**ids)
    tag = client.get(asked).headers["etag"]
    del count_of_computing[:]
    answer = admin.request(method, changed.format(**ids), json=body)
    assert answer.status_code == 200, answer.text
    after = client.get(asked, headers={"If-None-Match": tag})
    assert after.status_code == 200
    assert after.headers["etag"] != tag
    assert count_of_computing


def test_a_write_by_another_process_is_seen(client, ids, make_store, open_client, make_key):
    address = TREND.format(**ids)
    before = client.get(address).json()
    elsewhere = make_store()
    other = open_client(elsewhere, make_key(elsewhere, "another", "tester"))
    changed = other.patch(f"/v1/visits/{ids['visit']}", json={"body_mass_kg": 90})
    assert changed.status_code == 200, changed.text
    after = client.get(address).json()
    assert after["series"][0]["latest"] != before["series"][0]["latest"]
    # The one app of the tests serves both stores: what it held of one is not given for the other.
    assert other.get(address).json() == after


@pytest.mark.sqlite_file
def test_a_copy_of_the_record_goes_its_own_way(client, ids, store, open_client, tester_key, tmp_path):
    path = tmp_path / "copy.db"
    with sqlite3.connect(store.settings.sqlite_path) as one:
        one.execute("VACUUM INTO ?", [str(path)])
    one.close()
    copy = Store(store.settings.model_copy(update={"database_url": f"sqlite:///{path}"}))
    other = open_client(copy, tester_key)
    latest = []
    for each, mass_kg in ((client, 80), (other, 90)):
        # Both have the same ids, and then the same revision.
        each.patch(f"/v1/visits/{ids['visit']}", json={"body_mass_kg": mass_kg}).raise_for_status()
        latest.append(each.get(TREND.format(**ids)).json()["series"][0]["latest"])
    copy.close()
    assert latest[0] > latest[1]


def test_who_is_not_covered_is_told_nothing(client, store, ids, laboratory, open_client, make_key):
    address = TREND.format(**ids)
    assert client.get(address).status_code == 200
    code = client.get(f"/v1/subjects/{ids['subject']}").json()["code"]
    other = laboratory.subject()
    limited = open_client(store, make_key(store, "limited", "reader", subject_codes=[other["code"]]))
    assert limited.get(address).status_code == 404
    covered = open_client(store, make_key(store, "covered", "reader", subject_codes=[code]))
    assert covered.get(address).json() == client.get(address).json()


def test_a_revoked_key_ends_at_once(client, admin, store, ids, open_client, make_key):
    address = TREND.format(**ids)
    guest = open_client(store, make_key(store, "guest", "reader"))
    assert guest.get(address).status_code == 200
    assert admin.delete("/v1/keys/guest").status_code in {200, 204}
    assert guest.get(address).status_code == 401


def test_what_was_erased_is_not_even_in_memory(client, admin, ids, shared_app):
    addresses = [address.format(**ids) for address in KEPT]
    for address in addresses:
        assert client.get(address).status_code == 200
    held = next(one.kwargs["answers"] for one in shared_app.user_middleware if one.cls is ReadyMiddleware)
    assert held.size_bytes > 0
    code = client.get(f"/v1/subjects/{ids['subject']}").json()["code"]
    body = {"code": code, "basis": "asked_by_person"}
    assert admin.post(f"/v1/subjects/{ids['subject']}/erasure", json=body).status_code == 200
    assert held.size_bytes == 0
    for address in addresses:
        assert client.get(address).status_code == 404


def test_a_refusal_is_not_kept(client, ids, count_of_computing):
    for address in (f"{TREND}?unknown=1", "/v1/subjects/{subject}/trends/nothing", f"{TREND}?from=never"):
        statuses = {client.get(address.format(**ids)).status_code for _ in range(2)}
        assert statuses <= {404, 422}
    assert client.get(TREND.format(**ids), headers={"Accept": "text/plain"}).status_code == 406
    assert not count_of_computing


def test_no_memory_keeps_nothing(make_store, open_client, make_key, laboratory_of, count_of_computing):
    store = make_store(ready_mib=0)
    client = open_client(store, make_key(store, "tester", "tester"))
    laboratory = laboratory_of(client)
    subject = laboratory.subject()
    laboratory.complete(laboratory.visit(subject["id"])["id"])
    address = f"/v1/subjects/{subject['id']}/trends/vo2_peak_ml_kg_min"
    answers = [client.get(address).content for _ in range(2)]
    assert answers[0] == answers[1]
    assert len(count_of_computing) == 2


def test_the_longest_unused_go_first():
    answers = ReadyAnswers(1_000)
    for name in "abcdefghijklmnopqrstu":
        answers.keep(name, Answer(None, (), b"x" * 50))
        answers.get("a")
    assert answers.get("a") is not None
    assert [name for name in "bcdefghijklmnopqrstu" if answers.get(name) is None] == ["b"]
    answers.keep("large", Answer(None, (), b"x" * 63))
    assert answers.get("large") is None
    answers.forget()
    assert answers.get("a") is None
