"""Lists: parts that join without gap or double, under writes that come between."""

import base64
import json
from typing import Any

import pytest


def walk(client: Any, address: str, between: Any = None, **query: Any) -> list[dict[str, Any]]:
    """All items, by the `Link` header."""
    items: list[dict[str, Any]] = []
    answer = client.get(address, params=query)
    for _ in range(100):
        assert answer.status_code == 200, answer.text
        part = answer.json()
        assert set(part) == {"items", "next"}
        items += part["items"]
        if part["next"] is None:
            assert "link" not in answer.headers
            return items
        assert len(part["items"]) == query["limit"]
        assert answer.links["next"]["url"].startswith(address)
        if between is not None:
            between()
        answer = client.get(answer.links["next"]["url"])
    raise AssertionError("the list does not end")


def test_subjects_under_inserts(client, laboratory):
    codes = [f"m{number:02}" for number in range(7)]
    for code in codes:
        laboratory.subject(code=code)
    inserted = iter(["a-before", "m03-between", "z-after", "zz-after"])

    def insert() -> None:
        if (code := next(inserted, None)) is not None:
            laboratory.subject(code=code)

    found = [item["code"] for item in walk(client, "/v1/subjects", insert, limit=2)]
    assert len(set(found)) == len(found)
    assert set(codes) <= set(found)
    assert found == sorted(found)


def test_codes_are_sorted_by_their_code_points(client, laboratory):
    for code in ("b", "B", "a", "é", "10", "9"):
        laboratory.subject(code=code)
    assert [item["code"] for item in walk(client, "/v1/subjects", limit=1)] == ["10", "9", "B", "a", "b", "é"]


def test_visits_of_one_instant(client, laboratory):
    subject = laboratory.subject()
    instants = [
        "2026-03-14T09:30:00+01:00",
        "2026-03-14T08:30:00Z",
        "2025-01-01T00:00:00Z",
        "2026-03-14T08:30:00.000001Z",
    ]
    made = [laboratory.visit(subject["id"], started_at=instant)["id"] for instant in instants * 2]
    found = walk(client, f"/v1/subjects/{subject['id']}/visits", limit=3)
    assert sorted(item["id"] for item in found) == sorted(made)
    assert found[0]["started_at"].startswith("2025")


def test_cohorts(client):
    names = [client.post("/v1/cohorts", json={"name": f"c{number}"}).json()["name"] for number in range(5)]
    assert [item["name"] for item in walk(client, "/v1/cohorts", limit=2)] == names


def test_intervals(client, laboratory, rows):
    test = laboratory.complete(laboratory.visit(laboratory.subject()["id"])["id"])
    found = walk(client, f"/v1/tests/{test['id']}/intervals", limit=25)
    assert [item["seq"] for item in found] == list(range(len(rows())))
    assert [item["end_s"] for item in found] == [row["end_s"] for row in rows()]
    assert all(item["excluded"] is None for item in found)
    assert len(
        client.get(f"/v1/tests/{test['id']}/intervals", params={"limit": 5000}).json()["items"]
    ) == len(found)
    assert client.get(f"/v1/tests/{test['id']}/intervals", params={"limit": 5001}).status_code == 422
    # A table comes whole, whatever the limit of a part is.
    table = client.get(f"/v1/tests/{test['id']}/intervals", params={"format": "csv", "limit": 1})
    assert table.headers["content-type"] == "text/csv; charset=utf-8"
    assert len(table.text.splitlines()) == len(found) + 1
    assert table.headers["etag"]


def test_intervals_as_parquet(client, laboratory, rows):
    import io

    import pyarrow.parquet as pq

    test = laboratory.complete(laboratory.visit(laboratory.subject()["id"])["id"])
    answer = client.get(
        f"/v1/tests/{test['id']}/intervals", headers={"Accept": "application/vnd.apache.parquet"}
    )
    table = pq.read_table(io.BytesIO(answer.content))
    assert table["vo2_ml_min"].to_pylist() == [row["vo2_ml_min"] for row in rows()]
    assert set(table["peto2_mmhg"].to_pylist()) == {None}


