"""The recording sheet with plain forms alone: its clock, entries, marks and cool-down, and what a form refuses."""

import html
import json
import re
from datetime import UTC, datetime, timedelta

import pytest

HOSTILE = '<script>alert("x")</script>"\'><img src=x onerror=y>'


@pytest.fixture
def planned(laboratory):
    visit = laboratory.visit(laboratory.subject()["id"], resting_heart_rate_bpm=61.0)
    return laboratory.planned(visit["id"], mode="cycle", protocol_id="cycle_step_untrained", stop_reason=None)


class Sheet:
    """The sheet of a test in a browser without scripts."""

    def __init__(self, one, client, test):
        self.one, self.client, self.test = one, client, test
        self.address = f"/tests/{test['id']}/record"

    def text(self, query: str = "") -> str:
        answer = self.one.get(self.address + query)
        assert answer.status_code == 200, answer.text
        return answer.text

    def form(self, act: str, n: int = 0, query: str = "") -> dict[str, str]:
        """What the n-th form of an act holds before anything is typed."""
        found = re.findall(rf'<form [^>]*data-act="{act}".*?</form>', self.text(query), re.DOTALL)
        return dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', found[n]))

    def send(self, act: str, n: int = 0, query: str = "", **typed: str):
        return self.one.post(self.address, data=self.form(act, n, query) | typed)

    def do(self, act: str, n: int = 0, query: str = "", **typed: str) -> None:
        answer = self.send(act, n, query, **typed)
        assert answer.status_code == 303, html.unescape(re.sub("<[^>]+>", " ", answer.text))
        assert answer.headers["location"].startswith(self.address)

    def recording(self):
        return self.client.get(f"/v1/tests/{self.test['id']}/recording").json()

    def notes(self):
        return self.recording()["stage_notes"]


@pytest.fixture
def sheet(browser, tester_key, client, planned) -> Sheet:
    return Sheet(browser(tester_key), client, planned)


def marks_at(client, test, *, seconds_ago: float, load: float | None = None) -> None:
    """The clock and the first stage of exercise, some time ago."""
    at = (datetime.now(UTC) - timedelta(seconds=seconds_ago)).isoformat().replace("+00:00", "Z")
    answer = client.post(
        f"/v1/tests/{test['id']}/marks",
        json=[
            {"kind": "clock_started", "at": at},
            {"kind": "stage_started", "at": at, "phase": "exercise", "stage": 1, "work_rate_w": load},
        ],
    )
    assert answer.status_code == 200, answer.text


def test_a_whole_test_without_scripts(sheet, client, planned):
    assert "Not started" in sheet.text()
    sheet.do("start", phase="warm_up")
    assert "Warm-up" in sheet.text()
    assert client.get(f"/v1/tests/{planned['id']}").json()["status"] == "recording"
    sheet.do("stage", 0, phase="exercise")
    sheet.do(
        "note", rpe="11", rpe_scale="6-20", heart_rate_bpm="118", systolic_mmhg="142", diastolic_mmhg="74"
    )
    sheet.do("stage", 1)
    sheet.do(
        "note", rpe="15", rpe_scale="6-20", heart_rate_bpm="151", lactate_mmol_l="3.8", note="seat raised"
    )
    sheet.do("end")
    sheet.do("reason", stop_reason="legs", stop_note="could not keep the cadence")
    sheet.do("reading", 0, heart_rate_bpm="128")
    sheet.do("reading", 1, heart_rate_bpm="110", systolic_mmhg="150", diastolic_mmhg="72")
    sheet.do("cool_down", recovery_active="true", recovery_posture="sitting")
    text = sheet.text()
    assert "23 beats/min below the highest noted" in text
    assert "61 beats/min" in text
    told = sheet.recording()
    first, second, at_60, at_120 = told["stage_notes"]
    assert [
        first[name] for name in ("phase", "stage", "rpe", "rpe_scale", "heart_rate_bpm", "systolic_mmhg")
    ] == [
        *("exercise", 1, 11, "6-20", 118, 142),
    ]
    # The load of the protocol goes along: 20 W more each stage.
    assert second["work_rate_w"] - first["work_rate_w"] == 20
    assert (second["stage"], second["note"]) == (2, "seat raised")
    end_s = told["exercise_end_s"]
    # The analysis reads a note of recovery within 5 s of these moments.
    assert [note["time_s"] for note in (at_60, at_120)] == pytest.approx([end_s + 60, end_s + 120])
    assert told["exercise_start_s"] < end_s
    assert (told["stop_reason"], told["stop_note"]) == ("legs", "could not keep the cadence")
    sheet.do("complete")
    test = client.get(f"/v1/tests/{planned['id']}").json()
    assert (test["status"], test["recovery_active"], test["recovery_posture"]) == (
        "complete",
        True,
        "sitting",
    )
    after = sheet.text()
    assert f'href="/tests/{planned["id"]}">See what the test shows</a>' in after
    assert f"/visits/{planned['visit_id']}/import?into={planned['id']}" in after
    assert "<form" not in after.split("<main")[1]


