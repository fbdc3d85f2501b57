"""A person's tests as FHIR R4: one Bundle of a Patient, a report for each test, and observations; and our own codes.

Only LOINC codes that were verified are sent, each from the registry of quantities; every quantity also carries a code of
our own, which the CodeSystem explains. Units are UCUM. Nothing here claims conformance to a profile of others.

FHIR R4 (HL7, 4.0.1): Bundle, Patient, DiagnosticReport, Observation, CodeSystem; the vital signs page for the codes and
units of mass, height, heart rate and blood pressure. No database, no clock: who calls gives what is known.
"""

import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from types import MappingProxyType
from typing import Any, get_args

from service.analysis.effort import EffortVerdict
from service.analysis.plateau import RuleVerdict
from service.analysis.series import Mode, Purpose, Shape, StopReason
from service.analysis.summary import RESULT_PLACES
from service.outlets import phrases
from service.quantities import QUANTITIES, Quantity, of_kind

MEDIA_TYPE = "application/fhir+json"

LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
_CATEGORIES = "http://terminology.hl7.org/CodeSystem/observation-category"
_ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"

#: Root of all names made here (RFC 4122, version 5): the same record has the same name in every bundle.
_ROOT = uuid.UUID("6b11df59-8aaa-4684-9dff-d696fb1ce7ce")

#: Codes of a whole that a more exact code stands beside, as the vital signs page of FHIR R4 asks.
_HEART_RATE, _PRESSURE_PANEL = "8867-4", "85354-9"
#: Names of codes, where they were read with the code.
_LOINC_TEXTS: Mapping[str, str] = MappingProxyType(
    {
        "94122-9": "Oxygen consumption (VO2)/Body weight [Volume Rate Content] --peak during exercise",
        "60842-2": "Oxygen consumption (VO2)",
        "94120-3": "Oxygen consumption (VO2)/Heart rate --peak during exercise",
        _HEART_RATE: "Heart rate",
        "40443-4": "Heart rate --resting",
        "29463-7": "Body weight",
        "8302-2": "Body height",
        "8480-6": "Systolic blood pressure",
        "8462-4": "Diastolic blood pressure",
    }
)
_WIDER: Mapping[str, str] = MappingProxyType(
    {"heart_rate_max_bpm": _HEART_RATE, "resting_heart_rate_bpm": _HEART_RATE}
)

#: Vital signs of a visit; the two pressures go together.
_VITAL = ("body_mass_kg", "height_cm", "resting_heart_rate_bpm")
_PRESSURES = ("resting_systolic_mmhg", "resting_diastolic_mmhg")
#: What of a visit is told, besides its other measurements.
OF_VISIT: tuple[str, ...] = (*_VITAL, *_PRESSURES, "resting_spo2_percent")

#: Results that are oxygen uptake: each with its method and the body mass.
UPTAKES: tuple[str, ...] = (
    "vo2_peak_ml_min",
    "vo2_peak_ml_kg_min",
    "mets_peak",
    "vt1_vo2_ml_min",
    "vt2_vo2_ml_min",
)
#: What a result was worked out from, besides the series: other results of the test, and values of the visit.
_DERIVED: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "vo2_peak_ml_kg_min": ("vo2_peak_ml_min", "body_mass_kg"),
        "mets_peak": ("vo2_peak_ml_kg_min", "body_mass_kg"),
        "o2_pulse_peak_ml_beat": ("vo2_peak_ml_min",),
    }
)
#: Where each result stands in the document of an analysis: its part and field.
_PLACES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        **RESULT_PLACES,
        "vt1_vo2_ml_min": ("vt1", "vo2_ml_min"),
        "vt1_work_rate_w": ("vt1", "work_rate_lag_corrected_w"),
        "vt2_vo2_ml_min": ("vt2", "vo2_ml_min"),
        "vt2_work_rate_w": ("vt2", "work_rate_lag_corrected_w"),
        "ve_vco2_slope": ("slopes", "ve_vco2_slope"),
        "oues_ml_min": ("slopes", "oues_ml_min"),
        "vo2_work_rate_slope_ml_min_w": ("slopes", "vo2_work_rate_slope_ml_min_w"),
    }
)
#: Results that somebody notes or a device shows; where there is none, it was not done.
_NOTED = frozenset({"rpe_max", "lactate_max_mmol_l", "systolic_max_mmhg"})
_LOADS = frozenset({"work_rate_peak_w", "speed_peak_km_h"})

