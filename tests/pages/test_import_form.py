"""A file into a visit with a plain form: shown first, stored only as shown, and sent again by the browser."""

import base64
import re
from html import unescape

import pytest

from service.intake.units import parse_unit
from service.pages.import_form import MEANINGS
from tests.api.conftest import Laboratory

NO_UNIT = b"Time,VO2,HR,Power\n" + b"".join(
    f"{60 * at},{0.9 + 0.3 * at:.2f},{100 + 14 * at},{50 + 30 * at}\n".encode() for at in range(1, 8)
)


@pytest.fixture
def visit(laboratory):
    return laboratory.visit(laboratory.subject()["id"])


@pytest.fixture
def file(rows):
    """A file of an invented test."""
    names = [name for name in rows()[0] if name not in {"end_s", "duration_s", "phase"}]
    units = {"vo2_ml_min": "VO2 (mL/min)", "vco2_ml_min": "VCO2 (mL/min)", "ve_l_min": "VE (L/min)"}
    head = ["Time (s)", "Phase", *(units.get(name, name) for name in names)]
    lines = [[row["end_s"], row["phase"], *(row.get(name) for name in names)] for row in rows()]
    return "\n".join(
        ",".join("" if one is None else str(one) for one in line) for line in [head, *lines]
    ).encode()


@pytest.fixture
def desk(browser, tester_key, visit):
    """Sends the form of the visit with a file, on top of what the page before held."""
    one = browser(tester_key)
    address = f"/visits/{visit['id']}/import"

    def send(before, data, *, name="a test.csv", **typed):
        held = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', before.split("<main")[1])
        fields = {key: unescape(value) for key, value in held}
        files = {"file": (name, data)} if data is not None else {"file": ("", b"")}
        return one.post(address, data=fields | {"mode": "treadmill", "step": "look"} | typed, files=files)

    send.browser, send.empty = one, one.get(address).text
    return send


def stored_in(laboratory, visit):
    return laboratory.client.get(f"/v1/visits/{visit['id']}").json()["tests"]


def test_shown_first_and_stored_when_sent_again(desk, laboratory, visit, file, rows):
    looked = desk(desk.empty, file, stop_reason="legs")
    assert looked.status_code == 200
    assert f"{len(rows())} intervals" in looked.text
    assert "not stored yet" in looked.text
    assert "Oxygen uptake, in mL/min" in looked.text
    assert "must be chosen again" in looked.text
    first = looked.text.split("The first rows as read")[1].split("</table>")[0]
    assert f"{rows()[0]['vo2_ml_min']:.0f}" in first
    assert stored_in(laboratory, visit) == []
    stored = desk(looked.text, file, step="store", stop_reason="legs")
    assert stored.status_code == 303
    (test_id,) = stored_in(laboratory, visit)
    assert stored.headers["location"] == f"/tests/{test_id}"
    test = laboratory.client.get(f"/v1/tests/{test_id}").json()
    assert (test["mode"], test["stop_reason"], test["source_name"]) == ("treadmill", "legs", "a test.csv")


@pytest.mark.parametrize("what", ["never shown", "another file", "another answer"])
def test_what_was_not_shown_is_shown_and_not_stored(desk, laboratory, visit, file, what):
    before = desk.empty if what == "never shown" else desk(desk.empty, file).text
    data = (
        file.replace(b"Recovery", b"Rest").replace(b"recovery", b"rest") if what == "another file" else file
    )
    assert (data != file) == (what == "another file")
    answer = desk(before, data, step="store", mode="cycle" if what == "another answer" else "treadmill")
    assert answer.status_code == 200
    assert "not the one that was shown" in answer.text
    assert stored_in(laboratory, visit) == []
    # Shown now, it is stored with the next.
    again = desk(answer.text, data, step="store", mode="cycle" if what == "another answer" else "treadmill")
    assert again.status_code == 303


