"""Whatever an analysis rests on may change later: analysis, results, trend and ranks follow at once."""

from typing import Any

import pytest

from tests.api.conftest import constant_bout


@pytest.fixture
def subject(laboratory):
    return laboratory.subject()


@pytest.fixture
def visit(laboratory, subject):
    return laboratory.visit(subject["id"])


@pytest.fixture
def test(laboratory, visit):
    return laboratory.complete(visit["id"])


def point_of(
    laboratory: Any, subject: dict[str, Any], quantity: str = "vo2_peak_ml_kg_min", **query: Any
) -> dict[str, Any]:
    (series,) = laboratory.trend(subject["id"], quantity, **query)["series"]
    (point,) = series["points"]
    return point


def rank_of(analysis: dict[str, Any], norm: str = "friend_2015_treadmill") -> dict[str, Any]:
    return next(rank for rank in analysis["ranks"] if rank["norm_id"] == norm)


def test_trend_and_analysis_tell_the_same(laboratory, subject, test):
    analysis, point = laboratory.analysis(test["id"]), point_of(laboratory, subject)
    assert point["value"] == pytest.approx(analysis["peak"]["vo2_ml_kg_min"])
    assert point["value_absolute"] == pytest.approx(analysis["peak"]["vo2_ml_min"])
    assert point["effort"] == analysis["effort"]["verdict"]
    rank = rank_of(analysis)
    for name in ("percentile", "percentile_low", "percentile_high", "percent_of_median"):
        assert point[name] == pytest.approx(rank[name])
    assert rank["percentile"] is not None


def test_body_mass(client, laboratory, subject, visit, test):
    before = rank_of(laboratory.analysis(test["id"]))["percentile"]
    client.patch(f"/v1/visits/{visit['id']}", json={"body_mass_kg": 90.0})
    analysis = laboratory.analysis(test["id"])
    assert analysis["peak"]["vo2_ml_kg_min"] == pytest.approx(analysis["peak"]["vo2_ml_min"] / 90.0)
    assert analysis["peak"]["mets"] == pytest.approx(analysis["peak"]["vo2_ml_kg_min"] / 3.5)
    assert rank_of(analysis)["percentile"] < before
    point = point_of(laboratory, subject)
    assert point["value"] == pytest.approx(analysis["peak"]["vo2_ml_kg_min"])
    assert point["body_mass_kg"] == 90.0
    assert point["percentile"] == pytest.approx(rank_of(analysis)["percentile"])
    assert point_of(laboratory, subject, "body_mass_kg")["value"] == 90.0
    client.patch(f"/v1/visits/{visit['id']}", json={"body_mass_kg": None})
    analysis = laboratory.analysis(test["id"])
    assert analysis["peak"]["vo2_ml_kg_min"] is None
    assert any(one["code"] == "no_body_mass" for one in analysis["findings"])
    assert laboratory.trend(subject["id"])["series"] == []
    assert laboratory.trend(subject["id"], "body_mass_kg")["series"] == []
    assert point_of(laboratory, subject, "vo2_peak_ml_min")["value"] > 3000


def test_birth_date(client, laboratory, subject, test):
    before = point_of(laboratory, subject)
    client.patch(f"/v1/subjects/{subject['id']}", json={"birth_date": "1960-06-15"})
    point, analysis = point_of(laboratory, subject), laboratory.analysis(test["id"])
    assert point["age_years"] == pytest.approx(before["age_years"] + 30, abs=0.01)
    assert rank_of(analysis)["age_band"] == "60-69"
    assert point["percentile"] != before["percentile"]
    assert point["percentile"] == rank_of(analysis)["percentile"]


def test_a_birth_date_after_a_visit_is_refused(client, laboratory, subject, test):
    for fields in ({"birth_date": "2026-03-15"}, {"birth_date": None, "birth_year": 2026}):
        answer = client.patch(f"/v1/subjects/{subject['id']}", json=fields)
        assert answer.status_code == 422, fields
    shown = client.get(f"/v1/subjects/{subject['id']}").json()
    assert (shown["birth_date"], shown["birth_year"]) == ("1990-06-15", 1990)


