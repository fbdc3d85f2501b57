"""A visit and its measurements with plain forms, and the line of the visit on the page of the person."""

import re

import pytest

from tests.api.conftest import Laboratory

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
    assert len(labels) == 18
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


def test_the_way_to_a_test_begins_on_the_page_of_a_new_person(browser, tester_key, laboratory, send):
    subject = laboratory.subject()
    one, address = browser(tester_key), f"/people/{subject['id']}/visits/new"
    actions = one.get(f"/people/{subject['id']}").text.partition('class="actions">')[2].partition("</p>")[0]
    assert f'href="{address}">Begin a new test</a>' in actions
    # Enter in a field sends the first button of a form: the way on to the test.
    first = re.findall(r"<button[^>]*>", one.get(address).text.partition("visit-form")[2])[0]
    assert 'name="then" value="prepare"' in first
    answer = send(one, address, WHEN | {"revision": "1", "then": "prepare"})
    assert answer.headers["location"].endswith("/prepare")


def test_who_may_not_write_sees_no_link(browser, reader_key, laboratory):
    subject = laboratory.subject()
    one = browser(reader_key)
    assert "No visit yet" in one.get(f"/people/{subject['id']}").text
    assert "visits/new" not in one.get(f"/people/{subject['id']}").text
    assert one.get(f"/people/{subject['id']}/visits/new").status_code == 403


MEDICATION = {
    "medication_0_name": "a beta blocker",
    "medication_0_dose": "50 mg",
    "medication_0_taken_at": "2026-03-14T07:15",
    "medication_0_limits_heart_rate": "true",
    "medication_2_name": "an inhaler",
    "medication_2_limits_heart_rate": "false",
}
BEFORE = {
    "hours_since_meal": "3",
    "hours_since_caffeine": "14",
    "hours_since_exercise": "48",
    "haemoglobin_g_dl": "14.2",
    "fev1_l": "3.9",
    "vital_capacity_l": "5.1",
    "mvv_l_min": "150",
    "resting_spo2_percent": "98",
    "altitude_m": "320",
}


@pytest.fixture
def visit_of(browser, tester_key, laboratory, send):
    """Adds a visit with the form; answers its id, its subject and the browser."""

    def add(**typed):
        one, subject = browser(tester_key), laboratory.subject()
        answer = send(one, f"/people/{subject['id']}/visits/new", WHEN | typed)
        assert answer.status_code == 303, answer.text
        return answer.headers["location"].split("#")[1], subject, one

    return add


def read(laboratory, visit_id):
    return laboratory.client.get(f"/v1/visits/{visit_id}").json()


def test_medication_and_what_came_before_are_kept(visit_of, laboratory):
    visit_id, _, _ = visit_of(**MEDICATION, **BEFORE)
    visit = read(laboratory, visit_id)
    assert visit["medications"] == [
        {
            "name": "a beta blocker",
            "dose": "50 mg",
            "taken_at": "2026-03-14T07:15:00+01:00",
            "limits_heart_rate": True,
        },
        {"name": "an inhaler", "dose": None, "taken_at": None, "limits_heart_rate": False},
    ]
    assert {name: visit[name] for name in BEFORE} == {name: float(text) for name, text in BEFORE.items()}


@pytest.mark.parametrize(
    ("typed", "name", "told"),
    [
        ({"medication_1_name": "something"}, "medication_1_limits_heart_rate", "yes or no"),
        (
            {"medication_1_dose": "50 mg", "medication_1_limits_heart_rate": "true"},
            "medication_1_name",
            "needed",
        ),
        (
            {
                "medication_1_name": "something",
                "medication_1_limits_heart_rate": "true",
                "medication_1_taken_at": "this morning",
            },
            "medication_1_taken_at",
            "such as",
        ),
        (
            {
                "medication_1_name": "n" * 201,
                "medication_1_limits_heart_rate": "true",
            },
            "medication_1_name",
            "at most 200",
        ),
        (
            {"medication_1_name": "something", "medication_1_limits_heart_rate": "perhaps"},
            "medication_1_limits_heart_rate",
            "yes or no",
        ),
        ({"haemoglobin_g_dl": "142"}, "haemoglobin_g_dl", "is not possible"),
    ],
)
def test_a_fault_of_a_medication_stands_in_its_row(
    browser, tester_key, laboratory, send, at_field, typed, name, told
):
    subject = laboratory.subject()
    address = f"/people/{subject['id']}/visits/new"
    # The first row is sound, the second is looked at: a fault must not be told in another row.
    answer = send(browser(tester_key), address, WHEN | {"medication_0_dose": ""} | MEDICATION | typed)
    assert answer.status_code == 422
    assert told in at_field(answer.text, name)
    assert answer.text.count('class="fault"') == 1
    assert 'value="a beta blocker"' in answer.text
    assert '<details class="part" open>' in answer.text
    assert laboratory.client.get(f"/v1/subjects/{subject['id']}/visits").json()["items"] == []


