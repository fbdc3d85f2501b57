"""The rows of a test: a decision about them is foreseen, stored as it was foreseen, and can be taken back."""

import re

import pytest

from tests.api.conftest import constant_bout
from tests.api.test_breaths import COUGHS
from tests.api.test_breaths import ROWS as BREATHS

TYPED = {"first_s": "", "last_s": "", "decision": "leave_out", "reason": "Cough.", "step": "look"}


@pytest.fixture
def complete(laboratory, rows):
    subject = laboratory.subject()
    return laboratory.complete(laboratory.visit(subject["id"])["id"], rows())


@pytest.fixture
def here(complete):
    return f"/tests/{complete['id']}/rows"


@pytest.fixture
def sent(browser, tester_key, here, send):
    """Sends the form of the rows, with what was typed."""
    one = browser(tester_key)
    return lambda **typed: send(one, here, TYPED | typed)


def shown(text):
    """The digest of what was shown."""
    return re.search(r'name="seen" value="([^"]*)"', text).group(1)


def stored(sent, **typed):
    """The answer to a decision that was shown and then stored."""
    return sent(**typed, step="store", seen=shown(sent(**typed).text))


def decisions(laboratory, test):
    items = laboratory.client.get(f"/v1/tests/{test['id']}/exclusions").json()["items"]
    return {one["seq"]: (one["excluded"], one["by"], one["reason"]) for one in items}


def row_of(text, seq):
    return next(row for row in text.split("<tr") if f'name="row_{seq}"' in row)


def test_the_page_opens_about_the_peak_and_leads_to_every_row(
    browser, tester_key, laboratory, complete, here
):
    one = browser(tester_key)
    text = one.get(here).text
    peak = laboratory.analysis(complete["id"])["peak"]
    within = [row for row in text.split("<tr")[1:] if "in the window of the peak" in row]
    assert len(within) == round((peak["end_s"] - peak["start_s"]) / 15)
    seen = set(re.findall(r'name="row_(\d+)"', text))
    while earlier := re.search(r'<a href="([^"]+)">Earlier</a>', text):
        text = one.get(earlier.group(1).replace("&amp;", "&")).text
        seen |= set(re.findall(r'name="row_(\d+)"', text))
    while later := re.search(r'<a href="([^"]+)">Later</a>', text):
        text = one.get(later.group(1).replace("&amp;", "&")).text
        seen |= set(re.findall(r'name="row_(\d+)"', text))
    assert seen == {str(seq) for seq in range(complete["n_intervals"])}


def test_the_effect_on_the_peak_is_shown_before_anything_is_stored(sent, laboratory, complete):
    before = laboratory.analysis(complete["id"])
    peak = before["peak"]
    text = sent(first_s=f"{peak['start_s']:g}", last_s=f"{peak['end_s']:g}").text
    effect = text.split('id="effect"')[1].split("</section>")[0]
    assert "It is about 2 rows." in text
    assert decisions(laboratory, complete) == {}
    assert laboratory.analysis(complete["id"]) == before
    # What was foreseen is what the interface makes of it.
    stored(sent, first_s=f"{peak['start_s']:g}", last_s=f"{peak['end_s']:g}")
    after = laboratory.analysis(complete["id"])["peak"]["vo2_ml_min"]
    assert after < peak["vo2_ml_min"]
    for value in (peak["vo2_ml_min"], after):
        assert f"{value:,.0f} mL/min" in effect
    for words in ("Effort", "Plateau"):
        assert f'<th scope="row">{words}</th>' in effect


def test_ticked_rows_are_left_out_with_who_and_why_and_taken_back(
    sent, browser, tester_key, laboratory, complete, here
):
    last = complete["n_intervals"] - 14
    before = laboratory.analysis(complete["id"])
    ticked = {f"row_{last}": "on", f"row_{last - 1}": "on"}
    answer = stored(sent, **ticked, reason="Cough <b>once</b>.")
    assert answer.status_code == 303
    who = (True, "tester", "Cough <b>once</b>.")
    assert decisions(laboratory, complete) == {last - 1: who, last: who}
    text = browser(tester_key).get(answer.headers["location"]).text
    assert "<b>left out</b> by tester: Cough &lt;b&gt;once&lt;/b&gt;." in row_of(text, last)
    assert laboratory.analysis(complete["id"]) != before
    assert stored(sent, **ticked, decision="take_back", reason="It was none.").status_code == 303
    assert decisions(laboratory, complete) == {}
    assert laboratory.analysis(complete["id"])["peak"] == before["peak"]