def test_birth_year_and_birth_date_agree(client, laboratory):
    subject = laboratory.subject(birth_date=None, birth_year=1990)
    address = f"/v1/subjects/{subject['id']}"
    assert client.patch(address, json={"birth_date": "1991-02-03"}).json()["birth_year"] == 1991
    assert client.patch(address, json={"birth_year": 1990}).status_code == 422
    assert client.patch(address, json={"birth_date": None}).json()["birth_year"] == 1991
    assert client.patch(address, json={"birth_year": 1988}).json()["birth_year"] == 1988


def test_a_birth_year_alone_gives_no_rank_between_two_bands(client, laboratory, subject, test):
    client.patch(f"/v1/subjects/{subject['id']}", json={"birth_date": None, "birth_year": 1990})
    analysis = laboratory.analysis(test["id"])
    assert any(one["code"] == "age_from_birth_year" for one in analysis["findings"])
    assert rank_of(analysis)["percentile"] is not None
    client.patch(f"/v1/subjects/{subject['id']}", json={"birth_year": 1986})
    rank = rank_of(laboratory.analysis(test["id"]))
    assert rank["percentile"] is None
    assert rank["reason"]
    point = point_of(laboratory, subject)
    assert point["percentile"] is None
    assert rank["reason"] in point["notes"]


def test_the_age_of_a_visit_counts_where_no_birth_date_is_kept(client, laboratory, subject, visit, test):
    client.patch(f"/v1/visits/{visit['id']}", json={"age_years": 55.5})
    assert point_of(laboratory, subject)["age_years"] == pytest.approx(35.7, abs=0.1)
    client.patch(f"/v1/subjects/{subject['id']}", json={"birth_date": None, "birth_year": None})
    assert point_of(laboratory, subject)["age_years"] == 55.5
    assert rank_of(laboratory.analysis(test["id"]))["age_band"] == "50-59"


def test_sex(client, laboratory, subject, test):
    male = point_of(laboratory, subject)
    client.patch(f"/v1/subjects/{subject['id']}", json={"sex": "female"})
    assert male["percentile"] is not None
    # Above the highest tabulated percentile of women of this age there is a bound, and no number.
    assert rank_of(laboratory.analysis(test["id"]))["bound"] == "above"
    assert point_of(laboratory, subject)["percent_of_median"] > male["percent_of_median"]
    client.patch(f"/v1/subjects/{subject['id']}", json={"sex": None})
    rank, point = rank_of(laboratory.analysis(test["id"])), point_of(laboratory, subject)
    assert (rank["percentile"], point["percentile"]) == (None, None)
    assert "sex" in rank["reason"].lower()
    assert rank["reason"] in point["notes"]


def test_stage_notes(client, laboratory, test):
    before = laboratory.analysis(test["id"])
    notes = [
        {"stage": 6, "rpe": 19, "rpe_scale": "6-20"},
        {"phase": "recovery", "time_s": 1050, "lactate_mmol_l": 11.2},
    ]
    client.put(f"/v1/tests/{test['id']}/stage-notes", json=notes)
    after = laboratory.analysis(test["id"])
    assert (before["maxima"]["rpe"], after["maxima"]["rpe"]) == (None, 19)
    met = {one["criterion"]: one["met"] for one in after["effort"]["criteria"]}
    assert (met["perceived_exertion"], met["blood_lactate"]) == (True, True)
    assert after["effort"]["verdict"] in {"secondary_criteria", "plateau"}
    client.post(f"/v1/tests/{test['id']}/stage-notes", json=[{"stage": 6, "rpe": 12}])
    assert laboratory.analysis(test["id"])["maxima"]["rpe"] == 12


