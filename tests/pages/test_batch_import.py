"""Several files in one go: every line is shown first, stored by itself, and never twice; with and without scripts."""

import csv
import io
import re
from html import unescape

import pytest

from service.intake.templates import TEMPLATES
from service.pages import batch_import

TEST = TEMPLATES["intervals"].csv_text(filled=True).encode()
OTHER = TEST.replace(b"78", b"79")
FAULTY = TEST.replace(b"1172", b"twelve")


def list_of(*rows, **more):
    """A list of tests as CSV."""
    names = ["subject", "date", "mode", "file", "body_mass_kg", *more]
    text = io.StringIO()
    csv.writer(text).writerows([names, *rows])
    return text.getvalue().encode()


@pytest.fixture
def desk(browser, tester_key):
    """Sends the form as a browser does: what the page before held, what was typed, and files chosen again."""
    one = browser(tester_key)

    def send(before, files=(), manifest=None, *, step="look", **typed):
        main = before.split("<main")[1] if "<main" in before else before
        held = {
            name: unescape(value)
            for name, value in re.findall(
                r'<input (?:type="hidden"|id="\w+") name="(\w+)" value="([^"]*)"', main
            )
        }
        for name, options in re.findall(
            r'<select id="\w+" name="(\w+)"[^>]*>(.*?)</select>', main, re.DOTALL
        ):
            chosen = re.search(r'<option(?: value="([^"]*)")? selected>([^<]*)', options)
            held[name] = "" if chosen is None else chosen[1] or chosen[2]
        sent = [("files", (name, data)) for name, data in files]
        sent += [("manifest", ("list.csv", manifest))] if manifest is not None else []
        return one.post("/imports", data=held | {"step": step} | typed, files=sent or [("files", ("", b""))])

    send.empty = one.get("/imports").text
    return send


def line(text, number):
    """One line of the table: its state, and the words of its result."""
    body = text.split(f'id="line_{number}"')[1].split("</tbody>")[0]
    words = re.sub(r"<[^>]*>", " ", body.split('class="result"')[1].partition(">")[2])
    return re.search(r'data-state="(\w+)"', body)[1], " ".join(unescape(words).split())


def people(laboratory):
    return {one["code"]: one for one in laboratory.client.get("/v1/subjects").json()["items"]}


def stored_for(laboratory, code):
    found = people(laboratory).get(code)
    if found is None:
        return []
    return [
        test
        for visit in laboratory.client.get(f"/v1/subjects/{found['id']}/visits").json()["items"]
        for test in visit["tests"]
    ]


ROWS = (
    ("B-1", "2024-05-06", "cycle", "one.csv", "70"),
    ("B-1", "2024-09-09", "cycle", "two.csv", "71"),
    ("B-2", "2024-05-06", "cycle", "faulty.csv", "80"),
    ("B-3", "2024-05-06", "swimming", "one.csv", "800"),
    ("B-4", "2024-05-06", "cycle", "nowhere.csv", "80"),
)
FILES = (("one.csv", TEST), ("two.csv", OTHER), ("faulty.csv", FAULTY))


def test_every_line_is_shown_before_anything_is_stored(desk, laboratory):
    looked = desk(desk.empty, FILES, list_of(*ROWS))
    assert looked.status_code == 200
    assert [line(looked.text, at)[0] for at in range(2, 7)] == ["ready", "ready", *["refused"] * 3]
    assert line(looked.text, 2)[1].startswith("Can be stored. 48 intervals. New person.")
    for words in ("row 11", "VO2", "twelve"):
        assert words in line(looked.text, 4)[1]
    for words in ("mode: Use one of: treadmill", "body mass kg: Body mass lies between 10 and 400 kg"):
        assert words in line(looked.text, 5)[1]
    assert "'nowhere.csv' is not among the files" in line(looked.text, 6)[1]
    assert "<li>2 can be stored</li>" in looked.text
    assert "<li>3 refused" in looked.text
    assert people(laboratory) == {}


