"""The service speaks to no other machine: every attempt to reach one fails here, and the whole job is done all the same."""

import socket

import pytest

from tests.api.conftest import step_test


@pytest.fixture
def alone(monkeypatch):
    """No name is looked up and nothing is connected to but this machine; what was tried."""
    tried: list[str] = []
    connect, look_up = socket.socket.connect, socket.getaddrinfo

    def only_here(one: socket.socket, address):
        if one.family != socket.AF_UNIX and address[0] not in {"127.0.0.1", "::1"}:
            tried.append(str(address))
            raise OSError("no network here")
        return connect(one, address)

    def no_names(host, *rest, **more):
        if host not in {"127.0.0.1", "::1", "localhost", None}:
            tried.append(str(host))
            raise OSError("no names here")
        return look_up(host, *rest, **more)

    monkeypatch.setattr(socket.socket, "connect", only_here)
    monkeypatch.setattr(socket, "getaddrinfo", no_names)
    return tried


def test_the_block_blocks(alone):
    with pytest.raises(OSError, match="no names"):
        socket.create_connection(("upslope.example.org", 80))
    with pytest.raises(OSError, match="no network"), socket.socket() as one:
        one.connect(("192.0.2.1", 80))
    assert alone == ["upslope.example.org", "('192.0.2.1', 80)"]


def test_the_whole_job_is_done_without_a_connection(
    alone, client, admin, laboratory, open_client, store, tester_key
):
    person = laboratory.subject()
    for day in ("2026-01-05", "2026-03-05"):
        visit = laboratory.visit(person["id"], started_at=f"{day}T10:00:00+01:00")
        test = laboratory.complete(visit["id"], step_test())
    cohort = client.post("/v1/cohorts", json={"name": "study"}).json()["id"]
    client.put(f"/v1/cohorts/{cohort}/members", json=[{"subject_id": person["id"]}])
    trend = f"/v1/subjects/{person['id']}/trends/vo2_peak_ml_kg_min"
    for address in (
        f"/v1/tests/{test['id']}/analysis",
        f"/v1/tests/{test['id']}/charts/uptake?format=svg",
        f"/v1/tests/{test['id']}/charts/uptake?format=png",
        f"/v1/tests/{test['id']}/report?format=pdf",
        f"/v1/tests/{test['id']}/report?format=html",
        f"/v1/tests/{test['id']}/intervals?format=parquet",
        f"{trend}?format=svg",
        f"/v1/subjects/{person['id']}/fhir",
        f"/v1/cohorts/{cohort}/export",
        "/openapi.json",
        "/docs",
        "/guide",
    ):
        answer = admin.get(address)
        assert answer.status_code == 200, (address, answer.text)
    browser = open_client(store, follow_redirects=False)
    browser.post("/sign-in", data={"key": tester_key})
    for address in ("/people", f"/people/{person['id']}", f"/tests/{test['id']}", f"/groups/{cohort}"):
        assert browser.get(address).status_code == 200, address
    assert alone == []
