"""A threshold set by hand: what follows from it is shown, then it is stored beside the computed ones, or taken away."""

import itertools
import re

import pytest

from tests.api.test_breaths import ROWS as BREATHS


@pytest.fixture
def ramp(laboratory):
    """A ramp on the cycle, breath by breath."""
    subject = laboratory.subject()
    return laboratory.complete(laboratory.visit(subject["id"])["id"], BREATHS, mode="cycle", shape="ramp")


@pytest.fixture
def sent(browser, tester_key, ramp, send):
    """Sends the form of a threshold, with what was typed."""
    one = browser(tester_key)

    def send_one(threshold="vt1", **typed):
        here = f"/tests/{ramp['id']}/thresholds"
        fields = {"vo2_ml_min": "", "time_s": "", "by": "A. Tester", "reason": "Seen.", "step": "look"}
        return send(one, f"{here}?threshold={threshold}", fields | typed, to=here)

    return send_one


def shown(text):
    """The digest of what was shown."""
    return re.search(r'name="seen" value="([^"]*)"', text).group(1)


def own(laboratory, test, threshold="vt1"):
    """The tester's own threshold in the analysis."""
    return next(
        (
            one
            for one in laboratory.analysis(test["id"])["thresholds"]
            if (one["threshold"], one["basis"]) == (threshold, "tester")
        ),
        None,
    )


@pytest.mark.parametrize("typed", [{"vo2_ml_min": "2000"}, {"time_s": "700"}])
def test_what_follows_is_shown_before_it_is_stored_and_is_what_is_stored(sent, laboratory, ramp, typed):
    before = laboratory.analysis(ramp["id"])
    text = sent(**typed).text
    then = text.split('aria-label="What follows from the line"')[1].split("</section>")[0]
    assert laboratory.analysis(ramp["id"]) == before
    assert "Numbers change in: thresholds, ranges for training" in text
    answer = sent(**typed, step="store", seen=shown(text))
    assert answer.status_code == 303
    found = own(laboratory, ramp)
    for words in (
        f"{found['vo2_ml_min']:,.0f} mL/min",
        f"{found['percent_of_peak']:.0f} %",
        f"{found['heart_rate_bpm']:.0f} beats/min",
        f"{found['work_rate_lag_corrected_w']:.0f} W",
    ):
        assert f">{words}<" in then
    computed = [one for one in laboratory.analysis(ramp["id"])["thresholds"] if one["basis"] == "computed"]
    assert computed == [one for one in before["thresholds"] if one["basis"] == "computed"]


def test_it_stands_beside_the_computed_ones_and_can_be_taken_away(
    sent, browser, tester_key, laboratory, ramp
):
    for name, uptake in (("vt1", "1900"), ("vt2", "2600")):
        sent(name, vo2_ml_min=uptake, step="store", seen=shown(sent(name, vo2_ml_min=uptake).text))
    assert own(laboratory, ramp)["vo2_ml_min"] == 1900.0
    assert own(laboratory, ramp, "vt2")["vo2_ml_min"] == 2600.0
    one = browser(tester_key)
    text = one.get(f"/tests/{ramp['id']}").text
    table = text.split('<section id="thresholds">')[1].split("</table>")[0]
    assert table.count("<td>set by the tester</td>") == 2
    assert "consensus" in table
    assert "Set by A. Tester: Seen." in table
    assert re.search(r'name="vo2_ml_min"[^>]* value="1900"', one.get(f"/tests/{ramp['id']}/thresholds").text)
    assert sent(step="remove").status_code == 303
    assert own(laboratory, ramp) is None
    assert own(laboratory, ramp, "vt2")["vo2_ml_min"] == 2600.0


def test_the_drawings_hold_the_line_where_the_methods_agree(browser, tester_key, laboratory, ramp):
    text = browser(tester_key).get(f"/tests/{ramp['id']}/thresholds").text
    (agreed,) = (
        one
        for one in laboratory.analysis(ramp["id"])["thresholds"]
        if (one["threshold"], one["method"]) == ("vt1", "consensus")
    )
    drawings = re.findall(r'data-moments="([^"]*)".*?<line class="line"[^>]*x1="([^"]*)"', text, re.DOTALL)
    assert len(drawings) == 2
    for moments, place in drawings:
        numbers = [float(one) for one in moments.split()]
        pairs = list(zip(numbers[::2], numbers[1::2], strict=True))
        assert [time for time, _ in pairs] == sorted(time for time, _ in pairs)
        before, after = next(
            (one, two) for one, two in itertools.pairwise(pairs) if two[0] >= agreed["time_s"]
        )
        low, high = sorted((before[1], after[1]))
        assert low - 0.2 <= float(place) <= high + 0.2


#: What is typed, the field it is refused at, and what is said there.
REFUSED = (
    ({}, "vo2_ml_min", "give an uptake or a time"),
    ({"vo2_ml_min": "2000", "time_s": "700"}, "vo2_ml_min", "not both"),
    ({"vo2_ml_min": "much"}, "vo2_ml_min", "must be a number"),
    ({"vo2_ml_min": "90000"}, "vo2_ml_min", "lies between 50 and 8000 mL/min"),
    ({"time_s": "-1"}, "time_s", "greater than or equal to 0"),
    ({"time_s": "700", "reason": " ", "step": "store"}, "reason", "is needed"),
    ({"time_s": "700", "by": "", "step": "store"}, "by", "is needed"),
    ({"time_s": "700", "reason": "y" * 10_000, "step": "store"}, "reason", "at most"),
)


