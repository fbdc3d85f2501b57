"""The bundles of the whole demonstration record against FHIR R4, UCUM and the codes of LOINC that were verified.

Sources: FHIR R4 and R4B (HL7): the models of `fhir.resources`, and invariants of the pages of Observation (obs-6, obs-7,
vs-2, vs-3), Bundle (bdl-7) and Quantity (qty-3), worded as there and evaluated by `fhirpathpy` with the model of R4.
UCUM: the grammar of `ucumvert`. LOINC: codes read in public FHIR code bases, guides of HL7 and pages of LOINC.
"""

import shutil
from typing import Any

import pytest

from service.db.transactions import Store
from service.outlets.fhir import code_system, code_systems
from service.quantities import QUANTITIES, of_kind
from service.settings import Settings

LOINC, UCUM = "http://loinc.org", "http://unitsofmeasure.org"

#: Code and unit, each verified: the unit is what the code's own page, profile or property asks for.
VERIFIED = {
    "94122-9": {"mL/kg/min"},  # VO2/body weight --peak during exercise: a rate content per mass
    "60842-2": {"mL/min", "L/min"},  # VO2: an absolute rate
    "94120-3": {"mL/{beat}"},  # VO2/heart rate --peak during exercise
    "8867-4": {"/min"},  # heart rate (vital signs of FHIR R4)
    "40443-4": {"/min"},  # heart rate --resting (physical activity guide of HL7)
    "29463-7": {"kg"},  # body weight (vital signs of FHIR R4)
    "8302-2": {"cm"},  # body height (vital signs of FHIR R4)
    "85354-9": {None},  # blood pressure panel: through its components
    "8480-6": {"mm[Hg]"},
    "8462-4": {"mm[Hg]"},
}

#: Codes that look right and are not, and why.
WRONG = {
    "55426-1": "heart rate by pedometer, not in a laboratory",
    "55422-0": "heart rate maximum of an encounter; two versions of one guide disagree",
    "8873-2": "maximum of 24 hours, not of a test",
    "55424-6": "calories by pedometer",
    "55411-3": "exercise duration in minutes; seconds are sent",
    "74008-4": "exercise intensity, a coded answer",
    "62847-9": "a panel for fitness without exercise",
}

INVARIANTS = {
    "obs-6": "dataAbsentReason.empty() or value.empty()",
    # %resource is the observation itself.
    "obs-7": "value.empty() or component.code.coding.intersect(code.coding).empty()",
    "vs-2": "(component.empty() and hasMember.empty()) implies (dataAbsentReason.exists() or value.exists())",
    "vs-3": "component.all(value.exists() or dataAbsentReason.exists())",
    "obs-6 of components": "component.all(value.empty() or dataAbsentReason.empty())",
    "qty-3": "(value.ofType(Quantity) | component.value.ofType(Quantity)).all(code.empty() or system.exists())",
    "vs-1": "effective.ofType(dateTime).toString().length() >= 10",
}


@pytest.fixture(scope="module")
def client(demonstration_file, tmp_path_factory, make_key, open_client, usual_settings):
    path = tmp_path_factory.mktemp("fhir") / "demonstration.db"
    shutil.copy(demonstration_file, path)
    store = Store(Settings(database_url=f"sqlite:///{path}", **usual_settings))
    yield open_client(store, make_key(store, "taker", "reader"))
    store.close()


@pytest.fixture(scope="module")
def bundles(client) -> dict[str, dict[str, Any]]:
    """Every bundle of the record, by the id of its subject."""
    subjects = client.get("/v1/subjects", params={"limit": 500}).json()["items"]
    return {one["id"]: client.get(f"/v1/subjects/{one['id']}/fhir").json() for one in subjects}


