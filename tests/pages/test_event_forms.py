"""Events of a person with plain forms: noted, shown, and taken away where they were noted wrongly."""

import pytest

EVENT = {"kind": "illness", "title": "a cold", "started_on": "2026-02-01", "ended_on": "2026-02-09"}


@pytest.fixture
def desk(browser, tester_key, laboratory):
    subject = laboratory.subject()
    return browser(tester_key), f"/people/{subject['id']}/events/new", subject


def noted(laboratory, subject):
    return laboratory.client.get(f"/v1/subjects/{subject['id']}/events").json()["items"]


def test_an_event_is_noted_and_stands_in_the_list(desk, laboratory, send):
    one, address, subject = desk
    answer = send(one, address, EVENT | {"notes": "a week in bed"})
    assert answer.headers["location"] == address
    (event,) = noted(laboratory, subject)
    assert {name: event[name] for name in EVENT} == EVENT
    assert event["notes"] == "a week in bed"
    for words in ("a cold", "2026-02-01", "2026-02-09", "a week in bed"):
        assert words in one.get(address).text
    assert address in one.get(f"/people/{subject['id']}").text


def test_an_event_is_taken_away_once(desk, laboratory, send):
    one, address, subject = desk
    send(one, address, EVENT)
    (event,) = noted(laboratory, subject)
    away = address.replace("new", f"{event['id']}/take-away")
    assert send(one, address, {"revision": "1"}, to=away).status_code == 412
    assert len(noted(laboratory, subject)) == 1
    assert send(one, address, {}, to=away).headers["location"] == address
    assert noted(laboratory, subject) == []
    assert send(one, address, {}, to=away).status_code == 404


def test_an_event_of_another_person_stays(desk, laboratory, send):
    one, address, _ = desk
    other = laboratory.subject()
    event = laboratory.client.post(f"/v1/subjects/{other['id']}/events", json=EVENT).json()
    assert send(one, address, {}, to=address.replace("new", f"{event['id']}/take-away")).status_code == 404
    assert len(noted(laboratory, other)) == 1


@pytest.mark.parametrize(
    ("over", "name", "told"),
    [
        ({"kind": ""}, "kind", "needed"),
        ({"kind": "<script>"}, "kind", "illness"),
        ({"title": ""}, "title", "needed"),
        ({"title": "t" * 201}, "title", "at most 200"),
        ({"started_on": "last week"}, "started_on", "date"),
        ({"started_on": "1980-01-01", "ended_on": ""}, "started_on", "before the birth"),
        ({"notes": "n" * 10_001}, "notes", "at most"),
    ],
)
def test_what_is_refused_is_told_at_its_field(desk, laboratory, send, at_field, over, name, told):
    one, address, subject = desk
    answer = send(one, address, EVENT | {"notes": "kept"} | over)
    assert answer.status_code == 422
    assert told in at_field(answer.text, name)
    assert "<script" not in answer.text.split("<main")[1]
    assert name == "notes" or ">\nkept<" in answer.text
    assert noted(laboratory, subject) == []


def test_an_end_before_the_begin_is_told(desk, laboratory, send):
    one, address, subject = desk
    answer = send(one, address, EVENT | {"ended_on": "2026-01-01"})
    assert answer.status_code == 422
    assert "lies before" in answer.text
    assert noted(laboratory, subject) == []


def test_a_reader_notes_nothing(browser, reader_key, laboratory):
    subject = laboratory.subject()
    one = browser(reader_key)
    assert one.get(f"/people/{subject['id']}/events/new").status_code == 403
    assert "events/new" not in one.get(f"/people/{subject['id']}").text
