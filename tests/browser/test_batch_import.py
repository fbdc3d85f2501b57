"""Several files in one go in a real browser: line by line, over a connection that breaks, and without scripts."""

import re

import pytest
from playwright.sync_api import expect

from service.intake.templates import TEMPLATES
from tests.browser.test_axe import THEMES, violations

TEST = TEMPLATES["intervals"].csv_text(filled=True)


def file(name, text=TEST):
    return {"name": name, "mimeType": "text/csv", "buffer": text.encode()}


def list_of(code, count):
    rows = [f"{code},2024-0{at}-03,cycle,{code}-{at}.csv,7{at}" for at in range(1, count + 1)]
    return file("list.csv", "\n".join(["subject,date,mode,file,body_mass_kg", *rows]))


def files_of(code, count):
    return [file(f"{code}-{at}.csv", TEST.replace("78", f"7{at}")) for at in range(1, count + 1)]


@pytest.fixture
def desk(open_page, served_empty, empty_key):
    """Opens the page."""

    def open_one(**options):
        page = open_page(served_empty, empty_key, **options)
        page.goto("/imports")
        return page

    return open_one


def states(page):
    return page.locator("tbody[data-line]").evaluate_all("all => all.map(one => one.dataset.state)")


def test_line_by_line_with_progress(desk):
    page = desk()
    page.locator("#files").set_input_files([*files_of("W", 2), file("W-3.csv", "nothing\n")])
    page.locator("#manifest").set_input_files(list_of("W", 3))
    sent = []
    page.on("request", lambda one: sent.append(one.method) if one.url.endswith("/imports") else None)
    page.get_by_role("button", name="Look, and store nothing").click()
    expect(page.get_by_role("status")).to_have_text("All lines were looked at: 2 can be stored, 1 refused.")
    assert states(page) == ["ready", "ready", "refused"]
    assert sent == ["POST"] * 4  # the list, then each line
    page.get_by_role("button", name="Store what was shown").click()
    expect(page.get_by_role("status")).to_have_text("Done: 2 stored, 1 refused.")
    # The same again is known.
    page.get_by_role("button", name="Look, and store nothing").click()
    expect(page.get_by_role("status")).to_have_text(
        "All lines were looked at: 2 in the record already, 1 refused."
    )
    page.get_by_role("link", name="open the test").first.click()
    expect(page).to_have_url(re.compile("/tests/"))


def test_a_connection_that_breaks_loses_nothing_and_doubles_nothing(desk, open_page, served_empty, empty_key):
    page = desk()
    page.locator("#files").set_input_files(files_of("X", 2))
    page.locator("#manifest").set_input_files(list_of("X", 2))
    page.get_by_role("button", name="Look, and store nothing").click()
    expect(page.get_by_role("status")).to_have_text("All lines were looked at: 2 can be stored.")
    answers = iter(["lost", "sent"])

    def lose_the_first_answer(route):
        if next(answers, "sent") == "lost":
            route.fetch()  # it comes to the service, and the answer is lost
            route.abort("connectionreset")
        else:
            route.continue_()

    page.route("**/imports", lose_the_first_answer)
    page.get_by_role("button", name="Store what was shown").click()
    expect(page.get_by_role("status")).to_have_text(
        "Done: 1 stored, 1 in the record already.", timeout=20_000
    )
    other = open_page(served_empty, empty_key)
    other.goto("/people?query=X")
    other.get_by_role("link", name="X", exact=True).click()
    assert (
        len(
            set(
                other.locator("main a[href^='/tests/']").evaluate_all(
                    "all => all.map(one => one.getAttribute('href').split('/')[2])"
                )
            )
        )
        == 2
    )


def test_who_was_signed_out_is_told(desk):
    page = desk()
    page.locator("#files").set_input_files(files_of("U", 2))
    page.locator("#manifest").set_input_files(list_of("U", 2))
    page.get_by_role("button", name="Look, and store nothing").click()
    expect(page.get_by_role("status")).to_have_text("All lines were looked at: 2 can be stored.")
    page.context.clear_cookies()
    page.get_by_role("button", name="Store what was shown").click()
    expect(page.get_by_role("status")).to_contain_text("Stopped after 1 of 2 lines")
    expect(page.locator("#line_2")).to_contain_text("not signed in any more")


def test_lines_are_typed_by_keyboard_and_refused_ones_mended(desk):
    page = desk()
    page.locator("#files").set_input_files(files_of("Y", 1))
    page.locator("#mode").select_option("cycle")
    page.get_by_role("button", name="Look, and store nothing").press("Enter")
    expect(page.get_by_role("status")).to_contain_text("Say whose test each file is")
    expect(page.get_by_label("Code of the person of Y-1.csv")).to_be_focused()
    page.keyboard.type("Y-001")
    page.get_by_label("Body mass of Y-1.csv").fill("heavy")
    page.get_by_label("Date of Y-1.csv").fill("2024-05-06")
    page.get_by_role("button", name="Look, and store nothing").press("Enter")
    expect(page.get_by_role("status")).to_have_text("All lines were looked at: 1 refused.")
    expect(page.get_by_label("Body mass of Y-1.csv")).to_have_attribute("aria-invalid", "true")
    page.get_by_label("Body mass of Y-1.csv").fill("71.5")
    page.get_by_role("button", name="Look, and store nothing").press("Enter")
    expect(page.get_by_role("status")).to_have_text("All lines were looked at: 1 can be stored.")
    page.get_by_role("button", name="Store what was shown").press("Enter")
    expect(page.get_by_role("status")).to_have_text("Done: 1 stored.")


def test_without_scripts_the_same_in_three_steps(desk):
    page = desk(scripts=False)
    for button in ("Look, and store nothing", "Store what was shown"):
        page.locator("#files").set_input_files(files_of("Z", 2))
        page.locator("#manifest").set_input_files(list_of("Z", 2))
        page.get_by_role("button", name=button).click()
    expect(page.locator("#done")).to_contain_text("Done: all 2 lines.")
    assert states(page) == ["stored", "stored"]


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("listed", [True, False], ids=["listed", "typed"])
def test_lines_are_usable_by_anybody(desk, theme, listed):
    page = desk(theme=theme)
    page.locator("#files").set_input_files(files_of("V", 2))
    if listed:
        page.locator("#manifest").set_input_files(list_of("V", 3))
    page.get_by_role("button", name="Look, and store nothing").click()
    expect(page.get_by_role("status")).to_contain_text(
        "All lines were looked at" if listed else "Say whose test"
    )
    assert violations(page) == []


def test_a_list_that_cannot_be_read_is_told(desk):
    page = desk()
    page.locator("#manifest").set_input_files(file("list.csv", "name,colour\nx,red\n"))
    page.get_by_role("button", name="Look, and store nothing").click()
    expect(page.locator("#lines")).to_contain_text("is not a manifest that can be read")
