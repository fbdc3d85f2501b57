"""The audit: who did what to which record when, with what was there before and what came."""

import json
from typing import Any

import pytest
import sqlalchemy as sa

from service.db.models import ChangePayload
from tests.api.conftest import step_test


@pytest.fixture
def entries(admin):
    """Entries of the audit, newest first."""

    def read(**query: Any) -> list[dict[str, Any]]:
        answer = admin.get("/v1/audit", params={"limit": 500} | query)
        assert answer.status_code == 200, answer.text
        return answer.json()["items"]

    return read


@pytest.fixture
def test_of_a_person(laboratory) -> dict[str, str]:
    subject = laboratory.subject(given_name="Wilma")
    visit = laboratory.visit(subject["id"])
    test = laboratory.complete(visit["id"], notes="first notes")
    return {"subject": subject["id"], "visit": visit["id"], "test": test["id"]}


NOTE = {"stage": 1, "rpe": 13.0, "rpe_scale": "6-20"}
#: A write, what it must leave of the state before, and what of the state after.
WRITES: list[tuple[str, str, Any, dict[str, Any], dict[str, Any]]] = [
    (
        "PATCH",
        "/v1/subjects/{subject}",
        {"given_name": "Wanda"},
        {"given_name": "Wilma"},
        {"given_name": "Wanda"},
    ),
    ("PATCH", "/v1/visits/{visit}", {"body_mass_kg": 74.0}, {"body_mass_kg": 75.0}, {"body_mass_kg": 74.0}),
    ("PATCH", "/v1/tests/{test}", {"notes": "corrected"}, {"notes": "first notes"}, {"notes": "corrected"}),
    ("PATCH", "/v1/tests/{test}", {"status": "void"}, {"status": "complete"}, {"status": "void"}),
]
#: A part of a record that is put twice: the second time the first stands under `before`.
PARTS: list[tuple[str, str, Any, Any]] = [
    ("/v1/visits/{visit}/measurements", "measurements", [{"quantity": "waist_cm", "value": 90.0}], []),
    (
        "/v1/visits/{visit}/pre-test",
        "pre_test",
        {"answers": [], "cleared_by": "the physician on duty"},
        {"answers": []},
    ),
    ("/v1/tests/{test}/stage-notes", "stage_notes", [NOTE], [NOTE | {"rpe": 15.0}]),
    (
        "/v1/tests/{test}/calibrations",
        "calibrations",
        [{"when": "before", "kind": "volume", "expected": 3.0, "measured": 2.98, "unit": "L"}],
        [],
    ),
    (
        "/v1/tests/{test}/thresholds",
        "thresholds",
        [{"threshold": "vt1", "vo2_ml_min": 2200.0, "by": "A. Tester", "reason": "clearer by eye"}],
        [],
    ),
    (
        "/v1/tests/{test}/exclusions",
        "exclusions",
        [{"seq": 4, "excluded": True, "reason": "cough"}],
        [{"seq": 4, "excluded": None, "reason": "it was none"}],
    ),
]


@pytest.mark.parametrize(("method", "address", "body", "before", "after"), WRITES)
def test_a_change_keeps_before_and_after(
    client, entries, test_of_a_person, method, address, body, before, after
):
    answer = client.request(method, address.format(**test_of_a_person), json=body)
    assert answer.status_code == 200, answer.text
    entry = entries()[0]
    assert (entry["actor"], entry["action"], entry["subject_id"]) == (
        "tester",
        "changed",
        test_of_a_person["subject"],
    )
    assert before.items() <= entry["content"]["before"].items()
    assert after.items() <= entry["content"]["after"].items()


