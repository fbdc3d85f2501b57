"""The page of one test."""

import re

import pytest

from tests.api.conftest import constant_bout


@pytest.fixture
def complete(laboratory, rows):
    """A complete test of an invented person."""
    subject = laboratory.subject(given_name="Ida", family_name="Invented")
    return laboratory.complete(laboratory.visit(subject["id"])["id"], rows())


def seen(text):
    """What is read on a page before any number explains itself."""
    return re.sub(r"<[^>]+>", "", re.sub(r'<span class="why".*?</span></span>', "", text, flags=re.DOTALL))


def test_the_verdict_comes_first_and_is_that_of_the_analysis(browser, tester_key, laboratory, complete):
    text = browser(tester_key).get(f"/tests/{complete['id']}").text
    document = laboratory.analysis(complete["id"])
    lead = seen(text.split('aria-label="Verdict"')[1].split("</section>")[0])
    assert f"{document['peak']['label']} {document['peak']['vo2_ml_kg_min']:.1f} mL/kg/min" in lead
    assert "Effort: " in lead
    assert "Plateau: " in lead
    assert text.index('aria-label="Verdict"') < text.index("What the verdict rests on")


def test_every_criterion_stands_there_with_its_numbers_or_the_reason(
    browser, tester_key, laboratory, complete
):
    table = browser(tester_key).get(f"/tests/{complete['id']}").text.split('aria-label="Effort criteria"')[1]
    table = table.split("</table>")[0]
    for criterion in laboratory.analysis(complete["id"])["effort"]["criteria"]:
        shown = criterion["observed"] is not None and f"{criterion['observed']:.4g}" in table
        assert shown or (criterion["reason"] or "?").split("'")[0][:30] in table


def test_what_is_null_has_its_reason_on_the_page(browser, tester_key, laboratory, complete):
    text = browser(tester_key).get(f"/tests/{complete['id']}").text
    missing = [one for one in laboratory.analysis(complete["id"])["thresholds"] if one["vo2_ml_min"] is None]
    assert missing
    assert all(one["reason"][:25] in text for one in missing)


def test_settings_are_told_in_the_words_of_their_form(browser, tester_key, complete):
    text = browser(tester_key).get(f"/tests/{complete['id']}").text
    told = text.partition("Settings: ")[2].partition("</p>")[0]
    assert told.startswith("How the peak is averaged: time weighted; Window of the peak (s): 30; ")
    assert told.endswith("Single breaths out of line: beyond 4 SD of those around.")
    assert "_" not in told


def test_charts_of_the_page_can_be_drawn(browser, tester_key, complete):
    one = browser(tester_key)
    addresses = re.findall(r'src="(/v1/[^"]+)"', one.get(f"/tests/{complete['id']}").text)
    assert len(addresses) >= 4
    for address in addresses:
        assert one.get(address).headers["content-type"] == "image/svg+xml"


def test_findings_say_what_to_do_and_where_more_stands(browser, tester_key, laboratory, rows):
    subject = laboratory.subject()
    stuck = [{**row, "heart_rate_bpm": 150.0} for row in rows()]
    test = laboratory.complete(laboratory.visit(subject["id"])["id"], stuck)
    one = browser(tester_key)
    text = one.get(f"/tests/{test['id']}").text
    serious = [f for f in laboratory.analysis(test["id"])["findings"] if f["severity"] != "info"]
    assert serious
    for finding in serious:
        assert f"/guide/findings#{finding['code']}" in text
        assert finding["what_to_do"][:30] in text
        assert f'id="{finding["code"]}"' in one.get("/guide/findings").text


def test_a_test_being_recorded_is_called_provisional(browser, tester_key, laboratory, rows):
    visit = laboratory.visit(laboratory.subject()["id"])
    planned = laboratory.planned(visit["id"])
    one = browser(tester_key)
    assert "nothing is recorded yet" in one.get(f"/tests/{planned['id']}").text
    sent = laboratory.client.post(f"/v1/tests/{planned['id']}/intervals", json={"intervals": rows()[:20]})
    assert sent.status_code in {200, 201}
    assert "worked out from what there is so far" in one.get(f"/tests/{planned['id']}").text


def test_a_void_test_shows_nothing_worked_out(browser, tester_key, laboratory, complete):
    voided = laboratory.client.patch(f"/v1/tests/{complete['id']}", json={"status": "void"})
    assert voided.status_code == 200
    text = browser(tester_key).get(f"/tests/{complete['id']}").text
    assert "This test is void" in text
    assert "VO2" not in text


