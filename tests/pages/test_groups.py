"""Groups: what one shows stands on its page as the interface gives it."""

import re

import pytest


def reported(laboratory, visit_id, mode="treadmill", **results):
    """A test of which only results are known: no series to be analysed."""
    test = laboratory.planned(visit_id, mode=mode)
    answer = laboratory.client.put(
        f"/v1/tests/{test['id']}/reported-results",
        json=[{"quantity": key, "value": value, "source": "paper report"} for key, value in results.items()],
    )
    assert answer.status_code == 200, answer.text


@pytest.fixture
def study(laboratory, admin):
    """Eight members in two arms, two rounds; the last member misses the second."""
    members = []
    for place in range(8):
        subject = laboratory.subject()
        arm = "training" if place < 4 else "control"
        for number, name in enumerate(("first", "second")):
            if place == 7 and number:
                continue
            visit = laboratory.visit(
                subject["id"], started_at=f"2026-0{3 + 3 * number}-1{place}T09:30:00+01:00", round=name
            )
            gain = 4.0 + 0.5 * place if arm == "training" else 0.3 * place
            reported(
                laboratory,
                visit["id"],
                vo2_peak_ml_kg_min=37.0 + 0.8 * place + gain * number,
                heart_rate_max_bpm=180.0 + place,
            )
        members.append({"subject_id": subject["id"], "arm": arm})
    cohort = admin.post("/v1/cohorts", json={"name": "Spring study"}).json()
    assert admin.put(f"/v1/cohorts/{cohort['id']}/members", json=members).status_code == 200
    return cohort["id"]


def test_no_group_yet(browser, tester_key):
    assert "There is no group yet" in browser(tester_key).get("/groups").text


def test_a_group_with_its_rounds_and_change(browser, tester_key, study, client):
    one = browser(tester_key)
    assert f'<a href="/groups/{study}">Spring study</a>' in one.get("/groups").text
    text = one.get(f"/groups/{study}").text
    query = {"quantity": "vo2_peak_ml_kg_min", "from": "first", "to": "second"}
    change = client.get(f"/v1/cohorts/{study}/change", params=query).json()
    for arm in change["arms"]:
        assert f"{arm['mean']:.2f}" in text
        assert f"{arm['ci_low']:.2f} to {arm['ci_high']:.2f}" in text
    assert f"{change['difference']['value']:.2f} mL/kg/min" in text
    assert "training against control" in text
    (missing,) = next(arm for arm in change["arms"] if arm["arm"] == "control")["missing"]
    assert f"{missing['code']} ({missing['reason']})" in text
    chart = one.get(
        f"/v1/cohorts/{study}/chart?quantity=vo2_peak_ml_kg_min&mode=treadmill&basis=reported&format=svg"
    )
    assert chart.headers["content-type"] == "image/svg+xml"
    assert "quantity=vo2_peak_ml_kg_min&amp;mode=treadmill&amp;basis=reported&amp;format=svg" in text


def test_results_of_two_modes_are_not_put_together(browser, tester_key, study, laboratory, client):
    member = client.get(f"/v1/cohorts/{study}").json()["members"][0]["subject_id"]
    visit = laboratory.visit(member, started_at="2026-08-01T09:30:00+02:00", round="second")
    reported(laboratory, visit["id"], mode="cycle", vo2_peak_ml_kg_min=33.0)
    one = browser(tester_key)
    text = one.get(f"/groups/{study}").text
    assert "are of several kinds, which are not put together" in text
    assert "mode=cycle" in text
    assert "Change from" not in text
    assert "Change from first to second" in one.get(f"/groups/{study}?mode=treadmill&basis=reported").text


def test_other_quantities_and_rounds_can_be_asked_for(browser, tester_key, study):
    one = browser(tester_key)
    text = one.get(f"/groups/{study}", params={"quantity": "heart_rate_max_bpm"}).text
    assert "beats/min" in text
    swapped = one.get(f"/groups/{study}", params={"from": "second", "to": "first"}).text
    assert "Change from second to first" in swapped


@pytest.mark.parametrize("query", ["quantity=nonsense", "from=third", "unknown=1"])
def test_what_is_refused_is_a_page(browser, tester_key, study, query):
    answer = browser(tester_key).get(f"/groups/{study}?{query}")
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text


def test_a_limited_key_has_no_groups(browser, store, make_key, study, laboratory):
    laboratory.subject(code="B-01")
    one = browser(make_key(store, "coach", "reader", subject_codes=["B-01"]))
    assert one.get("/groups").status_code == 404
    assert one.get(f"/groups/{study}").status_code == 404
    assert 'href="/groups"' not in one.get("/people").text


def test_notes_are_in_words(browser, tester_key, study):
    text = browser(tester_key).get(f"/groups/{study}").text.split("<main")[1]
    assert "take change from the pairs." in text
    assert "by its name; another can be chosen." in text
    # A page names no field of the interface.
    assert "`" not in text


def test_another_arm_may_be_the_reference(browser, tester_key, study):
    one = browser(tester_key)
    text = one.get(f"/groups/{study}").text
    assert "training against control" in text
    assert "<option selected>control</option>" in text
    text = one.get(f"/groups/{study}", params={"against": "training"}).text
    assert "control against training" in text
    assert "Differences are against the arm training, as asked." in text
    assert one.get(f"/groups/{study}", params={"against": "nobody"}).status_code == 422


def test_every_member_stands_in_a_table(browser, tester_key, study, client):
    text = browser(tester_key).get(f"/groups/{study}").text
    table = text.split('aria-label="Every member by round"')[1].split("</table>")[0]
    members = client.get(f"/v1/cohorts/{study}").json()["members"]
    assert table.count('scope="row"') == len(members) == 8
    last = table.split("<tr>")[-1]
    assert "–" in table
    assert re.search(r'href="/people/\w+"', last)
    assert re.search(r'href="/tests/\w+"', last)


def test_what_is_not_counted_is_listed_with_its_reason(browser, tester_key, study, client, laboratory):
    member = client.get(f"/v1/cohorts/{study}").json()["members"][0]
    visit = laboratory.visit(member["subject_id"], started_at="2026-03-12T08:00:00+01:00", round="first")
    reported(laboratory, visit["id"], vo2_peak_ml_kg_min=150.0)
    text = browser(tester_key).get(f"/groups/{study}", params={"mode": "treadmill", "basis": "reported"}).text
    assert "1 result is not counted; each is listed with its reason." in text
    table = text.split('aria-label="Results that are not counted"')[1].split("</table>")[0]
    assert "150.00" in table


def test_its_files_are_to_be_had(browser, tester_key, admin_key, study):
    one = browser(tester_key)
    text = one.get(f"/groups/{study}").text
    for address in re.findall(r'href="(/v1/cohorts/[^"]+format=csv)"', text):
        answer = one.get(address.replace("&amp;", "&"))
        assert answer.status_code == 200, answer.text
        assert answer.headers["content-type"].startswith("text/csv")
    form = text.split('id="export"')[1].split("</section>")[0]
    address = re.search(r'action="([^"]+)"', form).group(1)
    for name in re.findall(r'<option value="(datapackage|csv|parquet)"', form):
        for profile in re.findall(r'<option value="(coded|deidentified)"', form):
            answer = one.get(address, params={"format": name, "profile": profile})
            assert answer.headers["content-type"] == "application/zip"
    assert 'name="identified"' not in form
    assert 'name="identified"' in browser(admin_key).get(f"/groups/{study}").text