_REPORT_STATUS: Mapping[str, str] = MappingProxyType(
    {"planned": "registered", "recording": "partial", "complete": "final", "void": "entered-in-error"}
)
_OBSERVATION_STATUS: Mapping[str, str] = MappingProxyType({"recording": "preliminary", "complete": "final"})

#: The words of a test that have codes of our own: field of the test or part of its analysis, and the answers.
_ANSWERS: Mapping[str, tuple[str, tuple[str, ...]]] = MappingProxyType(
    {
        "mode": ("Mode of exercise", get_args(Mode)),
        "shape": ("Shape of the load", get_args(Shape)),
        "purpose": ("Purpose of the test", get_args(Purpose)),
        "stop_reason": ("Reason for stopping", get_args(StopReason)),
        "effort": ("Verdict on the effort", get_args(EffortVerdict)),
        "plateau": ("Verdict on the plateau of uptake", get_args(RuleVerdict)),
    }
)
_TEST = "graded_exercise_test"
_TEST_TEXT = "Graded exercise test"
_PRESSURE = "resting_blood_pressure"


@dataclass(frozen=True, slots=True)
class FhirPerson:
    """The subject; names and the full birth date only where they may be seen.

    Attributes
    ----------
    subject_id, code : str
    sex : {"female", "male"} or None
    birth : date, int or None
        Birth date, or the year alone.
    given_name, family_name : str or None
    """

    subject_id: str
    code: str
    sex: str | None = None
    birth: date | int | None = None
    given_name: str | None = None
    family_name: str | None = None


@dataclass(frozen=True, slots=True)
class FhirVisit:
    """A visit, and what was measured at it.

    Attributes
    ----------
    visit_id : str
    at : datetime
        With the visit's own offset.
    values : mapping of str to float
        Of `OF_VISIT` and of the other measurements, by quantity, in the registry's units; absent where not measured.
    body_mass_source : str or None
    """

    visit_id: str
    at: datetime
    values: Mapping[str, float]
    body_mass_source: str | None = None


@dataclass(frozen=True, slots=True)
class Indexed:
    """A result as the index of results has it; see `service.analysis.summary.ResultValue`."""

    value: float
    method: str
    basis: str
    effective_window_s: float | None = None
    has_error: bool = False


@dataclass(frozen=True, slots=True)
class FhirTest:
    """A test, its analysis and its results.

    Attributes
    ----------
    test_id, visit_id : str
    at : datetime
        Start, with the visit's own offset.
    status : {"planned", "recording", "complete", "void"}
    mode, purpose : str
    shape, stop_reason, protocol, verifies_test_id : str or None
    issued : datetime, optional
        When the analysis was stored.
    document : mapping or None
        JSON form of the analysis; None for a test that has none.
    indexed : mapping of str to Indexed
        By quantity.
    conclusion : str or None
        Of the tester, where it may be seen.
    amended : bool
        Whether a signed conclusion was changed later.
    """

    test_id: str
    visit_id: str
    at: datetime
    status: str
    mode: str
    purpose: str
    shape: str | None = None
    stop_reason: str | None = None
    protocol: str | None = None
    verifies_test_id: str | None = None
    issued: datetime | None = None
    document: Mapping[str, Any] | None = None
    indexed: Mapping[str, Indexed] = field(default_factory=dict)
    conclusion: str | None = None
    amended: bool = False


@dataclass(frozen=True, slots=True)
class _Told:
    """One result of a test, or why there is none."""

    quantity: Quantity
    value: float | None
    reason: str | None
    basis: str
    method: str
    has_error: bool = False
    by: str = ""


def name_of(*parts: str) -> str:
    """The name of a record or of a part of it: ``urn:uuid:``, the same each time."""
    return f"urn:uuid:{uuid.uuid5(_ROOT, '/'.join(parts))}"


def code_system_url(name: str, base_url: str) -> str:
    """What our codes are known by: an address where the site has a public one, else a fixed name."""
    return f"{base_url.rstrip('/')}/fhir/CodeSystem/{name}" if base_url else name_of("CodeSystem", name)