def test_exclusions(client, laboratory, subject, test):
    before = laboratory.analysis(test["id"])
    address = f"/v1/tests/{test['id']}/exclusions"
    rows = client.get(f"/v1/tests/{test['id']}/intervals", params={"limit": 500}).json()["items"]
    start, end = before["peak"]["start_s"], before["peak"]["end_s"]
    touched = [row["seq"] for row in rows if row["end_s"] > start and row["end_s"] - row["duration_s"] < end]
    put = client.put(address, json=[{"seq": seq, "excluded": True, "reason": "a cough"} for seq in touched])
    assert put.status_code == 200
    after = laboratory.analysis(test["id"])
    assert after["peak"]["vo2_ml_min"] < before["peak"]["vo2_ml_min"]
    assert point_of(laboratory, subject)["value_absolute"] == pytest.approx(after["peak"]["vo2_ml_min"])
    kept = client.get(f"/v1/tests/{test['id']}/intervals", params={"limit": 500}).json()["items"]
    assert kept[touched[0]]["excluded"] == {"by": "tester", "reason": "a cough"}
    # The recorded values stay.
    assert [row["vo2_ml_min"] for row in kept] == [row["vo2_ml_min"] for row in rows]
    client.put(address, json=[{"seq": seq, "excluded": False, "reason": "was none"} for seq in touched])
    assert laboratory.analysis(test["id"])["peak"] == before["peak"]


def test_marks(client, laboratory, subject, test):
    before = laboratory.analysis(test["id"])
    client.patch(f"/v1/tests/{test['id']}", json={"exercise_start_s": 180, "exercise_end_s": 600})
    after = laboratory.analysis(test["id"])
    assert after["peak"]["end_s"] <= 600
    assert after["maxima"]["exercise_duration_s"] == 420
    assert point_of(laboratory, subject)["value"] < before["peak"]["vo2_ml_kg_min"]
    assert client.patch(f"/v1/tests/{test['id']}", json={"exercise_start_s": 700}).status_code == 422
    client.patch(f"/v1/tests/{test['id']}", json={"exercise_start_s": None, "exercise_end_s": None})
    assert laboratory.analysis(test["id"])["peak"] == before["peak"]


def test_stop_reason(client, laboratory, test):
    client.patch(f"/v1/tests/{test['id']}", json={"stop_reason": "tester"})
    assert laboratory.analysis(test["id"])["effort"]["verdict"] == "submaximal"


def test_protocol_family(client, laboratory, subject, visit, test):
    assert laboratory.trend(subject["id"])["series"][0]["protocol_family"] is None
    protocol = client.get("/v1/protocols/bruce").json()
    client.patch(f"/v1/tests/{test['id']}", json={"protocol_id": "bruce"})
    assert laboratory.trend(subject["id"])["series"][0]["protocol_family"] == protocol["family"]
    client.patch(f"/v1/tests/{test['id']}", json={"protocol_id": None})
    assert laboratory.trend(subject["id"])["series"][0]["protocol_family"] is None


def test_mode_and_purpose(client, laboratory, subject, test):
    client.patch(f"/v1/tests/{test['id']}", json={"mode": "row"})
    (series,) = laboratory.trend(subject["id"])["series"]
    assert series["mode"] == "row"
    assert series["points"][0]["percentile"] is None
    assert any("row" in note for note in series["points"][0]["notes"])
    assert all(rank["reason"] for rank in laboratory.analysis(test["id"])["ranks"])
    assert {rank["percentile"] for rank in laboratory.analysis(test["id"])["ranks"]} == {None}
    client.patch(f"/v1/tests/{test['id']}", json={"purpose": "submaximal"})
    assert laboratory.trend(subject["id"])["series"] == []


def test_date_of_the_visit(client, laboratory, subject, visit, test):
    client.patch(f"/v1/visits/{visit['id']}", json={"started_at": "2031-06-14T23:30:00-05:00"})
    point = point_of(laboratory, subject)
    assert point["date"] == "2031-06-14"
    assert point["age_years"] == pytest.approx(41.0, abs=0.01)
    assert rank_of(laboratory.analysis(test["id"]))["age_band"] == "40-49"
    listed = client.get(f"/v1/subjects/{subject['id']}/trends").json()["items"]
    assert {item["last_date"] for item in listed} == {"2031-06-14"}


