"""The whole job in a real browser: a new person, a test recorded on the sheet, its file, verdict, exclusion and report.

The clocks of the service and of the sheet stand still until the test moves them, so that the protocol runs as it does in a
laboratory, to the second.
The file is the invented example whose result the README shows too.
"""

import csv
import io
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Page, expect
from pypdf import PdfReader

from tests.browser.served import ROOT, Served, serve

EXAMPLE = ROOT / "seed_data" / "examples" / "cycle-step-15s.csv"
#: How much later than the clock of the sheet the device that writes the file was begun, s.
DEVICE_AHEAD_S = 45


def example() -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(EXAMPLE.read_text(encoding="utf-8"))))


@dataclass
class Laboratory:
    """A service on a clock of its own, and the windows that follow it."""

    served: Served
    key: str
    open_page: Callable[..., Page]
    present: Path
    windows: list[Page] = field(default_factory=list)

    def window(self, **options) -> Page:
        return self.open_page(self.served, self.key, **options)

    def open_sheet(self, page: Page, test_id: str) -> None:
        """Open the recording sheet; the clock of the window stands still from here on."""
        page.clock.install()
        page.goto("about:blank")
        page.clock.pause_at(datetime.now(UTC) + timedelta(seconds=10))
        page.goto(f"/tests/{test_id}/record")
        self.windows.append(page)

    def wait(self, seconds: float) -> None:
        """Let time pass for everybody."""
        now = datetime.fromisoformat(self.present.read_text(encoding="ascii")) + timedelta(seconds=seconds)
        moved = self.present.with_suffix(".next")
        moved.write_text(now.isoformat(), encoding="ascii")
        moved.replace(self.present)  # at once: the service reads it at any moment
        for page in self.windows:
            page.clock.fast_forward(round(1000 * seconds))

    def read(self, path: str):
        answer = httpx.get(self.served.address + path, headers={"Authorization": f"Bearer {self.key}"})
        assert answer.is_success, answer.text
        return answer.json()


@pytest.fixture
def laboratory(open_page, migrated_file: Path, tmp_path: Path) -> Iterator[Laboratory]:
    record, present = tmp_path / "record.db", tmp_path / "present"
    record.write_bytes(migrated_file.read_bytes())
    present.write_text(datetime.now(UTC).isoformat(), encoding="ascii")
    with serve(record, tmp_path / "log", present=present) as served:
        yield Laboratory(served, served.key("tester", "tester"), open_page, present)


@pytest.fixture
def data_file(tmp_path: Path) -> Path:
    """The example, as a device writes it that was begun before the clock of the sheet."""
    rows = example()
    for row in rows:
        row["Time (s)"] = str(int(row["Time (s)"]) + DEVICE_AHEAD_S)
    path = tmp_path / "from-the-device.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    return path


def add_person_and_visit(page: Page) -> None:
    page.goto("/people")
    page.get_by_role("link", name="Add a person").first.click()
    page.get_by_label("Code").fill("JOB-01")
    page.get_by_label("Given name").fill("Ines <b>Invented</b>")
    page.get_by_label("Sex").select_option("male")
    page.locator("#birth_year").fill("1992")
    page.get_by_role("main").get_by_role("button").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Ines <b>Invented</b>")  # as text
    page.get_by_role("link", name="Add a visit").click()
    page.locator("#body_mass_kg").fill("80")
    page.get_by_role("button", name="Add it and prepare a test").click()


def prepare(page: Page) -> str:
    """Protocol, questions, cautions; the id of the test that is made."""
    page.locator("#mode").select_option("cycle")
    page.get_by_role("button", name="Show the protocols of this mode").click()
    page.get_by_text("Standard protocols").click()
    page.get_by_role("radio", name="Cycle step, 20 W every 2 min, trained").check()
    page.locator("#resting_heart_rate_bpm").fill("64")
    page.get_by_role("radiogroup", name="Impairment of body or mind").get_by_label("yes").check()
    page.get_by_role("button", name="Make the test").click()
    # There is a warning and nobody said that it was read: nothing is made, and what was chosen is kept.
    expect(page.get_by_role("alert")).to_be_focused()
    expect(page.locator("#cautions")).to_contain_text("Warning")
    expect(page.locator("#resting_heart_rate_bpm")).to_have_value("64")
    page.locator("#acknowledged").check()
    page.locator("#acknowledged_by").fill("T. Tester")
    page.get_by_role("button", name="Make the test").click()
    expect(page).to_have_url(re.compile(r"/tests/\w+/record"))
    return page.url.split("/tests/")[1].split("/")[0]