@pytest.mark.parametrize(("address", "name", "first", "second"), PARTS)
def test_a_part_that_is_replaced_stands_in_the_audit(
    client, entries, test_of_a_person, address, name, first, second
):
    for body in (first, second):
        answer = client.put(address.format(**test_of_a_person), json=body)
        assert answer.status_code == 200, answer.text
    put_second, put_first = entries(limit=2)
    assert name not in put_first["content"].get("before", {}) or name in {"measurements", "pre_test"}
    told = put_second["content"]["before"][name]
    for given, kept in zip(first, told, strict=True) if isinstance(first, list) else [(first, told)]:
        assert given.items() <= kept.items()


def test_intervals_that_are_replaced_can_be_read_back(client, entries, test_of_a_person):
    rows = client.get(f"/v1/tests/{test_of_a_person['test']}/intervals?limit=5000").json()["items"]
    answer = client.put(
        f"/v1/tests/{test_of_a_person['test']}/intervals", json={"intervals": step_test(3000.0)}
    )
    assert answer.status_code == 200, answer.text
    before = entries()[0]["content"]["before"]["intervals"]
    for name in ("end_s", "duration_s", "vo2_ml_min", "heart_rate_bpm"):
        assert before[name] == [row[name] for row in rows]


def test_a_group_keeps_what_was_before(client, entries, laboratory):
    subject = laboratory.subject()
    cohort = client.post("/v1/cohorts", json={"name": "study"}).json()["id"]
    client.put(f"/v1/cohorts/{cohort}/members", json=[{"subject_id": subject["id"], "arm": "a"}])
    client.put(f"/v1/cohorts/{cohort}/members", json=[])
    assert entries()[0]["content"]["before"]["members"][0]["arm"] == "a"
    client.patch(f"/v1/cohorts/{cohort}", json={"name": "trial"})
    content = entries()[0]["content"]
    assert (content["before"], content["after"]) == ({"name": "study"}, {"name": "trial"})


def test_it_is_searched_by_who_what_and_when(client, admin, entries, test_of_a_person):
    assert [one["action"] for one in entries(kind="visit", id=test_of_a_person["visit"])] == ["created"]
    assert entries(actor="nobody") == []
    of_person = entries(subject_id=test_of_a_person["subject"])
    assert {one["kind"] for one in of_person} == {"subject", "visit", "test"}
    seqs = [one["seq"] for one in of_person]
    assert seqs == sorted(seqs, reverse=True)
    middle = of_person[1]["at"]
    assert [one["seq"] for one in entries(subject_id=test_of_a_person["subject"], to=middle)] == seqs[1:]
    assert entries(**{"from": "2199-01-01T00:00:00Z"}) == []
    walked, address = [], "/v1/audit?limit=2"
    while address:
        answer = admin.get(address)
        walked += [one["seq"] for one in answer.json()["items"]]
        address = answer.links.get("next", {}).get("url")
    assert walked == [one["seq"] for one in entries()]


def test_what_was_emptied_is_said(store, admin, entries, test_of_a_person):
    seq = entries(subject_id=test_of_a_person["subject"])[0]["seq"]
    with store.write_engine.begin() as connection:
        connection.execute(
            sa.update(ChangePayload).where(ChangePayload.seq == seq).values(payload="", salt="")
        )
    entry = next(one for one in entries() if one["seq"] == seq)
    assert entry["content"] is None
    assert "erased" in entry["reason"]


def test_analyses_exports_and_sign_ins_are_in_it(client, admin, entries, test_of_a_person):
    client.post(f"/v1/tests/{test_of_a_person['test']}/analysis", json={"settings": {"peak_window_s": 20}})
    assert entries()[0]["kind"] == "analysis"
    assert entries()[0]["content"]["settings"] == {"peak_window_s": 20}
    cohort = client.post("/v1/cohorts", json={"name": "study"}).json()["id"]
    client.put(f"/v1/cohorts/{cohort}/members", json=[{"subject_id": test_of_a_person["subject"]}])
    assert admin.get(f"/v1/cohorts/{cohort}/export").status_code == 200
    assert entries()[0]["kind"] == "export"
    assert json.dumps(entries()).count("ups_") == 0