def test_verification_link(client, laboratory, subject, visit, test, rows):
    """A bout in a visit of its own, linked, taken away, linked again, and moved out of its seven days."""
    alone = laboratory.analysis(test["id"])
    later = laboratory.visit(subject["id"], started_at="2026-03-16T09:30:00+01:00")
    bout = laboratory.complete(
        later["id"], constant_bout(), purpose="verification", shape="constant", verifies_test_id=test["id"]
    )
    linked = laboratory.analysis(test["id"])
    assert linked["effort"]["verdict"] == "verified"
    assert linked["effort"]["verification"]["test_id"] == bout["id"]
    assert linked["peak"]["label"] == "VO2max"
    assert point_of(laboratory, subject)["effort"] == "verified"
    address = f"/v1/tests/{bout['id']}"
    client.patch(address, json={"verifies_test_id": None})
    assert laboratory.analysis(test["id"])["effort"] == alone["effort"]
    client.patch(address, json={"verifies_test_id": test["id"]})
    assert laboratory.analysis(test["id"])["effort"] == linked["effort"]
    # What the bout itself rests on is carried to the test that it verifies.
    client.patch(address, json={"exercise_end_s": 180})
    assert laboratory.analysis(test["id"])["effort"]["verdict"] != "verified"
    client.patch(address, json={"exercise_end_s": None})
    client.patch(f"/v1/visits/{later['id']}", json={"started_at": "2026-04-16T09:30:00+01:00"})
    assert laboratory.analysis(test["id"])["effort"]["verdict"] != "verified"
    client.patch(f"/v1/visits/{later['id']}", json={"started_at": "2026-03-15T09:30:00+01:00"})
    assert laboratory.analysis(test["id"])["effort"]["verdict"] == "verified"
    client.patch(address, json={"status": "void"})
    assert laboratory.analysis(test["id"])["effort"] == alone["effort"]
    assert client.patch(f"/v1/tests/{test['id']}", json={"verifies_test_id": test["id"]}).status_code == 422


def test_a_linked_test_gives_no_point_of_its_own(client, laboratory, subject, visit, test):
    second = laboratory.complete(visit["id"])
    assert len(laboratory.trend(subject["id"])["series"][0]["points"]) == 2
    client.patch(f"/v1/tests/{second['id']}", json={"verifies_test_id": test["id"]})
    assert point_of(laboratory, subject)["test_id"] == test["id"]


def test_a_table_of_the_site(client, laboratory, subject, test, own_norm):
    assert client.post("/v1/norms", json=own_norm()).status_code == 201
    rank = rank_of(laboratory.analysis(test["id"]), "own_treadmill")
    # 48.1 lies halfway between the 50th (42) and the 90th (54) percentile of the invented table.
    expected = 50 + 40 * (laboratory.analysis(test["id"])["peak"]["vo2_ml_kg_min"] - 42) / 12
    assert rank["percentile"] == pytest.approx(expected)
    assert point_of(laboratory, subject, norm="own_treadmill")["percentile"] == pytest.approx(expected)
    assert point_of(laboratory, subject)["norm_id"] == "friend_2015_treadmill"
    stored = client.post(f"/v1/tests/{test['id']}/analysis", json={}).json()
    assert rank_of(stored, "own_treadmill") == rank
    assert stored["changed"] == []


def test_analysing_anew_says_what_changed(client, laboratory, subject, test):
    before = laboratory.analysis(test["id"])
    answer = client.post(f"/v1/tests/{test['id']}/analysis", json={"settings": {"peak_window_s": 60}})
    assert answer.status_code == 200
    changed = {one["quantity"]: one for one in answer.json()["changed"]}
    assert changed["vo2_peak_ml_min"]["before"] == pytest.approx(before["peak"]["vo2_ml_min"])
    assert changed["vo2_peak_ml_min"]["after"] == pytest.approx(answer.json()["peak"]["vo2_ml_min"])
    assert "heart_rate_max_bpm" not in changed
    stored = laboratory.analysis(test["id"])
    assert stored == {name: value for name, value in answer.json().items() if name != "changed"}
    assert stored["peak"]["window_s"] == 60
    assert point_of(laboratory, subject)["effective_window_s"] == 60
    again = client.post(f"/v1/tests/{test['id']}/analysis", json={"settings": {"peak_window_s": 60}})
    assert again.json()["changed"] == []


