"""The record speaks the vocabulary of the interface and hangs together."""

import re
from datetime import datetime

from service.analysis.series import PHASES
from service.quantities import QUANTITIES, of_kind
from service.reference.protocols import STANDARD_PROTOCOLS

SUBJECT = {"code", "given_name", "family_name", "birth_date", "birth_year", "sex", "notes", "visits"}
VISIT = {
    "ref", "started_at", "round", "site", "tester", "body_mass_kg", "body_mass_source", "height_cm",
    "resting_heart_rate_bpm", "resting_systolic_mmhg", "resting_diastolic_mmhg", "resting_spo2_percent",
    "barometric_pressure_mmhg", "altitude_m", "temperature_c", "relative_humidity_percent", "medications",
    "hours_since_meal", "hours_since_caffeine", "hours_since_exercise", "notes", "measurements", "tests",
}  # fmt: skip
TEST = {
    "ref", "file", "import_options", "details", "verifies", "stage_notes", "calibrations", "reported_results",
}  # fmt: skip
OPTIONS = {
    "mode", "shape", "purpose", "protocol_id", "columns", "sheet", "time_marks", "exercise_start_s",
    "exercise_end_s", "rows", "stop_reason",
}  # fmt: skip
DETAILS = {
    "mode", "purpose", "stop_note", "posture", "ergometer", "interface", "handrail_support", "recovery_posture",
    "recovery_active", "notes",
}  # fmt: skip
NOTE = {
    "stage", "phase", "time_s", "work_rate_w", "speed_km_h", "grade_percent", "heart_rate_bpm", "rpe", "rpe_scale",
    "systolic_mmhg", "diastolic_mmhg", "lactate_mmol_l",
}  # fmt: skip
STOPS = {
    "exhaustion", "legs", "breath", "symptom", "target_reached", "tester", "equipment", "subject_request", "other",
}  # fmt: skip


def entries(record):
    for subject in record["subjects"]:
        for visit in subject["visits"]:
            for test in visit["tests"]:
                yield subject, visit, test


def test_only_known_fields(record):
    for subject, visit, test in entries(record):
        assert set(subject) <= SUBJECT
        assert set(visit) <= VISIT
        assert set(test) <= TEST
        assert set(test.get("import_options", {})) <= OPTIONS
        assert set(test["details"]) <= DETAILS
        for note in test.get("stage_notes", []):
            assert set(note) <= NOTE
            assert note["phase"] in PHASES


def test_enumerations(record):
    for subject, _, test in entries(record):
        assert subject["sex"] in {"female", "male", None}
        options = test.get("import_options")
        if options is None:
            continue
        assert options["mode"] in {"cycle", "treadmill", "row"}
        assert options["shape"] in {"step", "ramp", "constant"}
        assert options["purpose"] in {"maximal", "submaximal", "verification"}
        assert options["stop_reason"] in STOPS


def test_protocols_are_catalogued_or_the_records_own(record):
    own = {protocol["id"] for protocol in record["protocols"]}
    used = {t["import_options"].get("protocol_id") for _, _, t in entries(record) if t["file"]} - {None}
    assert own <= used
    assert used - own <= set(STANDARD_PROTOCOLS)
    assert not own & set(STANDARD_PROTOCOLS)


def test_loads_are_those_of_the_protocol(record, tests):
    stages = {p["id"]: p["stages"] for p in record["protocols"]}
    stages |= {p.id: [s.as_dict() for s in p.stages] for p in STANDARD_PROTOCOLS.values()}
    compared = 0
    for test in tests.values():
        if test.options["shape"] != "step":
            continue
        key = "speed_km_h" if test.options["mode"] == "treadmill" else "work_rate_w"
        planned = [s[key] for s in stages[test.options["protocol_id"]] if s["phase"] == "exercise"]
        seen = list(dict.fromkeys(test.during(key)))
        expected = list(dict.fromkeys(round(value, 1) for value in planned))
        assert seen == expected[: len(seen)], test.ref
        compared += 1
    assert compared > 40


