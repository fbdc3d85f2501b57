"""A conclusion is written, signed and frozen; what comes later stands beside it."""

from datetime import timedelta

import pytest
import sqlalchemy as sa

from service.db.models import Conclusion
from service.db.transactions import now

TEXT = "Peak uptake as in March; effort by two criteria. Next test in half a year."
SIGNED = "2026-03-14T11:00:00+01:00"


@pytest.fixture
def address(laboratory, rows):
    visit = laboratory.visit(laboratory.subject()["id"])
    return f"/v1/tests/{laboratory.complete(visit['id'], rows())['id']}/conclusion"


def put(client, address, **fields):
    body = {"text": TEXT, "author": "A. Tester"} | fields
    return client.put(address, json=body)


def test_none_yet(client, address):
    assert client.get(address).json() == {
        "test_id": address.split("/")[3],
        "versions": [],
        "analysis_changed_since_signature": None,
    }


def test_a_draft_is_written_over(client, address):
    put(client, address)
    answer = put(client, address, text="Another wording.").json()
    (only,) = answer["versions"]
    assert (only["version"], only["text"], only["signed_at"], only["amends"]) == (
        1,
        "Another wording.",
        None,
        None,
    )


def test_what_was_signed_stays_and_a_later_one_amends_it(client, address):
    put(client, address)
    put(client, address, signed_at=SIGNED, credentials="by the rules of the laboratory")
    put(client, address, text="A draft of an amendment.")
    versions = put(client, address, text="An amendment.", signed_at="2026-04-01T09:00:00+02:00").json()[
        "versions"
    ]
    assert [(one["version"], one["text"], one["amends"]) for one in versions] == [
        (2, "An amendment.", 1),
        (1, TEXT, None),
    ]
    assert client.get(address).json()["versions"] == versions


def test_the_analysis_is_kept_with_the_signature_and_a_change_of_it_is_told(client, address, store):
    put(client, address, signed_at=SIGNED)
    assert client.get(address).json()["analysis_changed_since_signature"] is False
    with store.read() as session:
        kept = session.scalar(sa.select(Conclusion.document))
    visit = client.get(address.removesuffix("/conclusion")).json()["visit_id"]
    assert client.patch(f"/v1/visits/{visit}", json={"body_mass_kg": 71.0}).status_code == 200
    assert client.get(address).json()["analysis_changed_since_signature"] is True
    with store.read() as session:
        assert session.scalar(sa.select(Conclusion.document)) == kept


def test_a_table_that_the_site_loads_changes_no_signed_analysis(client, admin, address, own_norm):
    put(client, address, signed_at=SIGNED)
    assert admin.post("/v1/norms", json=own_norm()).status_code == 201
    assert client.get(address).json()["analysis_changed_since_signature"] is False


@pytest.mark.parametrize(
    ("fields", "where"),
    [
        ({"text": "  "}, "body.text"),
        ({"author": ""}, "body.author"),
        ({"signed_at": "2026-03-14T11:00:00"}, "body.signed_at"),
        ({"signed_at": (now() + timedelta(days=1)).isoformat()}, "body.signed_at"),
        ({"version": 3}, "body.version"),
    ],
)
def test_what_is_refused_says_where_and_leaves_nothing(client, address, fields, where):
    answer = put(client, address, **fields)
    assert answer.status_code == 422
    assert where in {place["location"] for place in answer.json()["errors"]}
    assert client.get(address).json()["versions"] == []


def test_a_test_that_is_not_complete_takes_a_draft_and_no_signature(client, laboratory):
    test = laboratory.planned(laboratory.visit(laboratory.subject()["id"])["id"])
    address = f"/v1/tests/{test['id']}/conclusion"
    assert put(client, address, signed_at=SIGNED).status_code == 409
    assert put(client, address).status_code == 200


def test_a_void_test_takes_none(client, address):
    assert client.patch(address.removesuffix("/conclusion"), json={"status": "void"}).status_code == 200
    assert put(client, address).status_code == 409


def test_a_write_on_an_old_state_is_refused(client, address):
    old = client.get(address).headers["ETag"]
    put(client, address)
    answer = client.put(address, json={"text": "x", "author": "y"}, headers={"If-Match": old})
    assert answer.status_code == 412
    assert client.get(address).json()["versions"][0]["text"] == TEXT


def test_it_is_in_the_feed_of_changes(client, address):
    put(client, address)
    last = client.get("/v1/changes", params={"limit": 500}).json()["items"][-1]
    assert (last["kind"], last["id"], last["action"]) == ("conclusion", address.split("/")[3], "created")