def bundle(
    person: FhirPerson,
    visits: Sequence[FhirVisit],
    tests: Sequence[FhirTest],
    *,
    base_url: str = "",
    at: datetime | None = None,
) -> dict[str, Any]:
    """The Bundle of one person.

    Parameters
    ----------
    person : FhirPerson
    visits : sequence of FhirVisit
        All to which `tests` belong.
    tests : sequence of FhirTest
    base_url : str
        Public address of the service, for the name of our codes; empty: a fixed name.
    at : datetime, optional
        The state of the record that is told: its last change.

    Returns
    -------
    dict
        Serializable as JSON: a Bundle of the type "collection" in which every reference is resolved.
    """
    codes = _Codes(base_url)
    patient = _patient(person, base_url)
    told = [(name_of("Patient", person.subject_id), patient)]
    subject = {"reference": told[0][0]}
    by_visit = {visit.visit_id: visit for visit in visits}
    for visit in visits:
        told += _of_visit(visit, subject, codes)
    bouts: dict[str, list[FhirTest]] = {}
    for test in tests:
        if test.verifies_test_id is not None:
            bouts.setdefault(test.verifies_test_id, []).append(test)
    for test in tests:
        told += _of_test(test, by_visit[test.visit_id], bouts.get(test.test_id, []), subject, codes)
    answer: dict[str, Any] = {"resourceType": "Bundle", "type": "collection"}
    if at is not None:
        answer["timestamp"] = _instant(at)
    answer["entry"] = [{"fullUrl": url, "resource": resource} for url, resource in told]
    return answer


def code_systems() -> tuple[str, ...]:
    """Names of our code systems."""
    return ("exercise-test", "exercise-test-answer")


def code_system(name: str, *, base_url: str = "", version: str) -> dict[str, Any]:
    """One of our code systems as a FHIR CodeSystem.

    Parameters
    ----------
    name : str
        One of `code_systems`.
    base_url : str
        As in `bundle`.
    version : str
        Of the program.

    Raises
    ------
    KeyError
        There is no such system.
    """
    titles = {
        "exercise-test": ("ExerciseTest", "What is observed at a graded exercise test"),
        "exercise-test-answer": ("ExerciseTestAnswer", "How a graded exercise test was done and judged"),
    }
    computable, title = titles[name]
    answer: dict[str, Any] = {
        "resourceType": "CodeSystem",
        "url": code_system_url(name, base_url),
        "version": version,
        "name": computable,
        "title": title,
        "status": "active",
        "experimental": False,
        "description": f"{title}: the codes of this service. They are its own, and no one else's standard.",
        "caseSensitive": True,
        "content": "complete",
    }
    if name == "exercise-test":
        answer["copyright"] = phrases.LOINC_NOTICE
        answer["property"] = [
            {"code": "unit", "description": f"Unit, as a code of UCUM ({UCUM})", "type": "string"},
            {
                "code": "loinc",
                "description": f"Code of LOINC ({LOINC}) for the same, verified",
                "type": "string",
            },
        ]
        answer["concept"] = [
            {"code": _TEST, "display": _TEST_TEXT, "definition": "All that is told of one test together."},
            {
                "code": _PRESSURE,
                "display": "Resting blood pressure",
                "definition": "Systolic and diastolic pressure at rest, at the visit.",
            },
            *(
                {"code": name, "display": text, "definition": f"{text}; its answers are codes of their own."}
                for name, (text, _) in _ANSWERS.items()
            ),
            {"code": "protocol", "display": "Protocol", "definition": "Id of the protocol of exercise."},
            *(_concept(quantity) for quantity in _observed()),
        ]
    else:
        answer["concept"] = [
            {"code": f"{name}.{word}", "display": _words(word), "definition": f"{text}: {_words(word)}."}
            for name, (text, words) in _ANSWERS.items()
            for word in words
        ]
    answer["count"] = len(answer["concept"])
    return answer


def _observed() -> Iterator[Quantity]:
    seen: set[str] = set()
    for quantity in (
        *of_kind("result"),
        *(QUANTITIES[key] for key in OF_VISIT),
        *of_kind("measurement"),
    ):
        if quantity.key not in seen:
            seen.add(quantity.key)
            yield quantity


def _concept(quantity: Quantity) -> dict[str, Any]:
    properties = [{"code": "unit", "valueString": _unit_code(quantity)}]
    if quantity.loinc is not None:
        properties.append({"code": "loinc", "valueString": quantity.loinc})
    return {
        "code": quantity.key,
        "display": quantity.label,
        "definition": f"{quantity.label} ({quantity.symbol}), in {quantity.unit or _unit_code(quantity)}.",
        "property": properties,
    }


def _words(code: str) -> str:
    return code.replace("_", " ")


