"""The answer comes after the commit: what was answered is stored, and what was not stored was not answered."""

import threading
from typing import Any

import pytest
import sqlalchemy as sa

from service.db.models import Change, Subject
from tests.api.conftest import everything


@pytest.fixture
def at_commit(store):
    """Runs a function at each commit of the writing connection."""
    running: list[Any] = []

    def run(connection: Any) -> None:
        for action in running:
            action(connection)

    sa.event.listen(store.write_engine, "commit", run)
    return running.append


def test_no_answer_while_the_commit_is_held(client, store, at_commit):
    reached, release = threading.Event(), threading.Event()

    def hold(_: Any) -> None:
        reached.set()
        assert release.wait(20)

    at_commit(hold)
    answers: list[Any] = []
    request = threading.Thread(target=lambda: answers.append(client.post("/v1/subjects", json={"code": "a"})))
    request.start()
    assert reached.wait(20)
    request.join(0.3)
    assert request.is_alive()
    assert answers == []
    with store.read() as session:
        assert session.scalar(sa.select(sa.func.count()).select_from(Subject)) == 0
    release.set()
    request.join(20)
    assert answers[0].status_code == 201


@pytest.mark.parametrize("what", ["subject", "import", "intervals", "analysis"])
def test_a_commit_that_fails_is_a_problem_and_stores_nothing(
    what, store, tester_key, open_client, laboratory, csv_file, rows, at_commit
):
    client = open_client(store, tester_key, raise_server_exceptions=False)
    visit = laboratory.visit(laboratory.subject()["id"])
    test = laboratory.complete(visit["id"])
    dump = everything(store)

    def fail(_: Any) -> None:
        raise OSError("the disk is full")

    at_commit(fail)
    if what == "subject":
        answer = client.post("/v1/subjects", json={"code": "a"}, headers={"Idempotency-Key": "k"})
    elif what == "import":
        answer = client.post(
            f"/v1/visits/{visit['id']}/imports",
            files={"file": ("a.csv", csv_file(rows()))},
            data={"options": '{"mode": "treadmill"}'},
        )
    elif what == "intervals":
        answer = client.put(f"/v1/tests/{test['id']}/intervals", json={"intervals": rows(3000.0)})
    else:
        answer = client.post(f"/v1/tests/{test['id']}/analysis", json={"settings": {"peak_window_s": 60}})
    assert answer.status_code == 500
    assert answer.headers["content-type"] == "application/problem+json"
    assert "disk" not in answer.text
    assert everything(store) == dump


def test_a_refused_write_leaves_no_trace(client, store, laboratory):
    subject = laboratory.subject()
    with store.read() as session:
        before = session.scalar(sa.select(sa.func.max(Change.seq)))
    tag = client.get(f"/v1/subjects/{subject['id']}").headers["etag"]
    for body in ({"code": " "}, {"birth_date": "2999-01-01"}, {"colour": "red"}):
        assert client.patch(f"/v1/subjects/{subject['id']}", json=body).status_code == 422
    with store.read() as session:
        assert session.scalar(sa.select(sa.func.max(Change.seq))) == before
    assert client.get(f"/v1/subjects/{subject['id']}").headers["etag"] == tag