def test_after_adding_a_test_can_be_prepared_at_once(browser, tester_key, laboratory, send):
    subject = laboratory.subject()
    one = browser(tester_key)
    answer = send(one, f"/people/{subject['id']}/visits/new", WHEN | {"then": "prepare"})
    (visit,) = laboratory.client.get(f"/v1/subjects/{subject['id']}/visits").json()["items"]
    assert answer.headers["location"] == f"/visits/{visit['id']}/prepare"
    assert f"/visits/{visit['id']}/prepare" in one.get(f"/people/{subject['id']}").text


def test_a_visit_opened_and_sent_as_it_is_changes_nothing(visit_of, laboratory, typed_in):
    visit_id, subject, one = visit_of(
        **MEDICATION, **BEFORE, body_mass_kg="71.5", time="09:30:12", notes="as told\nby the person"
    )
    before = read(laboratory, visit_id)
    revision = laboratory.client.get(f"/v1/subjects/{subject['id']}").json()["revision"]
    address = f"/visits/{visit_id}/edit"
    held = typed_in(one.get(address).text)
    assert held["time"] == "09:30:12"
    assert one.post(address, data=held).headers["location"] == f"/people/{subject['id']}#{visit_id}"
    assert read(laboratory, visit_id) == before
    assert laboratory.client.get(f"/v1/subjects/{subject['id']}").json()["revision"] == revision


def test_in_units_and_marks_of_display_a_form_sent_as_it_is_changes_nothing(
    make_store, make_key, open_client, typed_in
):
    store = make_store(locale="de-DE", display_units="us")
    key = make_key(store, "tester", "tester")
    laboratory = Laboratory(open_client(store, key))
    visit = laboratory.visit(laboratory.subject()["id"], body_mass_kg=71.53, fev1_l=3.95, altitude_m=321.0)
    one = open_client(store, follow_redirects=False)
    one.post("/sign-in", data={"key": key})
    held = typed_in(one.get(f"/visits/{visit['id']}/edit").text)
    assert held["fev1_l"] == "3,95"
    assert held["body_mass_kg"].startswith("157,")
    before = read(laboratory, visit["id"])
    assert one.post(f"/visits/{visit['id']}/edit", data=held).status_code == 303
    assert read(laboratory, visit["id"]) == before
    assert one.post(f"/visits/{visit['id']}/edit", data=held | {"body_mass_kg": "160,0"}).status_code == 303
    after = read(laboratory, visit["id"])
    # A pound is 0.45359237 kg (international yard and pound agreement of 1959).
    assert after["body_mass_kg"] == pytest.approx(160 * 0.45359237)
    assert {**after, "body_mass_kg": 0} == {**before, "body_mass_kg": 0}


def test_what_differs_is_changed_and_the_rest_stays(visit_of, laboratory, typed_in):
    visit_id, _, one = visit_of(**MEDICATION, **BEFORE, body_mass_kg="71.5")
    address = f"/visits/{visit_id}/edit"
    held = typed_in(one.get(address).text)
    over = {"body_mass_kg": "72", "fev1_l": "", "medication_0_name": "", "medication_0_dose": ""}
    over |= {"medication_0_taken_at": "", "medication_0_limits_heart_rate": ""}
    assert one.post(address, data=held | over).status_code == 303
    visit = read(laboratory, visit_id)
    assert (visit["body_mass_kg"], visit["fev1_l"], visit["mvv_l_min"]) == (72.0, None, 150.0)
    assert [one["name"] for one in visit["medications"]] == ["an inhaler"]
    assert visit["started_at"] == "2026-03-14T09:30:00+01:00"