def _instant(at: datetime) -> str:
    return at.isoformat(timespec="seconds" if not at.microsecond else "milliseconds")


def _unit_code(quantity: Quantity) -> str:
    # Heart rate is "/min" among the vital signs of FHIR; the beats are an annotation, and no other unit.
    return "/min" if quantity.ucum == "{beats}/min" else quantity.ucum


def _amount(quantity: Quantity, value: float) -> dict[str, Any]:
    code = _unit_code(quantity)
    return {"value": value, "unit": quantity.unit or code, "system": UCUM, "code": code}


def _absent(code: str, reason: str | None) -> dict[str, Any]:
    return {"coding": [{"system": _ABSENT, "code": code}], "text": reason or "No reason is recorded."}


@dataclass(frozen=True, slots=True)
class _Codes:
    """Codes of LOINC and of our own as CodeableConcepts."""

    base_url: str

    def own(self, code: str, text: str) -> dict[str, Any]:
        system = code_system_url("exercise-test", self.base_url)
        return {"coding": [{"system": system, "code": code, "display": text}], "text": text}

    def answer(self, field_name: str, word: str) -> dict[str, Any]:
        system = code_system_url("exercise-test-answer", self.base_url)
        coding = {"system": system, "code": f"{field_name}.{word}", "display": _words(word)}
        return {"coding": [coding], "text": _words(word)}

    def of(self, quantity: Quantity, *, with_loinc: bool = True) -> dict[str, Any]:
        answer = self.own(quantity.key, quantity.label)
        if with_loinc:
            codes = [code for code in (quantity.loinc, _WIDER.get(quantity.key)) if code is not None]
            answer["coding"] = [*(_loinc(code) for code in codes), *answer["coding"]]
        return answer


def _loinc(code: str) -> dict[str, Any]:
    coding = {"system": LOINC, "code": code}
    return coding | ({"display": _LOINC_TEXTS[code]} if code in _LOINC_TEXTS else {})


def _patient(person: FhirPerson, base_url: str) -> dict[str, Any]:
    # The id is unique by itself; a laboratory's code is so only beside the laboratory's address.
    ids: list[dict[str, Any]] = [{"system": name_of("identifier", "subject"), "value": person.subject_id}]
    code: dict[str, Any] = {"type": {"text": "code in the laboratory"}, "value": person.code}
    if base_url:
        code["system"] = f"{base_url.rstrip('/')}/fhir/identifier/subject-code"
    answer: dict[str, Any] = {
        "resourceType": "Patient",
        "identifier": [*ids, code],
        "gender": person.sex or "unknown",
    }
    if person.birth is not None:
        answer["birthDate"] = (
            f"{person.birth:04d}" if isinstance(person.birth, int) else person.birth.isoformat()
        )
    name: dict[str, Any] = {}
    if person.family_name is not None:
        name["family"] = person.family_name
    if person.given_name is not None:
        name["given"] = [person.given_name]
    if name:
        answer["name"] = [name]
    return answer


def _observation(
    code: dict[str, Any], subject: dict[str, Any], at: datetime, *, status: str, category: str
) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "status": status,
        "category": [{"coding": [{"system": _CATEGORIES, "code": category}]}],
        "code": code,
        "subject": subject,
        "effectiveDateTime": _instant(at),
    }


def _of_visit(visit: FhirVisit, subject: dict[str, Any], codes: _Codes) -> list[tuple[str, dict[str, Any]]]:
    told = []
    for key in dict.fromkeys((*OF_VISIT, *(quantity.key for quantity in of_kind("measurement")))):
        value = visit.values.get(key)
        if value is None or key in _PRESSURES:
            continue
        quantity = QUANTITIES[key]
        category = "vital-signs" if key in _VITAL else "exam"
        one = _observation(codes.of(quantity), subject, visit.at, status="final", category=category)
        one["valueQuantity"] = _amount(quantity, value)
        if key == "body_mass_kg":
            one["method"] = {"text": visit.body_mass_source or "source not recorded"}
        told.append((name_of("Observation", visit.visit_id, key), one))
    pressures = {key: visit.values.get(key) for key in _PRESSURES}
    if any(value is not None for value in pressures.values()):
        code = codes.own(_PRESSURE, "Resting blood pressure")
        code["coding"].insert(0, _loinc(_PRESSURE_PANEL))
        one = _observation(code, subject, visit.at, status="final", category="vital-signs")
        one["component"] = [
            {"code": codes.of(QUANTITIES[key])}
            | (
                {"dataAbsentReason": _absent("not-performed", "It was not recorded at the visit.")}
                if value is None
                else {"valueQuantity": _amount(QUANTITIES[key], value)}
            )
            for key, value in pressures.items()
        ]
        told.append((name_of("Observation", visit.visit_id, _PRESSURE), one))
    return told


