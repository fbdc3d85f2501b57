"""Pages by keyboard alone: all that can be used is reached, in the order of the page, is seen, and lets go again."""

import re

import pytest
from playwright.sync_api import Page, expect

from tests.browser.addresses import ADDRESSES

#: Not the long lists of the guide, which are one template, and not what a vendored script draws.
ROUTES = sorted(set(ADDRESSES) - {"/docs", "/guide/{name}"})

#: What can be used and is shown. Of the radio buttons of a group the keyboard reaches one, the arrows the others.
_USABLE = """() => {
  const groups = new Set();
  window.usable = [...document.querySelectorAll(
    'a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex="0"]'
  )].filter(one => {
    if (one.disabled || one.tabIndex < 0 || !one.checkVisibility({ visibilityProperty: true })) return false;
    if (one.type !== 'radio') return true;
    const group = (one.form ? one.form.action : '') + one.name;
    const first = !groups.has(group);
    groups.add(group);
    return first;
  });
  return window.usable.length;
}"""

#: Which of them has the focus, and whether that is seen.
_FOCUSED = """() => {
  const one = document.activeElement;
  if (!one || one === document.body || one === document.documentElement) return null;
  const radio = one.type === 'radio'
    ? window.usable.findIndex(other => other.type === 'radio' && other.name === one.name && other.form === one.form) : -1;
  const style = getComputedStyle(one), box = one.getBoundingClientRect();
  return {
    at: radio >= 0 ? radio : window.usable.indexOf(one),
    html: one.outerHTML.slice(0, 160),
    ring: style.outlineStyle !== 'none' && (style.outlineStyle === 'auto' || parseFloat(style.outlineWidth) >= 2),
    inView: box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth,
  };
}"""


def walk(page: Page) -> list[str]:
    """Press Tab until the page lets go; what is wrong on the way."""
    # From the top of the page, wherever it has put the focus by itself.
    page.evaluate(
        "() => { document.body.tabIndex = -1; document.body.focus(); document.body.removeAttribute('tabindex'); }"
    )
    # With every chart there, as for a person, who is slower than this.
    page.evaluate(
        "() => Promise.all([...document.images].map(one => { one.loading = 'eager'; return one.decode().catch(() => 0); }))"
    )
    usable = page.evaluate(_USABLE)
    reached: list[int] = []
    faults = []
    # A date is several stops of one field.
    dates = page.locator("input[type=date], input[type=time], input[type=datetime-local]").count()
    for _ in range(usable + 10 * dates + 5):
        page.keyboard.press("Tab")
        focused = page.evaluate(_FOCUSED)
        # After the last comes the browser's own bar, or the first again.
        if focused is None or (len(reached) > 1 and focused["at"] == reached[0]):
            break
        if reached and focused["at"] == reached[-1]:
            continue
        reached.append(focused["at"])
        faults += [
            f"{what}: {focused['html']}"
            for what, wrong in (
                ("the focus is not seen", not focused["ring"]),
                ("it is out of view", not focused["inView"]),
                ("reached, but not by what it is", focused["at"] < 0),
            )
            if wrong
        ]
    else:
        faults.append("the page does not let go of the focus")
    missed = sorted(set(range(usable)) - set(reached))
    faults += [
        page.evaluate("at => 'not reached: ' + window.usable[at].outerHTML.slice(0, 160)", at)
        for at in missed
    ]
    if reached != sorted(reached):
        faults.append(f"not in the order of the page: {reached}")
    return faults


@pytest.mark.parametrize("route", ROUTES)
def test_all_of_a_page_is_reached(route, open_page, served_demonstration, demonstration_key, found):
    page = open_page(served_demonstration, demonstration_key)
    told = []
    for name, address in found.addresses(route).items():
        page.goto(address)
        told += [f"{name}: {fault}" for fault in walk(page)]
    if told:
        pytest.fail("\n".join(told), pytrace=False)


@pytest.mark.parametrize("address", ["/people", "/guide"])
def test_the_top_can_be_skipped(address, open_page, served_demonstration, demonstration_key):
    page = open_page(served_demonstration, demonstration_key)
    page.goto(address)
    page.keyboard.press("Tab")
    skip = page.get_by_role("link", name="Skip to the text")
    expect(skip).to_be_focused()
    expect(skip).to_be_in_viewport()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.querySelector('main').contains(document.activeElement)")


def test_signing_in_adding_a_person_and_signing_out(open_page, served_empty, empty_key):
    page = open_page(served_empty)
    page.goto("/sign-in?next=%2Fpeople%2Fnew")
    expect(page.get_by_label("Key")).to_be_focused()
    page.keyboard.type(empty_key)
    page.keyboard.press("Enter")
    expect(page).to_have_url(f"{served_empty.address}/people/new")

    tab_to(page, "#code")
    page.keyboard.type("KEYS-01")
    tab_to(page, "#birth_year")
    page.keyboard.type("long ago")
    page.keyboard.press("Enter")
    # What is wrong has the focus, so that it is read out; its link leads to the field, where what was typed stands.
    expect(page.get_by_role("alert")).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#birth_year")).to_be_focused()
    expect(page.locator("#birth_year")).to_have_accessible_description(re.compile("must be a whole number"))
    page.keyboard.press("Control+A")
    page.keyboard.type("1984")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("KEYS-01")

    tab_to(page, ".out button")
    page.keyboard.press("Enter")
    expect(page).to_have_url(f"{served_empty.address}/sign-in")


def test_a_wrong_key_is_told_where_the_focus_is(open_page, served_empty):
    page = open_page(served_empty)
    page.goto("/sign-in")
    page.keyboard.type("ups_nobody")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_be_visible()
    expect(page.get_by_label("Key")).to_be_focused()
    expect(page.get_by_label("Key")).to_have_accessible_description(
        page.get_by_role("alert").inner_text(), ignore_case=True
    )


def tab_to(page: Page, selector: str) -> None:
    """Press Tab until what is wanted has the focus."""
    for _ in range(80):
        if page.evaluate("wanted => document.activeElement.matches(wanted)", selector):
            return
        page.keyboard.press("Tab")
    pytest.fail(f"Tab does not reach {selector}")