def test_good_lines_are_stored_and_refused_ones_leave_nothing_behind(desk, laboratory):
    looked = desk(desk.empty, FILES, list_of(*ROWS))
    stored = desk(looked.text, FILES, list_of(*ROWS), step="store")
    assert [line(stored.text, at)[0] for at in range(2, 7)] == ["stored", "stored", *["refused"] * 3]
    assert set(people(laboratory)) == {"B-1"}
    first, second = stored_for(laboratory, "B-1")
    assert re.findall(r'href="/tests/(\w+)"', stored.text) == [first, second]
    assert "VO2peak" in line(stored.text, 2)[1]
    assert "<b>Done: all 5 lines.</b>" in stored.text
    # The same again is known, and the mended line goes in.
    mended = (*FILES[:2], ("faulty.csv", TEST.replace(b"320", b"321")))
    again = desk(desk.empty, mended, list_of(*ROWS))
    assert [line(again.text, at)[0] for at in range(2, 5)] == ["known", "known", "ready"]
    done = desk(again.text, mended, list_of(*ROWS), step="store")
    assert [line(done.text, at)[0] for at in range(2, 5)] == ["known", "known", "stored"]
    assert stored_for(laboratory, "B-1") == [first, second]
    assert len(stored_for(laboratory, "B-2")) == 1
    actors = {one["actor"] for one in laboratory.client.get("/v1/changes").json()["items"] if "actor" in one}
    assert actors <= {"tester"}


@pytest.mark.parametrize("what", ["never shown", "another file", "another mass"])
def test_what_was_not_shown_like_this_is_shown_and_not_stored(desk, laboratory, what):
    rows = ROWS[:2]
    before = desk.empty if what == "never shown" else desk(desk.empty, FILES, list_of(*rows)).text
    files = [("one.csv", OTHER), ("two.csv", OTHER)] if what == "another file" else FILES
    rows = [(*rows[0][:4], "77"), rows[1]] if what == "another mass" else rows
    answer = desk(before, files, list_of(*rows), step="store").text
    assert line(answer, 2)[0] == "changed"
    assert "Not stored: not what was shown before" in line(answer, 2)[1]
    assert line(answer, 3)[0] == ("changed" if what == "never shown" else "stored")
    # Shown now, it is stored with the next.
    again = desk(answer, files, list_of(*rows), step="store").text
    assert line(again, 2)[0] == "stored"
    assert len(stored_for(laboratory, "B-1")) == 2


def test_without_a_list_the_lines_are_typed_and_proposed_from_the_names(desk, laboratory, at_field):
    laboratory.subject(code="K-7")
    files = [("K-7 2025-01-31.csv", TEST), ("K-77-2025-02-30.csv", OTHER)]
    asked = desk(desk.empty, files, mode="cycle").text
    assert [line(asked, at) for at in (1, 2)] == [("waiting", "fill in the line, then look")] * 2
    values = dict(re.findall(r'<input id="(\w+)" name="\w+" value="([^"]*)"', asked))
    assert (values["subject_1"], values["date_1"]) == ("K-7", "2025-01-31")
    # Neither a code that only begins like that, nor a day that there is not.
    assert (values["subject_2"], values["date_2"]) == ("", "")
    typed = {"subject_2": "K-8", "date_2": "2025-02-28", "body_mass_kg_2": "71.5 kg", "mode_2": ""}
    looked = desk(asked, files, body_mass_kg_1="70.5", **typed).text
    assert line(looked, 1)[0] == "ready"
    assert "New visit" in line(looked, 1)[1]
    assert line(looked, 2)[0] == "refused"
    for name, words in (("body_mass_kg_2", "must be a number"), ("mode_2", "The mode is missing")):
        assert f'id="{name}"' in looked
        marks = re.search(rf'<(?:input|select) id="{name}"[^>]*>', looked)[0]
        assert 'aria-invalid="true" aria-describedby="result_2"' in marks
        assert words in line(looked, 2)[1]
    mended = desk(looked, files, body_mass_kg_2="71.5", mode_2="cycle").text
    assert [line(mended, at)[0] for at in (1, 2)] == ["ready", "ready"]
    stored = desk(mended, files, step="store").text
    assert [line(stored, at)[0] for at in (1, 2)] == ["stored", "stored"]
    (visit,) = laboratory.client.get(f"/v1/subjects/{people(laboratory)['K-8']['id']}/visits").json()["items"]
    assert (visit["body_mass_kg"], visit["started_at"][:10]) == (71.5, "2025-02-28")