def heart_rate_at(time_s: float) -> int:
    """What the device showed, so that the clocks of the sheet and of the file can be found to agree."""
    return next(int(row["HR (beats/min)"]) for row in example() if int(row["Time (s)"]) >= time_s)


def enter(page: Page, rpe: int) -> str:
    """Enter a rating and the heart rate of this moment; the heart rate, as it is shown."""
    minutes, seconds = page.locator("#test-clock").inner_text().split(":")
    rate = heart_rate_at(60 * int(minutes) + int(seconds))
    page.locator("#rpe").fill(str(rpe))
    page.locator("#heart_rate_bpm").fill(str(rate))
    page.get_by_role("button", name="Store the entry").click()
    return f"{rate} beats/min"


def start_and_follow(laboratory: Laboratory, sheet: Page, watching: Page) -> None:
    expect(sheet.locator("#phase")).to_have_text("Not started")
    sheet.get_by_role("button", name="Start with rest").click()
    expect(sheet.locator("#connection")).to_have_text("Everything is on the server.")
    expect(watching.locator("#phase")).to_have_text("Rest")
    laboratory.wait(60)
    sheet.get_by_role("button", name="Begin warm-up").click()
    expect(watching.locator("#phase")).to_have_text("Warm-up")
    expect(sheet.locator("#load")).to_have_text("100 W")
    laboratory.wait(180)
    sheet.get_by_role("button", name="Begin exercise").click()
    expect(sheet.locator("#phase")).to_have_text("Exercise, stage 1")
    expect(sheet.locator("#load")).to_have_text("120 W")

    # The sheet says when a stage ends and what is asked, and follows the protocol by itself.
    laboratory.wait(100)
    expect(sheet.locator("#asked")).to_contain_text("perceived exertion, heart rate, blood pressure")
    rate = enter(sheet, 11)
    expect(watching.locator("#log")).to_contain_text(rate)
    laboratory.wait(25)
    expect(sheet.locator("#phase")).to_have_text("Exercise, stage 2")
    expect(watching.locator("#load")).to_have_text("140 W")


def lose_nothing(laboratory: Laboratory, sheet: Page, watching: Page, recording: str) -> None:
    # A reload in the middle: nothing is lost, the clock goes on.
    laboratory.wait(90)
    rate = enter(sheet, 12)
    sheet.reload()
    expect(sheet.locator("#phase")).to_have_text("Exercise, stage 2")
    expect(sheet.locator("#log")).to_contain_text(rate)

    # No connection: entries wait in this browser, in order, and are stored once when it is there again.
    sheet.context.set_offline(True)
    laboratory.wait(120)
    rates = [enter(sheet, 13)]
    expect(sheet.locator("#connection")).to_contain_text("No connection. 1 entry waits in this browser")
    laboratory.wait(120)
    rates.append(enter(sheet, 15))
    expect(sheet.locator("#connection")).to_contain_text("2 entries wait")
    expect(sheet.locator("#phase")).to_have_text("Exercise, stage 4")
    assert len(laboratory.read(recording)["stage_notes"]) == 2
    sheet.context.set_offline(False)
    expect(sheet.locator("#connection")).to_have_text("Everything is on the server.")
    stored = laboratory.read(recording)["stage_notes"]
    assert [(one["rpe"], one["stage"]) for one in stored] == [(11, 1), (12, 2), (13, 3), (15, 4)]
    assert [f"{one['heart_rate_bpm']:g} beats/min" for one in stored[2:]] == rates
    expect(watching.locator("#log")).to_contain_text(rates[1])

    # Both screens write at once; a stop sign is one touch away.
    laboratory.wait(120)
    enter(watching, 17)
    laboratory.wait(60)
    enter(sheet, 18)
    sheet.get_by_role("button", name="Leg cramp or leg pain").click()
    for page in (sheet, watching):
        expect(page.locator("#log")).to_contain_text("17, ")
        expect(page.locator("#log")).to_contain_text("18, ")
        expect(page.locator("#log")).to_contain_text("Leg cramp")