def test_stored_settings_survive_a_later_edit(client, laboratory, subject, visit, test):
    settings = {"peak_convention": "consecutive_bins", "peak_window_s": 60}
    client.post(f"/v1/tests/{test['id']}/analysis", json={"settings": settings})
    client.patch(f"/v1/visits/{visit['id']}", json={"body_mass_kg": 80.0})
    client.put(f"/v1/tests/{test['id']}/stage-notes", json=[{"stage": 6, "rpe": 18}])
    client.patch(f"/v1/subjects/{subject['id']}", json={"sex": "female"})
    stored = laboratory.analysis(test["id"])
    assert {name: stored["settings"][name] for name in settings} == settings
    assert stored["maxima"]["rpe"] == 18


def test_settings_of_a_question_hold_for_its_answer(laboratory, test, subject):
    stored = laboratory.analysis(test["id"])
    asked = laboratory.analysis(test["id"], peak_convention="moving_breaths", peak_window_breaths=3)
    assert asked["settings"]["peak_convention"] == "moving_breaths"
    assert asked["peak"]["convention"] == "moving_breaths"
    assert laboratory.analysis(test["id"]) == stored
    assert point_of(laboratory, subject)["convention"] == "time_weighted"


def test_only_a_complete_test_is_analysed_anew(client, laboratory, visit):
    planned = laboratory.planned(visit["id"])
    assert client.post(f"/v1/tests/{planned['id']}/analysis", json={}).status_code == 409


def test_an_edit_judges_only_what_it_touches(client, laboratory, visit, test, monkeypatch):
    """Two tests of one visit: a note of one is no reason to judge the other, its body mass is."""
    from service.analyses import workflow

    other = laboratory.complete(visit["id"])
    judged: list[str] = []
    judge = workflow.judge

    def counted(rows: Any, *given: Any, **more: Any) -> Any:
        judged.append(rows.test["public_id"])
        return judge(rows, *given, **more)

    monkeypatch.setattr(workflow, "judge", counted)
    client.post(f"/v1/tests/{test['id']}/stage-notes", json=[{"stage": 1, "rpe": 9}])
    assert judged == [test["id"]]
    judged.clear()
    client.patch(f"/v1/visits/{visit['id']}", json={"body_mass_kg": 70})
    assert judged == [test["id"], other["id"]]
    judged.clear()
    client.patch(f"/v1/visits/{visit['id']}", json={})
    client.patch(f"/v1/tests/{laboratory.planned(visit['id'])['id']}", json={"notes": "x"})
    assert judged == []


def test_the_body_mass_that_a_file_was_read_with(client, laboratory, subject, visit, rows):
    """Uptake per body mass was multiplied by the mass of that day; another mass makes it false until it is read anew."""
    lines = [f"{row['end_s']},{row['vo2_ml_min'] / 75:.3f},{row['phase']}" for row in rows()]
    data = "\n".join(["time (s),VO2 (mL/kg/min),Phase", *lines]).encode()
    test_id = laboratory.upload(visit["id"], data).json()["test_id"]
    before = point_of(laboratory, subject)
    assert (before["counted"], before["value"]) == (True, pytest.approx(48.1, abs=0.1))
    client.patch(f"/v1/visits/{visit['id']}", json={"body_mass_kg": 80.0})
    assert point_of(laboratory, subject)["counted"] is False
    (error,) = [one for one in laboratory.analysis(test_id)["findings"] if one["severity"] == "error"]
    assert "75 kg" in error["message"]
    assert "80 kg" in error["message"]
    assert laboratory.upload(visit["id"], data, replace=True).status_code == 200
    after = point_of(laboratory, subject)
    assert (after["counted"], after["value"]) == (True, pytest.approx(before["value"]))
    assert after["value_absolute"] == pytest.approx(before["value"] * 80)
