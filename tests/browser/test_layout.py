"""Pages on a small screen, on paper and without scripts."""

import io
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect
from pypdf import PdfReader

from tests.browser.addresses import LOOKED_AT
from tests.browser.served import ROOT

#: What stands out at the right of the page, but not within a part that scrolls by itself.
_TOO_WIDE = """() => {
  const width = document.documentElement.clientWidth;
  if (document.scrollingElement.scrollWidth <= width) return [];
  const scrolls = one => one && one !== document.body &&
    (['auto', 'scroll', 'hidden'].includes(getComputedStyle(one).overflowX) || scrolls(one.parentElement));
  return [`the page is ${document.scrollingElement.scrollWidth} wide`].concat([...document.body.querySelectorAll('*')]
    .filter(one => !scrolls(one) && (one.getBoundingClientRect().right > width + 1 ||
      (one.clientWidth > 0 && one.scrollWidth > one.clientWidth + 1 && one.tagName !== 'MAIN')))
    .map(one => one.outerHTML.slice(0, 120)).slice(0, 8));
}"""


@pytest.mark.parametrize("route", sorted(set(LOOKED_AT) - {"/docs"}))
def test_no_page_scrolls_sideways_on_a_small_phone(
    route, open_page, served_demonstration, demonstration_key, found
):
    page = open_page(served_demonstration, demonstration_key, width=360, height=740)
    told = []
    for name, address in found.addresses(route).items():
        page.goto(address)
        told += [f"{name}: {fault}" for fault in page.evaluate(_TOO_WIDE)]
    if told:
        pytest.fail("\n".join(told), pytrace=False)


class TestOnPaper:
    @pytest.fixture
    def printed(self, open_page, served_demonstration, demonstration_key, found) -> Callable[[str], str]:
        def print_one(address: str) -> str:
            page = open_page(served_demonstration, demonstration_key, theme="dark")
            page.goto(address.format_map(found.ids))
            return "\n".join(one.extract_text() for one in PdfReader(io.BytesIO(page.pdf(format="A4"))).pages)

        return print_one

    def test_a_test_without_what_only_a_screen_has(self, printed):
        text = printed("/tests/{test}")
        assert "FC-04" in text
        assert "VO2peak 19.6" in text
        assert "This is not a diagnosis" in text
        assert "Sign out" not in text
        assert "Skip to the text" not in text

    def test_a_person(self, printed):
        text = printed("/people/{client}")
        assert "VO2peak 19.6" in text
        assert "2024-03-19" in text
        assert "Sign out" not in text

    @pytest.mark.parametrize("theme", ["light", "dark"])
    def test_ink_is_dark_whatever_the_theme(
        self, theme, open_page, served_demonstration, demonstration_key, found
    ):
        page = open_page(served_demonstration, demonstration_key, theme=theme)
        page.goto("/tests/{test}".format_map(found.ids))
        page.emulate_media(media="print")
        inks = page.evaluate(
            "[...document.querySelectorAll('main p, main th, main td, main a')].filter(one => one.checkVisibility())"
            ".map(one => Math.max(...getComputedStyle(one).color.match(/\\d+/g).slice(0, 3).map(Number)))"
        )
        assert len(inks) > 20
        assert max(inks) < 140  # of 255, the brightest of red, green and blue; paper is white

    def test_no_table_is_cut_off(self, open_page, served_demonstration, demonstration_key, found):
        page = open_page(served_demonstration, demonstration_key)
        page.goto("/people/{client}".format_map(found.ids))
        page.emulate_media(media="print")
        cut = page.evaluate(
            "[...document.querySelectorAll('.wide')].map(one => getComputedStyle(one).overflowX)"
        )
        assert cut
        assert set(cut) == {"visible"}


def test_the_main_job_without_scripts(open_page, served_empty, empty_key):
    """A person, a visit, a file that is shown and stored, the verdict, a signed conclusion."""
    page: Page = open_page(served_empty, empty_key, scripts=False)
    page.goto("/people")
    page.get_by_role("link", name="Add a person").first.click()
    page.get_by_label("Code").fill("PLAIN-01")
    page.get_by_label("Sex").select_option("male")
    page.locator("#birth_date").fill("1990-05-14")
    page.get_by_role("main").get_by_role("button").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("PLAIN-01")

    page.get_by_role("link", name="Add a visit").click()
    page.locator("#body_mass_kg").fill("80")
    page.get_by_role("button", name="Add this visit").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("PLAIN-01")

    page.get_by_role("link", name="Import a file").click()
    for button in ("Show what is read, store nothing", "Store this test"):
        page.locator("#file").set_input_files(ROOT / "seed_data" / "examples" / "cycle-step-15s.csv")
        page.locator("#mode").select_option("cycle")
        page.get_by_role("button", name=button).click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Test of")
    expect(page.locator(".lead")).to_contain_text(
        "VO2max 34.5 mL/kg/min"
    )  # as the README shows of the same file

    page.get_by_label("What you conclude").fill("Maximal. The next one in six months.")
    page.get_by_label("Your name").fill("A. Tester")
    page.get_by_role("button", name="Keep").click()
    expect(page.locator(".conclusion")).to_contain_text("The next one in six months.")
