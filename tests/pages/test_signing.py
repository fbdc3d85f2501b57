"""Signing in with a key, and what a session may and may not do."""

import re
from datetime import timedelta

import pytest
import sqlalchemy as sa

from service.db.models import Change, WebSession
from service.db.transactions import now
from service.http.keys import SESSION_COOKIE
from tests.api.conftest import everything


def form_token(browser):
    return re.search(r'name="form_token" value="([0-9a-f]+)"', browser.get("/people").text).group(1)


def test_a_page_without_a_session_leads_to_signing_in_and_back(browser, tester_key):
    one = browser()
    answer = one.get("/people?query=A%26B")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/sign-in?next=%2Fpeople%3Fquery%3DA%2526B"
    form = one.get(answer.headers["location"])
    assert 'name="next" value="/people?query=A%26B"' in form.text
    after = one.post("/sign-in", data={"key": tester_key, "next": "/people?query=A%26B"})
    assert (after.status_code, after.headers["location"]) == (303, "/people?query=A%26B")
    assert one.get("/people").status_code == 200


def test_the_cookie_is_out_of_reach_of_scripts_and_of_other_sites(browser, tester_key):
    cookie = browser().post("/sign-in", data={"key": tester_key}).headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert "Secure" not in cookie  # over plain http it would not come back
    assert tester_key not in cookie


def test_over_tls_the_cookie_is_sent_over_tls_only(store, open_client, tester_key):
    one = open_client(store, base_url="https://testserver", follow_redirects=False)
    assert "Secure" in one.post("/sign-in", data={"key": tester_key}).headers["set-cookie"]


def test_neither_token_nor_key_is_kept(browser, store, tester_key):
    token = browser(tester_key).cookies[SESSION_COOKIE]
    stored = everything(store)
    assert "web_session" in stored
    assert token not in stored
    assert tester_key not in stored


@pytest.mark.parametrize("token", [b"", b"0" * 64, b"\xe9" * 64])
def test_a_write_by_a_script_needs_the_token_of_its_page(browser, tester_key, token):
    one = browser(tester_key)
    answer = one.post("/v1/subjects", json={"code": "S-01"}, headers={b"x-form-token": token})
    assert answer.status_code == 403
    assert one.get("/v1/subjects").json()["items"] == []


@pytest.mark.parametrize("key", ["", "ups_unknown", "  "])
def test_a_wrong_key_is_refused_on_the_form(browser, key):
    answer = browser().post("/sign-in", data={"key": key})
    assert answer.status_code in {401, 422}
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize(
    "wanted", ["https://elsewhere.example/", "//elsewhere.example", "people", "/\\elsewhere", "/a\nb"]
)
def test_signing_in_leads_nowhere_else(browser, tester_key, wanted):
    answer = browser().post("/sign-in", data={"key": tester_key, "next": wanted})
    assert answer.headers["location"] == "/people"


def test_signing_out_ends_the_session_on_the_server(browser, tester_key):
    one = browser(tester_key)
    token = one.cookies[SESSION_COOKIE]
    answer = one.post("/sign-out", data={"form_token": form_token(one)})
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    one.cookies.set(SESSION_COOKIE, token)
    assert one.get("/people").status_code == 303


def test_signing_out_needs_the_form_of_this_session(browser, tester_key, reader_key):
    one, other = browser(tester_key), browser(reader_key)
    assert one.post("/sign-out", data={"form_token": form_token(other)}).status_code == 403
    assert one.post("/sign-out").status_code == 422
    assert one.get("/people").status_code == 200


def test_another_site_cannot_send_a_form(browser, tester_key):
    one = browser(tester_key)
    told = {"form_token": form_token(one)}
    for headers in ({"Sec-Fetch-Site": "cross-site"}, {"Origin": "https://elsewhere.example"}):
        assert one.post("/sign-out", data=told, headers=headers).status_code == 403
    assert (
        one.post("/sign-in", data={"key": tester_key}, headers={"Sec-Fetch-Site": "cross-site"}).status_code
        == 403
    )
    assert one.post("/sign-out", data=told, headers={"Origin": "http://testserver"}).status_code == 303


def test_a_revoked_key_ends_its_sessions_at_once(browser, admin, tester_key):
    one = browser(tester_key)
    assert admin.delete("/v1/keys/tester").status_code == 204
    assert one.get("/people").status_code == 303
    assert one.get("/v1/subjects").status_code == 401


def test_a_session_ends_by_itself_and_is_forgotten_at_the_next_signing_in(browser, store, tester_key):
    one = browser(tester_key)
    with store.write("test") as transaction:
        transaction.session.execute(sa.update(WebSession).values(expires_at=now() - timedelta(seconds=1)))
    assert one.get("/people").status_code == 303
    browser(tester_key)
    with store.read() as session:
        assert session.scalar(sa.select(sa.func.count()).select_from(WebSession)) == 1


def test_the_interface_takes_a_session_for_reading(browser, tester_key, laboratory):
    subject = laboratory.subject()
    assert browser(tester_key).get(f"/v1/subjects/{subject['id']}").status_code == 200


def test_the_interface_takes_a_write_of_a_session_only_with_its_token(browser, tester_key):
    one = browser(tester_key)
    body = {"code": "N-1"}
    assert one.post("/v1/subjects", json=body).status_code == 403
    assert one.post("/v1/subjects", json=body, headers={"X-Form-Token": "0" * 64}).status_code == 403
    assert one.get("/v1/subjects").json()["items"] == []
    assert one.post("/v1/subjects", json=body, headers={"X-Form-Token": form_token(one)}).status_code == 201


def test_a_session_may_do_what_its_key_may(browser, reader_key):
    one = browser(reader_key)
    answer = one.post("/v1/subjects", json={"code": "N-1"}, headers={"X-Form-Token": form_token(one)})
    assert answer.status_code == 403
    assert "reader" in answer.json()["detail"]


def test_signing_in_and_out_is_in_the_audit_and_not_in_the_feed_of_others(browser, store, tester_key, client):
    one = browser(tester_key)
    one.post("/sign-out", data={"form_token": form_token(one)})
    with store.read() as session:
        kinds = session.execute(
            sa.select(Change.kind, Change.action, Change.id).where(Change.kind == "session")
        ).all()
    assert [tuple(row) for row in kinds] == [
        ("session", "created", "tester"),
        ("session", "deleted", "tester"),
    ]
    assert "session" not in {item["kind"] for item in client.get("/v1/changes").json()["items"]}


def test_refused_keys_of_the_form_count_by_address(make_store, open_client):
    one = open_client(make_store(auth_failures_per_minute=2), follow_redirects=False)
    statuses = [one.post("/sign-in", data={"key": "ups_wrong"}).status_code for _ in range(3)]
    assert statuses == [401, 401, 429]


def test_pages_are_not_kept_and_not_framed(browser, tester_key):
    headers = browser(tester_key).get("/people").headers
    assert headers["cache-control"] == "no-store"
    assert "frame-ancestors 'none'" in headers["content-security-policy"]


def test_the_address_of_the_service_leads_to_the_people_by_way_of_a_key(browser, tester_key):
    visitor = browser()
    assert visitor.get("/").headers["location"] == "/people"
    form = visitor.get("/people").headers["location"]
    assert form.startswith("/sign-in")
    assert "gives you a key" in visitor.get(form).text
    assert browser(tester_key).get("/").headers["location"] == "/people"