def test_a_question_becomes_a_field_with_its_choices(desk, laboratory, visit):
    asked = desk(desk.empty, NO_UNIT, mode="cycle")
    assert asked.status_code == 422
    assert "In which unit is" in unescape(asked.text)
    assert "Answer with the option columns" not in asked.text
    select = asked.text.split('aria-label="What VO2 is"')[1].split("</optgroup>")[0]
    for unit in ("mL/min", "L/min", "mL/kg/min"):
        assert f'value="vo2_ml_min|{unit}"' in select
    assert 'name="step" value="store"' not in asked.text
    answers = {"meaning_0": "vo2_ml_min|L/min"}
    looked = desk(asked.text, NO_UNIT, mode="cycle", **answers)
    assert looked.status_code == 200, looked.text
    assert "your answer" in looked.text
    assert 'value="vo2_ml_min|L/min" selected' in looked.text
    place = looked.text.split('value="VO2"')[0].rpartition("header_")[2].split('"')[0]
    stored = desk(
        looked.text, NO_UNIT, step="store", mode="cycle", **{f"meaning_{place}": "vo2_ml_min|L/min"}
    )
    assert stored.status_code == 303
    (test_id,) = stored_in(laboratory, visit)
    kept = laboratory.client.get(f"/v1/tests/{test_id}/intervals").json()["items"]
    assert [row["vo2_ml_min"] for row in kept] == pytest.approx([900 + 300 * at for at in range(1, 8)])


def test_a_column_can_be_left_out(desk, file):
    looked = desk(desk.empty, file)
    place = looked.text.split('value="VE (L/min)"')[0].rpartition("header_")[2].split('"')[0]
    again = desk(looked.text, file, **{f"meaning_{place}": "-"})
    line = again.text.split('<th scope="row">VE (L/min)</th>')[1].split("</tr>")[0]
    assert "left out" in line
    assert "your answer" in line


@pytest.mark.parametrize(
    ("data", "name", "status", "told"),
    [
        (
            b"Time (s),VO2 (mL/min)\n15,300\n30,twelve\n45,320\n60,340\n",
            "a.csv",
            422,
            ["3", "VO2 (mL/min)", "twelve"],
        ),
        (b"%PDF-1.7 not a table", "a.pdf", 415, ["not a table", "CSV"]),
        (b"", "a.csv", 422, ["empty"]),
        (b"<html><script>alert(1)</script></html>", "<script>.csv", 415, ["not a table"]),
        (b"name,colour\nx,red\n", "a.csv", 422, ["header"]),
    ],
    ids=["cell", "pdf", "empty", "markup", "no header"],
)
def test_a_refused_file_says_where_and_what_to_do(desk, laboratory, visit, data, name, status, told):
    answer = desk(desk.empty, data, name=name)
    assert answer.status_code == status
    refusal = answer.text.split('aria-label="What is refused"')[1].split("</section>")[0]
    for words in told:
        assert words in refusal
    assert "<script" not in answer.text.split("<main")[1]
    assert stored_in(laboratory, visit) == []


@pytest.mark.parametrize(
    ("typed", "name", "told"),
    [
        ({"mode": ""}, "mode", "choose"),
        ({"mode": "flying"}, "mode", "treadmill"),
        ({"first_s": "10"}, "last_s", "other one"),
        ({"exercise_start_s": "soon"}, "exercise_start_s", "number"),
        ({"test_id": "nothing"}, None, "test"),
    ],
)
def test_answers_that_cannot_be_are_told_at_their_field(desk, file, at_field, typed, name, told):
    answer = desk(desk.empty, file, step="store", **typed)
    if name is None:
        assert told in answer.text
    else:
        assert answer.status_code == 422
        assert told in at_field(answer.text, name)
    assert 'name="step" value="store"' not in answer.text or answer.status_code == 200


def test_no_file_is_told_at_the_field(desk, at_field):
    answer = desk(desk.empty, None)
    assert answer.status_code == 422
    assert "choose the file" in at_field(answer.text, "file")


def test_a_file_goes_into_a_planned_test(desk, browser, tester_key, laboratory, visit, file):
    planned = laboratory.planned(visit["id"])
    revision = laboratory.client.get(f"/v1/subjects/{visit['subject_id']}").json()["revision"]
    looked = desk(desk.empty, file, mode="", test_id=planned["id"], revision=str(revision))
    assert looked.status_code == 200
    assert f'<option value="{planned["id"]}" selected>' in looked.text
    stored = desk(looked.text, file, step="store", mode="", test_id=planned["id"])
    assert stored.headers["location"] == f"/tests/{planned['id']}"


