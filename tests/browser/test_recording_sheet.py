"""The recording sheet in a real browser: nothing lost and nothing twice, whatever happens to page and connection."""

import json
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright.sync_api import Page, Route, expect

CASES = json.loads((Path(__file__).parents[1] / "pages" / "standing_cases.json").read_text())

#: Short stages, so that a test of the sheet sees them pass; an invented protocol.
QUICK = {
    "id": "quick_steps",
    "name": "Quick steps",
    "mode": "cycle",
    "shape": "step",
    "source": "invented",
    "stages": [
        {"phase": "warm_up", "duration_s": 60, "work_rate_w": 30},
        *({"phase": "exercise", "duration_s": 5, "work_rate_w": 50 + 25 * stage} for stage in range(3)),
        {"phase": "exercise", "duration_s": 600, "work_rate_w": 125},
    ],
}


class Recorded:
    """A planned test of the served record, asked over the interface."""

    def __init__(self, client: httpx.Client, test: dict[str, Any]) -> None:
        self.client, self.test = client, test
        self.id: str = test["id"]
        self.sheet = f"/tests/{self.id}/record"

    def recording(self) -> dict[str, Any]:
        return self.client.get(f"/v1/tests/{self.id}/recording").json()

    def notes(self) -> list[dict[str, Any]]:
        return self.recording()["stage_notes"]

    def marks(self) -> list[dict[str, Any]]:
        return self.recording()["marks"]

    def begin(self, stage_load_w: float = 60.0) -> None:
        marks = [{"kind": "clock_started"}, {"kind": "stage_started", "phase": "exercise", "stage": 1}]
        marks[1] |= {"work_rate_w": stage_load_w}  # type: ignore[dict-item]
        assert self.client.post(f"/v1/tests/{self.id}/marks", json=marks).is_success

    def until(self, holds: Callable[[], bool], within_s: float = 15.0) -> None:
        until = time.monotonic() + within_s
        while not holds():
            assert time.monotonic() < until, self.recording()
            time.sleep(0.05)


@pytest.fixture
def recorded(served_empty, empty_key):
    """Makes planned tests."""
    with httpx.Client(
        base_url=served_empty.address, headers={"Authorization": f"Bearer {empty_key}"}, timeout=30
    ) as client:
        if client.get(f"/v1/protocols/{QUICK['id']}").status_code == 404:
            assert client.post("/v1/protocols", json=QUICK).is_success

        def make(**fields: Any) -> Recorded:
            code = f"R-{time.monotonic_ns()}"
            subject = client.post("/v1/subjects", json={"code": code, "sex": "female"}).json()
            visit = client.post(
                f"/v1/subjects/{subject['id']}/visits",
                json={"started_at": "2026-03-14T09:30:00+01:00", "resting_heart_rate_bpm": 58.0},
            ).json()
            answer = client.post(f"/v1/visits/{visit['id']}/tests", json={"mode": "cycle"} | fields)
            assert answer.is_success, answer.text
            return Recorded(client, answer.json())

        yield make


@pytest.fixture
def open_sheet(open_page, served_empty, empty_key):
    def open_one(test: Recorded, **options: Any) -> Page:
        page = open_page(served_empty, empty_key, **options)
        page.goto(test.sheet)
        expect(page.locator("#connection")).to_have_text("Everything is on the server.")
        return page

    return open_one


def press(page: Page, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).click()


def enter(page: Page, **values: str) -> None:
    """Type an entry and store it."""
    for name, value in values.items():
        field = page.locator(f"#entry [name={name}]")
        if not field.is_visible():
            page.locator("#more summary").click()
        field.fill(value)
    press(page, "Store the entry")


def log(page: Page) -> list[list[str]]:
    """Lines of what is recorded: time, what, state."""
    return page.locator("#log tr").evaluate_all(
        """(rows) => rows.map((row) => [
            row.cells[0].textContent,
            row.cells[1].textContent.trim(),
            row.querySelector(".state").textContent,
        ])"""
    )