def _of_test(
    test: FhirTest, visit: FhirVisit, bouts: Sequence[FhirTest], subject: dict[str, Any], codes: _Codes
) -> list[tuple[str, dict[str, Any]]]:
    observations: list[tuple[str, dict[str, Any]]] = []
    if test.document is not None and test.status in _OBSERVATION_STATUS:
        told = [*_results(test), *_of_tester(test)]
        links = _Links(test, visit, bouts, {one.quantity.key for one in told})
        observations = [(links.name(one), _result(one, test, visit, links, subject, codes)) for one in told]
        panel = (name_of("Observation", test.test_id, _TEST), _panel(test, observations, subject, codes))
        observations.insert(0, panel)
    report: dict[str, Any] = {
        "resourceType": "DiagnosticReport",
        "identifier": [{"system": name_of("identifier", "test"), "value": test.test_id}],
        "status": "amended" if test.amended and test.status == "complete" else _REPORT_STATUS[test.status],
        "code": codes.own(_TEST, _TEST_TEXT),
        "subject": subject,
        "effectiveDateTime": _instant(test.at),
    }
    if test.issued is not None:
        report["issued"] = _instant(test.issued)
    if observations:
        report["result"] = [{"reference": name} for name, _ in observations]
    if test.conclusion:
        report["conclusion"] = test.conclusion
    return [(name_of("DiagnosticReport", test.test_id), report), *observations]


def _panel(
    test: FhirTest,
    members: Sequence[tuple[str, dict[str, Any]]],
    subject: dict[str, Any],
    codes: _Codes,
) -> dict[str, Any]:
    """The test as a whole: how it was done and judged, what must be read first, and its results."""
    document = test.document or {}
    panel = _observation(
        codes.own(_TEST, _TEST_TEXT),
        subject,
        test.at,
        status=_OBSERVATION_STATUS[test.status],
        category="activity",
    )
    words = {
        "mode": test.mode,
        "shape": test.shape or document.get("shape"),
        "purpose": test.purpose,
        "stop_reason": test.stop_reason,
        "effort": document["effort"]["verdict"],
        "plateau": document["plateau"]["verdict"],
    }
    panel["component"] = [
        {"code": codes.own(name, _ANSWERS[name][0]), "valueCodeableConcept": codes.answer(name, word)}
        for name, word in words.items()
        if word is not None
    ]
    if test.protocol is not None:
        panel["component"].append({"code": codes.own("protocol", "Protocol"), "valueString": test.protocol})
    remarks = [one["message"] for one in document["findings"] if one["severity"] in {"error", "warning"}]
    panel["note"] = [{"text": text} for text in (*remarks, *document["cautions"])]
    panel["hasMember"] = [{"reference": name} for name, _ in members]
    return panel


@dataclass(frozen=True, slots=True)
class _Links:
    """Names of what the results of one test were worked out from."""

    test: FhirTest
    visit: FhirVisit
    bouts: Sequence[FhirTest]
    told: set[str]

    def name(self, one: _Told) -> str:
        parts = (self.test.test_id, one.quantity.key)
        return name_of("Observation", *parts, *([one.by] if one.by else []))

    def derived_from(self, one: _Told) -> list[str]:
        if one.by:
            return []
        names = []
        for key in _DERIVED.get(one.quantity.key, ()):
            if key in self.told:
                names.append(name_of("Observation", self.test.test_id, key))
            elif self.visit.values.get(key) is not None:
                names.append(name_of("Observation", self.visit.visit_id, key))
        if "verification bout" in one.method:
            names += [
                name_of("Observation", bout.test_id, one.quantity.key)
                for bout in self.bouts
                if bout.document is not None and bout.status in _OBSERVATION_STATUS
            ]
        return names


