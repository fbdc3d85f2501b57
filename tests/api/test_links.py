"""Links to one chart: no key is needed to follow one, nothing else is reached, and each ends in time or at once."""

import hashlib
import re
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

import pytest
import structlog

from service.app import configure_logging
from tests.api.conftest import everything

QUANTITY = "vo2_peak_ml_kg_min"


@pytest.fixture
def person(laboratory, rows):
    """A person with a name and two tests."""
    subject = laboratory.subject(code="KX-31", given_name="Ottoline", family_name="Quell", notes="private")
    tests = []
    for started_at, peak in (("2024-03-14T09:30:00+01:00", 3300.0), ("2026-03-14T09:30:00+01:00", 3700.0)):
        visit = laboratory.visit(subject["id"], started_at=started_at, tester="Dr Marsh")
        tests.append(laboratory.complete(visit["id"], rows(peak), notes="private")["id"])
    return subject["id"], tests


@pytest.fixture
def trend_address(person) -> str:
    return f"/v1/subjects/{person[0]}/trends/{QUANTITY}"


@pytest.fixture
def chart_address(person) -> str:
    return f"/v1/tests/{person[1][0]}/charts/uptake"


def made(client, address: str, **fields: Any) -> dict[str, Any]:
    answer = client.post("/v1/links", json={"address": address, **fields})
    assert answer.status_code == 201, answer.text
    return answer.json()


def path_of(link: dict[str, Any]) -> str:
    return urlsplit(link["url"]).path


def in_light(picture: bytes) -> bytes:
    """A picture without the rules by which it is dark on a dark screen; whoever embeds a link has a page of their own."""
    return re.sub(rb"<style>@media screen and \(prefers-color-scheme:dark\).*?</style>", b"", picture)


def refused(client, **body: Any) -> dict[str, Any]:
    answer = client.post("/v1/links", json=body)
    assert answer.status_code == 422, answer.text
    return answer.json()


@pytest.mark.parametrize("form", ["svg", "png"])
def test_it_shows_exactly_that_chart(form, client, anonymous, trend_address, chart_address):
    for address in (
        trend_address,
        chart_address,
        f"{trend_address}?mode=treadmill&to=2025-01-01&include=all",
    ):
        joined = f"{address}{'&' if '?' in address else '?'}format={form}"
        link = made(client, joined)
        shown = anonymous.get(path_of(link))
        drawn = client.get(joined)
        assert (shown.status_code, shown.headers["content-type"]) == (200, drawn.headers["content-type"])
        assert shown.content == in_light(drawn.content)


def test_it_shows_the_chart_as_it_is_now(client, anonymous, laboratory, rows, person, trend_address):
    link = made(client, trend_address)
    before = anonymous.get(path_of(link)).content
    visit = laboratory.visit(person[0], started_at="2026-09-14T09:30:00+02:00")
    laboratory.complete(visit["id"], rows(3900.0))
    after = anonymous.get(path_of(link)).content
    assert after != before
    assert after == in_light(client.get(trend_address, params={"format": "svg"}).content)


def test_the_answer_tells_all_and_is_kept_nowhere(client, store, anonymous, person, trend_address):
    link = made(client, f"{trend_address}?to=2030-01-01&mode=treadmill", days=3)
    token = path_of(link).removeprefix("/links/")
    # 256 random bits, 43 signs of base64.
    assert re.fullmatch(r"[\w-]{43}", token)
    assert link["address"] == f"{trend_address}?format=svg&mode=treadmill&to=2030-01-01"
    assert link["subject_id"] == person[0]
    left = datetime.fromisoformat(link["expires_at"]) - datetime.now(UTC)
    assert timedelta(days=2, hours=23) < left <= timedelta(days=3)
    held = everything(store)
    assert token not in held
    assert hashlib.sha256(token.encode()).hexdigest() in held
    (listed,) = client.get("/v1/links").json()["items"]
    assert listed == {name: value for name, value in link.items() if name != "url"}


def test_nothing_is_kept_shown_or_told_on(client, anonymous, trend_address):
    shown = anonymous.get(path_of(made(client, trend_address)))
    assert shown.headers["cache-control"] == "no-store"
    assert shown.headers["referrer-policy"] == "no-referrer"
    assert shown.headers["x-robots-tag"] == "noindex"
    assert shown.headers["x-content-type-options"] == "nosniff"
    assert "default-src 'none'" in shown.headers["content-security-policy"]
    assert "etag" not in shown.headers
    assert "set-cookie" not in shown.headers


