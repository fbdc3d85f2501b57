"""Whatever part of a record a client wrote it can read back, as it wrote it."""

import pytest

CALIBRATIONS = [
    {
        "when": "before",
        "kind": "gas",
        "expected": 16.0,
        "measured": 16.02,
        "unit": "% O2",
        "device": "bottle 4",
    },
    {"when": "after", "kind": "volume", "expected": 3.0, "measured": 2.98, "unit": "L", "device": None},
]
THRESHOLDS = [
    {"threshold": "vt1", "vo2_ml_min": 2100.0, "time_s": None, "by": "A", "reason": "by eye"},
    {"threshold": "vt2", "vo2_ml_min": None, "time_s": 400.0, "by": "A", "reason": "end-tidal CO2 falls"},
]
REPORTED = [{"quantity": "vo2_peak_ml_min", "value": 3000.0, "method": None, "source": "a letter"}]
NOTES = [{"stage": 1, "phase": "exercise", "rpe": 13, "rpe_scale": "6-20", "lactate_mmol_l": 1.4}]


@pytest.fixture
def test_id(laboratory):
    return laboratory.complete(laboratory.visit(laboratory.subject()["id"])["id"])["id"]


@pytest.mark.parametrize(
    ("part", "body"), [("calibrations", CALIBRATIONS), ("thresholds", THRESHOLDS), ("stage-notes", NOTES)]
)
def test_a_part_of_a_test(part, body, client, test_id):
    address = f"/v1/tests/{test_id}/{part}"
    assert client.get(address).json() == {"items": [], "next": None}
    assert client.put(address, json=body).status_code == 200
    answer = client.get(address).json()
    assert answer["next"] is None
    for written, read in zip(body, answer["items"], strict=True):
        assert read | written == read
    assert client.put(address, json=[]).status_code == 200
    assert client.get(address).json()["items"] == []


def test_reported_results(client, laboratory):
    planned = laboratory.planned(laboratory.visit(laboratory.subject()["id"])["id"])["id"]
    address = f"/v1/tests/{planned}/reported-results"
    client.put(address, json=REPORTED)
    assert client.get(address).json()["items"] == REPORTED


def test_decisions_about_intervals_with_who_when_and_why(client, test_id):
    address = f"/v1/tests/{test_id}/exclusions"
    assert client.get(address).json()["items"] == []
    client.put(address, json=[{"seq": 3, "excluded": True, "reason": "cough"}])
    (one,) = client.get(address).json()["items"]
    assert (one["seq"], one["excluded"], one["reason"]) == (3, True, "cough")
    assert one["by"]
    assert one["at"].endswith("Z")


def test_why_a_test_was_done_and_who_read_its_ecg(client, laboratory):
    visit = laboratory.visit(laboratory.subject()["id"])["id"]
    test = laboratory.planned(visit)["id"]
    told = {"history": "runs twice a week; asthma as a child"}
    assert (
        client.patch(f"/v1/visits/{visit}", json=told).json() | told
        == client.get(f"/v1/visits/{visit}").json()
    )
    body = {
        "reason_for_test": "wants to know the training ranges",
        "ecg_recorded": True,
        "ecg_read_by": "the physician of the day",
        "ecg_reading": "as the reader wrote it",
    }
    written = client.patch(f"/v1/tests/{test}", json=body).json()
    assert written | body == written == client.get(f"/v1/tests/{test}").json()


def test_who_had_read_which_cautions(client, laboratory):
    test = laboratory.planned(laboratory.visit(laboratory.subject()["id"])["id"])["id"]
    body = {
        "rpe_scale": "0-10",
        "cautions_acknowledged": ["screening_symptoms", "no_resting_systolic"],
        "cautions_acknowledged_by": "Kim",
        "cautions_acknowledged_at": "2026-03-14T08:05:00Z",
    }
    written = client.patch(f"/v1/tests/{test}", json=body).json()
    assert written | body == written == client.get(f"/v1/tests/{test}").json()
    assert client.patch(f"/v1/tests/{test}", json={"rpe_scale": "1-5"}).status_code == 422


def test_answers_before_the_test(client, laboratory):
    visit = f"/v1/visits/{laboratory.visit(laboratory.subject()['id'])['id']}"
    assert client.get(f"{visit}/pre-test").json() == {
        "answers": [],
        "consent_given_at": None,
        "cleared_by": None,
    }
    body = {
        "answers": [{"question": "symptoms", "answer": "no"}],
        "consent_given_at": "2026-03-14T08:00:00Z",
        "cleared_by": "B",
    }
    stored = client.put(f"{visit}/pre-test", json=body).json()
    assert stored["pre_test"] == body == client.get(f"{visit}/pre-test").json()