def test_a_form_sent_twice_does_it_once(sheet, client, planned):
    for act, typed in (
        ("start", {"phase": "exercise"}),
        ("note", {"rpe": "13", "rpe_scale": "6-20"}),
        ("end", {}),
    ):
        form = sheet.form(act) | typed
        answers = [sheet.one.post(sheet.address, data=form) for _ in range(2)]
        assert [answer.status_code for answer in answers] == [303, 303], answers[1].text
    told = sheet.recording()
    assert len(told["stage_notes"]) == 1
    assert [mark["kind"] for mark in told["marks"]] == ["clock_started", "stage_started", "exercise_ended"]


def test_a_test_without_a_protocol_goes_by_hand(browser, tester_key, client, laboratory, planned):
    test = laboratory.planned(planned["visit_id"], mode="treadmill", stop_reason=None)
    sheet = Sheet(browser(tester_key), client, test)
    assert "stages by hand" in sheet.text()
    sheet.do("start", phase="exercise", speed_km_h="6.5", grade_percent="2")
    sheet.do("note", heart_rate_bpm="120")
    assert "Load of the next stage" in sheet.text()
    sheet.do("stage", 1, speed_km_h="8", grade_percent="2")
    sheet.do("note", heart_rate_bpm="140")
    assert [(note["stage"], note["speed_km_h"]) for note in sheet.notes()] == [(1, 6.5), (2, 8.0)]


def test_the_clock_is_that_of_the_server(sheet, client, planned):
    marks_at(client, planned, seconds_ago=130)
    text = sheet.text()
    # Stages of 2 min (the protocol says so): 130 s after the begin of exercise the second runs since 10 s.
    assert "Exercise, stage 2" in text
    assert re.search(r'id="in-stage">0:1\d<', text)
    assert re.search(r'id="left">1:[45]\d left<', text)
    assert re.search(r'id="test-clock">2:1\d<', text)
    assert "Next: Exercise, stage 3, 120 W" in text


def test_an_entry_may_belong_to_the_end_of_the_stage_before(sheet, client, planned):
    marks_at(client, planned, seconds_ago=130)
    sheet.do("note", rpe="12", rpe_scale="6-20", belongs="before")
    (note,) = sheet.notes()
    assert (note["stage"], note["work_rate_w"]) == (1, 80)
    assert 118 < note["time_s"] < 120


def test_the_end_of_the_stage_before_is_found_behind_a_stage_that_was_held(sheet, client, planned):
    marks_at(client, planned, seconds_ago=200)
    for kind, seconds_ago in (("stage_held", 70), ("stage_resumed", 20)):
        at = (datetime.now(UTC) - timedelta(seconds=seconds_ago)).isoformat().replace("+00:00", "Z")
        client.post(f"/v1/tests/{planned['id']}/marks", json=[{"kind": kind, "at": at}])
    sheet.do("note", rpe="12", rpe_scale="6-20", belongs="before")
    (note,) = sheet.notes()
    # The second stage began 120 s after the first, and was held for 50 of its 80 s.
    assert (note["stage"], note["work_rate_w"]) == (1, 80)
    assert 118 < note["time_s"] < 120


