"""A file that goes with a sheet, in a real browser: it stays chosen from one look to the next, and is stored as it was shown."""

import re

import httpx
import pytest
from playwright.sync_api import expect

from service.intake.templates import TEMPLATES

TEST = TEMPLATES["intervals"].csv_text(filled=True)


@pytest.fixture
def sheet(served_empty, empty_key):
    """A planned test whose exercise began 30 s later on its sheet than in the file; the address of its import."""
    with httpx.Client(
        base_url=served_empty.address, headers={"Authorization": f"Bearer {empty_key}"}
    ) as client:

        def made(address, body):
            answer = client.post(address, json=body)
            assert answer.status_code == 201, answer.text
            return answer.json()

        code = f"IF-{len(client.get('/v1/subjects').json()['items'])}"
        subject = made("/v1/subjects", {"code": code, "sex": "female", "birth_date": "1990-05-14"})
        visit = made(
            f"/v1/subjects/{subject['id']}/visits",
            {"started_at": "2026-03-14T09:30:00+01:00", "body_mass_kg": 70.0},
        )
        looked = client.post(
            f"/v1/visits/{visit['id']}/imports?dry_run=true",
            files={"file": ("test.csv", TEST)},
            data={"options": '{"mode": "cycle"}'},
        ).json()
        test = made(f"/v1/visits/{visit['id']}/tests", {"mode": "cycle", "exercise_start_s": 210.0})
    return f"/visits/{visit['id']}/import?into={test['id']}", test["id"], looked["rows"]


def test_the_file_stays_chosen_and_is_stored_at_the_offset_that_was_shown(
    open_page, served_empty, empty_key, sheet
):
    address, test_id, rows = sheet
    page = open_page(served_empty, empty_key)
    page.goto(address)
    page.locator("#file").set_input_files(
        {"name": "test.csv", "mimeType": "text/csv", "buffer": TEST.encode()}
    )
    page.get_by_role("button", name="Show what is read").click()
    expect(page.get_by_role("heading", name="What was read, not stored yet")).to_be_visible()
    expect(page.locator("img.chart")).to_have_js_property("complete", value=True)
    assert page.locator("img.chart").evaluate("one => one.naturalWidth") > 600
    page.locator("#offset_s").fill("30")
    # Other than what was shown: it is shown again and not stored.
    page.get_by_role("button", name="Show it again, store nothing").click()
    expect(page.locator("main")).to_contain_text("with 30 s added to its times")
    assert page.locator("#file").evaluate("one => one.files.length") == 1
    page.get_by_role("button", name="Store this test").click()
    expect(page).to_have_url(re.compile(f"/tests/{test_id}$"))
    kept = page.context.request.get(f"{served_empty.address}/v1/tests/{test_id}/intervals").json()["items"]
    assert len(kept) == min(rows, 50)
    assert kept[0]["end_s"] > 30