def states(page: Page) -> set[str]:
    return {line[2] for line in log(page)}


# -- the clock --------------------------------------------------------------------------------------------------------


def test_the_browser_finds_where_a_test_is_as_the_service_does(open_page, served_empty):
    page = open_page(served_empty)
    page.goto("/guide")
    for case in CASES:
        for seconds, expected in case["expected"]:
            told = page.evaluate(
                """async ([marks, steps, at]) => {
                    const { standing } = await import("/static/recording.js");
                    return standing(marks, steps, at);
                }""",
                [
                    [{"counts": True, **mark, "at": mark["at"] * 1000} for mark in case["marks"]],
                    case["steps"],
                    seconds * 1000,
                ],
            )
            if told.get("next") is not None:
                told["next"] = [told["next"]["phase"], told["next"].get("stage")]
            told["stage_began_s"] = told.get("stage_began_at", 0) / 1000
            assert {name: told.get(name) for name in expected} == expected, (case["name"], seconds)


#: Common practice, no source: ratings and heart rate near the end of a stage, pressure in its last minute.
ASKED = [
    # phase, length of the stage, rise per minute, time in the stage, time in exercise; what is asked
    ("warm_up", 180, None, 170, 0, None),
    ("exercise", 180, None, 100, 100, None),
    ("exercise", 180, None, 125, 125, {"pressure"}),
    ("exercise", 180, None, 155, 155, {"rpe", "heart_rate", "pressure"}),
    ("exercise", 120, None, 95, 95, {"rpe", "heart_rate", "pressure"}),
    ("exercise", 60, None, 20, 20, None),
    ("exercise", 60, None, 40, 40, {"rpe", "heart_rate"}),
    ("exercise", 60, None, 40, 100, {"rpe", "heart_rate", "pressure"}),
    ("exercise", 60, None, 40, 160, {"rpe", "heart_rate"}),
    ("exercise", 900, 20, 60, 60, None),
    ("exercise", 900, 20, 95, 95, {"rpe", "heart_rate", "pressure"}),
    ("exercise", 900, 20, 121, 121, None),
    ("exercise", 900, 20, 215, 215, {"rpe", "heart_rate", "pressure"}),
    ("exercise", None, None, 100, 100, None),
    ("exercise", None, None, 155, 155, {"rpe", "heart_rate", "pressure"}),
]


def test_what_is_asked_and_when(open_page, served_empty):
    page = open_page(served_empty)
    page.goto("/guide")
    for phase, length, rise, in_stage, in_exercise, expected in ASKED:
        step = None if length is None else {"duration_s": length, "ramp_w_per_min": rise}
        place = {"phase": phase, "stage": 1, "step": step, "in_stage_s": in_stage}
        place["left_s"] = None if length is None else length - in_stage
        told = page.evaluate(
            """async ([place, exercise_s]) => {
                const { askedAt } = await import("/static/recording.js");
                return askedAt(place, exercise_s)?.keys ?? null;
            }""",
            [place, in_exercise],
        )
        main = None if told is None else set(told) & {"rpe", "heart_rate", "pressure"}
        assert main == expected, (length, rise, in_stage, in_exercise)