@pytest.mark.parametrize(
    "address",
    ["/v1/norms", "/v1/methods", "/v1/quantities", "/v1/protocols", "/v1/findings", "/v1/pre-test-questions"],
)
def test_catalogues_come_whole(address, client):
    answer = client.get(address).json()
    assert answer["next"] is None
    assert len(answer["items"]) > 4
    assert client.get(address, params={"limit": 1}).status_code == 422


def test_a_cursor_belongs_to_its_list_and_filters(client, laboratory):
    for _ in range(3):
        laboratory.subject()
    cursor = client.get("/v1/subjects", params={"limit": 1}).json()["next"]
    assert client.get("/v1/subjects", params={"limit": 2, "cursor": cursor}).status_code == 200
    assert client.get("/v1/subjects", params={"query": "S", "cursor": cursor}).status_code == 422
    assert client.get("/v1/cohorts", params={"cursor": cursor}).status_code == 422


@pytest.mark.parametrize(
    "key", [None, 7, [], [None], [{}], [[1]], ["\ud800"], [2**70], [1.5], [True, 2], ["x", 2**70], "abc"]
)
def test_cursors_made_by_hand(key, client, laboratory):
    """The filters of a cursor are no secret, so its key may be anything."""
    subject = laboratory.subject()
    for _ in range(2):
        laboratory.subject()
        laboratory.visit(subject["id"])
        client.post("/v1/cohorts", json={"name": str(_)})
    test = laboratory.planned(laboratory.visit(subject["id"])["id"])
    client.put(f"/v1/tests/{test['id']}/intervals", json={"intervals": [{"end_s": 1}, {"end_s": 2}]})
    for address in (
        "/v1/subjects",
        "/v1/cohorts",
        f"/v1/subjects/{subject['id']}/visits",
        f"/v1/tests/{test['id']}/intervals",
    ):
        cursor = client.get(address, params={"limit": 1}).json()["next"]
        filters, _ = json.loads(base64.urlsafe_b64decode(cursor + "=="))
        forged = base64.urlsafe_b64encode(json.dumps([filters, key]).encode()).decode().rstrip("=")
        answer = client.get(address, params={"limit": 1, "cursor": forged})
        assert answer.status_code == 422, (address, answer.text)


def test_fifty_is_a_part_where_nothing_is_said(client):
    for number in range(51):
        client.post("/v1/cohorts", json={"name": f"c{number}"})
    assert len(client.get("/v1/cohorts").json()["items"]) == 50


def test_a_search_takes_signs_as_they_are(client, laboratory):
    for code in ("100%", "1000", "a_b", "axb", "back\\slash"):
        laboratory.subject(code=code)

    def found(query: str) -> list[str]:
        return [item["code"] for item in client.get("/v1/subjects", params={"query": query}).json()["items"]]

    assert found("100%") == ["100%"]
    assert found("a_b") == ["a_b"]
    assert found("k\\s") == ["back\\slash"]
    assert found("A") == ["a_b", "axb", "back\\slash"]


def test_subjects_of_a_cohort(client, laboratory):
    inside, _ = laboratory.subject(), laboratory.subject()
    cohort = client.post("/v1/cohorts", json={"name": "study"}).json()
    put = client.put(
        f"/v1/cohorts/{cohort['id']}/members",
        json=[{"subject_id": inside["id"], "arm": "training", "joined_on": "2026-01-01"}],
    )
    assert put.json()["members"][0]["arm"] == "training"
    listed = client.get("/v1/subjects", params={"cohort": cohort["id"]}).json()["items"]
    assert [item["id"] for item in listed] == [inside["id"]]
    assert client.get("/v1/subjects", params={"cohort": "none"}).status_code == 404
    twice = [{"subject_id": inside["id"]}] * 2
    assert client.put(f"/v1/cohorts/{cohort['id']}/members", json=twice).status_code == 422
    assert client.put(f"/v1/cohorts/{cohort['id']}/members", json=[{"subject_id": "no"}]).status_code == 422
    assert client.get(f"/v1/cohorts/{cohort['id']}").json()["members"] == put.json()["members"]
    assert client.delete(f"/v1/cohorts/{cohort['id']}").json()["holds"] == {"members": 1}