def test_reported_results_alone_make_a_page(browser, tester_key, laboratory):
    visit = laboratory.visit(laboratory.subject()["id"])
    test = laboratory.planned(visit["id"])
    put = laboratory.client.put(
        f"/v1/tests/{test['id']}/reported-results",
        json=[{"quantity": "vo2_peak_ml_kg_min", "value": 41.5, "source": "paper report"}],
    )
    assert put.status_code == 200
    text = browser(tester_key).get(f"/tests/{test['id']}").text
    assert "41.5 mL/kg/min" in text
    assert "<img" not in text


def test_notes_are_text(browser, tester_key, laboratory, rows):
    visit = laboratory.visit(laboratory.subject()["id"])
    test = laboratory.complete(
        visit["id"], rows(), stop_reason="other", stop_note="<img src=x onerror=alert(1)>"
    )
    text = browser(tester_key).get(f"/tests/{test['id']}").text
    assert "<img src=x" not in text
    assert "&lt;img src=x" in text


def test_a_person_leads_to_the_test_and_back(browser, tester_key, laboratory, complete):
    one = browser(tester_key)
    text = one.get(f"/tests/{complete['id']}").text
    person = re.search(r'href="(/people/[^"]+)"', text).group(1)
    assert f"/tests/{complete['id']}" in one.get(person).text


def test_no_name_for_a_reader_and_nothing_of_someone_else(
    browser, store, make_key, reader_key, laboratory, complete
):
    assert "Ida" not in browser(reader_key).get(f"/tests/{complete['id']}").text
    other = laboratory.subject(code="B-01")
    del other
    limited = browser(make_key(store, "coach", "reader", subject_codes=["B-01"]))
    assert limited.get(f"/tests/{complete['id']}").status_code == 404


# -- concluding ----------------------------------------------------------------------------------------------


def conclude(one, test_id, **fields):
    text = one.get(f"/tests/{test_id}").text
    form = text.split('<section id="conclusion">')[1]
    hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form))
    told = {"conclusion_text": "As in March.", "author": "A. Tester", **hidden, **fields}
    return one.post(f"/tests/{test_id}/conclusion", data=told)


def test_a_conclusion_is_kept_as_a_draft_and_then_signed(browser, tester_key, laboratory, complete):
    one = browser(tester_key)
    answer = conclude(one, complete["id"])
    assert (answer.status_code, answer.headers["location"]) == (303, f"/tests/{complete['id']}#conclusion")
    assert "Draft by A. Tester, not signed" in one.get(f"/tests/{complete['id']}").text
    conclude(one, complete["id"], conclusion_text="Signed <b>text</b>.", sign="true")
    text = one.get(f"/tests/{complete['id']}").text
    assert "Signed by A. Tester on" in text
    assert "Signed &lt;b&gt;text&lt;/b&gt;." in text
    assert "<h3>An amendment</h3>" in text
    (version,) = laboratory.client.get(f"/v1/tests/{complete['id']}/conclusion").json()["versions"]
    assert version["signed_at"] is not None


def test_whoever_changes_a_signed_test_is_told_so_before(browser, tester_key, complete):
    one = browser(tester_key)
    forms = [f"/tests/{complete['id']}/{part}" for part in ("rows", "settings", "thresholds")]
    told = "A conclusion of this test is signed."
    conclude(one, complete["id"])
    assert not any(told in one.get(form).text for form in forms)
    conclude(one, complete["id"], sign="true")
    assert all(told in one.get(form).text for form in forms)


def test_a_change_after_the_signature_is_told(browser, tester_key, laboratory, complete):
    one = browser(tester_key)
    conclude(one, complete["id"], sign="true")
    patch = laboratory.client.patch(f"/v1/visits/{complete['visit_id']}", json={"body_mass_kg": 71.0})
    assert patch.status_code == 200
    assert "has changed since this conclusion was signed" in one.get(f"/tests/{complete['id']}").text


@pytest.mark.parametrize(
    ("fields", "name", "told"),
    [
        ({"conclusion_text": "  "}, "conclusion_text", "is needed"),
        ({"conclusion_text": "x" * 20_001}, "conclusion_text", "at most"),
        ({"author": ""}, "author", "is needed"),
        ({"credentials": "c" * 10_000}, "credentials", "at most"),
    ],
)
def test_what_is_refused_stands_beside_its_field_and_is_kept(
    browser, tester_key, laboratory, complete, at_field, fields, name, told
):
    answer = conclude(browser(tester_key), complete["id"], sign="true", **fields)
    assert answer.status_code == 422
    assert told in at_field(answer.text, name)
    form = answer.text.split('<section id="conclusion">')[1]
    assert ("As in March." in form) == (name != "conclusion_text")
    assert 'name="sign" value="true" checked' in form
    assert laboratory.client.get(f"/v1/tests/{complete['id']}/conclusion").json()["versions"] == []