def test_values_of_visits_notes_and_measurements_are_plausible(record):
    measurable = {quantity.key for quantity in of_kind("measurement")}
    for _, visit, test in entries(record):
        for key, value in visit.items():
            if key in QUANTITIES:
                assert QUANTITIES[key].plausible(value), (visit["ref"], key, value)
        for measurement in visit["measurements"]:
            assert measurement["quantity"] in measurable
            assert QUANTITIES[measurement["quantity"]].plausible(measurement["value"])
        for note in test.get("stage_notes", []):
            for key, value in note.items():
                # One systolic pressure is high on purpose: the tester stopped that test for it.
                if key in QUANTITIES and value != 254:
                    assert QUANTITIES[key].plausible(value), (test["ref"], key, value)


def test_links_resolve_within_the_visit(record):
    linked = 0
    for _, visit, test in entries(record):
        if test["verifies"] is not None:
            assert test["verifies"] in {other["ref"] for other in visit["tests"]} - {test["ref"]}
            assert test["import_options"]["purpose"] == "verification"
            linked += 1
    assert linked == 5


def test_two_tests_of_one_file_do_not_overlap(record):
    by_file = {}
    for _, _, test in entries(record):
        if test["file"]:
            by_file.setdefault(test["file"], []).append(test["import_options"].get("rows"))
    shared = {file: rows for file, rows in by_file.items() if len(rows) > 1}
    assert len(shared) == 3
    for (first_start, first_end), (second_start, second_end) in shared.values():
        assert first_start < first_end <= second_start < second_end


def test_visits_are_in_order_and_after_birth(record):
    for subject in record["subjects"]:
        when = [datetime.fromisoformat(visit["started_at"]) for visit in subject["visits"]]
        assert when == sorted(when)
        born = subject.get("birth_date") or str(subject["birth_year"])
        assert when[0].year - int(born[:4]) >= 18


def test_references_are_unique(record):
    references = [test["ref"] for _, _, test in entries(record)]
    assert len(references) == len(set(references))


def test_scenario_is_the_one_described(record):
    groups = {
        prefix: [s for s in record["subjects"] if s["code"].startswith(prefix)]
        for prefix in ("FC", "RS", "ST")
    }
    assert [len(groups[prefix]) for prefix in ("FC", "RS", "ST")] == [10, 6, 16]
    centre = groups["FC"]
    assert sum("birth_year" in s for s in centre) == 1
    assert sum(s["sex"] is None for s in centre) == 1
    limited = [s for s in centre if any(v.get("medications") for v in s["visits"])]
    assert len(limited) == 1
    assert all(v["medications"][0]["limits_heart_rate"] for v in limited[0]["visits"])
    assert all(3 <= sum("tester" in v for v in s["visits"]) <= 6 for s in centre)
    assert all(len(s["visits"]) == 4 for s in groups["RS"])
    missing = 4 * 16 - sum(len(s["visits"]) for s in groups["ST"])
    assert missing == 6
    study = next(c for c in record["cohorts"] if c["name"] == "Training study")
    assert sorted(m["arm"] for m in study["members"]) == ["control"] * 8 + ["training"] * 8


def test_reported_results_come_without_intervals(record):
    reported = [(visit, test) for _, visit, test in entries(record) if "reported_results" in test]
    assert len(reported) == 3
    for _, test in reported:
        assert test["file"] is None
        for result in test["reported_results"]:
            assert result["source"]
            assert QUANTITIES[result["quantity"]].plausible(result["value"])


def test_nobody_and_no_place_is_named_but_the_invented(record):
    invented = {
        "Odalin Stufenmark", "Perrik Wattmere", "Jorvan Pulsewick", "Hollin Gradebarrow", "Sunnive Breathlow",
        "Quillan Rampstone", "Tamsel Ergomeer",
    }  # fmt: skip
    named = {f"{s['given_name']} {s['family_name']}" for s in record["subjects"] if "given_name" in s}
    assert named == invented
    sites = {visit.get("site") for s in record["subjects"] for visit in s["visits"]} - {None}
    assert sites == {"Demonstration centre", "Boathouse", "Study laboratory"}
    assert all(re.fullmatch(r"(FC|RS|ST)-\d\d", s["code"]) for s in record["subjects"])
    assert "invented" in record["note"].lower()
