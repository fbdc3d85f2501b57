"""The settings of one analysis: explained, foreseen, stored as they were foreseen."""

import re

import pytest

FIELDS = (
    "peak_convention",
    "peak_window_s",
    "peak_window_breaths",
    "plateau_rule",
    "effort_rules",
    "heart_rate_max_method",
    "aberrant_breaths",
)


@pytest.fixture
def complete(laboratory, rows):
    subject = laboratory.subject()
    return laboratory.complete(laboratory.visit(subject["id"])["id"], rows())


@pytest.fixture
def sent(browser, tester_key, complete, send):
    """Sends the form of the test, with what was typed."""
    one = browser(tester_key)
    here = f"/tests/{complete['id']}/settings"

    def send_one(**typed):
        return send(one, here, dict.fromkeys(FIELDS, "") | {"step": "look"} | typed)

    return send_one


def shown(text):
    """The digest of what was shown."""
    return re.search(r'name="seen" value="([^"]*)"', text).group(1)


def test_each_choice_says_what_it_does_and_from_where(browser, tester_key, complete):
    text = browser(tester_key).get(f"/tests/{complete['id']}/settings").text
    for words in (
        "highest mean over any 30 s, each row weighted by its time inside",
        "Less than half the expected rise between stages",
        "leaves out breaths more than 4 SD from the mean of the 60 s around them",
        "Midgley AW",
        "Tanaka H",
        "by the shape of the test (as the program has it)",
        "30 where it is left empty (as the program has it)",
    ):
        assert words in text
    assert not re.search(
        r"\b[a-z]+_(?:19|20)\d\d\b(?! cycle)", text.split("<main")[1].replace("wagner_2020_cycle", "")
    )


def test_the_effect_is_that_of_the_interface_and_nothing_is_stored(sent, laboratory, complete):
    before = laboratory.analysis(complete["id"])
    text = sent(peak_convention="time_weighted", peak_window_s="60").text
    then = laboratory.analysis(complete["id"], peak_convention="time_weighted", peak_window_s=60)
    assert before["peak"]["vo2_ml_min"] != then["peak"]["vo2_ml_min"]
    effect = text.split('id="effect"')[1].split("</section>")[0]
    for document in (before, then):
        assert f"{document['peak']['vo2_ml_min']:,.0f} mL/min" in effect
        assert f"{document['peak']['vo2_ml_kg_min']:.1f} mL/kg/min" in effect
    assert shown(text)
    assert laboratory.analysis(complete["id"]) == before


def test_what_was_shown_is_stored(sent, laboratory, complete):
    typed = {
        "peak_convention": "consecutive_bins",
        "peak_window_s": "60",
        "plateau_rule": "rise_below_150_ml_min",
    }
    answer = sent(**typed, step="store", seen=shown(sent(**typed).text))
    assert (answer.status_code, answer.headers["location"]) == (303, f"/tests/{complete['id']}")
    settings = laboratory.analysis(complete["id"])["settings"]
    assert {name: settings[name] for name in ("peak_convention", "peak_window_s", "plateau_rule")} == {
        "peak_convention": "consecutive_bins",
        "peak_window_s": 60.0,
        "plateau_rule": "rise_below_150_ml_min",
    }
    assert settings["chosen_by"]["plateau_rule"] == "request"
    # The form opens with what was asked; emptied, everything is again as cohort, site or program have it.
    assert shown(sent(**typed).text) != ""
    answer = sent(step="store", seen=shown(sent().text))
    assert answer.status_code == 303
    assert laboratory.analysis(complete["id"])["settings"]["chosen_by"] == {}


def test_the_form_opens_with_what_was_asked_for_the_test(browser, tester_key, laboratory, complete):
    body = {"settings": {"peak_window_s": 20, "heart_rate_max_method": "heart_rate_max_fox"}}
    assert laboratory.client.post(f"/v1/tests/{complete['id']}/analysis", json=body).status_code == 200
    text = browser(tester_key).get(f"/tests/{complete['id']}/settings").text
    assert '<option value="heart_rate_max_fox" selected>' in text
    assert re.search(r'name="peak_window_s"[^>]* value="20"', text)


def test_settings_that_change_nothing_say_so(sent, laboratory, complete):
    effect = sent(peak_window_s="30").text.split('id="effect"')[1].split("</section>")[0]
    peak = laboratory.analysis(complete["id"])["peak"]
    assert f"Peak {peak['vo2_ml_min']:,.0f} mL/min, {peak['vo2_ml_kg_min']:.1f} mL/kg/min" in effect
    assert "stay as they are" in effect
    assert "Numbers change in" not in effect


def test_what_was_not_shown_is_not_stored(sent, laboratory, complete):
    seen = shown(sent(peak_window_s="60").text)
    answer = sent(peak_window_s="15", step="store", seen=seen)
    assert answer.status_code == 200
    assert "Nothing was stored:" in answer.text
    assert laboratory.analysis(complete["id"])["settings"]["peak_window_s"] == 30.0
    assert shown(answer.text) not in {"", seen}


#: What is typed, the field it is refused at, and what is said there.
REFUSED = (
    ({"peak_window_s": "soon"}, "peak_window_s", "must be a number with a decimal point"),
    ({"peak_window_s": "0"}, "peak_window_s", "greater than or equal to 1"),
    ({"peak_window_breaths": "1.5"}, "peak_window_breaths", "must be a whole number"),
    ({"peak_convention": "median"}, "peak_convention", "time_weighted"),
    ({"plateau_rule": "<script>alert(1)</script>"}, "plateau_rule", "one of"),
    ({"effort_rules": "own"}, "effort_rules", "one of"),
    ({"peak_convention": "moving_seconds", "peak_window_s": "30.5"}, "peak_window_s", "whole seconds"),
    ({"peak_convention": "trimmed_breaths", "peak_window_breaths": "2"}, "peak_window_breaths", "3 to 500"),
)


def test_what_is_refused_stands_beside_its_field_and_is_kept(sent, at_field):
    for typed, name, fault in REFUSED:
        answer = sent(**typed)
        assert answer.status_code == 422, typed
        assert fault in at_field(answer.text, name), typed
        assert shown(answer.text) == "", typed
        assert "<script>alert" not in answer.text
        for value in typed.values():
            assert value.replace("<", "&lt;").replace(">", "&gt;") in answer.text, typed


def test_a_record_that_changed_meanwhile_is_told(sent, laboratory, complete):
    seen = shown(sent(peak_window_s="60").text)
    laboratory.client.patch(f"/v1/tests/{complete['id']}", json={"notes": "later"})
    answer = sent(peak_window_s="60", step="store", seen=seen, revision="1")
    assert answer.status_code == 412
    assert "has changed since you opened the form" in answer.text
    assert laboratory.analysis(complete["id"])["settings"]["peak_window_s"] == 30.0


def test_only_a_complete_test_and_only_a_tester(browser, tester_key, reader_key, laboratory, complete):
    planned = laboratory.planned(complete["visit_id"])
    answer = browser(tester_key).get(f"/tests/{planned['id']}/settings")
    assert (answer.status_code, "only a complete test" in answer.text) == (409, True)
    one = browser(reader_key)
    assert one.get(f"/tests/{complete['id']}/settings").status_code == 403
    assert "/settings" not in one.get(f"/tests/{complete['id']}").text
