"""How soon a page can be read."""

import httpx
import pytest
from playwright.sync_api import expect

from service.http.keys import SESSION_COOKIE
from tests.benchmarks.pages import LIMIT_MS, measured
from tests.browser.addresses import ADDRESSES


def test_every_page_can_be_answered_in_time(served_demonstration, demonstration_key, found):
    """The quickest of several, because a gate shares its machine; `python -m tests.benchmarks.pages` has the medians."""
    cookies = {SESSION_COOKIE: served_demonstration.session(demonstration_key)}
    with httpx.Client(base_url=served_demonstration.address, cookies=cookies, timeout=60) as client:
        quickest = {
            name: min(measured(client, address, 5)[1:])
            for route in ADDRESSES
            for name, address in found.addresses(route).items()
        }
    assert {name: taken for name, taken in quickest.items() if taken > LIMIT_MS} == {}


@pytest.mark.parametrize(
    ("address", "words"), [("/people/{client}", "VO2peak 19.6"), ("/tests/{test}", "VO2peak 19.6")]
)
def test_text_does_not_wait_for_charts(
    address, words, open_page, served_demonstration, demonstration_key, found
):
    page = open_page(served_demonstration, demonstration_key)
    asked = []
    page.route("**/v1/**", lambda route: asked.append(route.request.url))  # never answered
    page.goto(address.format_map(found.ids), wait_until="commit")
    expect(page.locator(".lead")).to_contain_text(words)
    expect(page.get_by_role("table").last).to_be_visible()
    page.locator("img.chart").first.scroll_into_view_if_needed()
    page.wait_for_timeout(200)
    assert asked