def test_a_changed_mass_reaches_the_tests_of_the_visit(browser, tester_key, laboratory, typed_in):
    visit = laboratory.visit(laboratory.subject()["id"])
    test = laboratory.complete(visit["id"])
    peak = laboratory.analysis(test["id"])["peak"]["vo2_ml_kg_min"]
    one, address = browser(tester_key), f"/visits/{visit['id']}/edit"
    held = typed_in(one.get(address).text)
    assert one.post(address, data=held | {"body_mass_kg": "90"}).status_code == 303
    assert laboratory.analysis(test["id"])["peak"]["vo2_ml_kg_min"] == pytest.approx(peak * 75 / 90)


def test_a_visit_that_changed_in_between_is_not_written(visit_of, laboratory, typed_in):
    visit_id, _, one = visit_of(body_mass_kg="71.5")
    address = f"/visits/{visit_id}/edit"
    held = typed_in(one.get(address).text)
    laboratory.client.patch(f"/v1/visits/{visit_id}", json={"body_mass_kg": 80.0})
    answer = one.post(address, data=held | {"body_mass_kg": "72"})
    assert answer.status_code == 412
    assert 'value="72"' in answer.text
    assert "changed since you opened the form" in answer.text
    assert read(laboratory, visit_id)["body_mass_kg"] == 80.0


@pytest.mark.parametrize(
    ("typed", "name", "told"),
    [
        ({"started_at": "1980-01-01"}, "started_at", "before the birth"),
        ({"body_mass_kg": "<script>"}, "body_mass_kg", "must be a number"),
        ({"notes": "n" * 10_001}, "notes", "at most"),
    ],
)
def test_a_refused_change_is_told_at_its_field(visit_of, laboratory, typed_in, at_field, typed, name, told):
    visit_id, _, one = visit_of(tester="Kim")
    before = read(laboratory, visit_id)
    address = f"/visits/{visit_id}/edit"
    answer = one.post(address, data=typed_in(one.get(address).text) | typed)
    assert answer.status_code == 422
    assert told in at_field(answer.text, name)
    assert "<script" not in answer.text.split("<main")[1]
    assert 'value="Kim"' in answer.text
    assert read(laboratory, visit_id) == before


def test_measurements_are_stored_shown_and_taken_away(visit_of, laboratory, typed_in):
    visit_id, subject, one = visit_of()
    address = f"/visits/{visit_id}/measurements"
    held = typed_in(one.get(address).text)
    typed = {"grip_strength_kg": "41.5", "grip_strength_kg_note": "right hand", "push_ups": "22"}
    assert one.post(address, data=held | typed).status_code == 303
    assert [
        (row["quantity"], row["value"], row["note"]) for row in read(laboratory, visit_id)["measurements"]
    ] == [("grip_strength_kg", 41.5, "right hand"), ("push_ups", 22.0, None)]
    assert "41.5 kg" in one.get(f"/people/{subject['id']}").text
    held = typed_in(one.get(address).text)
    assert (held["grip_strength_kg"], held["grip_strength_kg_note"]) == ("41.5", "right hand")
    assert one.post(address, data=held | {"push_ups": ""}).status_code == 303
    assert [row["quantity"] for row in read(laboratory, visit_id)["measurements"]] == ["grip_strength_kg"]


@pytest.mark.parametrize(
    ("typed", "name", "told"),
    [
        ({"push_ups": "22", "waist_cm": "9000"}, "waist_cm", "not possible"),
        ({"waist_cm": "wide"}, "waist_cm", "must be a number"),
        ({"waist_cm_note": "<script>alert(1)</script>"}, "waist_cm_note", "no value"),
        ({"push_ups": "22", "waist_cm": "80", "waist_cm_note": "n" * 10_001}, "waist_cm_note", "at most"),
    ],
)
def test_a_refused_measurement_is_told_in_its_line(
    visit_of, laboratory, typed_in, at_field, typed, name, told
):
    visit_id, _, one = visit_of()
    address = f"/visits/{visit_id}/measurements"
    answer = one.post(address, data=typed_in(one.get(address).text) | typed)
    assert answer.status_code == 422
    assert told in at_field(answer.text, name)
    assert "<script" not in answer.text.split("<main")[1]
    assert read(laboratory, visit_id)["measurements"] == []


def test_who_may_not_write_opens_no_form_of_a_visit(browser, reader_key, laboratory):
    visit = laboratory.visit(laboratory.subject()["id"])
    one = browser(reader_key)
    person = one.get(f"/people/{visit['subject_id']}").text
    for name in ("edit", "measurements"):
        assert one.get(f"/visits/{visit['id']}/{name}").status_code == 403
        assert f"/visits/{visit['id']}/{name}" not in person
