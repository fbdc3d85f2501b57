"""A number explains itself to whoever points at it, reaches it by keyboard or touches it, with scripts and without."""

import re

import pytest


@pytest.fixture
def a_test(served_demonstration, demonstration_key, open_page):
    """Opens the page of a complete test of the demonstration record."""

    def open_one(**options):
        page = open_page(served_demonstration, demonstration_key, **options)
        page.goto("/people")
        page.locator("main table a").first.click()
        page.locator("main a[href^='/tests/']:visible").first.click()
        page.wait_for_url(re.compile("/tests/"))
        return page

    return open_one


def told(page):
    return page.locator("#why-verdict-1-2")


@pytest.mark.parametrize("scripts", [True, False])
def test_by_the_pointer(a_test, scripts):
    page = a_test(scripts=scripts)
    number = page.locator(".lead .figure").first
    assert not told(page).is_visible()
    number.hover()
    told(page).wait_for(state="visible")
    page.mouse.move(2, 2)
    told(page).wait_for(state="hidden")


@pytest.mark.parametrize("scripts", [True, False])
def test_by_the_keyboard_and_closed_by_escape(a_test, scripts):
    page = a_test(scripts=scripts)
    number = page.locator(".lead .figure").first
    for _ in range(30):
        page.keyboard.press("Tab")
        if number.evaluate("one => one === document.activeElement"):
            break
    told(page).wait_for(state="visible")
    page.keyboard.press("Escape")
    told(page).wait_for(state="hidden")
    assert number.evaluate("one => one === document.activeElement")


@pytest.mark.parametrize("scripts", [True, False])
def test_by_touch_on_a_phone_within_the_screen(a_test, scripts):
    page = a_test(scripts=scripts, width=390, height=800, has_touch=True)
    page.locator(".lead .figure").first.tap()
    told(page).wait_for(state="visible")
    box = told(page).bounding_box()
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= 390
    page.locator("h1").tap()
    told(page).wait_for(state="hidden")


def test_on_paper_it_is_a_plain_number(a_test):
    page = a_test()
    page.emulate_media(media="print")
    line = page.locator(".lead .figure").first.evaluate("one => getComputedStyle(one).textDecorationLine")
    assert line == "none"
    assert page.locator(".on-page").is_hidden()