def resources(bundle: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [entry["resource"] for entry in bundle["entry"] if entry["resource"]["resourceType"] == kind]


def observations(bundles: dict[str, dict[str, Any]]) -> list[dict[str, Any]]:
    return [one for bundle in bundles.values() for one in resources(bundle, "Observation")]


def references(value: Any) -> list[str]:
    if isinstance(value, dict):
        own = [value["reference"]] if isinstance(value.get("reference"), str) else []
        return own + [found for inner in value.values() for found in references(inner)]
    return [found for inner in value for found in references(inner)] if isinstance(value, list) else []


def quantities(one: dict[str, Any]) -> list[tuple[list[dict[str, Any]], dict[str, Any]]]:
    """Codings and Quantity of an observation and of its components."""
    parts = [one, *one.get("component", [])]
    return [(part["code"]["coding"], part["valueQuantity"]) for part in parts if "valueQuantity" in part]


def test_every_test_of_the_record_is_in_a_bundle_that_the_models_accept(client, bundles):
    from fhir.resources.R4B.bundle import Bundle

    told = 0
    for subject_id, bundle in bundles.items():
        parsed = Bundle.model_validate(bundle)
        assert parsed.type == "collection"
        visits = client.get(f"/v1/subjects/{subject_id}/visits", params={"limit": 500}).json()["items"]
        tests = {test for visit in visits for test in visit["tests"]}
        reports = resources(bundle, "DiagnosticReport")
        assert {report["identifier"][0]["value"] for report in reports} == tests
        told += len(tests)
    assert told > 100


def test_the_models_would_refuse_what_is_wrong(bundles):
    from fhir.resources.R4B.observation import Observation
    from pydantic import ValidationError

    good = observations(bundles)[0]
    for broken in (
        good | {"effectiveDateTime": "2026-03-14T09:30:00"},  # no offset
        good | {"valueString": "also"},
        {name: value for name, value in good.items() if name != "code"},
        good | {"unknown": 1},
    ):
        with pytest.raises(ValidationError):
            Observation.model_validate(broken)


@pytest.mark.parametrize("name", INVARIANTS)
def test_invariants_of_observations(name, bundles):
    import fhirpathpy
    from fhirpathpy.models import models

    holds = fhirpathpy.compile(INVARIANTS[name], models["r4"])
    broken = [one for one in observations(bundles) if holds(one) != [True]]
    assert broken == []


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        ("obs-6", {"valueString": "5", "dataAbsentReason": {"text": "none"}}),
        (
            "obs-7",
            {"valueString": "5", "component": [{"code": {"coding": [{"code": "a"}]}, "valueString": "5"}]},
        ),
        ("vs-2", {}),
        ("vs-3", {"component": [{"code": {"text": "x"}}]}),
        ("obs-6 of components", {"component": [{"valueString": "5", "dataAbsentReason": {"text": "none"}}]}),
        ("qty-3", {"valueQuantity": {"value": 1, "code": "kg"}}),
        ("vs-1", {"effectiveDateTime": "2026"}),
    ],
)
def test_each_invariant_can_be_broken(name, fault):
    import fhirpathpy
    from fhirpathpy.models import models

    one = {"resourceType": "Observation", "code": {"coding": [{"code": "a"}]}} | fault
    assert fhirpathpy.evaluate(one, INVARIANTS[name], None, models["r4"]) == [False]


