"""Idempotency-Key: the first answer again, one row, and nothing half done."""

import threading
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import sqlalchemy as sa

from service.db.models import ExerciseTest, Idempotency, Subject, Visit


def count(store: Any, table: Any) -> int:
    with store.read() as session:
        return session.scalar(sa.select(sa.func.count()).select_from(table))


@pytest.mark.parametrize("again", ["k-1", '"k-1"', ' "k-1" '])
def test_the_same_request_gives_its_first_answer(again, client, store):
    body = {"code": "a"}
    first = client.post("/v1/subjects", json=body, headers={"Idempotency-Key": "k-1"})
    second = client.post("/v1/subjects", json=body, headers={"Idempotency-Key": again})
    assert first.status_code == second.status_code == 201
    assert second.json() == first.json()
    assert second.headers["location"] == first.headers["location"]
    assert second.headers["idempotent-replayed"] == "true"
    assert "idempotent-replayed" not in first.headers
    assert count(store, Subject) == 1


def test_the_same_content_in_another_order_is_the_same(client):
    headers = {"Idempotency-Key": "k", "Content-Type": "application/json"}
    first = client.post("/v1/subjects", content='{"code": "a", "sex": "male"}', headers=headers)
    second = client.post("/v1/subjects", content='{ "sex":"male",\n"code":"a" }', headers=headers)
    assert second.json() == first.json()


def test_other_content_under_the_same_key_is_refused(client, store, laboratory):
    headers = {"Idempotency-Key": "k"}
    assert client.post("/v1/subjects", json={"code": "a"}, headers=headers).status_code == 201
    other = client.post("/v1/subjects", json={"code": "b"}, headers=headers)
    assert other.status_code == 422
    assert other.json()["type"].endswith("#idempotency-key-reused")
    assert client.post("/v1/cohorts", json={"name": "a"}, headers=headers).status_code == 422
    assert count(store, Subject) == 1


def test_a_refused_request_leaves_its_key_free(client):
    headers = {"Idempotency-Key": "k"}
    assert client.post("/v1/subjects", json={"code": " "}, headers=headers).status_code == 422
    assert client.post("/v1/subjects", json={"code": "a"}, headers=headers).status_code == 201
    conflict = client.post("/v1/subjects", json={"code": "a"}, headers={"Idempotency-Key": "l"})
    assert conflict.status_code == 409
    assert (
        client.post("/v1/subjects", json={"code": "b"}, headers={"Idempotency-Key": "l"}).status_code == 201
    )


def test_keys_of_two_callers_are_two(client, admin):
    headers = {"Idempotency-Key": "k"}
    assert client.post("/v1/subjects", json={"code": "a"}, headers=headers).status_code == 201
    assert admin.post("/v1/subjects", json={"code": "b"}, headers=headers).status_code == 201


@pytest.mark.parametrize("key", ["", " ", "x" * 201, "a b", '"open', "\u00e9".encode()])
def test_keys_that_are_none(key, client):
    assert (
        client.post("/v1/subjects", json={"code": "a"}, headers={"Idempotency-Key": key}).status_code == 422
    )


def test_a_key_is_forgotten_after_its_time(client, store):
    headers = {"Idempotency-Key": "k"}
    first = client.post("/v1/cohorts", json={"name": "a"}, headers=headers)
    with store.write("test") as transaction:
        transaction.session.execute(
            sa.update(Idempotency).values(created_at=datetime.now(UTC) - timedelta(hours=25))
        )
    second = client.post("/v1/cohorts", json={"name": "b"}, headers=headers)
    assert second.status_code == 201
    assert second.json()["id"] != first.json()["id"]
    assert count(store, Idempotency) == 1


def test_every_kind_of_creation(client, laboratory, store, csv_file, rows, own_norm):
    subject = laboratory.subject()
    visit = laboratory.visit(subject["id"])
    test = laboratory.planned(visit["id"])
    protocol = {
        "id": "own_ramp",
        "name": "Ramp",
        "mode": "cycle",
        "shape": "ramp",
        "source": "the laboratory",
        "stages": [{"phase": "exercise", "duration_s": 600, "ramp_w_per_min": 20}],
    }
    requests = [
        (f"/v1/subjects/{subject['id']}/visits", {"started_at": "2026-03-14T10:00:00Z"}),
        (f"/v1/visits/{visit['id']}/tests", {"mode": "cycle"}),
        (f"/v1/tests/{test['id']}/intervals", {"intervals": [{"end_s": 15, "vo2_ml_min": 900}]}),
        (f"/v1/tests/{test['id']}/stage-notes", [{"note": "a remark"}]),
        ("/v1/protocols", protocol),
        ("/v1/norms", own_norm()),
        ("/v1/cohorts", {"name": "study"}),
    ]
    for place, (address, body) in enumerate(requests):
        headers = {"Idempotency-Key": f"key-{place}"}
        first = client.post(address, json=body, headers=headers)
        assert first.status_code in {200, 201}, first.text
        second = client.post(address, json=body, headers=headers)
        assert (second.status_code, second.content) == (first.status_code, first.content), address
    assert len(client.get(f"/v1/tests/{test['id']}/stage-notes").json()["items"]) == 1
    assert count(store, Visit) == 2


def test_an_upload_with_its_file(client, laboratory, csv_file, rows, store):
    visit = laboratory.visit(laboratory.subject()["id"])
    headers = {"Idempotency-Key": "file-1"}
    first = laboratory.upload(visit["id"], csv_file(rows()), headers=headers)
    second = laboratory.upload(visit["id"], csv_file(rows()), headers=headers)
    assert first.status_code == second.status_code == 201
    assert second.content == first.content
    assert second.json()["existing"] is False
    other_bytes = laboratory.upload(visit["id"], csv_file(rows(3000.0)), headers=headers)
    other_options = laboratory.upload(visit["id"], csv_file(rows()), {"mode": "run"}, headers=headers)
    assert other_bytes.status_code == other_options.status_code == 422
    assert count(store, ExerciseTest) == 1


def test_at_the_same_moment(store, tester_key, open_client):
    barrier = threading.Barrier(4)
    answers: list[Any] = []

    def post() -> None:
        own = open_client(store, tester_key)
        barrier.wait()
        answers.append(own.post("/v1/subjects", json={"code": "a"}, headers={"Idempotency-Key": "k"}))

    threads = [threading.Thread(target=post) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [answer.status_code for answer in answers] == [201] * 4
    assert len({answer.text for answer in answers}) == 1
    assert count(store, Subject) == 1


@pytest.mark.parametrize("broken", ["write_changes", "answer"])
def test_a_crash_on_the_way_leaves_neither_the_row_nor_the_key(
    broken, store, tester_key, open_client, monkeypatch
):
    client = open_client(store, tester_key, raise_server_exceptions=False)
    headers = {"Idempotency-Key": "k"}

    def crash(*_: Any, **__: Any) -> None:
        raise RuntimeError("power cut")

    with monkeypatch.context() as patch:
        patch.setattr(f"service.db.transactions.Transaction.{broken}", crash)
        assert client.post("/v1/subjects", json={"code": "a"}, headers=headers).status_code == 500
    assert count(store, Subject) == count(store, Idempotency) == 0
    assert client.post("/v1/subjects", json={"code": "a"}, headers=headers).status_code == 201