def test_a_place_that_no_entry_has_opens_an_empty_form(sheet, client, planned):
    marks_at(client, planned, seconds_ago=30)
    sheet.do("note", rpe="13", rpe_scale="6-20", heart_rate_bpm="182")
    for place in ("-1", "1", "99"):
        assert 'value="182"' not in sheet.text(f"?entry={place}")


def test_a_ramp_has_the_load_of_the_moment(browser, tester_key, client, laboratory, planned):
    test = laboratory.planned(
        planned["visit_id"], mode="cycle", protocol_id="cycle_ramp_20", stop_reason=None
    )
    marks_at(client, test, seconds_ago=60)
    sheet = Sheet(browser(tester_key), client, test)
    sheet.do("note", heart_rate_bpm="120")
    (note,) = sheet.notes()
    start = next(step for step in sheet.recording()["steps"] if step["phase"] == "exercise")["work_rate_w"]
    assert note["stage"] is None
    assert note["work_rate_w"] == pytest.approx(start + 20, abs=2)


def test_held_and_gone_on(sheet, client, planned):
    marks_at(client, planned, seconds_ago=30)
    sheet.do("hold")
    assert re.search(r'data-act="hold"[^>]*hidden', sheet.text())
    sheet.do("go_on")
    assert [mark["kind"] for mark in sheet.recording()["marks"]][2:] == ["stage_held", "stage_resumed"]


def test_the_end_is_taken_back(sheet, client, planned):
    marks_at(client, planned, seconds_ago=30)
    sheet.do("end")
    assert sheet.recording()["exercise_end_s"] is not None
    sheet.do("take_back", 0)
    told = sheet.recording()
    assert (told["exercise_end_s"], told["marks"][-1]["counts"]) == (None, False)
    assert "taken back" in sheet.text()


def test_an_entry_is_changed_in_its_place(sheet, client, planned):
    marks_at(client, planned, seconds_ago=30)
    sheet.do("note", rpe="13", rpe_scale="6-20", heart_rate_bpm="182")
    (before,) = sheet.notes()
    text = sheet.text("?entry=0")
    assert 'value="182"' in text
    sheet.do("note", query="?entry=0", rpe="13", rpe_scale="6-20", heart_rate_bpm="128")
    (after,) = sheet.notes()
    assert after == before | {"heart_rate_bpm": 128}


def test_a_stop_sign_is_one_touch(sheet, client, planned):
    marks_at(client, planned, seconds_ago=30)
    text = sheet.text()
    signs = re.findall(r'<button name="(symptoms|note)" value="([^"]+)" data-sign="(\w+)"', text)
    assert {"chest_pain", "asks_to_stop", "systolic_fall", "ecg"} <= {code for *_, code in signs}
    where, label = next((where, label) for where, label, code in signs if code == "chest_pain")
    sheet.do("note", 1, **{where: label})
    (note,) = sheet.notes()
    assert (note["symptoms"], note["phase"], note["stage"], note["rpe_scale"]) == (
        "Chest pain",
        "exercise",
        1,
        None,
    )
    assert any(one["code"] == "symptom_chest_pain" for one in client.get(
        f"/v1/tests/{planned['id']}/analysis").json()["cautions_of_test"])  # fmt: skip


@pytest.mark.parametrize(
    ("typed", "name", "told"),
    [
        ({"rpe": "21"}, "rpe", "20"),
        ({"rpe": "13,5"}, "rpe", "decimal point"),
        ({"heart_rate_bpm": HOSTILE}, "heart_rate_bpm", "must be a number"),
        ({"heart_rate_bpm": "1300"}, "heart_rate_bpm", "is not possible"),
        ({"systolic_mmhg": "nan"}, "systolic_mmhg", "must be a number"),
        ({"lactate_mmol_l": "1e999"}, "lactate_mmol_l", "must be a number"),
        ({"rpe_scale": "0-100", "rpe": "8"}, "rpe_scale", "6-20"),
        ({"note": "x" * 10_001}, "note", "10000"),
        ({}, "rpe", "at least one value"),
    ],
)
def test_a_value_that_cannot_be_is_told_at_its_field(sheet, client, planned, at_field, typed, name, told):
    marks_at(client, planned, seconds_ago=30)
    kept = {"rpe_scale": "6-20", "symptoms": HOSTILE if name != "rpe" or typed else ""} | typed
    answer = sheet.send("note", **kept)
    assert answer.status_code == 422
    assert told in html.unescape(at_field(answer.text, name)).replace(",", "")
    assert "<script>alert" not in answer.text
    # What was typed is kept.
    for value in kept.values():
        assert html.escape(value[:200], quote=False).split('"')[0] in answer.text.replace(
            "&#34;", '"'
        ).replace("&#39;", "'")
    assert sheet.notes() == []


