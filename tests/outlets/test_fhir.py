"""One person's record as FHIR: what is told, what is kept back, and why a number is missing."""

import datetime as dt
from typing import Any

import pytest

from service.outlets.fhir import (
    FhirPerson,
    FhirTest,
    FhirVisit,
    Indexed,
    bundle,
    code_system,
    code_system_url,
    name_of,
)

AT = dt.datetime(2026, 3, 14, 9, 30, tzinfo=dt.timezone(dt.timedelta(hours=1)))
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"


def document(**changes: Any) -> dict[str, Any]:
    """The parts of an analysis that are read: an invented test."""
    names = ("vo2_ml_min", "vo2_ml_kg_min", "mets", "o2_pulse_ml_beat")
    highest = (
        "heart_rate_bpm",
        "rer",
        "ve_l_min",
        "work_rate_w",
        "speed_km_h",
        "rpe",
        "lactate_mmol_l",
        "systolic_mmhg",
    )
    return {
        "basis": "measured",
        "shape": "step",
        "peak": {
            "basis": "measured",
            "convention": "time_weighted",
            "effective_window_s": 30.0,
            **dict(zip(names, (3000.0, 40.0, 40 / 3.5, 16.0), strict=True)),
            "reasons": {},
        },
        "maxima": {
            **dict.fromkeys(highest),
            "heart_rate_bpm": 187.0,
            "exercise_duration_s": 600.0,
            "rpe_scale": None,
            "windows_s": {"heart_rate_bpm": 5.0},
            "reasons": {name: f"No {name}." for name in highest},
        },
        "recovery": {"drop_60s_bpm": None, "drop_120s_bpm": None, "reason": "There is no recovery."},
        "thresholds": [],
        "slopes": {"ve_vco2_slope": None, "oues_ml_min": None, "vo2_work_rate_slope_ml_min_w": None, "reason": "No slope."},
        "effort": {"verdict": "secondary_criteria"},
        "plateau": {"verdict": "not_seen"},
        "findings": [],
        "cautions": ["Local rules decide."],
        "reasons": {"thresholds": "No thresholds here."},
    } | changes  # fmt: skip


def made(
    *,
    person: dict[str, Any] | None = None,
    values: dict[str, float] | None = None,
    base_url: str = "",
    **test: Any,
) -> dict[str, Any]:
    visit = FhirVisit("v1", AT, {"body_mass_kg": 75.0} if values is None else values, "measured")
    fields = {"status": "complete", "mode": "cycle", "purpose": "maximal", "document": document()} | test
    tests = [FhirTest("t1", "v1", AT, **fields)]
    return bundle(FhirPerson("s1", "S-01", **(person or {})), [visit], tests, base_url=base_url)


def told(answer: dict[str, Any], key: str) -> dict[str, Any]:
    """The observation of a test with this code of ours."""
    (found,) = [
        entry["resource"]
        for entry in answer["entry"]
        if entry["fullUrl"] == name_of("Observation", "t1", key)
    ]
    return found