def test_a_person_and_a_visit_that_differ_from_the_record_are_told(desk, laboratory):
    subject = laboratory.subject(code="B-1", sex="female")
    laboratory.visit(subject["id"], started_at="2024-05-06T10:00:00+02:00", body_mass_kg=66.0)
    rows = [(*ROWS[0], "male"), (*ROWS[1], "female")]
    looked = desk(desk.empty, FILES, list_of(*rows, sex="")).text
    assert line(looked, 2)[0] == "refused"
    for words in ("sex: is female in the record", "body_mass_kg: is 66.0 in the record"):
        assert words in line(looked, 2)[1]
    assert line(looked, 3)[0] == "ready"
    assert "New visit" in line(looked, 3)[1]


def test_the_mass_of_the_record_counts_where_the_list_says_none(desk, laboratory):
    """A file of uptake per kilogram alone needs a body mass; the visit has it."""
    subject = laboratory.subject(code="B-1")
    laboratory.visit(subject["id"], started_at="2024-05-06T10:00:00+02:00", body_mass_kg=66.0)
    data = b"Time (s),VO2 (mL/kg/min),HR\n" + b"".join(
        b"%d,%d,%d\n" % (60 * at, 9 + 4 * at, 90 + 10 * at) for at in range(1, 9)
    )
    rows = [("B-1", "2024-05-06", "cycle", "one.csv", ""), ("B-1", "2024-05-07", "cycle", "one.csv", "")]
    looked = desk(desk.empty, [("one.csv", data)], list_of(*rows)).text
    assert [line(looked, at)[0] for at in (2, 3)] == ["ready", "refused"]
    assert "body mass" in line(looked, 3)[1]
    stored = desk(looked, [("one.csv", data)], list_of(*rows), step="store").text
    assert [line(stored, at)[0] for at in (2, 3)] == ["stored", "refused"]


def test_a_file_read_with_other_options_leads_to_its_test(desk, laboratory):
    subject = laboratory.subject(code="B-1")
    visit = laboratory.visit(subject["id"], started_at="2024-05-06T10:00:00+02:00", body_mass_kg=70)
    made = laboratory.upload(visit["id"], TEST, {"mode": "cycle", "shape": "ramp"}).json()
    for step in ("look", "store"):
        answer = desk(desk(desk.empty, FILES, list_of(ROWS[0])).text, FILES, list_of(ROWS[0]), step=step).text
        assert line(answer, 2)[0] == "refused"
        assert f'href="/tests/{made["test_id"]}"' in answer


@pytest.mark.parametrize(
    ("manifest", "status", "told"),
    [
        (b"name,colour\nx,red\n", 422, "is not a manifest"),
        (b"%PDF-1.7", 415, "not a table"),
        (b"subject,date,mode,file\n", 422, "lists no test"),
        (None, 422, "choose at least one data file"),
    ],
    ids=["columns", "pdf", "no rows", "nothing chosen"],
)
def test_a_list_that_cannot_be_read_is_told_at_its_field(desk, at_field, manifest, status, told):
    answer = desk(desk.empty, (), manifest)
    assert answer.status_code == status
    assert told in unescape(at_field(answer.text, "files" if manifest is None else "manifest"))


def test_names_are_texts_and_no_markup(desk, laboratory):
    hostile = "<script>alert(1).csv"
    answer = desk(desk.empty, [(hostile, TEST)]).text
    assert "<script>alert" not in answer
    assert "&lt;script&gt;" in answer
    assert people(laboratory) == {}


def test_two_files_of_one_name_are_not_confused(desk):
    files = [("a/one.csv", TEST), ("b/one.csv", OTHER)]
    assert "was chosen twice" in line(desk(desk.empty, files, list_of(ROWS[0])).text, 2)[1]