def test_a_file_that_is_there_already_is_not_doubled(desk, laboratory, visit, file):
    looked = desk(desk.empty, file).text
    first = desk(looked, file, step="store").headers["location"]
    revision = laboratory.client.get(f"/v1/subjects/{visit['subject_id']}").json()["revision"]
    # With the same answers it is the same test; with others it asks.
    held = {"revision": str(revision)}
    same = desk(desk(desk.empty, file, **held).text, file, step="store")
    assert same.headers["location"] == first
    other = held | {"shape": "ramp"}
    shown = desk(desk.empty, file, **other).text
    asked = desk(shown, file, step="store", shape="ramp")
    assert asked.status_code == 409
    assert f'href="{first}"' in asked.text
    again = desk(asked.text, file, step="store", shape="ramp", replace="true")
    assert again.headers["location"] == first
    assert len(stored_in(laboratory, visit)) == 1


def test_a_record_that_changed_in_between_is_not_written(desk, laboratory, visit, file):
    looked = desk(desk.empty, file).text
    laboratory.client.patch(f"/v1/visits/{visit['id']}", json={"body_mass_kg": 80.0})
    answer = desk(looked, file, step="store")
    assert answer.status_code == 412
    assert "changed since you opened the form" in answer.text
    assert stored_in(laboratory, visit) == []


def test_the_page_of_the_person_leads_there_for_who_may_write(browser, tester_key, reader_key, visit):
    address = f"/visits/{visit['id']}/import"
    person = f"/people/{visit['subject_id']}"
    assert address in browser(tester_key).get(person).text
    assert address not in browser(reader_key).get(person).text
    assert browser(reader_key).get(address).status_code == 403
    assert browser().get(address).headers["location"].startswith("/sign-in")


def test_every_choice_of_a_column_has_a_unit_that_is_known():
    for value, words in MEANINGS:
        unit = value.partition("|")[2]
        assert not unit or parse_unit(unit) is not None, words


OFFSET_S = 40.0


@pytest.fixture
def sheet(laboratory, visit, rows):
    """A test whose sheet was filled in on a clock that began 40 s before that of the file."""
    test = laboratory.planned(visit["id"])
    notes = [
        {
            "stage": place + 1,
            "phase": "exercise",
            "time_s": row["end_s"] - 7.5 + OFFSET_S,
            "heart_rate_bpm": float(round(row["heart_rate_bpm"])),
        }
        for place, row in enumerate([one for one in rows() if one["phase"] == "exercise"][4::6])
    ]
    answer = laboratory.client.post(f"/v1/tests/{test['id']}/stage-notes", json=notes)
    assert answer.status_code == 200, answer.text
    return test


def of(laboratory, visit, desk, sheet):
    """The form as it is opened from the sheet."""
    return desk.browser.get(f"/visits/{visit['id']}/import?into={sheet['id']}").text


def test_the_chart_is_drawn_before_anything_is_stored(desk, laboratory, visit, file):
    looked = desk(desk.empty, file)
    picture = re.search(r'<img class="chart" src="data:image/svg\+xml;base64,([^"]+)"', looked.text)
    svg = base64.b64decode(picture[1]).decode()
    assert "Oxygen uptake, mL/min" in svg
    assert "exercise begins" in svg
    assert "by the sheet" not in svg
    assert "The clock of the file" not in looked.text
    assert stored_in(laboratory, visit) == []
    # A page allows pictures of its own and those written into it, and no more.
    assert "img-src 'self' data:" in looked.headers["content-security-policy"]


def test_a_begin_that_was_typed_is_the_one_drawn_though_it_is_zero(desk, file):
    places = []
    for typed in ("0", "0.001", ""):
        looked = desk(desk.empty, file, exercise_start_s=typed)
        picture = re.search(r'<img class="chart" src="data:image/svg\+xml;base64,([^"]+)"', looked.text)
        drawn = re.search(r'transform="([^"]+)"[^>]*>exercise begins<', base64.b64decode(picture[1]).decode())
        places.append([round(float(one)) for one in re.findall(r"[\d.]+", drawn[1])])
    assert places[0] == places[1] != places[2]