def test_what_is_refused_stands_beside_its_field_and_is_kept(sent, at_field, laboratory, ramp):
    for typed, name, fault in REFUSED:
        answer = sent(**typed)
        assert answer.status_code == 422, typed
        assert fault in at_field(answer.text, name), typed
        assert shown(answer.text) == "", typed
    assert own(laboratory, ramp) is None


def test_the_line_stays_where_it_was_typed_when_the_form_is_refused(sent):
    places = []
    for typed in ({"time_s": "400"}, {"time_s": "600"}):
        answer = sent(**typed, reason="", step="store")
        assert answer.status_code == 422
        places += re.findall(r'<line class="line"[^>]*x1="([^"]*)"', answer.text)[:1]
    assert 0 < float(places[0]) < float(places[1])


def test_a_hostile_reason_is_text(sent, browser, tester_key, ramp):
    reason = "<script>alert(1)</script>"
    answer = sent(time_s="700", reason=reason, step="store", seen=shown(sent(time_s="700").text))
    assert answer.status_code == 303
    one = browser(tester_key)
    for address in (answer.headers["location"], f"/tests/{ramp['id']}"):
        text = one.get(address).text
        assert "<script>alert" not in text
        assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text


def test_a_time_outside_exercise_says_that_nothing_can_be_read(sent):
    text = sent(time_s="90000").text
    assert "what is missing cannot be read" in text


def test_what_was_not_shown_is_not_stored(sent, laboratory, ramp):
    seen = shown(sent(time_s="700").text)
    answer = sent(time_s="710", step="store", seen=seen)
    assert (answer.status_code, "Nothing was stored:" in answer.text) == (200, True)
    assert own(laboratory, ramp) is None


@pytest.mark.parametrize("step", ["store", "remove"])
def test_a_record_that_changed_meanwhile_is_told(sent, laboratory, ramp, step):
    seen = shown(sent(time_s="700").text)
    laboratory.client.patch(f"/v1/tests/{ramp['id']}", json={"notes": "later"})
    answer = sent(time_s="700", step=step, seen=seen, revision="1")
    assert answer.status_code == 412
    assert "has changed since you opened the form" in answer.text


def test_an_unknown_threshold_is_refused(browser, tester_key, ramp, send):
    here = f"/tests/{ramp['id']}/thresholds"
    answer = send(browser(tester_key), here, {"threshold": "vt3", "time_s": "700", "step": "look"})
    assert (answer.status_code, "must be one of vt1, vt2, lt" in answer.text) == (422, True)


def test_a_lactate_threshold_is_set_on_the_lactates_of_the_stages(
    browser, tester_key, laboratory, rows, send
):
    visit = laboratory.visit(laboratory.subject()["id"])
    test = laboratory.complete(visit["id"], rows())
    one = browser(tester_key)
    here = f"/tests/{test['id']}/thresholds?threshold=lt"
    assert "no lactate with an uptake beside it was noted" in one.get(here).text
    notes = [
        {"stage": stage, "phase": "exercise", "time_s": 180.0 + 120.0 * stage, "lactate_mmol_l": lactate}
        for stage, lactate in ((1, 1.1), (2, 1.2), (3, 1.6), (4, 2.6), (5, 4.4), (6, 8.0))
    ]
    put = laboratory.client.put(f"/v1/tests/{test['id']}/stage-notes", json=notes)
    assert put.status_code == 200, put.text
    drawing = one.get(here).text.split('<figure class="panel">')[1].split("</figure>")[0]
    assert "Blood lactate on oxygen uptake" in drawing
    assert drawing.count('<circle class="circle"') == 6


def test_only_a_complete_test_with_rows_and_only_a_tester(browser, tester_key, reader_key, laboratory, ramp):
    planned = laboratory.planned(ramp["visit_id"])
    one = browser(tester_key)
    answer = one.get(f"/tests/{planned['id']}/thresholds")
    assert (answer.status_code, "once it is complete" in answer.text) == (409, True)
    laboratory.client.put(
        f"/v1/tests/{planned['id']}/reported-results",
        json=[{"quantity": "vo2_peak_ml_kg_min", "value": 41.5, "source": "paper report"}],
    )
    answer = one.get(f"/tests/{planned['id']}/thresholds")
    assert (answer.status_code, "has no rows" in answer.text) == (409, True)
    reader = browser(reader_key)
    assert reader.get(f"/tests/{ramp['id']}/thresholds").status_code == 403
    assert "/thresholds" not in reader.get(f"/tests/{ramp['id']}").text


def test_the_methods_are_called_as_on_the_page_of_the_test(browser, tester_key, laboratory, ramp):
    found = {
        one["method"]
        for one in laboratory.analysis(ramp["id"])["thresholds"]
        if one["vo2_ml_min"] is not None
    }
    text = browser(tester_key).get(f"/tests/{ramp['id']}/thresholds?threshold=vt1").text
    told = re.findall(r'<th scope="row">([^<]+)</th>', text.partition("As it is stored")[2])
    assert "v_slope" in found
    assert {"V-slope", "consensus of methods"} <= set(told)
