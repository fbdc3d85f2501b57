"""FHIR over HTTP: who sees what, tags, media types, and the codes that anybody may read."""

from datetime import UTC, datetime

import pytest
import sqlalchemy as sa

from service.db.models import Conclusion, ExerciseTest


@pytest.fixture
def person(client, laboratory, rows):
    """A person with a name, a complete test, one being recorded, one planned and one void."""
    subject = laboratory.subject(code="S-77", given_name="Ottoline", family_name="Quell")
    visit = laboratory.visit(subject["id"], resting_heart_rate_bpm=60)
    ids = {"complete": laboratory.complete(visit["id"], rows())["id"]}
    ids["planned"] = laboratory.planned(visit["id"])["id"]
    ids["recording"] = laboratory.planned(visit["id"])["id"]
    client.post(f"/v1/tests/{ids['recording']}/intervals", json={"intervals": rows()[:20]})
    ids["void"] = laboratory.complete(visit["id"], rows())["id"]
    client.patch(f"/v1/tests/{ids['void']}", json={"status": "void"})
    return subject["id"], ids


def reports(bundle):
    return {
        entry["resource"]["identifier"][0]["value"]: entry["resource"]
        for entry in bundle["entry"]
        if entry["resource"]["resourceType"] == "DiagnosticReport"
    }


def test_every_test_has_a_report_of_its_status(client, person):
    from fhir.resources.R4B.bundle import Bundle

    subject_id, ids = person
    answer = client.get(f"/v1/subjects/{subject_id}/fhir")
    assert answer.headers["content-type"] == "application/fhir+json"
    bundle = answer.json()
    Bundle.model_validate(bundle)
    statuses = {test_id: report["status"] for test_id, report in reports(bundle).items()}
    assert statuses == {
        ids["complete"]: "final",
        ids["planned"]: "registered",
        ids["recording"]: "partial",
        ids["void"]: "entered-in-error",
    }
    by_status = {one["status"] for one in (e["resource"] for e in bundle["entry"]) if "category" in one}
    assert by_status == {"final", "preliminary"}
    assert "result" not in reports(bundle)[ids["void"]]
    # The instant of the state that is told is the last change, so that the same state is the same bytes.
    assert client.get(f"/v1/subjects/{subject_id}/fhir").content == answer.content


def test_names_only_for_who_may_see_them(client, reader, person):
    subject_id, _ = person
    address = f"/v1/subjects/{subject_id}/fhir"
    seen, coded = client.get(address), reader.get(address)
    assert "Ottoline" in seen.text
    assert "1990-06-15" in seen.text
    for secret in ("Ottoline", "Quell", "1990-06-15"):
        assert secret not in coded.text
    assert coded.json()["entry"][0]["resource"]["birthDate"] == "1990"
    assert seen.headers["etag"] != coded.headers["etag"]


def test_a_conclusion_is_told_to_who_may_see_names_and_an_amendment_is_said(store, client, reader, person):
    subject_id, ids = person
    at = datetime(2026, 3, 15, 8, 0, tzinfo=UTC)
    with store.write("test") as transaction:
        session = transaction.session
        pk = session.scalars(
            sa.select(ExerciseTest.id).where(ExerciseTest.public_id == ids["complete"])
        ).one()
        for version, text in ((1, "First view."), (2, "Second view.")):
            session.add(Conclusion(test_id=pk, version=version, text=text, author="M.", signed_at=at, at=at))
    report = reports(client.get(f"/v1/subjects/{subject_id}/fhir").json())[ids["complete"]]
    assert (report["status"], report["conclusion"]) == ("amended", "Second view.")
    coded = reports(reader.get(f"/v1/subjects/{subject_id}/fhir").json())[ids["complete"]]
    assert (coded["status"], "conclusion" in coded) == ("amended", False)


def test_its_tag_is_its_own_and_an_unchanged_record_is_not_sent_again(client, laboratory, person):
    subject_id, _ = person
    address = f"/v1/subjects/{subject_id}/fhir"
    tag = client.get(address).headers["etag"]
    assert tag != client.get(f"/v1/subjects/{subject_id}").headers["etag"]
    again = client.get(address, headers={"If-None-Match": tag})
    assert (again.status_code, again.content) == (304, b"")
    laboratory.visit(subject_id, started_at="2026-04-14T09:30:00+02:00")
    assert client.get(address, headers={"If-None-Match": tag}).status_code == 200


@pytest.mark.parametrize(
    ("accept", "status"),
    [
        ("application/fhir+json", 200),
        ("application/json", 200),
        ("application/fhir+json;fhirVersion=4.0", 200),
        ("*/*", 200),
        ("application/fhir+xml", 406),
        ("text/csv", 406),
    ],
)
def test_forms(accept, status, client, person):
    answer = client.get(f"/v1/subjects/{person[0]}/fhir", headers={"Accept": accept})
    assert answer.status_code == status
    if status == 200:
        assert answer.headers["content-type"] == "application/fhir+json"


def test_a_limited_key_gets_its_own_subjects_alone(store, make_key, open_client, laboratory, person):
    other = laboratory.subject(code="other")
    limited = open_client(store, make_key(store, "limited", "reader", subject_codes=["S-77"]))
    assert limited.get(f"/v1/subjects/{person[0]}/fhir").status_code == 200
    assert limited.get(f"/v1/subjects/{other['id']}/fhir").status_code == 404


def test_a_person_without_a_test_is_a_bundle_too(client, laboratory):
    from fhir.resources.R4B.bundle import Bundle

    subject = laboratory.subject()
    bundle = client.get(f"/v1/subjects/{subject['id']}/fhir").json()
    Bundle.model_validate(bundle)
    assert [entry["resource"]["resourceType"] for entry in bundle["entry"]] == ["Patient"]


def test_anybody_may_read_the_codes(anonymous, client, person):
    answer = client.get(f"/v1/subjects/{person[0]}/fhir")
    systems = {coding["system"] for coding in answer.json()["entry"][-1]["resource"]["code"]["coding"]}
    read = anonymous.get("/fhir/CodeSystem/exercise-test")
    assert read.status_code == 200
    assert read.headers["content-type"] == "application/fhir+json"
    assert read.json()["url"] in systems
    assert "LOINC" in read.json()["copyright"]
    assert anonymous.get("/fhir/CodeSystem/exercise-test-answer").status_code == 200
    missing = anonymous.get("/fhir/CodeSystem/none")
    assert missing.status_code == 404
    assert missing.headers["content-type"] == "application/problem+json"