def test_the_sheet_that_waits_is_chosen_and_its_clock_is_proposed_but_never_applied(
    desk, laboratory, visit, file, sheet
):
    opened = of(laboratory, visit, desk, sheet)
    assert f'<option value="{sheet["id"]}" selected>' in opened
    looked = desk(opened, file, mode="", test_id=sheet["id"])
    proposal = looked.text.split("The clock of the file")[1].split("</dl>")[0]
    found = re.search(r'name="use" value="(-?[\d.]+)"', proposal)
    assert float(found[1]) == pytest.approx(OFFSET_S, abs=10.0)
    assert "heart rates of the sheet lie closest" in unescape(proposal)
    # Looked at and stored without taking it: the times are those of the file.
    stored = desk(looked.text, file, step="store", mode="", test_id=sheet["id"])
    assert stored.status_code == 303
    kept = laboratory.client.get(f"/v1/tests/{sheet['id']}/intervals").json()["items"]
    assert kept[0]["end_s"] == 15.0


def test_a_proposed_offset_is_shown_first_and_then_stored(desk, laboratory, visit, file, sheet):
    looked = desk(of(laboratory, visit, desk, sheet), file, mode="", test_id=sheet["id"])
    use = re.search(r'name="use" value="([^"]+)"', looked.text)[1]
    # Even together with storing it is shown first.
    shown = desk(looked.text, file, mode="", test_id=sheet["id"], use=use, step="store")
    assert shown.status_code == 200
    assert stored_in(laboratory, visit) == [sheet["id"]]
    assert laboratory.client.get(f"/v1/tests/{sheet['id']}").json()["n_intervals"] == 0
    offset = re.search(r'<input id="offset_s"[^>]* value="([^"]+)"', shown.text)[1]
    assert float(offset) == float(use)
    again = re.search(r'name="use" value="([^"]+)"', shown.text)[1]
    assert float(again) == float(use)
    stored = desk(shown.text, file, step="store", mode="", test_id=sheet["id"], offset_s=offset)
    assert stored.headers["location"] == f"/tests/{sheet['id']}"
    kept = laboratory.client.get(f"/v1/tests/{sheet['id']}/intervals").json()["items"]
    assert kept[0]["end_s"] == pytest.approx(15.0 + float(use))
    notes = laboratory.client.get(f"/v1/tests/{sheet['id']}/stage-notes").json()["items"]
    assert notes[0]["time_s"] > 0


def test_a_tester_may_choose_another_offset(desk, laboratory, visit, file, sheet):
    opened = of(laboratory, visit, desk, sheet)
    shown = desk(opened, file, mode="", test_id=sheet["id"], offset_s="12.5")
    stored = desk(shown.text, file, step="store", mode="", test_id=sheet["id"], offset_s="12.5")
    assert stored.status_code == 303
    kept = laboratory.client.get(f"/v1/tests/{sheet['id']}/intervals").json()["items"]
    assert kept[0]["end_s"] == 27.5


def test_a_file_that_began_before_the_sheet_loses_what_lies_before_and_says_so(
    desk, laboratory, visit, file, rows
):
    test = laboratory.planned(visit["id"])
    notes = [
        {
            "stage": place + 1,
            "time_s": row["end_s"] - 67.5,
            "heart_rate_bpm": float(round(row["heart_rate_bpm"])),
        }
        for place, row in enumerate([one for one in rows() if one["phase"] == "exercise"][4::6])
    ]
    laboratory.client.post(f"/v1/tests/{test['id']}/stage-notes", json=notes)
    opened = of(laboratory, visit, desk, test)
    looked = desk(opened, file, mode="", test_id=test["id"])
    assert "lie before the clock of the sheet" in looked.text
    use = re.search(r'name="use" value="([^"]+)"', looked.text)[1]
    offset, first, last = use.split("|")
    assert float(offset) == pytest.approx(-60.0, abs=10.0)
    shown = desk(looked.text, file, mode="", test_id=test["id"], use=use)
    assert shown.status_code == 200, shown.text
    typed = {"offset_s": offset, "first_s": first, "last_s": last}
    stored = desk(shown.text, file, step="store", mode="", test_id=test["id"], **typed)
    assert stored.status_code == 303
    kept = laboratory.client.get(f"/v1/tests/{test['id']}/intervals").json()["items"]
    assert kept[0]["end_s"] - kept[0]["duration_s"] >= 0


