"""What a test gives beyond its peak: over HTTP, on a test of the demonstration."""

from pathlib import Path

import pytest

RAMP = Path(__file__).parents[2] / "seed_data" / "study" / "st-01-2025-01-13.csv"
CHARTS = (
    "uptake",
    "v_slope",
    "ventilatory_equivalents",
    "heart_rate",
    "rer",
    "substrate",
    "lactate",
    "all_curves",
)


@pytest.fixture
def ramp(client):
    """A breath-by-breath ramp of the demonstration as a stored test."""
    person = {"code": "S-1", "sex": "male", "birth_date": "1992-02-03"}
    subject = client.post("/v1/subjects", json=person).json()["id"]
    visit = {"started_at": "2026-03-14T09:00:00+01:00", "body_mass_kg": 83, "height_cm": 181}
    visit_id = client.post(f"/v1/subjects/{subject}/visits", json=visit).json()["id"]
    imported = client.post(
        f"/v1/visits/{visit_id}/imports",
        files={"file": (RAMP.name, RAMP.read_bytes())},
        data={"options": '{"mode": "cycle", "stop_reason": "exhaustion"}'},
    )
    assert imported.status_code == 201
    return {"subject": subject, "visit": visit_id, "test": imported.json()["test_id"]}


def test_thresholds_slopes_and_energy_are_stored_with_the_test(client, ramp):
    analysis = client.get(f"/v1/tests/{ramp['test']}/analysis").json()
    agreed = {one["threshold"]: one for one in analysis["thresholds"] if one["method"] == "consensus"}
    assert agreed["vt1"]["vo2_ml_min"] < agreed["vt2"]["vo2_ml_min"] < analysis["peak"]["vo2_ml_min"]
    assert 20 < analysis["slopes"]["ve_vco2_slope"] < 40
    assert analysis["energy"]["total_kcal"] > 50
    assert analysis["training_ranges"]
    trends = {one["quantity"] for one in client.get(f"/v1/subjects/{ramp['subject']}/trends").json()["items"]}
    assert {"vt1_vo2_ml_min", "vt2_vo2_ml_min", "ve_vco2_slope", "oues_ml_min"} <= trends


@pytest.mark.parametrize("chart", CHARTS)
def test_every_chart_can_be_drawn_or_says_why_not(client, ramp, chart):
    address = f"/v1/tests/{ramp['test']}/charts/{chart}"
    spec = client.get(address)
    assert spec.json()["$schema"].startswith("https://vega.github.io/schema/vega-lite/")
    drawn = client.get(address, params={"format": "svg"})
    assert drawn.headers["content-type"].startswith("image/svg+xml")
    assert "NaN" not in drawn.text


def test_a_protocol_is_proposed_from_the_last_peak(client, ramp):
    answer = client.post("/v1/protocols/propose", json={"subject_id": ramp["subject"], "mode": "cycle"})
    assert answer.status_code == 200
    shapes = [one["shape"] for one in answer.json()["items"]]
    assert shapes == ["ramp", "step"]
    assert all(one["reason"] and one["caution"] for one in answer.json()["items"])


@pytest.mark.parametrize(
    ("change", "status", "place"),
    [
        ({"mode": "ski"}, 422, "mode"),
        ({"subject_id": "nobody"}, 404, None),
        ({"mode": "flying"}, 422, "body.mode"),
    ],
)
def test_a_proposal_that_cannot_be_made_says_why(client, ramp, change, status, place):
    body = {"subject_id": ramp["subject"], "mode": "cycle"} | change
    answer = client.post("/v1/protocols/propose", json=body)
    assert answer.status_code == status
    if place is not None:
        assert place in [one["location"] for one in answer.json()["errors"]]


def test_answers_before_the_test_are_held_against_published_lists(client, ramp):
    patched = client.patch(f"/v1/visits/{ramp['visit']}", json={"resting_systolic_mmhg": 205})
    (caution,) = [one for one in patched.json()["cautions"] if one["severity"] == "warning"]
    assert "200" in caution["text"]
    assert caution["source"]
    told = " ".join(one["text"] for one in patched.json()["cautions"]).lower()
    assert "safe" not in told


def test_a_visit_where_nothing_was_asked_has_no_cautions(client, ramp):
    assert client.get(f"/v1/visits/{ramp['visit']}").json()["cautions"] == []


def test_where_lactate_was_taken_goes_with_the_analysis(client, ramp):
    address = f"/v1/tests/{ramp['test']}"
    note = {"stage": 1, "phase": "exercise", "lactate_mmol_l": 2.0}
    client.put(f"{address}/stage-notes", json=[note])
    codes = [one["code"] for one in client.get(f"{address}/analysis").json()["findings"]]
    assert "lactate_samples_not_described" in codes
    told = {"lactate_sample_site": "earlobe", "lactate_analyser": "bench analyser"}
    assert client.patch(address, json=told).json() | told == client.get(address).json()
    analysis = client.get(f"{address}/analysis").json()
    assert (analysis["lactate"]["sample_site"], analysis["lactate"]["analyser"]) == (
        "earlobe",
        "bench analyser",
    )
    assert "lactate_samples_not_described" not in [one["code"] for one in analysis["findings"]]
    refused = client.patch(address, json={"lactate_sample_site": "toe"})
    assert (refused.status_code, refused.json()["errors"][0]["location"]) == (422, "body.lactate_sample_site")


def test_vital_capacity_of_the_visit_predicts_ventilation(client, ramp):
    visit, analysis = f"/v1/visits/{ramp['visit']}", f"/v1/tests/{ramp['test']}/analysis"

    def predicted():
        told = client.get(analysis).json()["reserves"]["predicted"]
        return next(one for one in told if one["method"] == "predicted_ve_max_jones")

    assert (predicted()["value"], "vital_capacity_l" in predicted()["reason"]) == (None, True)
    assert client.patch(visit, json={"vital_capacity_l": 5.2}).status_code == 200
    assert client.get(visit).json()["vital_capacity_l"] == 5.2
    assert predicted()["value"] == pytest.approx(26.3 * 5.2 - 34)
    refused = client.patch(visit, json={"vital_capacity_l": 52})
    assert (refused.status_code, refused.json()["errors"][0]["location"]) == (422, "body.vital_capacity_l")