def test_full_urls_are_unique_and_every_reference_resolves(bundles):
    import fhirpathpy
    from fhirpathpy.models import models

    everywhere: set[str] = set()
    for bundle in bundles.values():
        distinct = "entry.where(fullUrl.exists()).select(fullUrl & resource.meta.versionId).isDistinct()"
        assert fhirpathpy.evaluate(bundle, distinct, None, models["r4"]) == [True]  # bdl-7
        urls = {entry["fullUrl"] for entry in bundle["entry"]}
        assert all(url.startswith("urn:uuid:") for url in urls)
        assert set(references(bundle)) <= urls
        assert not urls & everywhere
        everywhere |= urls
        # Nothing hangs loose: each result is in a report, and each is of the one person.
        (patient,) = [e["fullUrl"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Patient"]
        for entry in bundle["entry"]:
            if entry["resource"]["resourceType"] != "Patient":
                assert entry["resource"]["subject"] == {"reference": patient}
        assert len(resources(bundle, "Patient")) == 1


def test_words_are_of_their_value_sets(bundles):
    # Required value sets of R4, which the models do not enforce: observation-status, diagnostic-report-status,
    # administrative-gender; and of the code systems observation-category and data-absent-reason.
    statuses = {
        "registered",
        "preliminary",
        "final",
        "amended",
        "corrected",
        "cancelled",
        "entered-in-error",
        "unknown",
    }
    reports = statuses - {"preliminary"} | {"partial", "preliminary", "appended"}
    categories = {
        "social-history", "vital-signs", "imaging", "laboratory", "procedure", "survey", "exam", "therapy", "activity",
    }  # fmt: skip
    absent = {
        "unknown", "asked-unknown", "temp-unknown", "not-asked", "asked-declined", "masked", "not-applicable", "unsupported",
        "as-text", "error", "not-a-number", "negative-infinity", "positive-infinity", "not-performed", "not-permitted",
    }  # fmt: skip
    for bundle in bundles.values():
        assert {one["gender"] for one in resources(bundle, "Patient")} <= {
            "male",
            "female",
            "other",
            "unknown",
        }
        assert {one["status"] for one in resources(bundle, "DiagnosticReport")} <= reports
    for one in observations(bundles):
        assert one["status"] in statuses
        assert {coding["code"] for category in one["category"] for coding in category["coding"]} <= categories
        for part in (one, *one.get("component", [])):
            if "dataAbsentReason" in part:
                assert {coding["code"] for coding in part["dataAbsentReason"]["coding"]} <= absent
                assert len(part["dataAbsentReason"]["text"]) > 10


def test_only_verified_codes_of_loinc_are_sent_and_each_with_its_unit(bundles):
    sent: dict[str, set[str | None]] = {}
    for one in observations(bundles):
        for part in (one, *one.get("component", [])):
            for coding in part["code"]["coding"]:
                if coding["system"] == LOINC:
                    unit = part.get("valueQuantity", {}).get("code")
                    if unit is not None or "dataAbsentReason" not in part:
                        sent.setdefault(coding["code"], set()).add(unit)
    assert not set(sent) & set(WRONG)
    assert {code: units for code, units in sent.items() if not units <= VERIFIED.get(code, set())} == {}
    assert set(sent) == set(VERIFIED)


def test_the_registry_has_only_verified_codes():
    codes = {quantity.loinc for quantity in QUANTITIES.values()} - {None}
    assert codes <= set(VERIFIED)
    assert not codes & set(WRONG)


def test_an_uptake_has_its_method_and_body_mass_and_no_code_of_a_peak_where_it_is_none(bundles):
    uptakes = {"vo2_peak_ml_min", "vo2_peak_ml_kg_min", "mets_peak", "vt1_vo2_ml_min", "vt2_vo2_ml_min"}
    seen = 0
    for one in observations(bundles):
        codes = {coding["code"] for coding in one["code"]["coding"]}
        if codes & {"94122-9", "60842-2", "94120-3"}:
            assert one["method"]["text"].startswith("measured: ")
        if codes & uptakes and "valueQuantity" in one:
            seen += 1
            assert one["method"]["text"]
            (mass,) = one["component"]
            assert {coding["code"] for coding in mass["code"]["coding"]} >= {"29463-7"}
            assert ("valueQuantity" in mass) != ("dataAbsentReason" in mass)
    assert seen > 300


def test_every_unit_is_of_ucum(bundles):
    from lark.exceptions import UnexpectedInput
    from ucumvert import get_ucum_parser

    parser = get_ucum_parser()
    units = set()
    for one in observations(bundles):
        for _, quantity in quantities(one):
            assert quantity["system"] == UCUM
            units.add(quantity["code"])
    told = {
        part["valueString"]
        for concept in code_system("exercise-test", version="1")["concept"]
        for part in concept.get("property", [])
        if part["code"] == "unit"
    }
    assert units <= told
    for unit in units | told | {quantity.ucum for quantity in QUANTITIES.values()}:
        assert parser.parse(unit)
    with pytest.raises(UnexpectedInput):
        parser.parse("mmHg")


def test_units_measure_what_their_codes_measure():
    # Dimensions by an independent library: a volume rate per mass is not a volume rate.
    from ucumvert import PintUcumRegistry

    registry = PintUcumRegistry()
    expected = {
        "94122-9": "[length] ** 3 / [mass] / [time]",
        "60842-2": "[length] ** 3 / [time]",
        "29463-7": "[mass]",
        "8302-2": "[length]",
        "8480-6": "[mass] / [length] / [time] ** 2",
        "8462-4": "[mass] / [length] / [time] ** 2",
    }
    for code, dimension in expected.items():
        for unit in VERIFIED[code]:
            assert registry.from_ucum(unit).check(dimension), (code, unit)


def test_values_are_those_of_the_interface(client, bundles):
    """Each number of a bundle is the number of the trend, the analysis or the visit, to the last digit."""
    results = [quantity.key for quantity in of_kind("result")]
    compared = 0
    for subject_id, bundle in list(bundles.items())[::4]:
        by_url = {entry["fullUrl"]: entry["resource"] for entry in bundle["entry"]}
        trends = {
            row["quantity"]: {
                point["test_id"]: point
                for series in client.get(f"/v1/subjects/{subject_id}/trends/{row['quantity']}").json()[
                    "series"
                ]
                for point in series["points"]
            }
            for row in client.get(f"/v1/subjects/{subject_id}/trends").json()["items"]
        }
        for report in resources(bundle, "DiagnosticReport"):
            test_id = report["identifier"][0]["value"]
            document = client.get(f"/v1/tests/{test_id}/analysis").json()
            told = {}
            for reference in report["result"]:
                one = by_url[reference["reference"]]
                key = next(c["code"] for c in one["code"]["coding"] if c["system"] != LOINC)
                told[key] = one
            assert set(results) <= set(told)
            peak = told["vo2_peak_ml_kg_min"].get("valueQuantity", {}).get("value")
            point = trends.get("vo2_peak_ml_kg_min", {}).get(test_id)
            if point is None:
                assert peak == document["peak"]["vo2_ml_kg_min"]
            for key in results:
                value = told[key].get("valueQuantity", {}).get("value")
                point = trends.get(key, {}).get(test_id)
                if point is not None:
                    assert value == point["value"], key
                    assert told[key]["effectiveDateTime"][:10] == point["date"]
                    compared += 1
                elif document["test_id"] in trends.get("exercise_duration_s", {}):
                    assert value is None, key
                    assert told[key]["dataAbsentReason"]["text"] != "No reason is recorded.", key
    assert compared > 300


def test_the_code_systems_are_accepted_and_explain_every_code_of_our_own(bundles):
    from fhir.resources.R4B.codesystem import CodeSystem

    known: dict[str, set[str]] = {}
    for name in code_systems():
        system = code_system(name, version="1")
        parsed = CodeSystem.model_validate(system)
        codes = [concept.code for concept in parsed.concept]
        assert len(set(codes)) == len(codes) == parsed.count  # csd-1: codes are unique
        known[system["url"]] = set(codes)
    sent: dict[str, set[str]] = {}
    for one in observations(bundles):
        for part in (one, *one.get("component", [])):
            codings = part["code"]["coding"] + part.get("valueCodeableConcept", {}).get("coding", [])
            for coding in codings:
                sent.setdefault(coding["system"], set()).add(coding["code"])
    sent.pop(LOINC)
    assert set(sent) == set(known)
    for system, codes in sent.items():
        assert codes <= known[system]
