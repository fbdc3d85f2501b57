"""Breaths that a rule leaves out: told, kept by a person, taken back; the stored analysis follows."""

import csv
import io

import numpy as np
import pyarrow.parquet as pq
import pytest

from service.analysis.series import PHASES
from tests.analysis.simulated_tests import RAMP_15, simulate

_BESIDE = {"heart_rate_bpm", "work_rate_w"}


def breaths():
    """The intervals of an invented ramp, breath by breath, with coughs in the peak and before."""
    test = simulate(RAMP_15, 5)
    series = test.series
    factors = {
        int(np.searchsorted(series.end_s, test.exercise_end_s - before)): factor
        for before, factor in ((250.0, 0.2), (60.0, 0.2), (12.0, 2.2))
    }
    rows = [
        {
            "end_s": round(float(series.end_s[row]), 3),
            "phase": PHASES[series.phase[row]],
            **{
                name: round(float(values[row]) * (1.0 if name in _BESIDE else factors.get(row, 1.0)), 2)
                for name, values in series.channels.items()
            },
        }
        for row in range(len(series))
    ]
    return rows, sorted(factors)


ROWS, COUGHS = breaths()


@pytest.fixture
def subject(laboratory):
    return laboratory.subject()


@pytest.fixture
def test(laboratory, subject):
    visit = laboratory.visit(subject["id"])
    return laboratory.complete(visit["id"], ROWS, mode="cycle", shape="ramp")["id"]


@pytest.fixture
def decide(client, test):
    def put(excluded, seqs, reason="looked at it"):
        body = [{"seq": seq, "excluded": excluded, "reason": reason} for seq in seqs]
        answer = client.put(f"/v1/tests/{test}/exclusions", json=body)
        assert answer.status_code == 200, answer.text

    return put


@pytest.fixture
def stored(client, test):
    return lambda: client.get(f"/v1/tests/{test}/intervals", params={"limit": 1000}).json()["items"]


def point(laboratory, subject):
    (series,) = laboratory.trend(subject["id"])["series"]
    return series["points"][0]["value_absolute"]


def without_decisions(document):
    return {name: value for name, value in document.items() if name not in {"breath_care", "findings"}}


def test_marked_breaths_are_told_with_rule_and_reason(laboratory, test, stored):
    care = laboratory.analysis(test)["breath_care"]
    assert (care["rule"], care["applied"], care["n_restored"]) == ("local_4_sd", True, 0)
    assert {row["seq"] for row in care["left_out"]} >= set(COUGHS)
    rows = stored()
    for row in care["left_out"]:
        told = rows[row["seq"]]
        assert told["excluded"] == {"by": "local_4_sd", "reason": row["reason"]}
        assert told["end_s"] == row["end_s"]
        assert told["kept"] is None
    assert "SD from the mean" in rows[COUGHS[0]]["excluded"]["reason"]
    assert sum(row["excluded"] is not None for row in rows) == care["n_left_out"]
    # The recorded values stay.
    assert [row["vo2_ml_min"] for row in rows] == [row["vo2_ml_min"] for row in ROWS]


def test_a_breath_is_kept_and_the_decision_taken_back(client, laboratory, subject, test, decide, stored):
    before = laboratory.analysis(test)
    decide(False, COUGHS, "a real breath")
    after = laboratory.analysis(test)
    care = after["breath_care"]
    assert {row["seq"] for row in care["restored"]} == set(COUGHS)
    assert care["n_left_out"] == before["breath_care"]["n_left_out"] - len(COUGHS)
    assert after["peak"]["vo2_ml_min"] > before["peak"]["vo2_ml_min"]
    assert point(laboratory, subject) == pytest.approx(after["peak"]["vo2_ml_min"])
    for seq in COUGHS:
        assert stored()[seq]["excluded"] is None
        assert stored()[seq]["kept"] == {"by": "tester", "reason": "a real breath"}
    decide(None, COUGHS)
    again = laboratory.analysis(test)
    assert again == before
    assert point(laboratory, subject) == pytest.approx(before["peak"]["vo2_ml_min"])
    assert all(row["kept"] is None for row in stored())
    assert stored()[COUGHS[0]]["excluded"]["by"] == "local_4_sd"


def test_a_decision_goes_before_the_rule_both_ways(laboratory, test, decide, stored):
    decide(True, COUGHS[:1], "talked")
    assert stored()[COUGHS[0]]["excluded"] == {"by": "tester", "reason": "talked"}
    care = laboratory.analysis(test)["breath_care"]
    assert care["n_excluded_by_hand"] == 1
    assert COUGHS[0] not in {row["seq"] for row in care["left_out"]}
    # From out to kept in one step, and back to the rule.
    decide(False, COUGHS[:1])
    assert laboratory.analysis(test)["breath_care"]["n_excluded_by_hand"] == 0
    assert stored()[COUGHS[0]]["excluded"] is None
    decide(None, COUGHS[:1])
    assert stored()[COUGHS[0]]["excluded"]["by"] == "local_4_sd"