def test_no_name_is_in_the_picture(client, anonymous, person, trend_address):
    subject_id, (test_id, _) = person
    charts = ("uptake", "v_slope", "ventilatory_equivalents", "heart_rate", "rer", "substrate", "lactate")
    for address in (trend_address, *(f"/v1/tests/{test_id}/charts/{chart}" for chart in charts)):
        picture = anonymous.get(path_of(made(client, address))).text
        assert picture.startswith("<svg")
        for secret in ("Ottoline", "Quell", "KX-31", "Marsh", "1990-06", "private", subject_id, test_id):
            assert secret not in picture, (address, secret)


def test_what_happened_to_the_person_is_not_in_the_picture(client, anonymous, person, trend_address):
    event = {"kind": "illness", "started_on": "2025-02-01", "title": "Fever after Ottoline's trip"}
    made_event = client.post(f"/v1/subjects/{person[0]}/events", json=event)
    assert made_event.status_code == 201, made_event.text
    assert "Fever" in str(client.get(trend_address).json()["events"])
    picture = anonymous.get(path_of(made(client, trend_address)))
    assert picture.status_code == 200
    assert "Fever" not in picture.text
    assert "illness" not in picture.text


def test_what_it_opens_is_that_chart_alone(client, anonymous, person, trend_address):
    path = path_of(made(client, trend_address))
    token = path.removeprefix("/links/")
    assert (
        anonymous.get(path, params={"format": "png", "mode": "cycle"}).headers["content-type"]
        == "image/svg+xml"
    )
    for address in (trend_address, f"/v1/subjects/{person[0]}", "/v1/links"):
        assert anonymous.get(address, headers={"Authorization": f"Bearer {token}"}).status_code == 401
        assert anonymous.get(address, params={"token": token}).status_code == 401
    assert anonymous.get(f"{path}/..").status_code == 404
    assert anonymous.post(path).status_code == 405
    # A key is neither needed nor looked at.
    assert anonymous.get(path, headers={"Authorization": "Bearer wrong"}).status_code == 200


def gone(anonymous, link: dict[str, Any]) -> dict[str, Any]:
    answer = anonymous.get(path_of(link))
    assert answer.status_code == 410
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["type"].endswith("#link-ended")
    return answer.json()


def test_it_ends_in_time(client, store, anonymous, trend_address):
    soon = datetime.now(UTC) + timedelta(hours=1)
    link = made(client, trend_address, expires_at=soon.isoformat())
    assert datetime.fromisoformat(link["expires_at"]) == soon
    assert anonymous.get(path_of(link)).status_code == 200
    with store.write("test") as transaction:
        transaction.session.connection().exec_driver_sql(
            "update signed_link set expires_at = '2020-01-01 00:00:00.000000'"
        )
    gone(anonymous, link)


def test_it_can_be_ended_at_once(client, anonymous, trend_address):
    link, other = made(client, trend_address), made(client, trend_address)
    assert path_of(link) != path_of(other)
    for _ in range(2):
        assert client.delete(f"/v1/links/{link['id']}").status_code == 204
    gone(anonymous, link)
    assert anonymous.get(path_of(other)).status_code == 200
    assert [one["revoked_at"] is None for one in client.get("/v1/links").json()["items"]] == [False, True]


def test_it_ends_with_the_key_that_made_it(
    client, admin, store, anonymous, make_key, open_client, trend_address
):
    first = made(client, trend_address)
    short = open_client(store, make_key(store, "short", "tester"))
    second = made(short, trend_address)
    assert admin.delete("/v1/keys/tester").status_code == 204
    gone(anonymous, first)
    assert anonymous.get(path_of(second)).status_code == 200
    with store.write("test") as transaction:
        transaction.session.connection().exec_driver_sql(
            "update api_key set expires_at = '2020-01-01 00:00:00.000000' where name = 'short'"
        )
    gone(anonymous, second)


