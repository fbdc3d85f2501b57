"""A key in the place of another, and when a key was last used."""

from datetime import UTC, datetime, timedelta

import pytest
import sqlalchemy as sa
from starlette.testclient import TestClient

from service.app import create_app
from service.db.models import ApiKey


def rotated(admin, name: str = "tester", **body):
    answer = admin.post(f"/v1/keys/{name}/rotation", json=body)
    assert answer.status_code == 200, answer.text
    return answer.json()


def works(open_client, store, key: str) -> bool:
    return open_client(store, key).get("/v1/subjects").status_code == 200


def test_the_key_before_ends_at_once(store, open_client, admin, tester_key):
    new = rotated(admin)
    assert new["key"] != tester_key
    assert not works(open_client, store, tester_key)
    assert works(open_client, store, new["key"])
    assert (new["scope"], new["previous_until"]) == ("tester", None)
    assert "key" not in admin.get("/v1/keys").json()["items"][0]


def test_the_key_before_works_on_for_a_while(store, open_client, admin, tester_key):
    new = rotated(admin, overlap_hours=2)
    assert works(open_client, store, tester_key)
    assert works(open_client, store, new["key"])
    until = datetime.fromisoformat(new["previous_until"])
    assert timedelta(hours=1.9) < until - datetime.now(UTC) <= timedelta(hours=2)
    with store.write("test") as transaction:
        past = datetime.now(UTC) - timedelta(seconds=1)
        transaction.session.execute(
            sa.update(ApiKey).where(ApiKey.name == "tester").values(previous_until=past)
        )
    assert not works(open_client, store, tester_key)
    assert works(open_client, store, new["key"])


def test_a_second_rotation_ends_the_first_key(store, open_client, admin, tester_key):
    second = rotated(admin, overlap_hours=2)["key"]
    third = rotated(admin, overlap_hours=2)["key"]
    assert [works(open_client, store, one) for one in (tester_key, second, third)] == [False, True, True]


def test_what_was_signed_in_ends_with_it(store, open_client, admin, tester_key):
    browser = open_client(store, follow_redirects=False)
    browser.post("/sign-in", data={"key": tester_key})
    assert browser.get("/people").status_code == 200
    rotated(admin)
    assert browser.get("/people").status_code == 303


def test_a_revoked_and_an_unknown_key_are_refused(admin, tester_key):
    assert admin.post("/v1/keys/nobody/rotation", json={}).status_code == 404
    admin.delete("/v1/keys/tester")
    assert admin.post("/v1/keys/tester/rotation", json={}).status_code == 409


def test_it_is_in_the_audit_without_a_secret(admin, tester_key):
    new = rotated(admin)
    answer = admin.get("/v1/audit")
    assert answer.json()["items"][0]["content"] == {"rotated": {"overlap_hours": 0.0}}
    assert new["key"] not in answer.text
    assert tester_key not in answer.text


@pytest.mark.parametrize("overlap", [-1, 721, "1", None])
def test_an_overlap_that_makes_no_sense_is_refused(admin, tester_key, overlap):
    answer = admin.post("/v1/keys/tester/rotation", json={"overlap_hours": overlap})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["location"] == "body.overlap_hours"


def test_the_last_use_is_written_down_when_the_service_stops(store, make_store, tester_key, reader_key):
    before = datetime.now(UTC)
    with TestClient(create_app(store.settings, make_store())) as client:
        assert (
            client.get("/v1/subjects", headers={"Authorization": f"Bearer {tester_key}"}).status_code == 200
        )
    with store.read() as session:
        used = {key.name: key.last_used_at for key in session.scalars(sa.select(ApiKey))}
    assert before <= used["tester"] <= datetime.now(UTC)
    assert used["reader"] is None
