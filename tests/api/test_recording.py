"""A test from planned to complete, written interval by interval, and what a void one refuses."""

import pytest


@pytest.fixture
def visit(laboratory):
    return laboratory.visit(laboratory.subject()["id"])


@pytest.fixture
def planned(laboratory, visit):
    return laboratory.planned(visit["id"])


def status_of(client, test):
    return client.get(f"/v1/tests/{test['id']}").json()["status"]


def post(client, test, part, **more):
    return client.post(f"/v1/tests/{test['id']}/intervals", json={"intervals": part}, **more)


def test_from_planned_to_complete(client, laboratory, visit, planned, rows):
    test = planned
    assert (test["status"], test["n_intervals"]) == ("planned", 0)
    early = laboratory.analysis(test["id"])
    assert early["provisional"] is True
    assert early["peak"]["vo2_ml_min"] is None
    part = rows()
    first = post(client, test, part[:40])
    assert first.status_code == 200
    assert (first.json()["status"], first.json()["n_intervals"]) == ("recording", 40)
    during = laboratory.analysis(test["id"])
    assert during["provisional"] is True
    assert during["peak"]["vo2_ml_min"] > 1000
    # Nothing is a result before the test is complete.
    assert laboratory.trend(visit["subject_id"])["series"] == []
    assert post(client, test, part[40:]).json()["n_intervals"] == len(part)
    done = client.patch(f"/v1/tests/{test['id']}", json={"status": "complete"})
    assert done.json()["status"] == "complete"
    after = laboratory.analysis(test["id"])
    assert after["provisional"] is False
    assert laboratory.trend(visit["subject_id"])["series"][0]["points"][0]["test_id"] == test["id"]
    # The same test written at once gives the same numbers.
    at_once = laboratory.complete(visit["id"])
    for name in ("peak", "maxima", "plateau", "effort", "ranks"):
        assert laboratory.analysis(at_once["id"])[name] == after[name]


def test_a_note_begins_the_recording(client, planned):
    client.post(f"/v1/tests/{planned['id']}/stage-notes", json=[{"stage": 1, "rpe": 9}])
    assert status_of(client, planned) == "recording"


def test_marks_do_not_begin_the_recording(client, planned):
    client.patch(f"/v1/tests/{planned['id']}", json={"exercise_start_s": 60})
    client.put(f"/v1/tests/{planned['id']}/stage-notes", json=[{"stage": 1, "rpe": 9}])
    assert status_of(client, planned) == "planned"


@pytest.mark.parametrize("step", [7, 72])
def test_posted_again_the_same_is_stored_once(client, laboratory, planned, rows, step):
    part = rows()
    for place in range(0, len(part), step):
        assert post(client, planned, part[place : place + step]).status_code == 200
        again = post(client, planned, part[max(0, place - 3) : place + step])
        assert again.status_code == 200
        assert again.json()["n_intervals"] == min(len(part), place + step)
    stored = client.get(f"/v1/tests/{planned['id']}/intervals", params={"limit": 500}).json()["items"]
    assert [{name: row[name] for name in part[0]} for row in stored] == part


def test_a_repetition_changes_nothing(client, planned, rows):
    post(client, planned, rows()[:5])
    address = f"/v1/tests/{planned['id']}"
    tag, feed = client.get(address).headers["etag"], client.get("/v1/changes").json()["next_since"]
    assert post(client, planned, rows()[2:5]).status_code == 200
    assert client.get(address).headers["etag"] == tag
    assert client.get("/v1/changes").json()["next_since"] == feed


@pytest.mark.parametrize(
    "other",
    [
        {"end_s": 45.0, "vo2_ml_min": 1.0},
        {"end_s": 50.0},
        {"end_s": 1.0},
        {"end_s": 45.0, "heart_rate_bpm": 100.0, "peto2_mmhg": 100.0},
        {"end_s": 45.0, "duration_s": 10.0},
    ],
)
def test_other_content_where_something_is_stored_is_a_conflict(client, planned, rows, other):
    post(client, planned, rows()[:5])
    answer = post(client, planned, [other, *rows()[5:7]])
    assert answer.status_code == 409
    assert answer.json()["errors"][0]["location"] == "body.intervals.0.end_s"
    assert client.get(f"/v1/tests/{planned['id']}").json()["n_intervals"] == 5