def end_and_cool_down(laboratory: Laboratory, sheet: Page, watching: Page, recording: str) -> None:
    began = next(one["time_s"] for one in laboratory.read(recording)["marks"] if one["phase"] == "exercise")
    now_s = max(one["time_s"] for one in laboratory.read(recording)["stage_notes"])
    laboratory.wait(began + 810 - now_s)
    sheet.get_by_role("button", name="End exercise").click()
    expect(watching.locator("#phase")).to_have_text("Recovery")
    sheet.get_by_role("button", name="Legs", exact=True).click()
    laboratory.wait(60)
    first_minute = sheet.locator(".moment[data-after='60']")
    first_minute.get_by_role("textbox").first.fill(str(heart_rate_at(1050) - 44))
    first_minute.get_by_role("button").click()
    expect(first_minute).to_contain_text("beats/min below the highest noted")
    told = laboratory.read(recording)
    assert told["exercise_end_s"] - told["exercise_start_s"] == 810
    laboratory.wait(180)


def attach_file(sheet: Page, data_file: Path, test_id: str) -> None:
    sheet.get_by_role("link", name="Attach the data file").click()
    expect(sheet.locator("#test_id")).to_have_value(test_id)
    sheet.locator("#file").set_input_files(data_file)
    sheet.get_by_role("button", name="Show what is read, store nothing").click()
    proposal = sheet.get_by_role("button", name=re.compile("Show it at")).first
    expect(proposal).to_be_visible()
    offset_s = float(re.search(r"at ([−-]?[\d.]+) s", proposal.inner_text()).group(1).replace("−", "-"))
    assert offset_s == pytest.approx(-DEVICE_AHEAD_S, abs=8)  # rows of 15 s
    sheet.locator("#file").set_input_files(data_file)
    proposal.click()
    expect(sheet.locator("#offset_s")).to_have_value(re.compile(r"^-45(\.0)?$"))
    sheet.locator("#file").set_input_files(data_file)
    sheet.get_by_role("button", name="Store this test").click()


def leave_a_row_out(laboratory: Laboratory, sheet: Page, test_id: str) -> None:
    sheet.get_by_role("link", name=re.compile("Look at the rows")).click()
    in_peak = sheet.locator("tr.in-peak").first
    in_peak.get_by_role("checkbox").check()
    sheet.locator("#decision").select_option(index=1)
    sheet.locator("#reason").fill("The mask was touched.")
    sheet.get_by_role("button", name="Show the effect").click()
    expect(sheet.get_by_role("heading", name=re.compile("What this would change"))).to_be_visible()
    assert laboratory.read(f"/v1/tests/{test_id}/exclusions")["items"] == []
    sheet.get_by_role("button", name="Store this decision").click()
    expect(sheet.get_by_role("main")).to_contain_text("The mask was touched.")


def print_report(sheet: Page) -> str:
    # The browser would open it in a viewer of its own.
    link = sheet.get_by_role("link", name="Print for the record").get_attribute("href")
    answer = sheet.context.request.get(link or "")
    assert answer.ok, answer.text()
    assert answer.headers["content-type"] == "application/pdf"
    return "\n".join(one.extract_text() for one in PdfReader(io.BytesIO(answer.body())).pages)


def test_from_a_new_person_to_the_report(laboratory: Laboratory, data_file: Path):
    sheet, watching = laboratory.window(), laboratory.window(width=390, height=800)
    add_person_and_visit(sheet)
    test_id = prepare(sheet)
    recording = f"/v1/tests/{test_id}/recording"
    for page in (sheet, watching):
        laboratory.open_sheet(page, test_id)
    start_and_follow(laboratory, sheet, watching)
    lose_nothing(laboratory, sheet, watching, recording)
    end_and_cool_down(laboratory, sheet, watching, recording)
    sheet.clock.resume()
    attach_file(sheet, data_file, test_id)
    # The verdict, with what was noted on the sheet among its grounds.
    expect(sheet).to_have_url(re.compile(rf"/tests/{test_id}$"))
    expect(sheet.locator(".lead")).to_contain_text("34.5 mL/kg/min")
    expect(sheet.locator(".lead")).to_contain_text("uptake levelled off although the load rose")

    leave_a_row_out(laboratory, sheet, test_id)
    sheet.goto(f"/tests/{test_id}")
    expect(sheet.locator(".lead")).not_to_contain_text("34.5 mL/kg/min")
    text = print_report(sheet)
    assert "JOB-01" in text
    assert "not a diagnosis" in text
