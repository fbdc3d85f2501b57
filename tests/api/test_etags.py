"""Strong tags by revision: 304 without computing, and no write over another's (RFC 9110, sections 8.8.3 and 13)."""

import threading
from typing import Any

import pytest


@pytest.fixture
def ids(laboratory) -> dict[str, str]:
    subject = laboratory.subject()
    visit = laboratory.visit(subject["id"])
    return {"subject": subject["id"], "visit": visit["id"], "test": laboratory.complete(visit["id"])["id"]}


READS = (
    "/v1/subjects/{subject}",
    "/v1/subjects/{subject}/visits",
    "/v1/visits/{visit}",
    "/v1/visits/{visit}/tests",
    "/v1/tests/{test}",
    "/v1/tests/{test}/intervals",
    "/v1/tests/{test}/intervals?format=csv",
    "/v1/tests/{test}/stage-notes",
    "/v1/tests/{test}/reported-results",
    "/v1/tests/{test}/analysis",
    "/v1/tests/{test}/charts/uptake",
    "/v1/tests/{test}/charts/uptake?format=svg",
    "/v1/subjects/{subject}/trends",
    "/v1/subjects/{subject}/trends/vo2_peak_ml_kg_min",
    "/v1/subjects/{subject}/trends/vo2_peak_ml_kg_min?format=csv",
    "/v1/subjects/{subject}/trends/vo2_peak_ml_kg_min?format=rows",
    "/v1/subjects/{subject}/trends/vo2_peak_ml_kg_min?format=vega",
    "/v1/subjects/{subject}/trends/vo2_peak_ml_kg_min?format=svg",
    "/v1/subjects/{subject}/trends/vo2_peak_ml_kg_min?format=png",
    "/v1/subjects/{subject}/fhir",
)


def test_reads_have_a_strong_tag_that_every_write_changes(client, ids):
    tags = {}
    for read in READS:
        address = read.format(**ids)
        first = client.get(address)
        assert first.status_code == 200
        tag = tags[read] = first.headers["etag"]
        assert tag.startswith('"')
        assert first.headers["cache-control"] == "private, no-cache"
        assert client.get(address).headers["etag"] == tag
        for given in (tag, f'"other", W/{tag}', "*"):
            answer = client.get(address, headers={"If-None-Match": given})
            assert (answer.status_code, answer.content, answer.headers["etag"]) == (304, b"", tag)
        assert client.get(address, headers={"If-None-Match": '"other"'}).status_code == 200
    assert len(set(tags.values())) == len(READS)
    client.put(f"/v1/visits/{ids['visit']}/measurements", json=[{"quantity": "waist_cm", "value": 80}])
    for read, tag in tags.items():
        address = read.format(**ids)
        assert client.get(address, headers={"If-None-Match": tag}).status_code == 200
        assert client.get(address).headers["etag"] != tag


def test_forms_and_settings_have_tags_of_their_own(client, ids):
    address = f"/v1/tests/{ids['test']}/analysis"
    tags = {
        client.get(address).headers["etag"],
        client.get(address, params={"peak_window_s": 60}).headers["etag"],
        client.get(f"/v1/tests/{ids['test']}/charts/uptake", headers={"Accept": "image/svg+xml"}).headers[
            "etag"
        ],
        client.get(f"/v1/tests/{ids['test']}/charts/uptake", headers={"Accept": "image/png"}).headers["etag"],
    }
    assert len(tags) == 4


def test_what_is_known_is_not_computed_again(client, ids, monkeypatch):
    addresses = [
        read.format(**ids) for read in READS if "analysis" in read or "trend" in read or "charts" in read
    ]
    tags = [client.get(address).headers["etag"] for address in addresses]

    def computed(*_: Any, **__: Any) -> None:
        raise AssertionError("computed")

    for name in (
        "service.analyses.workflow.analysis_of",
        "service.analyses.workflow.chart_of",
        "service.trends.workflow.trend_of",
        "service.trends.queries.quantities_of",
    ):
        monkeypatch.setattr(name, computed)
    for address, tag in zip(addresses, tags, strict=True):
        assert client.get(address, headers={"If-None-Match": tag}).status_code == 304
    with pytest.raises(AssertionError, match="computed"):
        client.get(f"/v1/tests/{ids['test']}/analysis", params={"peak_window_s": 45})


def test_loading_a_norm_changes_the_tags_of_what_is_ranked(client, ids, own_norm):
    address = f"/v1/subjects/{ids['subject']}/trends/vo2_peak_ml_kg_min"
    tag = client.get(address).headers["etag"]
    assert client.post("/v1/norms", json=own_norm()).status_code == 201
    assert client.get(address, headers={"If-None-Match": tag}).status_code == 200


WRITES: tuple[tuple[str, str, Any], ...] = (
    ("PATCH", "/v1/subjects/{subject}", {"notes": "new"}),
    ("PATCH", "/v1/visits/{visit}", {"body_mass_kg": 80}),
    ("PUT", "/v1/visits/{visit}/measurements", [{"quantity": "waist_cm", "value": 80}]),
    ("PUT", "/v1/visits/{visit}/pre-test", {"answers": []}),
    ("PATCH", "/v1/tests/{test}", {"stop_reason": "legs"}),
    ("PUT", "/v1/tests/{test}/intervals", {"intervals": [{"end_s": 15}]}),
    ("PUT", "/v1/tests/{test}/stage-notes", [{"rpe": 17}]),
    ("PUT", "/v1/tests/{test}/exclusions", [{"seq": 0, "excluded": True, "reason": "cough"}]),
    ("PUT", "/v1/tests/{test}/thresholds", [{"threshold": "vt1", "time_s": 60, "by": "a", "reason": "b"}]),
    ("PUT", "/v1/tests/{test}/calibrations", []),
    ("POST", "/v1/subjects/{subject}/visits", {"started_at": "2026-04-01T10:00:00Z"}),
    ("POST", "/v1/visits/{visit}/tests", {"mode": "cycle"}),
    ("POST", "/v1/tests/{test}/analysis", {}),
)