def test_it_ends_where_the_key_no_longer_covers_the_person(
    store, anonymous, make_key, open_client, trend_address
):
    limited = open_client(store, make_key(store, "limited", "tester", subject_codes=["KX-31"]))
    link = made(limited, trend_address)
    assert anonymous.get(path_of(link)).status_code == 200
    with store.write("test") as transaction:
        transaction.session.connection().exec_driver_sql("delete from api_key_subject")
    gone(anonymous, link)


def test_it_goes_with_the_person(store, client, anonymous, trend_address):
    link = made(client, trend_address)
    with store.write("test") as transaction:
        transaction.session.connection().exec_driver_sql("delete from subject")
    assert anonymous.get(path_of(link)).status_code == 404


@pytest.mark.parametrize("token", ["x", "a" * 43, "%00", "ü", "a" * 5000])
def test_a_token_that_there_is_not(token, anonymous):
    assert anonymous.get(f"/links/{token}").status_code == 404


def test_a_limited_key_links_its_own_persons_alone(
    store, client, laboratory, make_key, open_client, person, trend_address, chart_address
):
    other = laboratory.subject(code="other")
    limited = open_client(store, make_key(store, "limited", "tester", subject_codes=["other"]))
    for address in (
        trend_address,
        chart_address,
        "/v1/subjects/none/trends/rer_max",
        "/v1/tests/none/charts/rer",
    ):
        answers = [one.post("/v1/links", json={"address": address}) for one in (limited,)]
        assert [answer.status_code for answer in answers] == [404]
        assert "does not cover it" in answers[0].json()["detail"]
    assert made(limited, f"/v1/subjects/{other['id']}/trends/rer_max")["created_by"] == "limited"
    assert client.get("/v1/links").json()["items"] == []


def test_a_reader_makes_none(reader, trend_address):
    # A reader reads; to show a chart to the world is a decision about the record.
    assert reader.post("/v1/links", json={"address": trend_address}).status_code == 403


def test_each_key_has_its_own_links_and_an_admin_all(
    client, admin, store, make_key, open_client, trend_address
):
    second = open_client(store, make_key(store, "second", "tester"))
    own, others = made(client, trend_address), made(second, trend_address)
    assert [one["id"] for one in client.get("/v1/links").json()["items"]] == [own["id"]]
    assert [one["id"] for one in admin.get("/v1/links").json()["items"]] == [own["id"], others["id"]]
    assert client.delete(f"/v1/links/{others['id']}").status_code == 404
    assert admin.delete(f"/v1/links/{others['id']}").status_code == 204


def test_lists_come_in_parts(client, trend_address):
    ids = [made(client, trend_address)["id"] for _ in range(5)]
    seen, address = [], "/v1/links?limit=2"
    while address:
        answer = client.get(address)
        seen += [one["id"] for one in answer.json()["items"]]
        address = answer.links.get("next", {}).get("url")
    assert seen == ids


@pytest.mark.parametrize(
    ("tail", "told"),
    [
        ("trends/nothing", "names no quantity"),
        ("trends", "not that of a chart"),
        ("", "not that of a chart"),
        ("trends/rer_max?format=csv", "format"),
        ("trends/rer_max?format=vega", "format"),
        ("trends/rer_max?mode=flying", "mode"),
        ("trends/rer_max?from=2024-02-31", "from"),
        ("trends/rer_max?since=2024-02-01", "since"),
        ("trends/rer_max?colour=red", "colour"),
        ("trends/rer_max?expected_from=last", "expected_from"),
        ("trends/rer_max?mode=cycle&mode=row", "twice"),
        ("trends/rer_max?mode", "cannot be read"),
        ("trends/rer_max#top", "no #"),
        ("trends/../../keys", "not that of a chart"),
    ],
)
def test_an_address_that_is_no_charts(tail, told, client, person):
    problem = refused(client, address=f"/v1/subjects/{person[0]}/{tail}")
    assert told in problem["detail"]
    assert problem["errors"][0]["location"] == "body.address"
    assert client.get("/v1/links").json()["items"] == []


@pytest.mark.parametrize("host", ["http://127.0.0.1:8000", "//board.example", "http://[x"])
def test_an_address_with_a_host(host, client, trend_address):
    refused(client, address=f"{host}{trend_address}")


def test_a_chart_that_a_test_has_not(client, person):
    assert "a test has uptake" in refused(client, address=f"/v1/tests/{person[1][0]}/charts/none")["detail"]
    refused(client, address=f"/v1/tests/{person[1][0]}/charts/uptake?mode=cycle")
    refused(client, address=f"/v1/tests/{person[1][0]}/analysis")