def test_the_clock_follows_the_protocol_and_says_when_a_stage_ends(recorded, open_sheet):
    test = recorded(protocol_id=QUICK["id"])
    page = open_sheet(test)
    expect(page.locator("#next")).to_have_text("Next: Warm-up, 30 W")
    press(page, "Start with exercise")
    expect(page.locator("#phase")).to_have_text("Exercise, stage 1")
    expect(page.locator("#load")).to_have_text("50 W")
    expect(page.locator("#next")).to_have_text("Next: Exercise, stage 2, 75 W")
    said = page.locator("#asked")
    assert said.get_attribute("aria-live") == "assertive"
    expect(said).to_contain_text("Exercise, stage 1 is about to end: perceived exertion, heart rate")
    expect(page.locator("#asked-list")).to_contain_text("Perceived exertion: open")
    expect(page.locator("#phase")).to_have_text("Exercise, stage 2")
    expect(page.locator("#load")).to_have_text("75 W")
    enter(page, rpe="12", heart_rate_bpm="131")
    test.until(lambda: len(test.notes()) == 1)
    note = test.notes()[0]
    assert (note["stage"], note["work_rate_w"], note["rpe"], note["rpe_scale"]) == (2, 75, 12, "6-20")
    press(page, "Hold this stage")
    expect(page.locator("#phase")).to_contain_text("held")
    held = page.locator("#in-stage").inner_text()
    page.wait_for_timeout(1500)
    assert page.locator("#in-stage").inner_text() == held
    press(page, "Go on with the protocol")
    expect(page.locator("#phase")).to_have_text("Exercise, stage 3")
    press(page, "Next stage now")
    expect(page.locator("#phase")).to_have_text("Exercise, stage 4")
    expect(page.locator("#load")).to_have_text("125 W")


def test_the_load_of_a_stage_does_not_stand_over_the_cool_down(recorded, open_sheet):
    page = open_sheet(recorded())
    page.locator("#start-work_rate_w").fill("60")
    press(page, "Start with exercise")
    expect(page.locator("#asked")).to_have_text("Exercise, stage 1: 60 W.")
    press(page, "End exercise")
    expect(page.locator("#phase")).to_have_text("Recovery")
    expect(page.locator("#asked")).to_be_empty()


# -- nothing lost, nothing twice ----------------------------------------------------------------------------------------


def test_a_whole_test_with_a_reload_in_the_middle(recorded, open_sheet):
    test = recorded()
    page = open_sheet(test)
    page.locator("#start-work_rate_w").fill("60")
    press(page, "Start with exercise")
    page.get_by_role("group", name="Perceived exertion").get_by_role("button", name="11", exact=True).click()
    enter(page, heart_rate_bpm="120", systolic_mmhg="140", diastolic_mmhg="70")
    expect(page.locator("#log")).to_contain_text(
        "RPE 11, HR 120 beats/min, SBP 140 mmHg, DBP 70 mmHg, scale 6-20"
    )
    page.reload()
    expect(page.locator("#phase")).to_have_text("Exercise, stage 1")
    expect(page.locator("#load")).to_have_text("60 W")
    page.locator("#next-work_rate_w").fill("90")
    press(page, "Next stage now")
    expect(page.locator("#phase")).to_have_text("Exercise, stage 2")
    enter(page, rpe="16", heart_rate_bpm="155")
    press(page, "Chest pain")
    expect(page.locator("#asked")).to_contain_text("Noted: Chest pain")
    press(page, "End exercise")
    press(page, "A symptom")
    expect(page.get_by_role("button", name="A symptom", exact=True)).to_have_attribute("aria-pressed", "true")
    moment = page.locator(".moment").first
    moment.locator("input[name=heart_rate_bpm]").fill("131")
    moment.get_by_role("button").click()
    expect(moment).to_contain_text("24 beats/min below the highest noted")
    page.locator("[name=recovery_active]").select_option("true")
    press(page, "Store how the cool-down was done")
    expect(page.locator("#connection")).to_have_text("Everything is on the server.")
    told = test.recording()
    assert [(note["stage"], note["heart_rate_bpm"], note["symptoms"]) for note in told["stage_notes"]] == [
        (1, 120, None),
        (2, 155, None),
        (2, None, "Chest pain"),
        (None, 131, None),
    ]
    assert told["stop_reason"] == "symptom"
    assert told["stage_notes"][-1]["time_s"] == pytest.approx(told["exercise_end_s"] + 60, abs=0.002)
    assert test.client.get(f"/v1/tests/{test.id}").json()["recovery_active"] is True
    press(page, "Complete the test without a file")
    expect(page.locator("#phase")).to_have_text("This recording is complete")
    expect(page.get_by_role("link", name="Attach the data file")).to_have_attribute(
        "href", re.compile(rf"/import\?into={test.id}$")
    )


