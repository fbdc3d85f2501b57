"""The one shape of every error: problem details as RFC 9457 has them."""

import json
from typing import Any

import pytest

from service import errors
from service.errors import Place, UpslopeError
from service.http.problems import FRAMEWORK, problem_of, status_of


def kinds(kind: type[UpslopeError] = UpslopeError) -> list[type[UpslopeError]]:
    """The tree of `service.errors`; kinds that other modules add are told on the command line alone."""
    below = [each for child in kind.__subclasses__() for each in kinds(child)]
    return [kind, *below] if kind.__module__ == errors.__name__ else below


def has_the_shape(answer: Any, status: int, path: str) -> dict[str, Any]:
    """Members of RFC 9457 (section 3.1), and `errors` with a place each."""
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert {"type", "title", "status", "detail", "instance", "errors"} <= set(problem)
    assert problem["status"] == status
    assert problem["instance"] == path
    assert problem["type"].partition("#")[0] == "/guide/errors"
    assert problem["title"]
    assert problem["detail"]
    for place in problem["errors"]:
        assert {"location", "message"} <= set(place) <= {"location", "message", "value", "row", "column"}
        assert place["message"]
    return problem


@pytest.mark.parametrize("kind", kinds(), ids=lambda kind: kind.__name__)
def test_every_kind_of_error_has_its_shape_and_its_address(kind, anonymous):
    error = kind("What is wrong.", (Place("body.sex", "is not known", value="x", row=3, column="Sex"),))
    made = problem_of(error, base_url="", instance="/v1/subjects")
    problem = json.loads(bytes(made.body))
    assert made.media_type == "application/problem+json"
    assert made.status_code == problem["status"] == status_of(error)
    assert problem["errors"] == [
        {"location": "body.sex", "message": "is not known", "value": "x", "row": 3, "column": "Sex"}
    ]
    page = anonymous.get(problem["type"].partition("#")[0])
    assert page.status_code == 200
    assert f'id="{kind.slug}"' in page.text


@pytest.mark.parametrize("slug", [slug for slug, _ in FRAMEWORK.values()])
def test_errors_of_the_framework_have_an_address_in_the_guide(slug, anonymous):
    assert f'id="{slug}"' in anonymous.get("/guide/errors").text


def test_each_kind_has_a_slug_of_its_own():
    slugs = [kind.slug for kind in kinds()]
    assert len(set(slugs)) == len(slugs)


STATUSES = {
    errors.Unauthenticated: 401,
    errors.Forbidden: 403,
    errors.NotFound: 404,
    errors.Conflict: 409,
    errors.DuplicateCode: 409,
    errors.FileAlreadyImported: 409,
    errors.HoldsData: 409,
    errors.IntervalNotAfterLast: 409,
    errors.Gone: 410,
    errors.StaleRevision: 412,
    errors.TooLarge: 413,
    errors.UnsupportedMediaType: 415,
    errors.InvalidContent: 422,
    errors.RefusedFile: 422,
    errors.KeyReused: 422,
    errors.PreconditionRequired: 428,
    errors.TooManyRequests: 429,
    errors.UnreadableBody: 400,
    UpslopeError: 500,
}


@pytest.mark.parametrize(
    ("kind", "status"), STATUSES.items(), ids=lambda each: getattr(each, "__name__", each)
)
def test_each_kind_has_its_status(kind, status):
    assert status_of(kind("")) == status


def test_base_url_makes_the_address_absolute(make_store, open_client):
    client = open_client(make_store(base_url="https://record.example"))
    assert client.get("/v1/subjects").json()["type"].startswith("https://record.example/guide/errors#")


def test_what_requests_get(client, reader, anonymous, laboratory):
    """One real request for each status that a request can have."""
    subject = laboratory.subject()
    visit = laboratory.visit(subject["id"])
    address = f"/v1/subjects/{subject['id']}"
    unauthenticated = anonymous.get(address)
    has_the_shape(unauthenticated, 401, address)
    assert unauthenticated.headers["www-authenticate"].startswith("Bearer")
    has_the_shape(reader.patch(address, json={"sex": None}), 403, address)
    has_the_shape(client.get("/v1/subjects/none"), 404, "/v1/subjects/none")
    has_the_shape(client.get("/v1/nothing"), 404, "/v1/nothing")
    has_the_shape(client.get("/nothing"), 404, "/nothing")
    not_allowed = client.put("/v1/subjects", json={})
    has_the_shape(not_allowed, 405, "/v1/subjects")
    assert not_allowed.headers["allow"]
    trend = f"{address}/trends/vo2_peak_ml_min"
    has_the_shape(client.get(trend, headers={"Accept": "application/pdf"}), 406, trend)
    has_the_shape(client.post("/v1/subjects", json={"code": subject["code"]}), 409, "/v1/subjects")
    held = has_the_shape(client.delete(address), 409, address)
    assert held["holds"] == {"visits": 1, "tests": 0, "control_measurements": 0, "events": 0}
    has_the_shape(client.patch(address, json={}, headers={"If-Match": '"x"'}), 412, address)
    has_the_shape(client.patch(address, content="sex=male"), 415, address)
    broken = has_the_shape(
        client.post("/v1/subjects", content='{"code": ', headers={"Content-Type": "application/json"}),
        400,
        "/v1/subjects",
    )
    assert broken["type"].endswith("#unreadable-body")
    unknown = has_the_shape(
        client.post("/v1/subjects", json={"code": "a", "colour": "red"}), 422, "/v1/subjects"
    )
    assert unknown["errors"][0]["location"] == "body.colour"
    refused = laboratory.upload(visit["id"], b"%PDF-1.7 not a table")
    has_the_shape(refused, refused.status_code, f"/v1/visits/{visit['id']}/imports")


def test_what_fails_in_the_service_says_nothing_of_it(store, tester_key, open_client, monkeypatch):
    def fail(*_: object, **__: object) -> None:
        raise RuntimeError("a secret of the inside")

    monkeypatch.setattr("service.subjects.queries.listed", fail)
    answer = open_client(store, tester_key, raise_server_exceptions=False).get("/v1/subjects")
    has_the_shape(answer, 500, "/v1/subjects")
    assert "secret" not in answer.text


def test_rate_limits(make_store, make_key, open_client):
    store = make_store(auth_failures_per_minute=3, requests_per_minute=4)
    key = make_key(store, "one", "reader")
    client, stranger = open_client(store, key), open_client(store, "ups_wrong")
    statuses = [stranger.get("/v1/subjects").status_code for _ in range(4)]
    assert statuses == [401, 401, 401, 429]
    # A valid key is never refused for another's failures; its own limit is its own.
    answers = [client.get("/v1/subjects") for _ in range(5)]
    assert [answer.status_code for answer in answers] == [200] * 4 + [429]
    has_the_shape(answers[-1], 429, "/v1/subjects")
    assert 1 <= int(answers[-1].headers["retry-after"]) <= 61