def test_a_table_that_there_is_not(client, trend_address):
    assert client.post("/v1/links", json={"address": f"{trend_address}?norm=none"}).status_code == 404
    assert "no model of ageing" in refused(client, address=f"{trend_address}?expected=none")["detail"]


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"days": 0}, "greater than or equal to 1"),
        ({"days": 91}, "more than the 90 days"),
        ({"days": 10**12}, "more than the 90 days"),
        ({"days": 1.5}, "integer"),
        ({"days": 1, "expires_at": "2030-01-01T00:00:00Z"}, "not both"),
        ({"expires_at": "2020-01-01T00:00:00Z"}, "in the past"),
        ({"expires_at": "2199-01-01T00:00:00Z"}, "more than the 90 days ahead"),
        ({"expires_at": "2030-01-01"}, "offset"),
        ({"until": "2030-01-01"}, "Extra inputs"),
    ],
)
def test_an_end_that_cannot_be(fields, told, client, trend_address):
    assert told in str(refused(client, address=trend_address, **fields))


def test_the_site_says_how_long(make_store, make_key, open_client, trend_address):
    store = make_store(link_days=2, base_url="https://lab.example/")
    client = open_client(store, make_key(store, "short site", "tester"))
    link = made(client, trend_address)
    assert link["url"].startswith("https://lab.example/links/")
    left = datetime.fromisoformat(link["expires_at"]) - datetime.now(UTC)
    assert timedelta(days=1, hours=23) < left <= timedelta(days=2)
    refused(client, address=trend_address, days=3)


def test_it_cannot_be_made_to_outlive_its_key(store, make_key, open_client, trend_address):
    end = datetime.now(UTC) + timedelta(days=2)
    client = open_client(store, make_key(store, "guest", "tester", expires_at=end))
    assert "ends with its key" in refused(client, address=trend_address, days=3)["detail"]
    assert "ends with its key" in refused(client, address=trend_address)["detail"]
    made(client, trend_address, days=1)


def test_it_is_no_change_of_the_record_but_stands_in_the_audit(client, admin, person, trend_address):
    tag = client.get(f"/v1/subjects/{person[0]}").headers["etag"]
    feed = client.get("/v1/changes", params={"limit": 500}).json()
    link = made(client, trend_address)
    client.delete(f"/v1/links/{link['id']}")
    assert client.get(f"/v1/subjects/{person[0]}").headers["etag"] == tag
    assert client.get("/v1/changes", params={"limit": 500}).json() == feed
    told = admin.get("/v1/changes", params={"limit": 500}).json()["items"]
    assert [(one["kind"], one["id"], one["action"]) for one in told][-2:] == [
        ("link", link["id"], "created"),
        ("link", link["id"], "deleted"),
    ]


def test_a_repeated_wish_makes_one_link_and_does_not_tell_the_token_again(client, trend_address):
    headers = {"Idempotency-Key": "one"}
    first = client.post("/v1/links", json={"address": trend_address}, headers=headers)
    again = client.post("/v1/links", json={"address": trend_address}, headers=headers)
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json()["id"] == again.json()["id"]
    assert "url" not in again.json()
    assert len(client.get("/v1/links").json()["items"]) == 1


def test_the_token_is_not_in_the_log(client, anonymous, capfd, trend_address, monkeypatch):
    link = made(client, trend_address)
    token = path_of(link).removeprefix("/links/")
    configure_logging("info")
    try:
        anonymous.get(path_of(link))
        client.delete(f"/v1/links/{link['id']}")
        anonymous.get(path_of(link))
        anonymous.get(f"/links/{token}x")
        anonymous.get(f"/links/{token}/more")
        # A failure of ours is logged with its trace.
        monkeypatch.setattr("service.links.routes.workflow.drawn", lambda *_: 1 / 0)
        quiet = type(anonymous)(anonymous.app, raise_server_exceptions=False)
        assert quiet.get(path_of(link)).status_code == 500
    finally:
        configure_logging("error")
    logged = capfd.readouterr().err
    assert logged.count("/links/{token}") >= 4
    assert "ZeroDivisionError" in logged
    assert token not in logged
    assert structlog.is_configured()