@pytest.mark.parametrize(("method", "path", "body"), WRITES, ids=lambda each: str(each)[:40])
def test_a_write_names_the_state_it_changes(method, path, body, client, ids):
    address = path.format(**ids)
    # A part that is written takes the tag of its parent.
    parents = {"subject": "/v1/subjects/{subject}", "visit": "/v1/visits/{visit}", "test": "/v1/tests/{test}"}
    parent = next(read for name, read in parents.items() if f"{{{name}}}" in path).format(**ids)
    before = client.get(parent)
    tag = before.headers["etag"]
    for stale in ('"other"', f"W/{tag}", tag.replace(".", ".9", 1), '""', "nonsense"):
        refused = client.request(method, address, json=body, headers={"If-Match": stale})
        assert refused.status_code == 412, stale
    assert client.get(parent).headers["etag"] == tag
    assert client.get(parent).json() == before.json()
    done = client.request(method, address, json=body, headers={"If-Match": f'"other", {tag}'})
    assert done.status_code in {200, 201}
    again = client.request(method, address, json=body, headers={"If-Match": tag})
    assert again.status_code == 412
    assert client.request(method, address, json=body, headers={"If-Match": "*"}).status_code in {200, 201}


def test_the_tag_of_another_record_is_no_leave_to_write(client, laboratory):
    one, other = laboratory.subject(), laboratory.subject()
    tag = client.get(f"/v1/subjects/{one['id']}").headers["etag"]
    answer = client.patch(f"/v1/subjects/{other['id']}", json={"notes": "x"}, headers={"If-Match": tag})
    assert answer.status_code == 412


def test_deletes_honour_if_match(client, laboratory):
    subject = laboratory.subject()
    address = f"/v1/subjects/{subject['id']}"
    assert client.delete(address, headers={"If-Match": '"other"'}).status_code == 412
    assert (
        client.delete(address, headers={"If-Match": client.get(address).headers["etag"]}).status_code == 204
    )
    assert client.get(address).status_code == 404


def test_cohorts_have_tags(client, laboratory):
    cohort = client.post("/v1/cohorts", json={"name": "study"}).json()
    address = f"/v1/cohorts/{cohort['id']}"
    tag = client.get(address).headers["etag"]
    members = [{"subject_id": laboratory.subject()["id"]}]
    assert client.put(f"{address}/members", json=members, headers={"If-Match": tag}).status_code == 200
    assert client.put(f"{address}/members", json=[], headers={"If-Match": tag}).status_code == 412
    assert client.patch(address, json={"name": "b"}, headers={"If-Match": tag}).status_code == 412
    assert client.delete(address, headers={"If-Match": tag}).status_code == 412


def test_a_site_may_want_every_change_to_name_its_state(make_store, make_key, open_client, laboratory_of):
    store = make_store(require_if_match=True)
    client = open_client(store, make_key(store, "tester", "tester"))
    laboratory = laboratory_of(client)
    address = f"/v1/subjects/{laboratory.subject()['id']}"
    assert client.patch(address, json={"notes": "x"}).status_code == 428
    assert client.delete(address).status_code == 428
    assert client.get(address).json()["notes"] is None
    tag = client.get(address).headers["etag"]
    assert client.patch(address, json={"notes": "x"}, headers={"If-Match": tag}).status_code == 200


def test_of_two_writers_on_one_state_one_is_refused(store, tester_key, open_client, laboratory, client, ids):
    """Both pass the first look at the tag, and meet at the write."""
    address = f"/v1/visits/{ids['visit']}"
    tag = client.get(address).headers["etag"]
    barrier = threading.Barrier(2)
    answers = []

    def write(mass: float) -> None:
        own = open_client(store, tester_key)
        barrier.wait()
        answers.append(own.patch(address, json={"body_mass_kg": mass}, headers={"If-Match": tag}))

    writers = [threading.Thread(target=write, args=(mass,)) for mass in (70.0, 80.0)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert sorted(answer.status_code for answer in answers) == [200, 412]
    won = next(answer.json() for answer in answers if answer.status_code == 200)
    assert client.get(address).json() == won
    mass = laboratory.trend(ids["subject"], "body_mass_kg")["series"][0]["points"][0]["value"]
    assert mass == won["body_mass_kg"]


def test_writers_that_name_no_state_both_get_through(store, tester_key, open_client, client, ids, laboratory):
    """One that was overtaken while it computed computes again."""
    barrier = threading.Barrier(2)
    answers = []

    def write(address: str, body: dict[str, Any]) -> None:
        own = open_client(store, tester_key)
        barrier.wait()
        answers.append(own.patch(address, json=body).status_code)

    writers = [
        threading.Thread(target=write, args=(f"/v1/visits/{ids['visit']}", {"body_mass_kg": 60.0})),
        threading.Thread(target=write, args=(f"/v1/tests/{ids['test']}", {"stop_reason": "tester"})),
    ]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert answers == [200, 200]
    analysis = laboratory.analysis(ids["test"])
    assert analysis["peak"]["vo2_ml_kg_min"] == pytest.approx(analysis["peak"]["vo2_ml_min"] / 60.0)
    assert analysis["effort"]["verdict"] == "submaximal"
