"""Rows, settings and thresholds in a real browser: the effect first, with scripts and without, by keyboard and pointer."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser.test_axe import violations


@pytest.fixture
def opened(served_demonstration, demonstration_key, open_page, found):
    """Opens a part of the page of a test of its own, so that the tests do not meet."""

    def open_one(test, part, **options):
        page = open_page(served_demonstration, demonstration_key, **options)
        page.goto(f"/tests/{found.ids[test]}/{part}".rstrip("/"))
        return page

    return open_one


def place(page):
    return float(page.locator(".line").first.get_attribute("x1"))


def test_the_line_follows_the_arrow_keys_and_what_follows_is_shown(opened):
    page = opened("lactate_test", "thresholds?threshold=lt")
    slide = page.locator("#slide")
    slide.focus()
    before = int(slide.input_value())
    page.keyboard.press("ArrowRight")
    first = place(page)
    for _ in range(40):
        page.keyboard.press("ArrowRight")
    assert place(page) > first
    expect(page.locator("#time_s")).to_have_value(str(before + 41))
    there = page.get_by_role("region", name="LT there")
    expect(there).to_contain_text("mL/min")
    expect(slide).to_be_focused()
    assert "mL/min" in (slide.get_attribute("aria-valuetext") or "")
    # A reason is asked for when it is stored, and what was moved is kept.
    page.get_by_role("button", name="Store this threshold").click()
    expect(page.locator("#reason-fault")).to_have_text("is needed")
    expect(page.locator("#time_s")).to_have_value(str(before + 41))
    # The whole form is another one now, and the line still moves.
    page.locator("#slide").focus()
    page.keyboard.press("ArrowRight")
    expect(page.locator("#time_s")).to_have_value(str(before + 42))
    page.locator("#reason").fill("The curve leaves its base here.")
    page.get_by_role("button", name="Show the effect").click()
    expect(page.locator("#slide")).to_be_visible()
    page.get_by_role("button", name="Store this threshold").click()
    expect(page.get_by_text("The curve leaves its base here.")).to_be_visible()
    page.get_by_role("button", name="Take it away").click()
    expect(page.get_by_text("The curve leaves its base here.")).to_have_count(0)


def test_the_line_follows_the_pointer(opened):
    page = opened("test", "thresholds?threshold=vt2")
    drawing = page.locator("svg[data-moments]").last
    drawing.scroll_into_view_if_needed()
    box = drawing.bounding_box()
    across = [box["x"] + part * box["width"] for part in (0.4, 0.6)]
    height = box["y"] + box["height"] / 2
    page.mouse.move(across[0], height)
    page.mouse.down()
    first = place(page)
    page.mouse.move(across[1], height, steps=4)
    page.mouse.up()
    assert place(page) > first
    line = page.locator(".line").last.bounding_box()
    assert abs(line["x"] + line["width"] / 2 - across[1]) < 12
    expect(page.get_by_role("region", name="VT2 there")).to_be_visible()


def test_without_scripts_a_threshold_is_typed(opened):
    page = opened("test", "thresholds", scripts=False)
    expect(page.locator("#slide")).to_be_hidden()
    page.locator("#time_s").fill("500")
    page.get_by_role("button", name="Show the effect").click()
    expect(page.get_by_role("region", name="VT1 there")).to_be_visible()


@pytest.mark.parametrize("scripts", [True, False])
def test_a_row_is_left_out_and_taken_back(opened, scripts):
    page = opened("test_before", "rows", scripts=scripts)
    tick = page.locator("tr.in-peak input[type=checkbox]").first
    label = tick.get_attribute("aria-label")
    tick.check()
    page.locator("#decision").select_option("leave_out")
    page.get_by_role("button", name="Show the effect").click()
    expect(page.get_by_role("heading", name="What this would change")).to_be_visible()
    page.locator("#reason").fill("The mask moved.")
    page.get_by_role("button", name="Store this decision").click()
    row = page.get_by_role("row").filter(has=page.get_by_label(label))
    expect(row).to_contain_text("left out by browser: The mask moved.")
    page.get_by_label(label).check()
    page.locator("#decision").select_option("take_back")
    page.locator("#reason").fill("It did not.")
    page.get_by_role("button", name="Show the effect").click()
    page.get_by_role("button", name="Store this decision").click()
    expect(row).not_to_contain_text("left out")


@pytest.mark.parametrize("scripts", [True, False])
def test_other_settings_are_foreseen_and_nothing_is_stored(opened, scripts):
    page = opened("test", "settings", scripts=scripts)
    page.locator("#peak_window_s").fill("60")
    page.get_by_role("button", name="Show the effect").click()
    effect = page.locator("#effect")
    expect(effect).to_contain_text("Peak oxygen uptake")
    expect(effect.get_by_role("row").nth(1)).to_contain_text(re.compile(r"[+−]\d"))
    expect(page.locator("#peak_window_s")).to_have_value("60")
    page.reload() if scripts else page.goto(page.url)
    expect(page.get_by_role("button", name="Store the analysis")).to_have_count(0)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_what_opens_on_a_page_is_as_well_made_as_the_page(opened, theme):
    for part, fill in (("rows", "#last_s"), ("settings", "#peak_window_s"), ("thresholds", "#time_s")):
        page = opened("test", part, theme=theme)
        if part == "rows":
            page.locator("#first_s").fill("0")
            page.locator("#decision").select_option("leave_out")
        page.locator(fill).fill("500")
        page.get_by_role("button", name="Show the effect").click()
        expect(page.get_by_role("heading", name="What this would change")).to_be_visible()
        assert violations(page) == []
    page = opened("test", "", theme=theme)
    page.locator(".lead .figure").first.click()
    page.locator("#why-verdict-1-2").wait_for(state="visible")
    assert violations(page) == []