def test_without_a_connection_entries_wait_and_are_sent_in_order(recorded, open_sheet):
    test = recorded()
    test.begin()
    page = open_sheet(test)
    page.context.set_offline(True)
    before = page.locator("#in-stage").inner_text()
    for rating in (11, 13, 15):
        enter(page, rpe=str(rating), heart_rate_bpm=str(100 + rating))
    press(page, "Next stage now")
    expect(page.locator("#connection")).to_contain_text("No connection")
    expect(page.locator("#connection")).to_contain_text("4 entries wait in this browser")
    # What waits counts for what is shown, and the clock goes on.
    expect(page.locator("#phase")).to_have_text("Exercise, stage 2")
    assert sum(line[2] == "waiting" for line in log(page)) == 4
    expect(page.locator("#in-stage")).not_to_have_text(before)
    assert test.notes() == []
    page.context.set_offline(False)
    expect(page.locator("#connection")).to_have_text("Everything is on the server.")
    assert [note["rpe"] for note in test.notes()] == [11, 13, 15]
    times = [note["time_s"] for note in test.notes()]
    assert times == sorted(times)
    assert times[-1] < test.marks()[-1]["time_s"]
    assert states(page) == {"on the server"}


def test_what_waits_survives_a_reload(recorded, open_sheet):
    test = recorded()
    test.begin()
    page = open_sheet(test)
    page.route("**/v1/tests/*/stage-notes", lambda route: route.abort())
    enter(page, rpe="14", note="before the reload")
    expect(page.locator("#connection")).to_contain_text("1 entry waits in this browser")
    page.reload()
    expect(page.locator("#log")).to_contain_text("before the reload")
    assert test.notes() == []
    page.unroute("**/v1/tests/*/stage-notes")
    expect(page.locator("#connection")).to_have_text("Everything is on the server.")
    assert [(note["rpe"], note["note"]) for note in test.notes()] == [(14, "before the reload")]
    # The time is that at which it was begun, not that at which it came through.
    page.reload()
    assert (
        page.evaluate("Object.keys(localStorage).filter((key) => key.startsWith('upslope-sheet/')).length")
        == 0
    )


def test_an_answer_that_is_lost_does_not_store_an_entry_twice(recorded, open_sheet):
    test = recorded()
    test.begin()
    page = open_sheet(test)
    keys = []

    def lose_the_first(route: Route) -> None:
        keys.append(route.request.headers["idempotency-key"])
        if len(keys) == 1:
            assert route.fetch().ok  # it was stored
            route.abort()
        else:
            route.continue_()

    page.route("**/v1/tests/*/stage-notes", lose_the_first)
    enter(page, rpe="14")
    for _ in range(100):
        page.wait_for_timeout(100)
        if len(keys) == 2:
            break
    expect(page.locator("#connection")).to_have_text("Everything is on the server.")
    page.wait_for_timeout(300)
    assert len(keys) == 2
    assert keys[0] == keys[1]
    assert len(test.notes()) == 1
    assert len([line for line in log(page) if "RPE 14" in line[1]]) == 1


def test_an_entry_that_is_refused_says_what_to_do_and_holds_up_nothing(recorded, open_sheet):
    test = recorded()
    test.begin()
    page = open_sheet(test)
    enter(page, heart_rate_bpm="1300")
    expect(page.locator("#connection")).to_contain_text("1 entry was refused")
    expect(page.locator("#log")).to_contain_text("heart rate lies between")
    enter(page, heart_rate_bpm="130")
    test.until(lambda: len(test.notes()) == 1)
    page.reload()
    first = page.locator("#log tr").first
    expect(first).to_contain_text("refused: Heart rate: Is not possible")
    first.get_by_role("button", name=re.compile("^Change")).click()
    page.locator("#entry [name=heart_rate_bpm]").fill("133")
    press(page, "Store the change")
    expect(page.locator("#connection")).to_have_text("Everything is on the server.")
    test.until(lambda: sorted(note["heart_rate_bpm"] for note in test.notes()) == [130, 133])