def test_all_breaths_kept_are_as_no_rule(laboratory, test, decide):
    decide(False, range(len(ROWS)))
    kept, bare = laboratory.analysis(test), laboratory.analysis(test, aberrant_breaths="none")
    different = {"settings", "settings_changed_since"}
    assert {k: v for k, v in without_decisions(kept).items() if k not in different} == {
        k: v for k, v in without_decisions(bare).items() if k not in different
    }


def test_the_rule_is_chosen_by_request_and_stays_with_the_test(client, laboratory, test, stored):
    before = laboratory.analysis(test)
    asked = laboratory.analysis(test, aberrant_breaths="none")
    assert asked["settings"]["chosen_by"] == {"aberrant_breaths": "request"}
    assert asked["breath_care"]["n_left_out"] == 0
    assert asked["peak"]["vo2_ml_min"] == pytest.approx(before["breath_care"]["vo2_peak_with_them_ml_min"])
    assert laboratory.analysis(test) == before
    answer = client.post(f"/v1/tests/{test}/analysis", json={"settings": {"aberrant_breaths": "none"}})
    assert answer.status_code == 200
    assert "vo2_peak_ml_min" in {one["quantity"] for one in answer.json()["changed"]}
    assert laboratory.analysis(test)["breath_care"]["rule"] == "none"
    assert all(row["excluded"] is None for row in stored())
    back = client.post(f"/v1/tests/{test}/analysis", json={"settings": {"aberrant_breaths": None}})
    assert back.json()["breath_care"] == before["breath_care"]


def test_the_rule_is_chosen_by_site(admin, laboratory, test, stored):
    before = laboratory.analysis(test)
    assert admin.patch("/v1/site", json={"analysis": {"aberrant_breaths": "none"}}).status_code == 200
    stale = laboratory.analysis(test)
    (since,) = stale["settings_changed_since"]
    assert since == {
        "setting": "aberrant_breaths",
        "used": "local_4_sd",
        "now": "none",
        "chosen_by": "site",
    }
    assert stale["peak"] == before["peak"]
    assert stored()[COUGHS[0]]["excluded"]["by"] == "local_4_sd"


@pytest.mark.parametrize("way", ["query", "body", "site"])
def test_a_rule_that_there_is_not(client, admin, test, way):
    if way == "query":
        answer = client.get(f"/v1/tests/{test}/analysis", params={"aberrant_breaths": "x"})
    elif way == "body":
        answer = client.post(f"/v1/tests/{test}/analysis", json={"settings": {"aberrant_breaths": "x"}})
    else:
        answer = admin.patch("/v1/site", json={"analysis": {"aberrant_breaths": "x"}})
    assert answer.status_code == 422
    (error,) = answer.json()["errors"]
    assert error["location"].endswith("aberrant_breaths")
    assert "local_4_sd, none" in answer.text


def test_the_same_is_told_before_a_test_is_complete(client, laboratory, subject, stored, test):
    visit = laboratory.visit(subject["id"])
    running = laboratory.planned(visit["id"], mode="cycle", shape="ramp")["id"]
    assert client.post(f"/v1/tests/{running}/intervals", json={"intervals": ROWS}).status_code == 200
    address = f"/v1/tests/{running}/intervals"
    now = client.get(address, params={"limit": 1000}).json()["items"]
    assert [row["excluded"] for row in now] == [row["excluded"] for row in stored()]
    page = client.get(address, params={"limit": COUGHS[0] + 1}).json()["items"]
    assert page[-1]["excluded"]["by"] == "local_4_sd"


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_tables_have_who_and_why_in_columns(client, test, decide, form):
    decide(False, COUGHS[:1], "a real breath")
    data = client.get(f"/v1/tests/{test}/intervals", params={"format": form}).content
    read = {
        "csv": lambda: list(csv.DictReader(io.StringIO(data.decode()))),
        "parquet": lambda: pq.read_table(io.BytesIO(data)).to_pylist(),
    }
    rows = read[form]()
    kept, out = rows[COUGHS[0]], rows[COUGHS[1]]
    assert (kept["kept_by"], kept["kept_reason"], kept["excluded_by"] or None) == (
        "tester",
        "a real breath",
        None,
    )
    assert out["excluded_by"] == "local_4_sd"
    assert "SD from the mean" in out["excluded_reason"]
    assert (out["kept_by"] or None) is None


def test_the_chart_of_uptake_crosses_them_out(client, laboratory, test):
    spec = client.get(f"/v1/tests/{test}/charts/uptake", params={"format": "json"}).json()
    # One of them lies above the axis and stands at its edge.
    crosses = [
        point
        for layer in spec["vconcat"][0]["layer"]
        for point in layer["data"]["values"]
        if point.get("kind") in {"breath out of line, left out", "not counted, beyond the axis"}
    ]
    assert len(crosses) == laboratory.analysis(test)["breath_care"]["n_left_out"]
    assert any("left out as out of line" in line for line in spec["title"]["subtitle"])


def test_decisions_go_with_the_intervals_they_are_about(client, laboratory, test, decide):
    decide(False, COUGHS)
    client.put(f"/v1/tests/{test}/intervals", json={"intervals": ROWS})
    assert laboratory.analysis(test)["breath_care"]["n_restored"] == 0
