"""A site that reads pounds and decimal commas: its pages, forms and charts change, the record and the interface do not."""

import json
import re

import pytest

from tests.api.conftest import Laboratory

WHEN = {"started_at": "2026-03-14", "time": "09:30", "offset": "+01:00"}


@pytest.fixture
def site(make_store, make_key, open_client):
    """A browser and a client of the same record, under settings of its own."""

    def open_site(name, **settings):
        store = make_store(**settings)
        key = make_key(store, name, "tester")
        browser = open_client(store, follow_redirects=False)
        assert browser.post("/sign-in", data={"key": key}).status_code == 303
        return browser, open_client(store, key)

    return open_site


def test_us_units_are_typed_shown_and_typed_again_and_stored_exactly_in_metric(site, send):
    one, client = site("us", display_units="us")
    subject = Laboratory(client).subject()
    form = one.get(f"/people/{subject['id']}/visits/new").text
    for label in ("Body mass (lb)", "Height (in)", "Room temperature (°F)", "Altitude (ft)"):
        assert f">{label}<" in form
    assert "Barometric pressure (mmHg)" in form
    typed = WHEN | {"body_mass_kg": "154.3", "height_cm": "68.5", "temperature_c": "68", "altitude_m": "5280"}
    answer = send(one, f"/people/{subject['id']}/visits/new", typed)
    assert answer.status_code == 303, answer.text
    address, visit_id = answer.headers["location"].split("#")
    stored = client.get(f"/v1/visits/{visit_id}").json()
    # Exact by definition of the units; see tests/outlets/test_display.py.
    assert stored["body_mass_kg"] == pytest.approx(154.3 * 0.45359237, rel=1e-15)
    assert (stored["height_cm"], stored["temperature_c"], stored["altitude_m"]) == (173.99, 20.0, 1609.344)
    line = one.get(address).text.split(f'<tr id="{visit_id}">')[1].split("</tr>")[0]
    assert "154.3 lb" in line
    assert "68.5 in" in line

    edit = f"/visits/{visit_id}/edit"
    text = one.get(edit).text
    held = dict(re.findall(r'<input id="(\w+)" name="\w+"[^>]*? value="([^"]*)"', text))
    assert (held["body_mass_kg"], held["height_cm"], held["temperature_c"]) == ("154.3", "68.5", "68")
    seq = client.get("/v1/changes").json()["items"][-1]["seq"]
    assert send(one, edit, held).status_code == 303
    assert client.get("/v1/changes").json()["items"][-1]["seq"] == seq, "nothing was changed"


def test_a_mass_that_was_stored_in_kilograms_survives_a_form_in_pounds(site, send):
    one, client = site("us", display_units="us")
    laboratory = Laboratory(client)
    visit = laboratory.visit(laboratory.subject()["id"], body_mass_kg=70.0, height_cm=180.0)
    edit = f"/visits/{visit['id']}/edit"
    text = one.get(edit).text
    held = dict(re.findall(r'<input id="(\w+)" name="\w+"[^>]*? value="([^"]*)"', text))
    assert held["body_mass_kg"] == "154.324"
    assert send(one, edit, held | {"site": "Room 3"}).status_code == 303
    stored = client.get(f"/v1/visits/{visit['id']}").json()
    assert (stored["body_mass_kg"], stored["height_cm"], stored["site"]) == (70.0, 180.0, "Room 3")


def test_what_cannot_be_is_told_in_the_unit_that_was_typed(site, send, at_field):
    one, client = site("us", display_units="us")
    subject = Laboratory(client).subject()
    answer = send(one, f"/people/{subject['id']}/visits/new", WHEN | {"body_mass_kg": "1543"})
    assert answer.status_code == 422
    assert at_field(answer.text, "body_mass_kg") == (
        "is not possible: body mass lies between 22.05 and 881.8 lb"
    )
    assert 'value="1543"' in answer.text


def test_a_decimal_comma_is_typed_and_shown_and_a_point_is_not_guessed_at(site, send, at_field):
    one, client = site("german", locale="de-DE")
    subject = Laboratory(client).subject()
    address = f"/people/{subject['id']}/visits/new"
    refused = send(one, address, WHEN | {"body_mass_kg": "71.5"})
    assert at_field(refused.text, "body_mass_kg") == "must be a number with a decimal comma, such as 71,5"
    answer = send(one, address, WHEN | {"body_mass_kg": "71,5", "height_cm": "172,4"})
    assert answer.status_code == 303
    address, visit_id = answer.headers["location"].split("#")
    assert client.get(f"/v1/visits/{visit_id}").json()["body_mass_kg"] == 71.5
    line = one.get(address).text.split(f'<tr id="{visit_id}">')[1].split("</tr>")[0]
    assert '<time datetime="2026-03-14T09:30:00+01:00">14.3.2026 09:30</time>' in line
    assert "71,5 kg" in line
    assert '<html lang="en">' in one.get(address).text


def test_pages_and_pictures_take_the_locale_and_the_units_and_the_interface_neither(
    site, laboratory, rows, client
):
    visit = laboratory.visit(laboratory.subject()["id"])
    test = laboratory.complete(visit["id"], rows())
    person, address = visit["subject_id"], f"/v1/tests/{test['id']}"
    one, other = site("both", locale="de-DE", display_units="us")

    words = re.sub(r"<[^>]*>", "", one.get(f"/people/{person}").text)
    peak = laboratory.analysis(test["id"])["peak"]
    shown = f"{peak['vo2_ml_kg_min']:.1f}".replace(".", ",")
    absolute = f"{peak['vo2_ml_min']:,.0f}".replace(",", ".")
    assert f"{shown} mL/kg/min on the treadmill ({absolute} mL/min at 165,3 lb)" in words
    text = one.get(f"/tests/{test['id']}").text
    assert '<h1>Test of <time datetime="2026-03-14">14.3.2026</time>' in text
    assert " mph" in text
    assert " km/h" not in re.sub(r"<[^>]*>", "", text.split('id="numbers"')[1].split('id="thresholds"')[0])

    assert "Speed (v), mph" in other.get(f"{address}/charts/all_curves?format=svg").text
    picture = other.get(f"{address}/charts/uptake?format=svg").text
    assert ">(mph)<" in picture
    fastest = max(row["speed_km_h"] for row in rows())
    assert f">{round(fastest / 1.609344, 1):g}<".replace(".", ",") in picture
    assert ">3.000<" in picture
    assert f"{absolute} mL/min ({shown} mL/kg/min)" in picture
    laboratory.visit(person, started_at="2026-05-14T09:30:00+02:00", body_mass_kg=80.0)
    trend = f"/v1/subjects/{person}/trends/body_mass_kg"
    picture = other.get(f"{trend}?format=svg").text
    assert ">Body mass (lb)<" in picture
    assert ">165,3<" in picture  # 75 kg
    assert ">176,4<" in picture  # 80 kg
    assert other.get(f"{trend}?format=vega").json() == client.get(f"{trend}?format=vega").json()
    for part in (
        f"{address}/analysis",
        f"{address}/intervals",
        f"{address}/charts/uptake?format=json",
        f"/v1/subjects/{person}/trends/vo2_peak_ml_kg_min",
        f"/v1/visits/{visit['id']}",
        "/v1/quantities",
    ):
        assert other.get(part).json() == client.get(part).json(), part
    for part in (
        f"{address}/intervals?format=csv",
        f"/v1/subjects/{person}/trends/vo2_peak_ml_kg_min?format=csv",
    ):
        assert other.get(part).text == client.get(part).text
    json.loads(other.get(f"{address}/intervals").text)
