"""Looking for people by a part of their name."""

import pytest


@pytest.mark.parametrize("query", ["élise", "ÉLISE", "Élise", "lis"])
def test_letters_beyond_ascii_are_found_in_either_case(client, query):
    client.post("/v1/subjects", json={"code": "S-1", "given_name": "Élise"})
    found = client.get("/v1/subjects", params={"query": query}).json()["items"]
    assert [one["code"] for one in found] == ["S-1"]


def test_a_reason_that_looks_like_a_formula_does_not_run_in_a_spreadsheet(client):
    subject = client.post("/v1/subjects", json={"code": "S-1"}).json()["id"]
    visit = client.post(f"/v1/subjects/{subject}/visits", json={"started_at": "2026-03-14T09:00:00Z"}).json()[
        "id"
    ]
    test = client.post(f"/v1/visits/{visit}/tests", json={"mode": "cycle"}).json()["id"]
    rows = [{"end_s": 15.0 * at, "vo2_ml_min": 1500.0} for at in range(1, 9)]
    client.put(f"/v1/tests/{test}/intervals", json={"intervals": rows})
    body = [{"seq": 3, "excluded": True, "reason": "=cmd()"}]
    assert client.put(f"/v1/tests/{test}/exclusions", json=body).status_code == 200
    table = client.get(f"/v1/tests/{test}/intervals", params={"format": "csv"}).text
    assert "'=cmd()" in table
