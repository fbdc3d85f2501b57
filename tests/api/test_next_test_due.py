"""When the next test of a person is due: set by a tester, or the site's interval after the last test."""

import pytest


@pytest.fixture
def interval(admin):
    def set_days(days):
        assert admin.patch("/v1/site", json={"retest_interval_days": days}).status_code == 200

    return set_days


def due(client, subject):
    return client.get(f"/v1/subjects/{subject['id']}").json()["next_test_due"]


def test_a_date_of_a_tester_comes_before_the_interval_of_the_site(client, laboratory, rows, interval):
    subject = laboratory.subject()
    assert subject["next_test_due"]["due_on"] is None
    assert "no complete test" in due(client, subject)["reason"]
    visit = laboratory.visit(subject["id"], started_at="2026-03-14T23:30:00-05:00")
    laboratory.complete(visit["id"], rows(3300.0))
    assert "no interval" in due(client, subject)["reason"]
    tag = client.get(f"/v1/subjects/{subject['id']}").headers["etag"]
    interval(180)
    assert client.get(f"/v1/subjects/{subject['id']}").headers["etag"] != tag
    # 180 days after the date in the visit's own offset.
    assert due(client, subject) == {
        "due_on": "2026-09-10",
        "set_by": "site_interval",
        "last_test_on": "2026-03-14",
        "reason": None,
    }
    changed = client.patch(f"/v1/subjects/{subject['id']}", json={"next_test_due_on": "2026-05-01"}).json()
    assert changed["next_test_due_on"] == "2026-05-01"
    assert (due(client, subject)["due_on"], due(client, subject)["set_by"]) == ("2026-05-01", "tester")
    assert laboratory.trend(subject["id"])["next_test_due"] == due(client, subject)
    back = client.patch(f"/v1/subjects/{subject['id']}", json={"next_test_due_on": None}).json()
    assert back["next_test_due"]["set_by"] == "site_interval"


def test_a_new_subject_may_bring_its_date(laboratory):
    subject = laboratory.subject(next_test_due_on="2026-05-01")
    assert subject["next_test_due"]["due_on"] == "2026-05-01"


@pytest.mark.parametrize("wrong", ["2026-02-30", "soon", 20260501, "0001-01-01"])
def test_a_date_that_is_none_is_refused(client, laboratory, wrong):
    subject = laboratory.subject()
    assert client.patch(f"/v1/subjects/{subject['id']}", json={"next_test_due_on": wrong}).status_code == 422


def test_a_void_test_does_not_count(client, laboratory, rows, interval):
    interval(30)
    subject = laboratory.subject()
    visit = laboratory.visit(subject["id"])
    test = laboratory.complete(visit["id"], rows(3300.0))
    assert due(client, subject)["due_on"] == "2026-04-13"
    answer = client.patch(f"/v1/tests/{test['id']}", json={"status": "void"})
    assert answer.status_code == 200, answer.text
    assert due(client, subject)["due_on"] is None


def test_the_list_of_those_who_are_due(client, laboratory, rows, interval):
    named = {
        "set early": laboratory.subject(next_test_due_on="2026-04-01"),
        "set late": laboratory.subject(next_test_due_on="2026-08-01"),
        "tested": laboratory.subject(),
        "tested, set late": laboratory.subject(next_test_due_on="2026-12-01"),
        "never": laboratory.subject(),
    }
    for name in ("tested", "tested, set late"):
        laboratory.complete(laboratory.visit(named[name]["id"])["id"], rows(3300.0))
    names = {subject["id"]: name for name, subject in named.items()}

    def before(day, **query):
        items = client.get("/v1/subjects", params={"due_before": day, **query}).json()["items"]
        return {names[item["id"]] for item in items}

    assert before("2026-06-01") == {"set early"}
    interval(60)  # 2026-03-14 and 60 days: 2026-05-13
    assert before("2026-05-13") == {"set early"}
    assert before("2026-05-14") == {"set early", "tested"}
    assert before("2027-01-01") == set(named) - {"never"}
    assert before("2027-01-01", query=named["tested"]["code"]) == {"tested"}
    first = client.get("/v1/subjects", params={"due_before": "2027-01-01", "limit": 3}).json()
    assert len(first["items"]) == 3
    rest = client.get(
        "/v1/subjects", params={"due_before": "2027-01-01", "limit": 3, "cursor": first["next"]}
    ).json()
    assert (len(rest["items"]), rest["next"]) == (1, None)
    assert client.get("/v1/subjects", params={"due_before": "2026-02-30"}).status_code == 422
    assert client.get("/v1/subjects", params={"due_before": "soon"}).status_code == 422