def _result(
    one: _Told,
    test: FhirTest,
    visit: FhirVisit,
    links: _Links,
    subject: dict[str, Any],
    codes: _Codes,
) -> dict[str, Any]:
    key = one.quantity.key
    # The codes of a peak are for a peak that was measured; an estimate or a part of a submaximal test is none.
    measured = one.basis == "measured" and test.purpose in {"maximal", "verification"}
    answer = _observation(
        codes.of(one.quantity, with_loinc=measured),
        subject,
        test.at,
        status=_OBSERVATION_STATUS[test.status],
        category="activity",
    )
    if test.issued is not None:
        answer["issued"] = _instant(test.issued)
    answer["method"] = {"text": f"{one.basis}: {one.method}"}
    if one.value is None:
        answer["dataAbsentReason"] = _absent(_absence(key, test), one.reason)
    else:
        answer["valueQuantity"] = _amount(one.quantity, one.value)
        if one.has_error:
            answer["note"] = [
                {
                    "text": one.reason
                    or "A finding of the test says that this value may be wrong; see the whole test."
                }
            ]
        if key in UPTAKES:
            answer["component"] = [_mass(visit, codes)]
        derived = links.derived_from(one)
        if derived:
            answer["derivedFrom"] = [{"reference": name} for name in derived]
    return answer


def _mass(visit: FhirVisit, codes: _Codes) -> dict[str, Any]:
    """The body mass that goes with an uptake."""
    quantity, value = QUANTITIES["body_mass_kg"], visit.values.get("body_mass_kg")
    part = {"code": codes.of(quantity)}
    if value is None:
        return part | {"dataAbsentReason": _absent("not-performed", "The visit has no body mass.")}
    return part | {"valueQuantity": _amount(quantity, value)}


def _absence(key: str, test: FhirTest) -> str:
    if test.status == "recording":
        return "temp-unknown"
    if key in _NOTED:
        return "not-performed"
    return "not-applicable" if key in _LOADS else "unknown"


def _results(test: FhirTest) -> Iterator[_Told]:
    """Every result of the registry: from the index, else from the analysis, else why there is none."""
    document = test.document or {}
    scale = (document.get("maxima") or {}).get("rpe_scale")
    for quantity in of_kind("result"):
        indexed = test.indexed.get(quantity.key)
        value, reason, basis, method = _in_document(document, quantity.key)
        error = False
        if indexed is not None:
            value, basis, error = indexed.value, indexed.basis, indexed.has_error
            method = _words(indexed.method)
            if indexed.effective_window_s is not None:
                method += f", window {indexed.effective_window_s:g} s"
            errors = [one["message"] for one in document["findings"] if one["severity"] == "error"]
            reason = " ".join(errors) or None
        if quantity.key == "rpe_max" and scale is not None:
            method += f", scale {scale}"
        yield _Told(quantity, value, reason, basis, method, error)


def _in_document(document: Mapping[str, Any], key: str) -> tuple[float | None, str | None, str, str]:
    """Value, reason, basis and method of a result as the analysis has them."""
    if key not in _PLACES:
        return None, "The analysis does not have it.", "measured", "not found"
    place, name = _PLACES[key]
    basis = document["peak"]["basis"] if place == "peak" else document["basis"]
    if place in {"vt1", "vt2"}:
        agreed = next(
            (
                one
                for one in document["thresholds"]
                if (one["threshold"], one["method"]) == (place, "consensus")
            ),
            None,
        )
        if agreed is None:
            return None, document["reasons"].get("thresholds"), basis, "consensus"
        return agreed[name], agreed["reason"], basis, "consensus"
    part: Mapping[str, Any] = document[place]
    value = part.get(name)
    reason = (part.get("reasons") or {}).get(name) or part.get("reason")
    if place == "slopes":
        found: Mapping[str, Any] = next((one for one in part.get("items", ()) if one["name"] == key), {})
        return value, found.get("reason") or reason, basis, found.get("method", "least squares")
    if place == "peak":
        method = _words(part["convention"] or "as given")
        window = part["effective_window_s"]
    else:
        method = "from the end of exercise" if place == "recovery" else "highest in exercise"
        window = (part.get("windows_s") or {}).get(name)
    return value, reason, basis, method + (f", window {window:g} s" if window is not None else "")


def _of_tester(test: FhirTest) -> Iterator[_Told]:
    """Thresholds that the tester set, beside those that were computed."""
    for one in (test.document or {})["thresholds"]:
        key = f"{one['threshold']}_vo2_ml_min"
        if one["method"] == "tester" and one["vo2_ml_min"] is not None and key in QUANTITIES:
            yield _Told(
                QUANTITIES[key], one["vo2_ml_min"], None, "measured", "set by the tester", by="tester"
            )