@pytest.mark.parametrize(
    ("typed", "name", "told"),
    [
        ({"offset_s": "soon"}, "offset_s", "must be a number"),
        ({"offset_s": "999999"}, "offset_s", "100000"),
    ],
)
def test_an_offset_that_cannot_be_is_told_at_its_field(
    desk, laboratory, visit, file, sheet, at_field, typed, name, told
):
    answer = desk(of(laboratory, visit, desk, sheet), file, mode="", test_id=sheet["id"], **typed)
    assert answer.status_code == 422
    assert told in at_field(answer.text, name)


def test_an_offset_that_would_make_times_negative_is_refused(desk, laboratory, visit, file, sheet):
    answer = desk(of(laboratory, visit, desk, sheet), file, mode="", test_id=sheet["id"], offset_s="-100")
    assert answer.status_code == 422
    assert "Choose a larger offset" in answer.text


def test_a_sheet_that_was_closed_still_waits_for_its_file(desk, laboratory, visit, file, sheet):
    laboratory.client.patch(f"/v1/tests/{sheet['id']}", json={"status": "complete"})
    opened = of(laboratory, visit, desk, sheet)
    assert f'<option value="{sheet["id"]}" selected>' in opened
    assert f'<a href="/tests/{sheet["id"]}/record">Recording sheet</a>' in opened
    looked = desk(opened, file, mode="", test_id=sheet["id"])
    assert desk(looked.text, file, step="store", mode="", test_id=sheet["id"]).status_code == 303
    # With its data it waits no longer.
    assert sheet["id"] not in of(laboratory, visit, desk, {"id": "x"})


def test_a_sheet_that_is_not_of_this_visit_is_told_at_the_field(desk, laboratory, visit, sheet, at_field):
    other = laboratory.planned(laboratory.visit(laboratory.subject()["id"])["id"])
    text = of(laboratory, visit, desk, other)
    assert "no such test that waits" in at_field(text, "test_id")
    assert "Recording sheet" not in text


@pytest.mark.parametrize("declared", [True, False], ids=["says its size", "does not"])
def test_a_body_that_is_too_large_is_refused_with_a_page(make_store, make_key, open_client, declared):
    store = make_store(max_upload_mib=1)
    key = make_key(store, "tester", "tester")
    laboratory = Laboratory(open_client(store, key))
    visit = laboratory.visit(laboratory.subject()["id"])
    one = open_client(store, follow_redirects=False)
    one.post("/sign-in", data={"key": key})
    body = [b"--b\r\n", *[bytes(1 << 20)] * 3]
    kind = {"Content-Type": "multipart/form-data; boundary=b"}
    answer = one.post(
        f"/visits/{visit['id']}/import", content=b"".join(body) if declared else iter(body), headers=kind
    )
    assert answer.status_code == 413
    assert answer.headers["content-type"].startswith("text/html")
    assert "larger than the 2 MiB" in answer.text
    assert "Nothing was stored" in answer.text
    assert 'id="text"' in answer.text
    # A program is told in its own form.
    told = laboratory.client.post(f"/v1/visits/{visit['id']}/imports", content=b"".join(body), headers=kind)
    assert (told.status_code, told.headers["content-type"]) == (413, "application/problem+json")


def test_a_file_that_is_larger_than_files_may_be_is_told_at_the_form(
    make_store, make_key, open_client, at_field
):
    store = make_store(max_upload_mib=1)
    key = make_key(store, "tester", "tester")
    laboratory = Laboratory(open_client(store, key))
    visit = laboratory.visit(laboratory.subject()["id"])
    one = open_client(store, follow_redirects=False)
    one.post("/sign-in", data={"key": key})
    address = f"/visits/{visit['id']}/import"
    held = dict(
        re.findall(
            r'<input type="hidden" name="(\w+)" value="([^"]*)"', one.get(address).text.split("<main")[1]
        )
    )
    answer = one.post(
        address, data=held | {"mode": "cycle"}, files={"file": ("large.csv", bytes((1 << 20) + 1))}
    )
    assert answer.status_code == 413
    assert '<option value="cycle" selected>' in answer.text
    assert "1 MiB" in answer.text or "1,048,576" in answer.text


def test_labels_are_words_and_no_names_of_options():
    from service.pages import import_form

    fields = (*import_form._MAIN, *import_form._MORE, import_form._OFFSET)
    assert len(fields) > 10
    assert [one.label for one in fields if "_" in one.label or one.name in one.label.split()] == []