def test_a_breath_that_the_rule_leaves_out_can_be_kept(browser, tester_key, laboratory, send):
    subject = laboratory.subject()
    test = laboratory.complete(laboratory.visit(subject["id"])["id"], BREATHS, mode="cycle", shape="ramp")
    care = laboratory.analysis(test["id"])["breath_care"]
    left_out = [one["seq"] for one in care["left_out"]]
    assert set(left_out) > set(COUGHS)
    here = f"/tests/{test['id']}/rows"
    one = browser(tester_key)
    text = one.get(f"{here}?only=decided").text
    assert re.findall(r'name="row_(\d+)"', text) == [str(seq) for seq in left_out]
    assert "<b>left out</b> by the rule: VO2" in text
    typed = TYPED | {f"row_{COUGHS[0]}": "on", "decision": "keep", "reason": "A real breath."}
    seen = shown(send(one, f"{here}?only=decided", typed, to=here).text)
    answer = send(one, f"{here}?only=decided", typed | {"step": "store", "seen": seen}, to=here)
    assert answer.headers["location"] == f"{here}?only=decided"
    assert "<b>kept</b> by tester: A real breath." in one.get(answer.headers["location"]).text
    assert laboratory.analysis(test["id"])["breath_care"]["n_restored"] == 1


#: What is typed over a form that would be acceptable, the field it is refused at, and what is said there.
REFUSED = (
    ({}, "decision", "tick the rows it is about"),
    ({"first_s": "10"}, "last_s", "is needed with the other one"),
    ({"first_s": "10", "last_s": "12"}, "first_s", "no row lies wholly inside"),
    ({"first_s": "soon", "last_s": "12"}, "first_s", "must be a number"),
    ({"row_3": "on", "reason": "  ", "step": "store"}, "reason", "is needed"),
    ({"row_3": "on", "reason": "x" * 10_000}, "reason", "at most"),
    ({"row_3": "on", "decision": ""}, "decision", "is needed"),
    ({"row_3": "on", "decision": "delete"}, "decision", "choose one of the list"),
    ({"row_3": "on", "decision": "take_back"}, "decision", "nothing was decided by hand"),
)


def test_what_is_refused_stands_beside_its_field_and_is_kept(sent, at_field, laboratory, complete):
    for typed, name, fault in REFUSED:
        answer = sent(**typed)
        assert answer.status_code == 422, typed
        assert fault in at_field(answer.text, name), typed
        assert shown(answer.text) == "", typed
    assert decisions(laboratory, complete) == {}


def test_the_effect_is_shown_before_a_reason_is_given(sent, laboratory, complete):
    seen = shown(sent(row_58="on", reason="").text)
    assert seen
    answer = sent(row_58="on", reason="", step="store", seen=seen)
    assert (answer.status_code, decisions(laboratory, complete)) == (422, {})
    assert sent(row_58="on", reason="Leak.", step="store", seen=seen).status_code == 303
    assert decisions(laboratory, complete) == {58: (True, "tester", "Leak.")}


def test_a_row_that_there_is_not_is_told(sent):
    answer = sent(row_9999="on")
    assert answer.status_code == 422
    assert "the test has intervals 0 to" in answer.text


def test_what_was_not_shown_is_not_stored(sent, laboratory, complete):
    seen = shown(sent(row_58="on").text)
    answer = sent(row_58="on", row_59="on", step="store", seen=seen)
    assert (answer.status_code, "Nothing was stored:" in answer.text) == (200, True)
    assert " checked" in row_of(answer.text, 59)
    assert decisions(laboratory, complete) == {}


def test_a_record_that_changed_meanwhile_is_told(sent, laboratory, complete):
    seen = shown(sent(row_58="on").text)
    laboratory.client.patch(f"/v1/tests/{complete['id']}", json={"notes": "later"})
    answer = sent(row_58="on", step="store", seen=seen, revision="1")
    assert answer.status_code == 412
    assert "has changed since you opened the form" in answer.text
    assert decisions(laboratory, complete) == {}


def test_a_bout_that_verifies_tells_what_it_changes_in_its_main_test(
    browser, tester_key, laboratory, rows, send
):
    visit = laboratory.visit(laboratory.subject()["id"])
    main = laboratory.complete(visit["id"], rows())
    bout = laboratory.complete(
        visit["id"], constant_bout(), purpose="verification", shape="constant", verifies_test_id=main["id"]
    )
    assert laboratory.analysis(main["id"])["effort"]["verdict"] == "verified"
    typed = TYPED | {"first_s": "180", "last_s": "360"}
    text = send(browser(tester_key), f"/tests/{bout['id']}/rows", typed).text
    assert f'It also changes <a href="/tests/{main["id"]}">' in text
    assert "maximal, confirmed by a verification bout" in text


def test_only_a_complete_test_and_only_a_tester(browser, tester_key, reader_key, laboratory, complete, here):
    planned = laboratory.planned(complete["visit_id"])
    answer = browser(tester_key).get(f"/tests/{planned['id']}/rows")
    assert (answer.status_code, "once it is complete" in answer.text) == (409, True)
    one = browser(reader_key)
    assert one.get(here).status_code == 403
    assert "/rows" not in one.get(f"/tests/{complete['id']}").text