def test_durations_follow_from_the_ends(client, planned):
    post(client, planned, [{"end_s": 10}, {"end_s": 30}])
    post(client, planned, [{"end_s": 45}])
    stored = client.get(f"/v1/tests/{planned['id']}/intervals").json()["items"]
    # The first lasts as long as the second, and does not begin before the recording.
    assert [row["duration_s"] for row in stored] == [10, 20, 15]


def test_intervals_that_come_after_the_end_are_judged_at_once(client, laboratory, visit, planned, rows):
    """A recorder that sends its last part late."""
    part = rows(recovery=False)
    client.put(f"/v1/tests/{planned['id']}/intervals", json={"intervals": part[:-4]})
    before = laboratory.analysis(planned["id"])["peak"]["vo2_ml_min"]
    answer = post(client, planned, part[-4:])
    assert (answer.status_code, answer.json()["status"]) == (200, "complete")
    after = laboratory.analysis(planned["id"])
    assert after["peak"]["vo2_ml_min"] > before
    assert after["provisional"] is False
    assert laboratory.trend(visit["subject_id"], "vo2_peak_ml_min")["series"][0]["points"][0][
        "value"
    ] == pytest.approx(after["peak"]["vo2_ml_min"])


def test_putting_intervals_replaces_them(client, laboratory, planned, rows):
    client.put(f"/v1/tests/{planned['id']}/intervals", json={"intervals": rows()})
    client.put(
        f"/v1/tests/{planned['id']}/exclusions", json=[{"seq": 0, "excluded": True, "reason": "cough"}]
    )
    answer = client.put(f"/v1/tests/{planned['id']}/intervals", json={"intervals": rows(3000.0)[:60]})
    assert answer.json()["n_intervals"] == 60
    stored = client.get(f"/v1/tests/{planned['id']}/intervals").json()["items"]
    assert stored[0]["excluded"] is None
    assert laboratory.analysis(planned["id"])["peak"]["vo2_ml_min"] == pytest.approx(3000, rel=0.02)


def test_channels_that_are_rare_are_kept(client, planned):
    rare = {
        "peto2_mmhg": 101.5,
        "petco2_mmhg": 38.0,
        "tidal_volume_l": 1.25,
        "spo2_percent": 97.0,
        "cadence_per_min": 72.0,
    }
    post(client, planned, [{"end_s": 10, "vo2_ml_min": 800.0}])
    post(client, planned, [{"end_s": 20, **rare}])
    stored = client.get(f"/v1/tests/{planned['id']}/intervals").json()["items"]
    assert {name: stored[1][name] for name in rare} == rare
    assert all(stored[0][name] is None for name in rare)
    assert (stored[0]["vo2_ml_min"], stored[1]["vo2_ml_min"]) == (800.0, None)


WRITES = (
    ("PUT", "intervals", {"intervals": [{"end_s": 15}]}),
    ("POST", "intervals", {"intervals": [{"end_s": 9000}]}),
    ("PUT", "stage-notes", [{"rpe": 9}]),
    ("POST", "stage-notes", [{"rpe": 9}]),
    ("PUT", "exclusions", [{"seq": 0, "excluded": True, "reason": "cough"}]),
    ("PUT", "thresholds", []),
    ("PUT", "calibrations", []),
    ("PUT", "reported-results", [{"quantity": "rer_max", "value": 1.1, "source": "paper"}]),
    ("PATCH", "", {"status": "complete"}),
    ("PATCH", "", {"notes": "x"}),
    ("POST", "analysis", {}),
)


def test_a_void_test_refuses_every_write(client, laboratory, visit):
    test = laboratory.complete(visit["id"])
    assert client.patch(f"/v1/tests/{test['id']}", json={"status": "void"}).json()["status"] == "void"
    before = client.get(f"/v1/tests/{test['id']}").json()
    for method, part, body in WRITES:
        address = f"/v1/tests/{test['id']}/{part}".rstrip("/")
        assert client.request(method, address, json=body).status_code == 409, (method, part)
    assert client.get(f"/v1/tests/{test['id']}").json() == before
    assert laboratory.trend(visit["subject_id"])["series"] == []
    assert laboratory.analysis(test["id"])["peak"]["vo2_ml_min"] is not None


