"""The OpenAPI document: valid, complete, and true of what is answered."""

from typing import Any

import pytest
from fastapi.routing import APIRoute
from jsonschema import Draft202012Validator
from openapi_spec_validator import validate

from service.app import ROUTERS


@pytest.fixture(scope="module")
def document(shared_app) -> dict[str, Any]:
    return shared_app.openapi()


def test_it_is_valid(document):
    validate(document)


def test_every_route_is_in_it(document):
    routes = {
        (method.lower(), route.path_format)
        for router in ROUTERS
        for route in router.routes
        if isinstance(route, APIRoute)
        for method in route.methods
    }
    described = {(method, path) for path, operations in document["paths"].items() for method in operations}
    assert routes <= described
    assert {path for _, path in described - routes} == {
        "/healthz",
        "/readyz",
        "/fhir/CodeSystem/{name}",
        "/links/{token}",
    }


def test_every_operation_has_a_name_a_sentence_and_its_problems(document):
    names = []
    for path, operations in document["paths"].items():
        for operation in operations.values():
            names.append(operation["operationId"])
            assert operation["description"], path
            if path.startswith("/v1"):
                assert operation["security"] == [{"key": []}]
                for status in ("401", "403", "404", "409", "412", "413", "415", "422", "429"):
                    kinds = operation["responses"][status]["content"]
                    assert list(kinds) == ["application/problem+json"]
    assert len(set(names)) == len(names)


def schema_of(document: dict[str, Any], path: str, method: str, status: str) -> dict[str, Any]:
    kind = "application/json" if status.startswith("2") else "application/problem+json"
    schema = document["paths"][path][method]["responses"][status]["content"][kind]["schema"]
    return schema | {"components": document["components"]}


#: What some addresses cannot be asked without, by the last part of the address.
NEEDED = {
    "rank": {"value": 40},
    "summary": {"quantity": "vo2_peak_ml_min"},
    "change": {"quantity": "vo2_peak_ml_min", "from": "1", "to": "2", "members": "true"},
    "reliability": {"quantity": "vo2_peak_ml_min"},
}


def test_answers_are_as_described(document, client, laboratory):
    subject = laboratory.subject()
    visit = laboratory.visit(subject["id"], round="1")
    test = laboratory.complete(visit["id"])
    client.post(f"/v1/tests/{test['id']}/stage-notes", json=[{"stage": 1, "rpe": 9}])
    other = laboratory.complete(
        laboratory.visit(subject["id"], round="2", started_at="2026-04-14T09:30:00+02:00")["id"]
    )
    needed = NEEDED | {"comparison": {"first": test["id"], "second": other["id"]}}
    cohort = client.post("/v1/cohorts", json={"name": "study"}).json()
    client.put(f"/v1/cohorts/{cohort['id']}/members", json=[{"subject_id": subject["id"]}])
    happened = {"kind": "illness", "started_on": "2026-03-20", "title": "a cold"}
    event = client.post(f"/v1/subjects/{subject['id']}/events", json=happened).json()
    values = {
        "{subject_id}": subject["id"],
        "{event_id}": event["id"],
        "{visit_id}": visit["id"],
        "{test_id}": test["id"],
        "{cohort_id}": cohort["id"],
        "{protocol_id}": "bruce",
        "{norm_id}": "friend_2015_treadmill",
        "{rule_set_id}": "default",
        "{quantity}": "vo2_peak_ml_min",
    }
    checked = 0
    for path, operations in document["paths"].items():
        described = operations.get("get", {}).get("responses", {}).get("200", {}).get("content", {})
        schema = described.get("application/json", {}).get("schema")
        if not schema or not path.startswith("/v1") or path in {"/v1/keys", "/v1/audit"}:  # an admin's
            continue
        address = path
        for name, value in values.items():
            address = address.replace(name, value)
        answer = client.get(address, params=needed.get(path.rsplit("/", 1)[1]))
        assert answer.status_code == 200, (address, answer.text)
        Draft202012Validator(schema_of(document, path, "get", "200")).validate(answer.json())
        checked += 1
    assert checked > 20
    problem = client.get("/v1/subjects/none")
    Draft202012Validator(schema_of(document, "/v1/subjects/{subject_id}", "get", "404")).validate(
        problem.json()
    )