def test_more_lines_than_a_page_holds_are_for_the_command(desk, at_field, monkeypatch):
    monkeypatch.setattr(batch_import, "MOST_LINES", 2)
    answer = desk(desk.empty, FILES, list_of(*ROWS))
    assert answer.status_code == 422
    assert "upslope import --manifest" in at_field(answer.text, "files")


def test_a_script_sends_line_by_line(desk, laboratory):
    """First the list with the names alone, then each line with its own file."""
    manifest = list_of(*ROWS)
    listed = desk(desk.empty, (), manifest, step="list", part="table", names="one.csv\ntwo.csv").text
    assert "<html" not in listed
    assert [line(listed, at)[0] for at in range(2, 7)] == ["waiting"] * 5
    shown = desk(desk.empty, [FILES[1]], manifest, part="rows", lines="3").text
    assert re.findall(r'id="line_(\d+)"', shown) == ["3"]
    assert line(shown, 3)[0] == "ready"
    seen = re.search(r'name="seen_3" value="(\w+)"', shown)[1]
    done = desk(desk.empty, [FILES[1]], manifest, step="store", part="rows", lines="3", seen_3=seen).text
    assert line(done, 3)[0] == "stored"
    # Sent again after a lost answer, it is known.
    again = desk(desk.empty, [FILES[1]], manifest, step="store", part="rows", lines="3", seen_3=seen).text
    assert line(again, 3)[0] == "known"
    assert len(stored_for(laboratory, "B-1")) == 1


@pytest.mark.parametrize("lines", ["\u00b2", "9" * 5000, "3,x,\u0663"])
def test_a_line_that_is_no_number_names_none(desk, lines):
    answer = desk(desk.empty, FILES, list_of(*ROWS), part="rows", lines=lines)
    assert answer.status_code == 200


def test_many_typed_lines_go_in_one_form(desk):
    """Without scripts all fields of all lines come at once."""
    many = [(f"file-{number}.csv", b"") for number in range(1, 201)]
    listed = desk(desk.empty, many, step="list")
    assert listed.status_code == 200
    looked = desk(listed.text, many)
    assert looked.status_code == 200, re.sub("<[^>]+>", " ", looked.text)[-600:]
    assert line(looked.text, 200)[0] == "refused"


def test_a_fault_of_the_service_in_one_line_stops_no_other(desk, laboratory, monkeypatch):
    looked = desk(desk.empty, FILES, list_of(*ROWS[:2])).text
    run = batch_import.run_jobs

    def failing(store, actor, jobs):
        if jobs[0].name.startswith("row 2 "):
            raise RuntimeError("broken")
        return run(store, actor, jobs)

    monkeypatch.setattr(batch_import, "run_jobs", failing)
    stored = desk(looked, FILES, list_of(*ROWS[:2]), step="store").text
    assert [line(stored, at)[0] for at in (2, 3)] == ["refused", "stored"]
    assert "nothing of it was stored" in line(stored, 2)[1]
    assert len(stored_for(laboratory, "B-1")) == 1


def test_files_larger_than_what_is_kept_in_memory_are_read(desk):
    """A part of a form above 1 MiB stands in a temporary file, which must be there until the last line."""
    large = b"".join(b"%s\r\n" % (b"remark " * 1000) for _ in range(160)) + TEST
    assert len(large) > 1024 * 1024
    looked = desk(desk.empty, [("one.csv", large)], list_of(ROWS[0]))
    assert line(looked.text, 2)[0] == "ready"


def test_it_is_for_who_may_add_people(browser, reader_key, tester_key, make_key, store, laboratory):
    subject = laboratory.subject()
    limited = make_key(store, "limited", "tester", subject_codes=[subject["code"]])
    assert browser(reader_key).get("/imports").status_code == 403
    assert browser(limited).get("/imports").status_code == 403
    assert browser().get("/imports").headers["location"].startswith("/sign-in")
    assert 'href="/imports"' in browser(tester_key).get("/people").text
    assert 'href="/imports"' not in browser(reader_key).get("/people").text