def test_deleting_what_holds_data_is_refused_with_counts(client, laboratory, visit, rows):
    test = laboratory.complete(visit["id"])
    client.put(f"/v1/tests/{test['id']}/stage-notes", json=[{"rpe": 9}, {"stage": 1, "rpe": 10}])
    held = client.delete(f"/v1/tests/{test['id']}")
    assert held.status_code == 409
    assert (held.json()["holds"]["intervals"], held.json()["holds"]["stage_notes"]) == (len(rows()), 2)
    assert client.delete(f"/v1/visits/{visit['id']}").json()["holds"]["tests"] == 1
    holds = client.delete(f"/v1/subjects/{visit['subject_id']}").json()["holds"]
    assert (holds["visits"], holds["tests"]) == (1, 1)
    assert client.get(f"/v1/tests/{test['id']}").status_code == 200


def test_deleting_what_holds_nothing(client, laboratory, visit, planned):
    for address in (
        f"/v1/tests/{planned['id']}",
        f"/v1/visits/{visit['id']}",
        f"/v1/subjects/{visit['subject_id']}",
    ):
        assert client.delete(address).status_code == 204
        assert client.get(address).status_code == 404


def notes_of(client, test):
    kept = client.get(f"/v1/tests/{test['id']}/stage-notes").json()["items"]
    return [{name: value for name, value in note.items() if value is not None} for note in kept]


def test_notes_are_appended_or_amended(client, planned):
    address = f"/v1/tests/{planned['id']}/stage-notes"
    first = {"stage": 1, "time_s": 120, "rpe": 11, "rpe_scale": "6-20"}
    client.post(address, json=[first, {"stage": 1, "phase": "recovery", "lactate_mmol_l": 9.5}])
    client.post(address, json=[{"stage": 1, "time_s": 120, "rpe": 12, "systolic_mmhg": 160}])
    client.post(address, json=[{"stage": 2, "time_s": 240, "rpe": 14}])
    assert notes_of(client, planned) == [
        first | {"rpe": 12, "systolic_mmhg": 160},
        {"stage": 1, "phase": "recovery", "lactate_mmol_l": 9.5},
        {"stage": 2, "time_s": 240, "rpe": 14},
    ]
    client.post(address, json=[{"stage": 2, "time_s": 240, "rpe": None, "note": "bell too early"}])
    assert notes_of(client, planned)[2] == {"stage": 2, "time_s": 240, "note": "bell too early"}
    client.put(address, json=[{"note": "begun anew"}])
    assert notes_of(client, planned) == [{"note": "begun anew"}]


def test_remarks_of_no_stage_stay_apart(client, planned):
    address = f"/v1/tests/{planned['id']}/stage-notes"
    client.put(address, json=[{"note": "a"}, {"note": "b"}])
    client.post(address, json=[{"note": "c"}, {"stage": 1, "rpe": 9}])
    client.post(address, json=[{"note": "d"}])
    assert notes_of(client, planned) == [
        {"note": "a"}, {"note": "b"}, {"note": "c"}, {"stage": 1, "rpe": 9}, {"note": "d"},
    ]  # fmt: skip


def test_an_amended_note_must_be_one_that_could_be_sent(client, planned):
    address = f"/v1/tests/{planned['id']}/stage-notes"
    client.post(address, json=[{"stage": 1, "rpe": 15}])
    answer = client.post(address, json=[{"stage": 1, "rpe_scale": "0-10"}])
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["location"] == "body.0"
    assert notes_of(client, planned) == [{"stage": 1, "rpe": 15}]


def test_reported_results_make_a_test_complete(client, laboratory, visit, planned):
    results = [
        {"quantity": "vo2_peak_ml_min", "value": 3750, "source": "a letter", "method": "30-s mean"},
        {"quantity": "rer_max", "value": 1.15, "source": "a letter"},
    ]
    answer = client.put(f"/v1/tests/{planned['id']}/reported-results", json=results)
    assert answer.json()["status"] == "complete"
    kept = client.get(f"/v1/tests/{planned['id']}/reported-results").json()["items"]
    assert {item["quantity"]: item["value"] for item in kept} == {"vo2_peak_ml_min": 3750, "rer_max": 1.15}
    (series,) = laboratory.trend(visit["subject_id"])["series"]
    assert series["basis"] == "reported"
    assert series["points"][0]["value"] == pytest.approx(50.0)
    # With intervals the results are computed.
    other = laboratory.complete(visit["id"])
    assert client.put(f"/v1/tests/{other['id']}/reported-results", json=results).status_code == 409


