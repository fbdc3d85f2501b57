"""Which key may do what: a table made of the routes of the service, so that a new route without an entry fails."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi.routing import APIRoute

from service.app import ROUTERS

# The statuses of a request that names records of the record at large ("all") and with no body, by who asks: a reader,
# a tester, an admin, and a tester's key limited to another subject. A write with no or an empty body comes as far as
# 415 or 422 where the key allows it: nothing is changed, so that one record serves the whole table.
READ, WRITE, ABSENT = 200, 422, 404
TABLE: dict[tuple[str, str], tuple[int, int, int, int]] = {
    ("GET", "/v1/subjects"): (200, 200, 200, 200),
    ("POST", "/v1/subjects"): (403, 422, 422, 403),
    ("GET", "/v1/subjects/{subject_id}"): (200, 200, 200, 404),
    ("PATCH", "/v1/subjects/{subject_id}"): (403, 422, 422, 404),
    ("DELETE", "/v1/subjects/{subject_id}"): (403, 409, 409, 404),
    ("POST", "/v1/subjects/{subject_id}/visits"): (403, 422, 422, 404),
    ("GET", "/v1/subjects/{subject_id}/visits"): (200, 200, 200, 404),
    ("GET", "/v1/visits/{visit_id}"): (200, 200, 200, 404),
    ("PATCH", "/v1/visits/{visit_id}"): (403, 422, 422, 404),
    ("DELETE", "/v1/visits/{visit_id}"): (403, 409, 409, 404),
    ("PUT", "/v1/visits/{visit_id}/measurements"): (403, 422, 422, 404),
    ("GET", "/v1/visits/{visit_id}/pre-test"): (200, 200, 200, 404),
    ("PUT", "/v1/visits/{visit_id}/pre-test"): (403, 422, 422, 404),
    ("GET", "/v1/protocols"): (200, 200, 200, 200),
    ("POST", "/v1/protocols"): (403, 422, 422, 403),
    ("GET", "/v1/protocols/{protocol_id}"): (200, 200, 200, 200),
    ("POST", "/v1/protocols/propose"): (422, 422, 422, 422),
    ("POST", "/v1/visits/{visit_id}/tests"): (403, 422, 422, 404),
    ("GET", "/v1/visits/{visit_id}/tests"): (200, 200, 200, 404),
    ("POST", "/v1/visits/{visit_id}/imports"): (403, 422, 422, 404),
    ("GET", "/v1/import-templates"): (200, 200, 200, 200),
    ("GET", "/v1/import-templates/{name}"): (200, 200, 200, 200),
    ("GET", "/v1/tests/{test_id}"): (200, 200, 200, 404),
    ("PATCH", "/v1/tests/{test_id}"): (403, 422, 422, 404),
    ("DELETE", "/v1/tests/{test_id}"): (403, 409, 409, 404),
    ("GET", "/v1/tests/{test_id}/intervals"): (200, 200, 200, 404),
    ("PUT", "/v1/tests/{test_id}/intervals"): (403, 422, 422, 404),
    ("POST", "/v1/tests/{test_id}/intervals"): (403, 422, 422, 404),
    ("GET", "/v1/tests/{test_id}/stage-notes"): (200, 200, 200, 404),
    ("PUT", "/v1/tests/{test_id}/stage-notes"): (403, 422, 422, 404),
    ("POST", "/v1/tests/{test_id}/stage-notes"): (403, 422, 422, 404),
    ("GET", "/v1/tests/{test_id}/recording"): (200, 200, 200, 404),
    ("GET", "/v1/tests/{test_id}/events"): (200, 200, 200, 404),
    ("POST", "/v1/tests/{test_id}/marks"): (403, 422, 422, 404),
    ("GET", "/v1/tests/{test_id}/exclusions"): (200, 200, 200, 404),
    ("PUT", "/v1/tests/{test_id}/exclusions"): (403, 422, 422, 404),
    ("GET", "/v1/tests/{test_id}/calibrations"): (200, 200, 200, 404),
    ("PUT", "/v1/tests/{test_id}/calibrations"): (403, 422, 422, 404),
    ("GET", "/v1/tests/{test_id}/thresholds"): (200, 200, 200, 404),
    ("PUT", "/v1/tests/{test_id}/thresholds"): (403, 422, 422, 404),
    ("PUT", "/v1/tests/{test_id}/reported-results"): (403, 422, 422, 404),
    ("GET", "/v1/tests/{test_id}/reported-results"): (200, 200, 200, 404),
    ("GET", "/v1/tests/{test_id}/conclusion"): (200, 200, 200, 404),
    ("PUT", "/v1/tests/{test_id}/conclusion"): (403, 422, 422, 404),
    ("GET", "/v1/tests/{test_id}/analysis"): (200, 200, 200, 404),
    ("POST", "/v1/tests/{test_id}/analysis"): (403, 422, 422, 404),
    ("GET", "/v1/tests/{test_id}/charts/{chart}"): (200, 200, 200, 404),
    ("GET", "/v1/tests/{test_id}/report"): (200, 200, 200, 404),
    ("GET", "/v1/subjects/{subject_id}/report"): (200, 200, 200, 404),
    ("GET", "/v1/subjects/{subject_id}/trends"): (200, 200, 200, 404),
    ("GET", "/v1/subjects/{subject_id}/trends/{quantity}"): (200, 200, 200, 404),
    ("GET", "/v1/subjects/{subject_id}/trends/{quantity}/planning"): (200, 200, 200, 404),
    ("GET", "/v1/subjects/{subject_id}/comparison"): (422, 422, 422, 404),
    ("GET", "/v1/ageing-models"): (200, 200, 200, 200),
    ("POST", "/v1/subjects/{subject_id}/events"): (403, 422, 422, 404),
    ("GET", "/v1/subjects/{subject_id}/events"): (200, 200, 200, 404),
    ("POST", "/v1/events"): (403, 422, 422, 403),
    ("GET", "/v1/events"): (200, 200, 200, 403),
    ("GET", "/v1/events/{event_id}"): (200, 200, 200, 404),
    ("PATCH", "/v1/events/{event_id}"): (403, 422, 422, 404),
    ("DELETE", "/v1/events/{event_id}"): (403, 204, 404, 404),
    ("GET", "/v1/subjects/{subject_id}/fhir"): (200, 200, 200, 404),
    ("GET", "/v1/subjects/{subject_id}/access-copy"): (403, 403, 200, 403),
    ("GET", "/v1/subjects/{subject_id}/rights"): (200, 200, 200, 404),
    ("POST", "/v1/subjects/{subject_id}/consents"): (403, 422, 422, 404),
    ("POST", "/v1/subjects/{subject_id}/restriction"): (403, 422, 422, 404),
    ("POST", "/v1/subjects/{subject_id}/erasure"): (403, 403, 422, 403),
    ("GET", "/v1/norms"): (200, 200, 200, 200),
    ("POST", "/v1/norms"): (403, 422, 422, 403),
    ("GET", "/v1/norms/{norm_id}"): (200, 200, 200, 200),
    ("GET", "/v1/norms/{norm_id}/rank"): (422, 422, 422, 422),
    ("GET", "/v1/effort-rule-sets"): (200, 200, 200, 200),
    ("POST", "/v1/effort-rule-sets"): (403, 422, 422, 403),
    ("GET", "/v1/effort-rule-sets/{rule_set_id}"): (200, 200, 200, 200),
    ("DELETE", "/v1/effort-rule-sets/{rule_set_id}"): (403, 409, 409, 403),
    ("GET", "/v1/site"): (200, 200, 200, 200),
    ("PATCH", "/v1/site"): (403, 403, 422, 403),
    ("GET", "/v1/quantities"): (200, 200, 200, 200),
    ("GET", "/v1/findings"): (200, 200, 200, 200),
    ("GET", "/v1/pre-test-questions"): (200, 200, 200, 200),
    ("GET", "/v1/methods"): (200, 200, 200, 200),
    ("POST", "/v1/methods/{method_id}"): (422, 422, 422, 422),
    ("POST", "/v1/cohorts"): (403, 422, 422, 404),
    ("GET", "/v1/cohorts"): (200, 200, 200, 404),
    ("GET", "/v1/cohorts/{cohort_id}"): (200, 200, 200, 404),
    ("PATCH", "/v1/cohorts/{cohort_id}"): (403, 422, 422, 404),
    ("PUT", "/v1/cohorts/{cohort_id}/members"): (403, 422, 422, 404),
    ("DELETE", "/v1/cohorts/{cohort_id}"): (403, 409, 409, 404),
    ("GET", "/v1/cohorts/{cohort_id}/summary"): (422, 422, 422, 404),
    ("GET", "/v1/cohorts/{cohort_id}/change"): (422, 422, 422, 404),
    ("GET", "/v1/cohorts/{cohort_id}/chart"): (422, 422, 422, 404),
    ("GET", "/v1/cohorts/{cohort_id}/export"): (200, 200, 200, 404),
    ("GET", "/v1/cohorts/{cohort_id}/reliability"): (422, 422, 422, 404),
    ("GET", "/v1/reliability"): (422, 422, 422, 403),
    ("POST", "/v1/controls/measurements"): (403, 422, 422, 403),
    ("GET", "/v1/controls/measurements"): (200, 200, 200, 403),
    ("DELETE", "/v1/controls/measurements/{measurement_id}"): (403, 404, 404, 403),
    ("GET", "/v1/controls/baselines"): (200, 200, 200, 403),
    ("PUT", "/v1/controls/baselines"): (403, 422, 422, 403),
    ("GET", "/v1/controls/charts"): (200, 200, 200, 403),
    ("GET", "/v1/controls/calibrations"): (200, 200, 200, 403),
    ("GET", "/v1/typical-errors"): (200, 200, 200, 200),
    ("PUT", "/v1/typical-errors/{quantity}"): (403, 403, 422, 403),
    ("DELETE", "/v1/typical-errors/{quantity}"): (403, 403, 404, 403),
    ("GET", "/v1/changes"): (200, 200, 200, 200),
    ("GET", "/v1/audit"): (403, 403, 200, 403),
    ("GET", "/metrics"): (403, 403, 200, 403),
    ("POST", "/v1/links"): (403, 422, 422, 422),
    ("GET", "/v1/links"): (403, 200, 200, 200),
    ("DELETE", "/v1/links/{link_id}"): (403, 404, 404, 404),
    ("GET", "/v1/keys"): (403, 403, 200, 403),
    ("POST", "/v1/keys"): (403, 403, 422, 403),
    ("POST", "/v1/keys/{name:path}/rotation"): (403, 403, 422, 403),
    ("DELETE", "/v1/keys/{name:path}"): (403, 403, 404, 403),
}


def routes() -> set[tuple[str, str]]:
    return {
        (method, route.path)
        for router in ROUTERS
        for route in router.routes
        if isinstance(route, APIRoute)
        for method in route.methods
    }


@pytest.fixture
def record(laboratory) -> dict[str, str]:
    """Ids of one record of each kind."""
    return laboratory.one_of_each() | {
        "quantity": "vo2_peak_ml_min",
        "measurement_id": "nothing",
        "method_id": "acsm_walking",
        "name:path": "nobody",
        "name": "intervals",
        "link_id": "none",
    }


def ask(client: Any, method: str, path: str, record: dict[str, str]) -> int:
    address = path
    for name, value in record.items():
        address = address.replace(f"{{{name}}}", value)
    assert "{" not in address
    if path.endswith("/imports"):
        return client.request(method, address, files={"other": b""}).status_code
    # Neither an object nor a list of any route.
    body = (
        {}
        if method in {"GET", "DELETE"}
        else {"json": [7] if path.endswith(("/members", "notes")) else {"no": 1}}
    )
    return client.request(method, address, **body).status_code


def test_every_route_has_an_entry():
    assert routes() == set(TABLE)


def test_every_route_for_every_key(
    store, record, make_key, open_client, anonymous, client, reader, admin, laboratory
):
    other = laboratory.subject(code="other")
    now = datetime.now(UTC)
    limited = open_client(store, make_key(store, "limited", "tester", subject_codes=[other["code"]]))
    expiring = make_key(store, "expiring", "admin", expires_at=now + timedelta(hours=1))
    revoked = make_key(store, "revoked", "admin")
    assert admin.delete("/v1/keys/revoked").status_code == 204
    expired = open_client(store, expiring)
    assert expired.get("/v1/keys").status_code == 200
    with store.write("test") as transaction:
        transaction.session.connection().exec_driver_sql(
            "update api_key set expires_at = '2020-01-01 00:00:00.000000' where name = 'expiring'"
        )
    strangers = [anonymous, open_client(store, "ups_wrong"), expired, open_client(store, revoked)]
    askers = {"reader": reader, "tester": client, "admin": admin, "limited": limited}
    found = {
        (*route, name): ask(who, *route, record)
        for route in TABLE
        for name, who in (
            *askers.items(),
            *((f"stranger {place}", who) for place, who in enumerate(strangers)),
        )
    }
    expected = {
        (*route, name): status
        for route, statuses in TABLE.items()
        for name, status in zip(
            (*askers, *(f"stranger {place}" for place in range(len(strangers)))),
            (*statuses, *[401] * len(strangers)),
            strict=True,
        )
    }
    assert {who: status for who, status in found.items() if status != expected[who]} == {}


@pytest.mark.parametrize("header", ["", "Bearer", "Bearer ", "Basic dXBzOg==", "Token {key}", "{key}"])
def test_only_a_bearer_key_is_a_key(header, tester_key, anonymous):
    answer = anonymous.get("/v1/subjects", headers={"Authorization": header.format(key=tester_key)})
    assert answer.status_code == 401


def test_a_key_is_not_taken_from_the_address(tester_key, anonymous):
    assert anonymous.get("/v1/subjects", params={"key": tester_key}).status_code == 401
    assert anonymous.get("/v1/subjects", params={"access_token": tester_key}).status_code == 401


@pytest.mark.parametrize("path", ["/v1", "/v1/nothing", "/v1/subjects/x/y/z"])
def test_what_is_not_there_is_not_told_to_strangers(path, anonymous, client):
    assert anonymous.get(path).status_code == 401
    assert client.get(path).status_code == 404


@pytest.mark.parametrize("path", ["/openapi.json", "/docs", "/guide", "/healthz", "/readyz"])
def test_public_addresses(path, anonymous):
    assert anonymous.get(path).status_code == 200


def test_names_are_for_keys_that_may_see_them(store, make_key, open_client, laboratory, reader):
    subject = laboratory.subject(given_name="Ada", family_name="Example", notes="left-handed")
    knows = open_client(store, make_key(store, "front desk", "reader", identity=True))
    address = f"/v1/subjects/{subject['id']}"
    assert knows.get(address).json() == subject
    hidden = reader.get(address).json()
    assert hidden == subject | {"given_name": None, "family_name": None, "birth_date": None, "notes": None}
    assert hidden["birth_year"] == 1990
    assert knows.get(address).headers["etag"] != reader.get(address).headers["etag"]
    # A search says nothing about a name either.
    assert len(knows.get("/v1/subjects", params={"query": "exam"}).json()["items"]) == 1
    assert reader.get("/v1/subjects", params={"query": "exam"}).json()["items"] == []
    assert len(reader.get("/v1/subjects", params={"query": subject["code"].lower()}).json()["items"]) == 1


def test_a_limited_key_has_its_subjects_and_no_others(store, make_key, open_client, laboratory):
    mine, other = laboratory.subject(), laboratory.subject()
    client = open_client(store, make_key(store, "coach", "tester", subject_codes=[mine["code"]]))
    assert [item["id"] for item in client.get("/v1/subjects").json()["items"]] == [mine["id"]]
    visit = laboratory.visit(mine["id"])
    laboratory.visit(other["id"])
    assert client.get(f"/v1/visits/{visit['id']}").status_code == 200
    assert client.patch(f"/v1/visits/{visit['id']}", json={"body_mass_kg": 80}).status_code == 200
    feed = client.get("/v1/changes").json()["items"]
    assert {item["subject_id"] for item in feed} == {mine["id"]}
    assert client.get("/v1/cohorts").status_code == 404
    assert client.get("/v1/subjects", params={"cohort": "any"}).status_code == 404


def test_making_and_revoking_keys(admin, anonymous, laboratory):
    subject = laboratory.subject()
    made = admin.post(
        "/v1/keys", json={"name": "Büro / 2. Stock", "scope": "reader", "subject_codes": [subject["code"]]}
    )
    assert made.status_code == 201
    key = made.json()["key"]
    assert key.startswith("ups_")
    assert len(key) > 40
    assert key not in admin.get("/v1/keys").text
    who = {"Authorization": f"Bearer {key}"}
    assert anonymous.get("/v1/subjects", headers=who).status_code == 200
    assert admin.delete(made.headers["location"]).status_code == 204
    assert anonymous.get("/v1/subjects", headers=who).status_code == 401
    listed = next(one for one in admin.get("/v1/keys").json()["items"] if one["name"] == "Büro / 2. Stock")
    assert listed["revoked_at"] is not None


@pytest.mark.parametrize(
    ("fields", "status"),
    [
        ({"name": "head of laboratory"}, 409),
        ({"scope": "owner"}, 422),
        ({"expires_at": "2020-01-01T00:00:00Z"}, 422),
        ({"subject_codes": ["nobody"]}, 422),
        ({"scope": "admin", "subject_codes": []}, 422),
        ({"secret": "mine"}, 422),
    ],
)
def test_keys_that_cannot_be(fields, status, admin):
    before = admin.get("/v1/keys").json()
    assert admin.post("/v1/keys", json={"name": "new", "scope": "reader", **fields}).status_code == status
    assert admin.get("/v1/keys").json() == before


def test_the_secret_of_a_key_is_not_kept_for_a_repetition(admin):
    body, headers = {"name": "once", "scope": "reader"}, {"Idempotency-Key": "one"}
    first = admin.post("/v1/keys", json=body, headers=headers)
    again = admin.post("/v1/keys", json=body, headers=headers)
    assert again.status_code == 201
    assert "key" in first.json()
    assert "key" not in again.json()
