"""Whatever is sent, the service answers with a status of the contract, and never fails."""

import base64
import json
import re
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

ALLOWED = {200, 201, 204, 304, 400, 404, 405, 406, 409, 412, 413, 415, 422}

SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-3, 300),
    st.integers(),
    st.floats(),
    st.text(max_size=12),
    st.sampled_from(
        [
            "",
            "\x00",
            "\ud800",
            "2026-03-14",
            "2026-03-14T09:30:00+01:00",
            "0000-00-00",
            "9" * 400,
            "NaN",
            "male",
            "cycle",
            "ramp",
        ]
    ),
    st.sampled_from([2**63, -(2**63), 10**400, 1e308, 5e-324, float("nan"), float("inf")]),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@pytest.fixture
def record(client, laboratory) -> dict[str, str]:
    subject = laboratory.subject()
    visit = laboratory.visit(subject["id"])
    cohort = client.post("/v1/cohorts", json={"name": "study"}).json()
    return {
        "subject_id": subject["id"],
        "visit_id": visit["id"],
        "test_id": laboratory.complete(visit["id"])["id"],
        "cohort_id": cohort["id"],
        "protocol_id": "bruce",
        "norm_id": "friend_2015_treadmill",
        "rule_set_id": "default",
        "quantity": "vo2_peak_ml_kg_min",
        "chart": "uptake",
        "method_id": "acsm_walking",
        "name": "nobody",
        "link_id": "none",
        "measurement_id": "none",
        "event_id": "none",
    }


def resolved(schema: dict[str, Any], document: dict[str, Any]) -> dict[str, Any]:
    if "$ref" in schema:
        return resolved(document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]], document)
    return schema


def near(schema: dict[str, Any], document: dict[str, Any], depth: int = 0) -> st.SearchStrategy[Any]:
    """Values that are nearly what the schema wants: of its shape, with some parts of any kind."""
    schema = resolved(schema, document)
    if "anyOf" in schema:
        return st.one_of(*(near(each, document, depth) for each in schema["anyOf"]))
    if "enum" in schema:
        return st.sampled_from(schema["enum"]) | SCALARS
    match schema.get("type"):
        case "object" if "properties" in schema and depth < 4:
            return st.fixed_dictionaries(
                {name: near(schema["properties"][name], document, depth + 1) for name in schema.get("required", [])},
                optional={name: near(inner, document, depth + 1) for name, inner in schema["properties"].items()
                          if name not in schema.get("required", [])},
            )  # fmt: skip
        case "array" if isinstance(schema.get("items"), dict) and depth < 4:
            return st.lists(near(schema["items"], document, depth + 1), max_size=4)
        case "number":
            return st.floats(0, 400, allow_nan=False) | st.integers(0, 300) | SCALARS
        case "integer":
            return st.integers(0, 30) | SCALARS
        case "string" if schema.get("format") == "date":
            return st.dates().map(str) | SCALARS
        case "string" if schema.get("format") == "date-time":
            return st.datetimes().map(lambda at: f"{at.isoformat(timespec='seconds')}+01:00") | SCALARS
        case "string":
            return st.text(min_size=1, max_size=9) | SCALARS
    return VALUES


def test_no_request_makes_the_service_fail(client, record):
    document = client.get("/openapi.json").json()
    operations = [
        (method, path, operation)
        for path, methods in sorted(document["paths"].items())
        for method, operation in sorted(methods.items())
        if path.startswith("/v1")
    ]

    @settings(max_examples=250, deadline=None, suppress_health_check=list(HealthCheck))
    @given(data=st.data())
    def ask(data: Any) -> None:
        method, path, operation = data.draw(st.sampled_from(operations))
        address = re.sub(
            r"\{(\w+)\}",
            lambda name: (
                record[name[1]]
                if data.draw(st.sampled_from([True] * 11 + [False]))
                else data.draw(st.sampled_from(["none", "%00", "%ff", "a%2Fb", "ü"]))
            ),
            path,
        )
        parameters = [one["name"] for one in operation.get("parameters", []) if one["in"] == "query"]
        query = {}
        if parameters and data.draw(st.booleans()):
            name = data.draw(st.sampled_from(parameters))
            value = data.draw(SCALARS)
            query[name] = str(value).encode("utf-8", "replace").decode()
        body = operation.get("requestBody", {}).get("content", {})
        headers, content = {}, None
        if "application/json" in body:
            wanted = near(body["application/json"]["schema"], document)
            value = data.draw(wanted) if data.draw(st.integers(0, 4)) else data.draw(VALUES)
            headers = {"Content-Type": "application/json"}
            content = json.dumps(value).encode()
        if method == "delete" and path.startswith("/v1/subjects"):
            return
        answer = client.request(method.upper(), address, params=query, headers=headers, content=content)
        of_admins = path.startswith(
            ("/v1/keys", "/v1/audit", "/v1/site", "/v1/typical-errors")
        ) or path.endswith(("/export", "/access-copy", "/erasure"))
        expected = ALLOWED | {403} if of_admins else ALLOWED
        assert answer.status_code in expected, (method, address, query, content, answer.text)
        if answer.status_code >= 400:
            assert answer.headers["content-type"] == "application/problem+json"

    ask()


@given(
    text=st.text(max_size=60)
    | st.lists(SCALARS, max_size=3).map(
        lambda key: base64.urlsafe_b64encode(json.dumps(key).encode()).decode()
    )
)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_cursor_makes_the_service_fail(text, client):
    answer = client.get("/v1/subjects", params={"cursor": text.encode("utf-8", "replace").decode()})
    assert answer.status_code in {200, 422}


@given(
    header=st.sampled_from(
        ["If-Match", "If-None-Match", "Idempotency-Key", "Accept", "Authorization", "Content-Type"]
    ),
    value=st.binary(max_size=40).map(lambda raw: bytes(sign for sign in raw if sign not in b"\r\n\x00")),
)
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_header_makes_the_service_fail(header, value, client):
    for method, path in (
        ("GET", "/v1/subjects"),
        ("POST", "/v1/subjects"),
        ("GET", "/v1/subjects/x/trends/vo2_peak_ml_min"),
    ):
        answer = client.request(
            method, path, headers={header: value}, content=b"{" if method == "POST" else None
        )
        assert answer.status_code in ALLOWED | {401}