def test_a_reported_result_beyond_its_limit_is_stored_and_not_counted(client, laboratory, visit, planned):
    """A lost decimal point: 37.5 became 375."""
    results = [{"quantity": "vo2_peak_ml_kg_min", "value": 375, "source": "an old table"}]
    assert client.put(f"/v1/tests/{planned['id']}/reported-results", json=results).status_code == 200
    (point,) = laboratory.trend(visit["subject_id"])["series"][0]["points"]
    assert (point["value"], point["counted"]) == (375, False)
    finding = next(
        one for one in laboratory.analysis(planned["id"])["findings"] if one["severity"] == "error"
    )
    assert finding["code"] == "reported_beyond_limit"


def test_a_field_test_is_complete_with_its_inputs(client, laboratory, visit):
    """2,800 m in 12 min: 51.31 mL/kg/min (Cooper 1968, (d - 504.9) / 44.73, worked by hand)."""
    inputs = {"method": "cooper_12_min", "distance_m": 2800}
    test = laboratory.planned(visit["id"], mode="run", shape="field", field_inputs=inputs)
    assert test["status"] == "complete"
    assert test["field_inputs"] == inputs
    analysis = laboratory.analysis(test["id"])
    assert analysis["peak"]["vo2_ml_kg_min"] == pytest.approx(51.31, abs=0.005)
    assert (analysis["peak"]["basis"], analysis["estimates"]["chosen"]) == ("estimated", "cooper_12_min")
    trend = client.get(f"/v1/subjects/{visit['subject_id']}/trends/vo2_peak_ml_kg_min").json()["series"]
    assert [(one["basis"], one["mode"], len(one["points"])) for one in trend] == [("estimated", "run", 1)]


def test_an_estimate_of_a_submaximal_test_counts_in_its_trend(client, laboratory, visit):
    """The effort was meant to be submaximal: an estimate is no worse for that."""
    inputs = {"method": "astrand_ryhming_cycle", "work_rate_w": 150, "heart_rate_bpm": 140}
    laboratory.planned(
        visit["id"], mode="cycle", purpose="submaximal", stop_reason="target_reached", field_inputs=inputs
    )
    (series,) = laboratory.trend(visit["subject_id"])["series"]
    (point,) = series["points"]
    assert (series["basis"], point["effort"], point["counted"]) == ("estimated", None, True)


@pytest.mark.parametrize(
    ("inputs", "place"),
    [
        ({"distance_m": 2800}, "body.field_inputs.method"),
        ({"method": "no_such_method"}, "body.field_inputs.method"),
        ({"method": "storer_cycle", "work_rate_w": 250}, "body.field_inputs.method"),
        ({"method": "cooper_12_min"}, "body.field_inputs.distance_m"),
        ({"method": "cooper_12_min", "distance_m": -5}, "body.field_inputs.distance_m"),
    ],
)
def test_field_inputs_that_cannot_be_are_refused_with_their_place(client, laboratory, visit, inputs, place):
    body = {"mode": "run", "field_inputs": inputs}
    answer = client.post(f"/v1/visits/{visit['id']}/tests", json=body)
    assert answer.status_code == 422
    assert place in [one["location"] for one in answer.json()["errors"]]
    assert client.get(f"/v1/visits/{visit['id']}").json()["tests"] == []


def test_calibrations_and_a_testers_threshold_are_judged_beside_the_rest(client, laboratory, visit):
    test = laboratory.complete(visit["id"])
    calibration = {
        "when": "before",
        "kind": "gas",
        "expected": 16.0,
        "measured": 15.98,
        "unit": "%",
        "device": "a cell",
    }
    put = client.put(f"/v1/tests/{test['id']}/calibrations", json=[calibration])
    assert put.json()["calibrations"] == [calibration]
    threshold = {
        "threshold": "vt1",
        "vo2_ml_min": 2100,
        "by": "a tester",
        "reason": "seen in the ventilation",
    }
    assert client.put(f"/v1/tests/{test['id']}/thresholds", json=[threshold]).status_code == 200
    asked = {
        "answers": [{"question": "Any pain in the chest?", "answer": "no"}],
        "consent_given_at": "2026-03-14T09:00:00+01:00",
        "cleared_by": "the physician of the day",
    }
    shown = client.put(f"/v1/visits/{visit['id']}/pre-test", json=asked).json()["pre_test"]
    assert shown["answers"] == asked["answers"]
    analysis = laboratory.analysis(test["id"])
    (own,) = [one for one in analysis["thresholds"] if one["basis"] == "tester"]
    assert (own["threshold"], own["vo2_ml_min"]) == ("vt1", 2100)
    assert [one["when"] for one in analysis["calibrations"]["checks"]] == ["before"]
