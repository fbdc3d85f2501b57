"""Adding a visit with a plain form, and its line on the page of the person."""

import re

import pytest

WHEN = {"started_at": "2026-03-14", "time": "09:30", "offset": "+01:00"}


def test_a_visit_is_added_as_the_interface_would(browser, tester_key, laboratory, send):
    subject = laboratory.subject()
    typed = WHEN | {
        "body_mass_kg": "71.5",
        "body_mass_source": "measured",
        "height_cm": "172",
        "barometric_pressure_mmhg": "748.2",
        "resting_systolic_mmhg": "128",
        "site": "Room 2",
        "round": "before",
        "tester": "Kim",
    }
    one = browser(tester_key)
    answer = send(one, f"/people/{subject['id']}/visits/new", typed)
    assert answer.status_code == 303
    address, visit_id = answer.headers["location"].split("#")
    visit = laboratory.client.get(f"/v1/visits/{visit_id}").json()
    assert visit["started_at"] == "2026-03-14T09:30:00+01:00"
    assert visit["body_mass_kg"] == 71.5
    assert visit["resting_heart_rate_bpm"] is None
    assert visit["barometric_pressure_mmhg"] == 748.2
    assert (visit["body_mass_source"], visit["site"], visit["round"], visit["tester"]) == (
        "measured",
        "Room 2",
        "before",
        "Kim",
    )
    line = one.get(address).text.split(f'<tr id="{visit_id}">')[1].split("</tr>")[0]
    for shown in ("2026-03-14 09:30", "71.5 kg", "measured", "Room 2", "before", "Kim"):
        assert shown in line


def test_every_number_has_its_unit_in_the_label(browser, tester_key, laboratory):
    text = browser(tester_key).get(f"/people/{laboratory.subject()['id']}/visits/new").text
    labels = re.findall(r"<label [^>]*>(.*?)</label>\s*<input [^>]*inputmode", text)
    assert len(labels) == 11
    assert all(re.search(r"\(.+\)$", label) for label in labels), labels
    assert "<script" not in text.split("<main")[1]


@pytest.mark.parametrize(
    ("name", "typed", "told"),
    [
        ("body_mass_kg", "71,5", "decimal point"),
        ("body_mass_kg", "7150", "is not possible"),
        ("body_mass_kg", "nan", "must be a number"),
        ("temperature_c", "1e9999", "must be a number"),
        ("started_at", "14.3.2026", "must be a date"),
        ("started_at", "2026-02-30", "day"),
        ("started_at", "1950-01-01", "before the birth"),
        ("started_at", "", "is needed"),
        ("time", "25:00", "must be a time"),
        ("offset", "+1", "with a sign"),
        ("body_mass_source", "guessed", "measured"),
        ("round", "r" * 201, "at most 200"),
    ],
)
def test_what_is_refused_is_told_at_its_field(
    browser, tester_key, laboratory, send, at_field, name, typed, told
):
    subject = laboratory.subject()
    answer = send(
        browser(tester_key), f"/people/{subject['id']}/visits/new", WHEN | {"tester": "Kim", name: typed}
    )
    assert answer.status_code == 422
    assert told in at_field(answer.text, name)
    assert 'value="Kim"' in answer.text
    assert f'value="{typed}"' in answer.text
    assert laboratory.client.get(f"/v1/subjects/{subject['id']}/visits").json()["items"] == []


def test_a_form_sent_twice_adds_one_visit(browser, tester_key, laboratory, send):
    subject = laboratory.subject()
    one, address = browser(tester_key), f"/people/{subject['id']}/visits/new"
    assert send(one, address, WHEN | {"revision": "1"}).status_code == 303
    again = send(one, address, WHEN | {"revision": "1"})
    assert again.status_code == 412
    assert "changed since you opened the form" in again.text
    assert len(laboratory.client.get(f"/v1/subjects/{subject['id']}/visits").json()["items"]) == 1


def test_who_may_not_write_sees_no_link(browser, reader_key, laboratory):
    subject = laboratory.subject()
    one = browser(reader_key)
    assert "No visit yet" in one.get(f"/people/{subject['id']}").text
    assert "visits/new" not in one.get(f"/people/{subject['id']}").text
    assert one.get(f"/people/{subject['id']}/visits/new").status_code == 403