def test_what_is_no_number_is_told_at_the_field_and_kept(recorded, open_sheet):
    test = recorded()
    test.begin()
    page = open_sheet(test)
    enter(page, heart_rate_bpm="13o", rpe="12")
    expect(page.locator("#entry .fault")).to_contain_text("must be a number")
    expect(page.locator("#entry [name=rpe]")).to_have_value("12")
    assert test.notes() == []
    enter(page, heart_rate_bpm="130")
    test.until(lambda: [(note["rpe"], note["heart_rate_bpm"]) for note in test.notes()] == [(12, 130)])


def test_an_entry_is_changed_and_a_mark_taken_back(recorded, open_sheet):
    test = recorded()
    test.begin()
    page = open_sheet(test)
    enter(page, rpe="13", heart_rate_bpm="182")
    test.until(lambda: len(test.notes()) == 1)
    (before,) = test.notes()
    page.get_by_role("button", name=re.compile("^Change the entry")).click()
    expect(page.locator("#entry-for")).to_contain_text("Changes the entry of")
    page.locator("#entry [name=heart_rate_bpm]").fill("128")
    press(page, "Store the change")
    test.until(lambda: test.notes() == [before | {"heart_rate_bpm": 128}])
    press(page, "End exercise")
    test.until(lambda: test.recording()["exercise_end_s"] is not None)
    press(page, "Take the end back: exercise goes on")
    expect(page.locator("#phase")).to_have_text("Exercise, stage 1")
    test.until(lambda: test.recording()["exercise_end_s"] is None)


def test_signed_out_in_the_middle(recorded, open_sheet, open_page, served_empty):
    test = recorded()
    test.begin()
    key = served_empty.key(f"short {time.monotonic_ns()}", "tester")
    page = open_page(served_empty)
    page.goto(f"/sign-in?next={test.sheet}")
    page.get_by_label("Key").fill(key)
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator("#phase")).to_have_text("Exercise, stage 1")
    page.context.clear_cookies()
    enter(page, rpe="13")
    expect(page.locator("#connection")).to_contain_text("You are signed out. 1 entry waits")
    other = page.context.new_page()
    other.goto("/sign-in")
    other.get_by_label("Key").fill(key)
    other.get_by_role("button", name="Sign in").click()
    expect(other).to_have_url(f"{served_empty.address}/people")
    other.close()
    # The page's form token is of the session before: it finds the new one by itself.
    expect(page.locator("#connection")).to_have_text("Everything is on the server.", timeout=15_000)
    assert [note["rpe"] for note in test.notes()] == [13]


# -- a second screen --------------------------------------------------------------------------------------------------


def clock_of(page: Page) -> int:
    minutes, seconds = page.locator("#test-clock").inner_text().split(":")
    return 60 * int(minutes) + int(seconds)


def test_a_second_screen_shows_the_same(recorded, open_sheet):
    test = recorded()
    one, two = open_sheet(test), open_sheet(test)
    press(one, "Start with exercise")
    expect(two.locator("#phase")).to_have_text("Exercise, stage 1")
    enter(one, rpe="12", note="from the first")
    expect(two.locator("#log")).to_contain_text("from the first")
    enter(two, heart_rate_bpm="133", note="from the second")
    expect(one.locator("#log")).to_contain_text("from the second")
    assert abs(clock_of(one) - clock_of(two)) <= 1
    two.context.set_offline(True)
    enter(one, rpe="14", note="while the second is away")
    expect(one.locator("#connection")).to_have_text("Everything is on the server.")
    two.context.set_offline(False)
    expect(two.locator("#log")).to_contain_text("while the second is away")
    press(one, "End exercise")
    expect(two.locator("#phase")).to_have_text("Recovery")
    assert log(one) == log(two)
    one.locator("#complete").click()
    expect(two.locator("#phase")).to_have_text("This recording is complete")


