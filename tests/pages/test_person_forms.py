"""Adding a person and changing one, with plain forms."""

import pytest

PERSON = {
    "code": "N-01",
    "given_name": "Ida",
    "family_name": "Invented",
    "sex": "female",
    "birth_date": "1982-02-03",
    "birth_year": "",
    "next_test_due_on": "",
    "notes": "line one\r\nline two",
}


def test_a_person_is_added_as_the_interface_would(browser, tester_key, client, send):
    answer = send(browser(tester_key), "/people/new", PERSON, to="/people")
    assert answer.status_code == 303
    subject = client.get(f"/v1/subjects/{answer.headers['location'].split('/')[-1]}").json()
    assert {name: subject[name] for name in ("code", "given_name", "sex", "birth_date", "notes")} == {
        "code": "N-01",
        "given_name": "Ida",
        "sex": "female",
        "birth_date": "1982-02-03",
        "notes": "line one\nline two",
    }
    changes = client.get("/v1/changes").json()["items"]
    assert [(one["kind"], one["action"]) for one in changes if one["subject_id"] == subject["id"]] == [
        ("subject", "created")
    ]


@pytest.mark.parametrize(
    ("name", "typed", "status", "told"),
    [
        ("code", "", 422, "is needed"),
        ("code", "taken", 409, "is the code of another subject"),
        ("code", "x" * 201, 422, "at most 200"),
        ("sex", "<b>", 422, "female"),
        ("birth_date", "3.2.1982", 422, "must be a date"),
        ("birth_date", "2999-01-01", 422, "lies in the future"),
        ("birth_year", "eighty", 422, "whole number"),
        ("birth_year", "1879", 422, "1880"),
        ("given_name", "\x07", 422, "control characters"),
        ("notes", "n" * 10_001, 422, "10000"),
        ("next_test_due_on", "soon", 422, "must be a date"),
    ],
)
def test_what_is_refused_is_told_at_its_field_and_the_rest_is_kept(
    browser, tester_key, laboratory, send, name, typed, status, told, at_field
):
    laboratory.subject(code="taken")
    answer = send(browser(tester_key), "/people/new", PERSON | {name: typed}, to="/people")
    assert answer.status_code == status
    assert told in at_field(answer.text, name)
    assert 'value="Invented"' in answer.text
    assert "<b>" not in answer.text.split('<select id="sex"')[1].split("</select>")[0]
    assert [one["code"] for one in laboratory.client.get("/v1/subjects").json()["items"]] == ["taken"]


def test_births_that_contradict_each_other_are_refused(browser, tester_key, client, send):
    answer = send(browser(tester_key), "/people/new", PERSON | {"birth_year": "1990"}, to="/people")
    assert answer.status_code == 422
    assert "does not agree" in answer.text
    assert client.get("/v1/subjects").json()["items"] == []


def test_a_change_changes_only_what_was_changed(browser, tester_key, laboratory, send):
    subject = laboratory.subject(given_name="Ida", notes="kept")
    one = browser(tester_key)
    address = f"/people/{subject['id']}/edit"
    form = one.get(address).text
    assert 'value="Ida"' in form
    assert ">\nkept</textarea>" in form
    typed = {
        "code": subject["code"],
        "given_name": "Ada",
        "sex": "male",
        "birth_date": "1990-06-15",
        "notes": "kept",
    }
    answer = send(one, address, typed)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/people/{subject['id']}")
    changed = laboratory.client.get(f"/v1/subjects/{subject['id']}").json()
    assert changed | {"revision": 1} == subject | {"given_name": "Ada"}
    assert changed["revision"] == 2
    # The same again changes nothing, and counts no write.
    assert send(one, address, typed).status_code == 303
    assert laboratory.client.get(f"/v1/subjects/{subject['id']}").json() == changed


def test_a_change_on_an_old_state_is_refused_and_says_so(browser, tester_key, laboratory, send):
    subject = laboratory.subject()
    one = browser(tester_key)
    address = f"/people/{subject['id']}/edit"
    laboratory.client.patch(f"/v1/subjects/{subject['id']}", json={"given_name": "Ada"})
    typed = {"code": subject["code"], "given_name": "Ida", "sex": "male", "birth_date": "1990-06-15"}
    answer = send(one, address, typed | {"revision": "1"})
    assert answer.status_code == 412
    assert "changed since you opened the form" in answer.text
    assert 'value="Ida"' in answer.text
    assert laboratory.client.get(f"/v1/subjects/{subject['id']}").json()["given_name"] == "Ada"


def test_a_changed_birth_date_must_agree_with_the_year_and_with_the_visits(
    browser, tester_key, laboratory, send, at_field
):
    subject = laboratory.subject(birth_date="1990-06-15", birth_year=1990)
    laboratory.visit(subject["id"])
    one, address = browser(tester_key), f"/people/{subject['id']}/edit"
    typed = {"code": subject["code"], "sex": "male", "birth_year": "1990"}
    assert "does not agree" in send(one, address, typed | {"birth_date": "1991-06-15"}).text
    answer = send(one, address, typed | {"birth_date": "2026-06-15", "birth_year": ""})
    assert answer.status_code == 422
    assert "visit" in at_field(answer.text, "birth_date")


def test_who_may_not_write_sees_no_link_and_no_form(browser, store, make_key, reader_key, laboratory):
    subject = laboratory.subject(code="B-01")
    reading = browser(reader_key)
    assert "/people/new" not in reading.get("/people").text
    assert "/edit" not in reading.get(f"/people/{subject['id']}").text
    assert reading.get("/people/new").status_code == 403
    assert reading.get(f"/people/{subject['id']}/edit").status_code == 403
    coach = browser(make_key(store, "coach", "tester", subject_codes=["B-01"]))
    assert "/people/new" not in coach.get("/people").text
    assert coach.get("/people/new").status_code == 403
    assert f"/people/{subject['id']}/edit" in coach.get(f"/people/{subject['id']}").text


@pytest.mark.parametrize(
    "over",
    [{"form_token": "made up"}, {"form_token": ""}, {"shoe_size": "43"}],
    ids=["other", "none", "unknown"],
)
def test_a_form_that_is_not_ours_stores_nothing(browser, tester_key, client, send, over):
    answer = send(browser(tester_key), "/people/new", PERSON | over, to="/people")
    assert answer.status_code in {403, 422}
    assert client.get("/v1/subjects").json()["items"] == []


def test_a_form_without_its_state_is_refused(browser, tester_key, laboratory, send):
    subject = laboratory.subject()
    for revision in ("", "latest"):
        answer = send(
            browser(tester_key), f"/people/{subject['id']}/edit", {"code": "X", "revision": revision}
        )
        assert answer.status_code == 422
        assert "open it again" in answer.text