@pytest.mark.parametrize(
    ("fields", "status", "told"),
    [
        ({"form_token": "0" * 64}, 403, "earlier session"),
        ({"revision": "1"}, 412, "has changed since you opened the form"),
    ],
)
def test_a_form_of_another_state_is_told(browser, tester_key, laboratory, complete, fields, status, told):
    answer = conclude(browser(tester_key), complete["id"], **fields)
    assert (answer.status_code, told in answer.text) == (status, True)
    assert laboratory.client.get(f"/v1/tests/{complete['id']}/conclusion").json()["versions"] == []


def void_form(one, test_id, **fields):
    held = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', one.get(f"/tests/{test_id}").text))
    told = {name: held[name] for name in ("form_token", "revision")} | {"void_reason": "Mask leaked."}
    return one.post(f"/tests/{test_id}/void", data=told | fields)


def test_a_test_is_made_void_with_a_reason_that_stays(browser, tester_key, laboratory, rows):
    visit = laboratory.visit(laboratory.subject()["id"])
    test = laboratory.complete(visit["id"], rows(), notes="On the old treadmill.")
    one = browser(tester_key)
    answer = void_form(one, test["id"])
    assert (answer.status_code, answer.headers["location"]) == (303, f"/tests/{test['id']}")
    text = one.get(f"/tests/{test['id']}").text
    assert "This test is void" in text
    assert "On the old treadmill." in text
    assert re.search(r"Void on \d{4}-\d\d-\d\d, by tester: Mask leaked.", text)
    assert "Make this test void" not in text
    assert laboratory.client.get(f"/v1/tests/{test['id']}").json()["status"] == "void"
    assert void_form(one, laboratory.planned(visit["id"])["id"]).status_code == 303


def test_a_test_is_not_made_void_without_a_reason_or_from_another_state(
    browser, tester_key, reader_key, laboratory, complete, at_field
):
    one = browser(tester_key)
    answer = void_form(one, complete["id"], void_reason=" ")
    assert (answer.status_code, at_field(answer.text, "void_reason")) == (422, "is needed")
    answer = void_form(one, complete["id"], revision="1")
    assert (answer.status_code, "has changed since you opened the form" in answer.text) == (412, True)
    assert laboratory.client.get(f"/v1/tests/{complete['id']}").json()["status"] == "complete"
    reader = browser(reader_key)
    assert "Make this test void" not in reader.get(f"/tests/{complete['id']}").text


def test_a_reader_has_no_form_and_cannot_conclude(browser, reader_key, complete):
    one = browser(reader_key)
    page = one.get(f"/tests/{complete['id']}").text
    assert "<textarea" not in page
    token = re.search(r'name="form_token" value="([^"]*)"', page).group(1)
    told = {"form_token": token, "revision": "1", "conclusion_text": "x", "author": "y"}
    assert one.post(f"/tests/{complete['id']}/conclusion", data=told).status_code == 403


# -- numbers that explain themselves ---------------------------------------------------------------------------


def explained(text):
    """What each number that explains itself says, in the order of the page."""
    return dict(
        re.findall(
            r'<button type="button" class="figure"[^>]* interestfor="([^"]+)">.*?</button>'
            r'<span class="why" id="\1" popover>(.*?)</span></span>',
            text,
            re.DOTALL,
        )
    )


def test_every_number_of_the_tables_says_what_it_is_how_it_was_had_and_from_where(
    browser, tester_key, laboratory, complete
):
    text = browser(tester_key).get(f"/tests/{complete['id']}").text
    numbers = text.split('<section id="numbers">')[1].split('<section id="thresholds">')[0]
    told, version = explained(numbers), laboratory.analysis(complete["id"])["analysis_version"]
    assert len(told) == numbers.count('<td class="number">') > 10
    for words in told.values():
        assert words.startswith("<b>")
        assert f"Analysis version {version}." in words
        assert "Source: " in words