def test_two_screens_that_start_the_clock_at_once(recorded, open_sheet):
    """The first that comes through is the clock; the other says what happened, and its entries are kept."""
    test = recorded()
    one, two = open_sheet(test), open_sheet(test)
    two.context.set_offline(True)
    press(two, "Start with exercise")
    enter(two, rpe="9", note="of the second screen")
    press(one, "Start with exercise")
    test.until(lambda: len(test.marks()) == 2)
    two.context.set_offline(False)
    expect(two.locator("#connection")).to_contain_text("refused")
    expect(two.locator("#log")).to_contain_text("The clock was started at")
    test.until(lambda: [note["note"] for note in test.notes()] == ["of the second screen"])
    assert len([mark for mark in test.marks() if mark["kind"] == "clock_started"]) == 1
    two.get_by_role("button", name=re.compile("^Remove")).click()
    expect(two.locator("#connection")).to_have_text("Everything is on the server.")
    assert abs(clock_of(one) - clock_of(two)) <= 1


# -- hands ------------------------------------------------------------------------------------------------------------


def tab_to(page: Page, wanted: str) -> None:
    """Press Tab until an element that matches has the focus."""
    for _ in range(120):
        page.keyboard.press("Tab")
        if page.evaluate("(wanted) => document.activeElement.matches(wanted)", wanted):
            return
    pytest.fail(f"Tab does not come to {wanted}")


def test_by_keyboard_alone(recorded, open_sheet):
    test = recorded()
    page = open_sheet(test)
    tab_to(page, "#start-work_rate_w")
    page.keyboard.type("60")
    tab_to(page, "button[value=exercise]")
    page.keyboard.press("Enter")
    expect(page.locator("#phase")).to_have_text("Exercise, stage 1")
    # The focus is where the next thing is done.
    assert page.evaluate("document.activeElement.closest('#entry') !== null")
    tab_to(page, "#entry [name=heart_rate_bpm]")
    page.keyboard.type("124")
    page.keyboard.press("Enter")
    test.until(lambda: [note["heart_rate_bpm"] for note in test.notes()] == [124])
    tab_to(page, "button.stop")
    page.keyboard.press("Space")
    expect(page.locator("#phase")).to_have_text("Recovery")
    assert page.evaluate("document.activeElement.closest('form[data-act=reason]') !== null")
    tab_to(page, "button[value=legs]")
    page.keyboard.press("Enter")
    test.until(lambda: test.recording()["stop_reason"] == "legs")


@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("state", ["ready", "exercise", "recovery"])
def test_targets_are_large_enough_for_a_thumb(recorded, open_sheet, width, state):
    """44 px, as WCAG 2.1 has it for enhanced target size (2.5.5)."""
    test = recorded(protocol_id=QUICK["id"])
    if state != "ready":
        test.begin()
    if state == "recovery":
        time.sleep(0.01)
        test.client.post(f"/v1/tests/{test.id}/marks", json=[{"kind": "exercise_ended"}])
    page = open_sheet(test, width=width)
    small = page.evaluate(
        """() => [...document.querySelectorAll("#sheet button, #sheet input, #sheet select, #sheet summary, #sheet nav a")]
            .map((one) => one.type === "checkbox" ? one.closest("label") : one)
            .map((one) => [one.outerHTML.slice(0, 80), one.getBoundingClientRect()])
            .filter(([, box]) => box.width > 0 && (box.height < 43.5 || box.width < 43.5))
            .map(([what, box]) => `${what} ${box.width} x ${box.height}`)"""
    )
    assert small == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
