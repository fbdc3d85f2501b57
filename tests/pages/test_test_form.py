"""The form of a test: it opens as recorded, changes what was changed, and refuses beside the field."""

import pytest


@pytest.fixture
def test_id(laboratory) -> str:
    visit = laboratory.visit(laboratory.subject()["id"])
    return laboratory.complete(visit["id"], stop_note="calves\nburned", recovery_active=True)["id"]


def test_what_is_typed_is_stored_and_the_rest_stays(browser, tester_key, client, send, test_id):
    before = client.get(f"/v1/tests/{test_id}").json()
    typed = {
        "reason_for_test": "wants training ranges",
        "stop_reason": "legs",
        "ecg_recorded": "true",
        "ecg_read_by": "the physician of the day",
        "ecg_reading": "as the reader wrote it",
        "stop_note": before["stop_note"],
        "recovery_active": "true",
    }
    answer = send(browser(tester_key), f"/tests/{test_id}/edit", typed)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/tests/{test_id}")
    after = client.get(f"/v1/tests/{test_id}").json()
    assert after == before | typed | {"ecg_recorded": True, "recovery_active": True}
    audit = [one["kind"] for one in client.get("/v1/changes").json()["items"]]
    assert audit.count("test") >= 2


def test_a_form_sent_as_it_was_opened_changes_nothing(browser, tester_key, client, send, test_id):
    one = browser(tester_key)
    page = one.get(f"/tests/{test_id}/edit").text
    assert "calves\nburned</textarea>" in page
    tag = client.get(f"/v1/tests/{test_id}").headers["etag"]
    typed = {"stop_reason": "exhaustion", "stop_note": "calves\r\nburned", "recovery_active": "true"}
    assert send(one, f"/tests/{test_id}/edit", typed).status_code == 303
    assert client.get(f"/v1/tests/{test_id}").headers["etag"] == tag


@pytest.mark.parametrize(
    ("name", "value", "fault"),
    [
        ("ecg_read_by", "W" * 201, "200"),
        ("stop_reason", "boredom", "exhaustion"),
        ("ecg_recorded", "perhaps", "yes or no"),
        ("notes", "x" * 10_001, "10000"),
    ],
)
def test_the_fault_stands_beside_the_field_and_the_rest_is_kept(
    browser, tester_key, send, at_field, test_id, name, value, fault
):
    typed = {"reason_for_test": "<script>alert(1)</script>", name: value}
    answer = send(browser(tester_key), f"/tests/{test_id}/edit", typed)
    assert answer.status_code == 422
    assert fault in at_field(answer.text, name)
    assert "&lt;script&gt;alert(1)" in answer.text


def test_a_change_that_came_between_is_not_written_over(browser, tester_key, client, send, test_id):
    answer = send(browser(tester_key), f"/tests/{test_id}/edit", {"revision": "1", "notes": "late"})
    assert answer.status_code == 412
    assert "late" in answer.text
    assert client.get(f"/v1/tests/{test_id}").json()["notes"] is None


def test_a_reader_may_not(browser, reader_key, test_id):
    assert browser(reader_key).get(f"/tests/{test_id}/edit").status_code == 403