def test_a_rating_that_is_not_on_its_scale_is_refused(sheet, client, planned):
    marks_at(client, planned, seconds_ago=30)
    answer = sheet.send("note", rpe="14", rpe_scale="0-10")
    assert answer.status_code == 422
    assert "on the scale 0-10 cannot be above 10" in answer.text
    assert sheet.notes() == []


def test_hostile_words_are_words(sheet, client, planned):
    marks_at(client, planned, seconds_ago=30)
    sheet.do("note", symptoms=HOSTILE, note="</script>{{ 7 * 7 }}")
    text = sheet.text()
    assert "<img src=x" not in text
    assert "&lt;/script&gt;{{ 7 * 7 }}" in text.split("What is recorded")[-1].split("</table>")[0]
    held = json.loads(html.unescape(re.search(r'data-sheet="([^"]*)"', text)[1]))
    assert held["recording"]["stage_notes"][0]["symptoms"] == HOSTILE


@pytest.mark.parametrize(
    "sent",
    [
        {"act": "void"},
        {"act": "note", "colour": "red"},
        {"act": "take_back", "kind": "exercise_ended", "at": "2026-03-14T09:40:00Z"},
        {"act": "take_back", "kind": "x", "at": "yesterday"},
        {"act": "reading", "after_s": "61", "heart_rate_bpm": "120"},
        {"act": "reason", "stop_reason": "legs"},
        {"act": "start", "phase": "sprint"},
        {"act": "start"},
        {"act": "end"},
        {"act": "note", "entry": "7", "rpe": "12", "rpe_scale": "6-20"},
        {"act": "note", "rpe": "12", "rpe_scale": "6-20", "once": "\u20ac" * 9},
    ],
)
def test_a_form_that_means_nothing_stores_nothing(sheet, sent):
    answer = sheet.one.post(sheet.address, data={"form_token": sheet.form("start")["form_token"]} | sent)
    assert answer.status_code in {409, 422}, answer.text
    assert "<h1>" in answer.text
    assert (sheet.recording()["marks"], sheet.notes()) == ([], [])


def test_another_session_cannot_send_the_form(sheet):
    form = sheet.form("start") | {"phase": "rest", "form_token": "0" * 64}
    assert sheet.one.post(sheet.address, data=form).status_code == 403


def test_who_reads_watches_and_does_nothing(browser, reader_key, client, planned):
    marks_at(client, planned, seconds_ago=30)
    one = browser(reader_key)
    text = one.get(f"/tests/{planned['id']}/record").text
    assert "Exercise, stage 1" in text
    assert "<form" not in text.split("<main")[1]
    assert "/import?into=" not in text
    assert one.post(f"/tests/{planned['id']}/record", data={"act": "end"}).status_code == 403


def test_who_may_not_see_the_person_sees_no_sheet(store, browser, make_key, laboratory, planned):
    other = laboratory.subject()
    limited = browser(make_key(store, "limited", "tester", subject_codes=[other["code"]]))
    assert limited.get(f"/tests/{planned['id']}/record").status_code == 404
    assert browser().get(f"/tests/{planned['id']}/record").headers["location"].startswith("/sign-in")


def test_names_are_for_those_who_may_see_them(browser, reader_key, tester_key, laboratory):
    subject = laboratory.subject(given_name="Mirelle", family_name="Quandt")
    test = laboratory.planned(laboratory.visit(subject["id"])["id"])
    address = f"/tests/{test['id']}/record"
    assert "Quandt" in browser(tester_key).get(address).text
    assert "Quandt" not in browser(reader_key).get(address).text
