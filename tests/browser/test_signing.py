"""Signing in and out in a real browser."""

from playwright.sync_api import expect


def test_a_key_signs_in_and_the_session_ends(open_page, served_empty, empty_key):
    page = open_page(served_empty)
    page.goto("/people")
    expect(page).to_have_url(f"{served_empty.address}/sign-in?next=%2Fpeople")
    page.get_by_label("Key").fill(empty_key)
    page.get_by_role("button", name="Sign in").click()
    expect(page).to_have_url(f"{served_empty.address}/people")
    expect(page.get_by_role("banner")).to_contain_text("Signed in with key browser")

    page.get_by_role("button", name="Sign out").click()
    expect(page).to_have_url(f"{served_empty.address}/sign-in")
    page.go_back()
    expect(page.get_by_role("banner")).not_to_contain_text("Signed in")


def test_a_wrong_key_is_told_at_the_field(open_page, served_empty):
    page = open_page(served_empty)
    page.goto("/sign-in")
    page.get_by_label("Key").fill("ups_nobody")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_contain_text("not known")
