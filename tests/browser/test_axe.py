"""What can be checked by rules of how well a page can be used by anybody: axe-core finds no violation, in both themes."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe, AxeResults
from playwright.sync_api import Page, expect

from tests.browser.addresses import ADDRESSES, LOOKED_AT, NO_PAGES, routes

# The rules of WCAG 2.2 at the levels A and AA, and the usual ones beyond it.
RULES = {
    "resultTypes": ["violations"],
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
}

# All but what the vendored script draws into the page of the interface: its colours and its nesting are its own.
OURS = {"exclude": ["#reference > *"]}

THEMES = ("light", "dark")


def violations(page: Page) -> list[str]:
    """What axe-core finds, one line for each part of the page, with what to do."""
    results: AxeResults = Axe().run(page, context=OURS, options=RULES)
    assert "violations" in results.response
    return [
        f"{one['id']} ({one['impact']}): {' '.join(node['target'])}: "
        + re.sub(r"\s+", " ", node["failureSummary"])
        + f" | {node['html'][:160]}"
        for one in results.response["violations"]
        for node in one["nodes"]
    ]


def test_every_page_has_an_address_here():
    """A new page fails until it is looked at: in `tests/browser/addresses.py`."""
    assert routes() == set(ADDRESSES) | set(NO_PAGES)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("route", sorted(LOOKED_AT))
def test_every_page(route, theme, open_page, served_demonstration, demonstration_key, found):
    page = open_page(served_demonstration, demonstration_key, theme=theme)
    told = {}
    for name, address in found.addresses(route).items():
        answer = page.goto(address)
        assert answer is not None
        assert answer.ok, f"{address}: {answer.status}"
        if route == "/docs":  # drawn by a script
            page.wait_for_selector("#reference h1")
        if faults := violations(page):
            told[name] = faults
    if told:
        pytest.fail("\n".join(line for name in told for line in (f"== {name}", *told[name])), pytrace=False)


def test_a_fault_is_found(open_page, served_demonstration):
    """So that a check that checks nothing is noticed."""
    page = open_page(served_demonstration)
    page.goto("/sign-in")
    page.locator("label").first.evaluate("one => one.remove()")
    assert [one for one in violations(page) if one.startswith("label (")]


@pytest.mark.parametrize("theme", THEMES)
class TestRefusals:
    def test_a_wrong_key(self, open_page, served_demonstration, theme):
        page = open_page(served_demonstration, theme=theme)
        page.goto("/sign-in")
        page.get_by_label("Key").fill("ups_nobody")
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("alert")).to_be_visible()
        assert violations(page) == []

    def test_a_form_with_faults(self, open_page, served_demonstration, demonstration_key, theme):
        page = open_page(served_demonstration, demonstration_key, theme=theme)
        page.goto("/people/new")
        page.locator("#code").fill("FC-04")
        page.locator("#birth_year").fill("long ago")
        page.locator("main form button").click()
        expect(page.get_by_role("alert")).to_be_visible()
        assert violations(page) == []

    def test_an_address_of_nothing(self, open_page, served_demonstration, demonstration_key, theme):
        page = open_page(served_demonstration, demonstration_key, theme=theme)
        page.goto("/people/none")
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        assert violations(page) == []
