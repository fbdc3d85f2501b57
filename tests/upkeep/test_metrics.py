"""Numbers for whoever runs the service, read by another library's parser."""

import pytest
from prometheus_client.parser import text_string_to_metric_families
from starlette.testclient import TestClient

from service.app import create_app
from tests.api.conftest import Laboratory


@pytest.fixture
def numbers(store, admin_key, tester_key):
    """A service of its own, since numbers are of one service; its numbers by name and labels."""
    client = TestClient(create_app(store.settings, store), headers={"Authorization": f"Bearer {tester_key}"})

    def read():
        answer = client.get("/metrics", headers={"Authorization": f"Bearer {admin_key}"})
        assert answer.status_code == 200, answer.text
        assert answer.headers["content-type"].startswith("text/plain")
        return {
            (sample.name, *(sample.labels[name] for name in sorted(sample.labels))): sample.value
            for family in text_string_to_metric_families(answer.text)
            for sample in family.samples
        }

    return client, read


def test_requests_are_counted_by_pattern_and_status(numbers):
    client, read = numbers
    person = Laboratory(client).subject()
    for _ in range(3):
        client.get(f"/v1/subjects/{person['id']}")
    client.get("/v1/subjects/nobody")
    client.get("/nothing/of/the/kind")
    found = read()
    assert found["upslope_requests_total", "GET", "/v1/subjects/{subject_id}", "200"] == 3
    assert found["upslope_requests_total", "GET", "/v1/subjects/{subject_id}", "404"] == 1
    assert found["upslope_requests_total", "GET", "unknown", "404"] == 1
    assert found["upslope_request_seconds_count", "GET", "/v1/subjects/{subject_id}"] == 4
    assert found["upslope_requests_open",] == 1  # the one that asks
    assert found["upslope_people",] == 1
    assert found["upslope_database_bytes",] > 10_000


def test_no_id_and_no_name_is_in_them(numbers):
    client, read = numbers
    person = Laboratory(client).subject(code="Qvx-1", given_name="Wilma")
    client.get(f"/v1/subjects/{person['id']}", params={"a": "Wilma"})
    client.get("/Wilma")
    told = str(read())
    assert all(word not in told for word in ("Qvx-1", "Wilma", person["id"], "tester"))


def test_a_method_that_there_is_not_is_one_name(numbers):
    client, read = numbers
    for method in ("BREW", "WHEN", "TRACE"):
        client.request(method, "/v1/subjects")
    assert {name[1] for name in read() if name[0] == "upslope_requests_total"} <= {"GET", "POST", "other"}
