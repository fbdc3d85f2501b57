"""Finding people, and the page of one person."""

import re

import pytest
import sqlalchemy as sa

from service.db.models import Result


@pytest.fixture
def two_tests(laboratory, rows):
    """A person with two tests, half a year apart, the second far better."""
    subject = laboratory.subject(
        code="A-07", given_name="Ida", family_name="Invented", sex="female", birth_date="1982-02-03"
    )
    for day, peak in (("2026-03-14", 2600.0), ("2026-09-02", 3300.0)):
        visit = laboratory.visit(subject["id"], started_at=f"{day}T09:30:00+01:00", body_mass_kg=70.0)
        laboratory.complete(visit["id"], rows(peak))
    return subject


def test_nobody_yet(browser, tester_key):
    assert "Nobody is in the record yet" in browser(tester_key).get("/people").text


def test_people_with_their_latest_test(browser, tester_key, two_tests, laboratory):
    laboratory.subject(code="B-01")
    text = browser(tester_key).get("/people").text
    assert text.index("A-07") < text.index("B-01")
    assert "2026-09-02" in text
    assert "2026-03-14" not in text
    assert "Ida Invented" in text
    assert "no test with a peak yet" in text


@pytest.mark.parametrize(("query", "found"), [("a-0", True), ("ida", True), ("zzz", False), ("%", False)])
def test_finding(browser, tester_key, two_tests, query, found):
    text = browser(tester_key).get("/people", params={"query": query}).text
    assert (">A-07<" in text) == found
    assert ("Nobody whose code" in text) != found


def test_a_reader_sees_no_name_anywhere(browser, reader_key, two_tests):
    one = browser(reader_key)
    for address in ("/people", f"/people/{two_tests['id']}"):
        text = one.get(address).text
        assert "A-07" in text
        assert "Ida" not in text
    assert "Nobody whose code" in one.get("/people?query=ida").text


def test_pages_follow_each_other(browser, tester_key, laboratory):
    for _ in range(51):
        laboratory.subject()
    one = browser(tester_key)
    first = one.get("/people").text
    assert first.count('scope="row"') == 50
    address = first.split('<p><a href="')[1].split('"')[0].replace("&amp;", "&")
    assert one.get(address).text.count('scope="row"') == 1


def test_what_is_typed_is_text(browser, tester_key, laboratory):
    laboratory.subject(code="<script>alert(1)</script>", given_name="<b>Bold</b>")
    text = browser(tester_key).get("/people", params={"query": "<script>"}).text
    assert "<script>" not in text
    assert "&lt;script&gt;alert(1)" in text
    assert "&lt;b&gt;Bold" in text


def test_a_person_opens_on_what_matters(browser, tester_key, two_tests, laboratory):
    text = browser(tester_key).get(f"/people/{two_tests['id']}").text
    lead = text.split('aria-label="Latest result"')[1].split("</section>")[0]
    latest = laboratory.trend(two_tests["id"])["series"][0]["points"][-1]
    assert f"{latest['value']:.1f} mL/kg/min on the treadmill" in lead
    assert "above March 2026" in lead
    assert "That is more than chance: from a higher uptake." in lead
    assert latest["change_from_previous"]["verdict"] == "improved"
    assert f"/v1/subjects/{two_tests['id']}/trends/vo2_peak_ml_kg_min?format=svg" in text
    assert text.index("2026-09-02") < text.index("2026-03-14")


def test_the_chart_of_the_page_is_drawn_for_the_session(browser, tester_key, two_tests):
    answer = browser(tester_key).get(f"/v1/subjects/{two_tests['id']}/trends/vo2_peak_ml_kg_min?format=svg")
    assert answer.headers["content-type"] == "image/svg+xml"


def test_a_person_without_a_test(browser, tester_key, laboratory):
    subject = laboratory.subject(birth_date=None, birth_year=1990, sex=None)
    text = browser(tester_key).get(f"/people/{subject['id']}").text
    assert "No test has given a peak oxygen uptake yet." in text
    assert "sex not recorded, about" in text
    assert "<img" not in text


def test_a_planned_test_and_measurements_are_told(browser, tester_key, laboratory):
    subject = laboratory.subject()
    visit = laboratory.visit(subject["id"])
    test = laboratory.planned(visit["id"])
    put = laboratory.client.put(
        f"/v1/visits/{visit['id']}/measurements", json=[{"quantity": "grip_strength_kg", "value": 41.5}]
    )
    assert put.status_code == 200
    text = browser(tester_key).get(f"/people/{subject['id']}").text
    assert re.search(rf'<a href="/tests/{test["id"]}/record">planned\b', text)
    assert "Grip strength" in text
    assert "41.5 kg" in text