def test_what_a_number_says_is_that_of_the_analysis(browser, tester_key, laboratory, complete):
    told = explained(browser(tester_key).get(f"/tests/{complete['id']}").text)
    care = laboratory.analysis(complete["id"])["breath_care"]
    (averaged,) = (one["text"] for one in care["averaging"] if one["part"] == "peak")
    peak = told["why-peak-vo2_peak_ml_min"]
    assert averaged[1:] in peak
    assert "Typical error of one test: 5 %" in peak
    # Midgley 2007 and Martin-Rincon 2020 as in the bibliography, not as keys.
    assert "Midgley AW" in peak
    assert "midgley_2007" not in peak
    assert "Highest mean over 15 s" in told["why-whole-heart_rate_max_bpm"]


def test_the_page_holds_no_identifier_twice(browser, tester_key, complete):
    marks = re.findall(r' id="([^"]+)"', browser(tester_key).get(f"/tests/{complete['id']}").text)
    assert len(marks) == len(set(marks))


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"field_inputs": {"method": "cooper_12_min", "distance_m": 2400}, "mode": "run"}, "Cooper"),
        (
            {"field_inputs": {"method": "queens_college_step", "heart_rate_bpm": 150}, "mode": "step"},
            "step",
        ),
    ],
)
def test_a_field_test_shows_its_estimate_with_its_error_and_that_it_is_none_measured(
    browser, tester_key, laboratory, fields, words
):
    visit = laboratory.visit(laboratory.subject()["id"])
    made = laboratory.client.post(f"/v1/visits/{visit['id']}/tests", json={"shape": "field", **fields})
    assert made.status_code == 201, made.text
    text = browser(tester_key).get(f"/tests/{made.json()['id']}").text
    part = text.split('<section id="estimates">')[1].split("</section>")[0]
    assert "none of them is a measurement" in part
    assert words in part
    assert "not a measurement" in part


def test_what_can_be_printed_is_linked(browser, tester_key, laboratory):
    visit = laboratory.visit(laboratory.subject()["id"])
    test = laboratory.complete(visit["id"])["id"]
    one = browser(tester_key)
    for address in (f"/tests/{test}", f"/people/{visit['subject_id']}"):
        links = re.findall(r'href="(/v1/[^"]+/report[^"]*)"', one.get(address).text)
        kinds = [one.get(link.replace("&amp;", "&")).headers["content-type"] for link in links]
        assert kinds == ["application/pdf"] * 2


def test_plateau_rules_that_found_the_same_are_told_together(browser, tester_key, laboratory):
    visit = laboratory.visit(laboratory.subject()["id"])
    test = laboratory.planned(visit["id"])
    laboratory.client.put(
        f"/v1/tests/{test['id']}/reported-results",
        json=[{"quantity": "vo2_peak_ml_kg_min", "value": 41.5, "source": "paper report"}],
    )
    part = browser(tester_key).get(f"/tests/{test['id']}").text.split("<h3>Plateau</h3>")[1]
    lines = seen(part.split("</ul>")[0]).strip().splitlines()
    rules = laboratory.analysis(test["id"])["plateau"]["rules"]
    assert len(lines) == 2 < len(rules)
    assert "(shown, not counted)" in lines[1]
    assert lines[1].count(", ") >= len(rules) - 2


def test_every_table_and_equation_says_what_or_why_not_by_its_name(browser, tester_key, laboratory, complete):
    text = browser(tester_key).get(f"/tests/{complete['id']}").text
    part = seen(text.split('<section id="standing">')[1].split("</section>")[0])
    ranks = laboratory.analysis(complete["id"])["ranks"]
    assert part.count("\n") > len(ranks) > 3
    assert "FRIEND 2015, treadmill: about the 70th percentile" in part
    assert not re.search(r"[a-z]_[a-z0-9]", part)
    for rank in ranks:
        if all(
            rank[name] is None
            for name in ("percentile", "bound", "percent_of_median", "percent_of_predicted")
        ):
            assert rank["reason"][:30] in part


def test_a_verification_bout_and_its_main_test_lead_to_each_other(browser, tester_key, laboratory, complete):
    bout = laboratory.complete(
        complete["visit_id"],
        constant_bout(),
        purpose="verification",
        shape="constant",
        verifies_test_id=complete["id"],
    )
    one = browser(tester_key)
    part = one.get(f"/tests/{complete['id']}").text.split("<h3>Verification")[1].split("</section>")[0]
    assert f'href="/tests/{bout["id"]}"' in part
    verification = laboratory.analysis(complete["id"])["effort"]["verification"]
    assert f"{verification['verification_peak_ml_min']:,.0f} mL/min: " in seen(part)
    assert verification["reason"].replace("'", "&#39;") in seen(part)
    assert f'href="/tests/{complete["id"]}"' in one.get(f"/tests/{bout['id']}").text