def of_kind(answer: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [entry["resource"] for entry in answer["entry"] if entry["resource"]["resourceType"] == kind]


def codes(one: dict[str, Any]) -> list[str]:
    return [coding["code"] for coding in one["code"]["coding"]]


def test_a_peak_has_code_value_unit_method_mass_and_origin():
    answer = made(indexed={"vo2_peak_ml_kg_min": Indexed(40.0, "time_weighted", "measured", 30.0)})
    peak = told(answer, "vo2_peak_ml_kg_min")
    assert codes(peak) == ["94122-9", "vo2_peak_ml_kg_min"]
    assert peak["valueQuantity"] == {
        "value": 40.0,
        "unit": "mL/kg/min",
        "system": "http://unitsofmeasure.org",
        "code": "mL/kg/min",
    }
    assert peak["method"] == {"text": "measured: time weighted, window 30 s"}
    (mass,) = peak["component"]
    assert mass["valueQuantity"]["value"] == 75.0
    assert [one["reference"] for one in peak["derivedFrom"]] == [
        name_of("Observation", "t1", "vo2_peak_ml_min"),
        name_of("Observation", "v1", "body_mass_kg"),
    ]
    assert (peak["status"], peak["effectiveDateTime"]) == ("final", "2026-03-14T09:30:00+01:00")
    assert codes(told(answer, "heart_rate_max_bpm")) == ["8867-4", "heart_rate_max_bpm"]
    assert told(answer, "heart_rate_max_bpm")["valueQuantity"]["code"] == "/min"


@pytest.mark.parametrize(
    ("fields", "basis"),
    [
        ({"purpose": "submaximal"}, "measured"),
        ({"indexed": {"vo2_peak_ml_kg_min": Indexed(40.0, "acsm_leg_cycling", "estimated")}}, "estimated"),
        ({"indexed": {"vo2_peak_ml_kg_min": Indexed(40.0, "as printed", "reported")}}, "reported"),
    ],
)
def test_what_is_no_measured_peak_has_no_code_of_one(fields, basis):
    peak = told(made(**fields), "vo2_peak_ml_kg_min")
    assert codes(peak) == ["vo2_peak_ml_kg_min"]
    assert peak["method"]["text"].startswith(f"{basis}: ")
    assert peak["valueQuantity"]["value"] == 40.0


@pytest.mark.parametrize(
    ("key", "status", "code", "reason"),
    [
        ("speed_peak_km_h", "complete", "not-applicable", "No speed_km_h."),
        ("lactate_max_mmol_l", "complete", "not-performed", "No lactate_mmol_l."),
        ("heart_rate_drop_60s_bpm", "complete", "unknown", "There is no recovery."),
        ("vt1_vo2_ml_min", "complete", "unknown", "No thresholds here."),
        ("oues_ml_min", "complete", "unknown", "No slope."),
        ("oues_ml_min", "recording", "temp-unknown", "No slope."),
    ],
)
def test_a_missing_number_has_its_reason(key, status, code, reason):
    one = told(made(status=status), key)
    assert one["dataAbsentReason"] == {"coding": [{"system": ABSENT, "code": code}], "text": reason}
    assert not [name for name in one if name.startswith("value")]
    assert "derivedFrom" not in one


def test_a_missing_mass_is_told_and_nothing_is_derived_from_it():
    answer = made(values={})
    peak = told(answer, "vo2_peak_ml_kg_min")
    assert peak["component"][0]["dataAbsentReason"]["text"] == "The visit has no body mass."
    assert [one["reference"] for one in peak["derivedFrom"]] == [
        name_of("Observation", "t1", "vo2_peak_ml_min")
    ]


@pytest.mark.parametrize(
    ("status", "report", "observation"),
    [
        ("planned", "registered", None),
        ("recording", "partial", "preliminary"),
        ("complete", "final", "final"),
        ("void", "entered-in-error", None),
    ],
)
def test_the_status_is_the_tests(status, report, observation):
    answer = made(status=status)
    (one,) = of_kind(answer, "DiagnosticReport")
    assert one["status"] == report
    of_test = [
        entry["status"]
        for entry in of_kind(answer, "Observation")
        if codes(entry) != ["29463-7", "body_mass_kg"]
    ]
    assert set(of_test) == ({observation} if observation else set())
    assert ("result" in one) == (observation is not None)


def test_a_conclusion_that_was_changed_after_signing_amends_the_report():
    (report,) = of_kind(made(conclusion="Fit for the plan.", amended=True), "DiagnosticReport")
    assert (report["status"], report["conclusion"]) == ("amended", "Fit for the plan.")
    (report,) = of_kind(made(status="void", amended=True), "DiagnosticReport")
    assert report["status"] == "entered-in-error"


def test_the_panel_has_how_it_was_done_and_judged_and_what_to_read_first():
    findings = [
        {"severity": "warning", "message": "The mask may leak."},
        {"severity": "info", "message": "Time was taken as the end."},
    ]
    answer = made(document=document(findings=findings), stop_reason="legs", protocol="bruce")
    panel = told(answer, "graded_exercise_test")
    said = {
        part["code"]["coding"][0]["code"]: part.get("valueString")
        or part["valueCodeableConcept"]["coding"][0]["code"]
        for part in panel["component"]
    }
    assert said == {
        "mode": "mode.cycle",
        "shape": "shape.step",
        "purpose": "purpose.maximal",
        "stop_reason": "stop_reason.legs",
        "effort": "effort.secondary_criteria",
        "plateau": "plateau.not_seen",
        "protocol": "bruce",
    }
    assert [note["text"] for note in panel["note"]] == ["The mask may leak.", "Local rules decide."]
    members = {one["reference"] for one in panel["hasMember"]}
    (report,) = of_kind(answer, "DiagnosticReport")
    panel_name = name_of("Observation", "t1", "graded_exercise_test")
    assert {one["reference"] for one in report["result"]} == members | {panel_name}
    assert not [name for name in panel if name.startswith("value")]


def test_a_value_that_an_error_touches_says_so():
    findings = [{"severity": "error", "message": "The mask leaked."}]
    answer = made(
        document=document(findings=findings),
        indexed={"vo2_peak_ml_min": Indexed(3000.0, "time_weighted", "measured", 30.0, has_error=True)},
    )
    assert told(answer, "vo2_peak_ml_min")["note"] == [{"text": "The mask leaked."}]
    assert "note" not in told(answer, "vo2_peak_ml_kg_min")


def test_the_peak_of_a_session_is_derived_from_its_verification_bout():
    method = "time_weighted, from the verification bout"
    main = FhirTest(
        "t1", "v1", AT, "complete", "cycle", "maximal", document=document(),
        indexed={"vo2_peak_ml_min": Indexed(3200.0, method, "measured", 30.0)},
    )  # fmt: skip
    bout = FhirTest(
        "t2", "v1", AT, "complete", "cycle", "verification", document=document(), verifies_test_id="t1"
    )
    answer = bundle(FhirPerson("s1", "S-01"), [FhirVisit("v1", AT, {})], [main, bout])
    assert [one["reference"] for one in told(answer, "vo2_peak_ml_min")["derivedFrom"]] == [
        name_of("Observation", "t2", "vo2_peak_ml_min")
    ]


def test_a_threshold_of_the_tester_stands_beside_the_computed_one():
    agreed = {
        "threshold": "vt1",
        "method": "consensus",
        "vo2_ml_min": 1800.0,
        "work_rate_lag_corrected_w": None,
        "reason": "No lag.",
    }
    own = agreed | {"method": "tester", "vo2_ml_min": 1900.0}
    answer = made(document=document(thresholds=[agreed, own]))
    assert told(answer, "vt1_vo2_ml_min")["valueQuantity"]["value"] == 1800.0
    assert told(answer, "vt1_work_rate_w")["dataAbsentReason"]["text"] == "No lag."
    assert told(answer, "vt2_vo2_ml_min")["dataAbsentReason"]["text"] == "No thresholds here."
    (testers,) = [
        entry["resource"]
        for entry in answer["entry"]
        if entry["fullUrl"] == name_of("Observation", "t1", "vt1_vo2_ml_min", "tester")
    ]
    assert testers["valueQuantity"]["value"] == 1900.0
    assert testers["method"]["text"] == "measured: set by the tester"


@pytest.mark.parametrize(
    ("person", "expected"),
    [
        ({}, {"gender": "unknown"}),
        ({"sex": "female", "birth": 1990}, {"gender": "female", "birthDate": "1990"}),
        ({"sex": "male", "birth": dt.date(1990, 5, 14)}, {"gender": "male", "birthDate": "1990-05-14"}),
        ({"given_name": "Ana", "family_name": "Li"}, {"name": [{"family": "Li", "given": ["Ana"]}]}),
    ],
)
def test_the_patient(person, expected):
    (patient,) = of_kind(made(person=person), "Patient")
    assert expected.items() <= patient.items()
    assert ("name" in patient) == ("given_name" in person)
    assert [one["value"] for one in patient["identifier"]] == ["s1", "S-01"]


def test_pressures_go_together_and_a_missing_one_has_its_reason():
    answer = made(values={"resting_systolic_mmhg": 120.0})
    (pressure,) = [one for one in of_kind(answer, "Observation") if "85354-9" in codes(one)]
    systolic, diastolic = pressure["component"]
    assert systolic["valueQuantity"]["code"] == "mm[Hg]"
    assert "dataAbsentReason" in diastolic
    assert codes(diastolic)[0] == "8462-4"


def test_names_are_the_same_each_time_and_codes_are_known_by_the_site_where_it_has_an_address():
    assert made() == made()
    plain = code_system("exercise-test", version="1")["url"]
    assert plain.startswith("urn:uuid:")
    assert plain == code_system_url("exercise-test", "")
    public = "https://lab.example/fhir/CodeSystem/exercise-test"
    answer = made(base_url="https://lab.example/")
    assert told(answer, "vo2_peak_ml_min")["code"]["coding"][-1]["system"] == public
    assert code_system("exercise-test", base_url="https://lab.example", version="1")["url"] == public
    with pytest.raises(KeyError):
        code_system("other", version="1")