def test_another_quantity_of_the_trend(browser, tester_key, two_tests, laboratory):
    one = browser(tester_key)
    text = one.get(f"/people/{two_tests['id']}", params={"quantity": "heart_rate_max_bpm"}).text
    assert '<option value="heart_rate_max_bpm" selected>' in text
    assert f"/v1/subjects/{two_tests['id']}/trends/heart_rate_max_bpm?format=svg" in text
    # The lead stays about the peak.
    assert "mL/kg/min on the treadmill" in text
    table = text.split('aria-label="Maximal heart rate in numbers"')[1].split("</table>")[0]
    for point in laboratory.trend(two_tests["id"], "heart_rate_max_bpm")["series"][0]["points"]:
        assert point["date"] in table
        assert f"/tests/{point['test_id']}" in table
        assert f"{point['value']:.0f} beats/min" in table


def test_a_quantity_that_there_is_not(browser, tester_key, two_tests, at_field):
    text = browser(tester_key).get(f"/people/{two_tests['id']}", params={"quantity": "<b>luck</b>"}).text
    assert at_field(text, "quantity") == "There is no such quantity; choose one of the list."
    assert "<b>luck" not in text


def test_when_the_next_test_is_due(browser, tester_key, two_tests, client, admin):
    def told():
        return (
            browser(tester_key)
            .get(f"/people/{two_tests['id']}")
            .text.split('class="due">')[1]
            .split("<")[0]
            .replace("&#39;", "'")
        )

    assert (
        told() == "No next test is due: no tester set a date, and the site has set no interval between tests."
    )
    assert admin.patch("/v1/site", json={"retest_interval_days": 90}).status_code == 200
    assert told().endswith("due on 2026-12-01, by the site's interval after the test of 2026-09-02.")
    client.patch(f"/v1/subjects/{two_tests['id']}", json={"next_test_due_on": "2020-05-01"})
    assert told() == "The next test was due on 2020-05-01, a tester set that day."


def test_events_stand_on_the_page(browser, tester_key, reader_key, two_tests, client):
    for address, event in (
        (
            f"/v1/subjects/{two_tests['id']}/events",
            {"kind": "illness", "started_on": "2026-05-02", "title": "influenza"},
        ),
        (
            "/v1/events",
            {"kind": "device_service", "started_on": "2026-06-02", "title": "new sensor", "device": "cart A"},
        ),
    ):
        answer = client.post(address, json=event)
        assert answer.status_code == 201, answer.text
    for key in (tester_key, reader_key):
        events = (
            browser(key).get(f"/people/{two_tests['id']}").text.split('id="events"')[1].split("</section>")[0]
        )
        assert events.index("new sensor") < events.index("influenza")
        assert "the site, cart A" in events
        assert "the person" in events


def test_someone_else_is_not_there(browser, store, make_key, two_tests, laboratory):
    other = laboratory.subject(code="B-01")
    one = browser(make_key(store, "coach", "tester", subject_codes=["B-01"]))
    assert "A-07" not in one.get("/people").text
    answer = one.get(f"/people/{two_tests['id']}")
    assert answer.status_code == 404
    assert "no such subject" in answer.text
    assert one.get(f"/people/{other['id']}").status_code == 200


@pytest.mark.parametrize("address", ["/people/nobody", "/people?cursor=nonsense", "/people?unknown=1"])
def test_what_is_refused_is_a_page_that_says_why(browser, tester_key, address):
    answer = browser(tester_key).get(address)
    assert answer.status_code in {404, 422}
    assert answer.headers["content-type"].startswith("text/html")
    assert 'role="alert"' in answer.text


def test_a_list_of_many_is_read_in_as_many_statements_as_one_of_few(
    browser, tester_key, store, laboratory, two_tests
):
    def statements():
        seen = []
        engine = store.read_engine
        sa.event.listen(engine, "before_cursor_execute", lambda *told: seen.append(told[2]))
        browser_of_tester.get("/people")
        return len(seen)

    browser_of_tester = browser(tester_key)
    few = statements()
    for _ in range(20):
        laboratory.subject()
    with store.read() as session:
        assert session.scalar(sa.select(sa.func.count()).select_from(Result)) > 0
    # Listeners of both counts hear the second: each hears the same number.
    assert statements() == few
