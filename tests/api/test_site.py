"""The settings of the site: read, changed, and what a change does to what is stored."""

import pytest

from service.upkeep.workflow import reanalyse_tests, run_checks

PARTS = (
    "analysis",
    "default_norms",
    "smallest_worthwhile_change",
    "retest_interval_days",
    "typical_errors",
)
OWN_ERROR = {
    "value": 3.4,
    "scale": "log",
    "df": 17.0,
    "n_pairs": 18,
    "source": "pairs of 2025, cycle",
}


@pytest.fixture
def test(laboratory):
    subject = laboratory.subject()
    made = laboratory.complete(laboratory.visit(subject["id"])["id"])
    return {**made, "subject_id": subject["id"]}


def changed(admin, **parts):
    answer = admin.patch("/v1/site", json=parts)
    assert answer.status_code == 200, answer.text
    return answer.json()


def analyses_check(store):
    return next(one for one in run_checks(store.settings) if one.name == "analyses")


def test_a_site_that_has_set_nothing_has_the_defaults(reader):
    told = reader.get("/v1/site").json()
    assert {name: told[name] for name in PARTS} == {
        "analysis": {},
        "default_norms": {},
        "smallest_worthwhile_change": {},
        "retest_interval_days": None,
        "typical_errors": {},
    }
    assert told["in_force"]["analysis"]["effort_rules"] == "default"
    assert told["in_force"]["analysis"]["peak_window_s"] == 30.0
    assert told["in_force"]["default_norms"]["treadmill"] == "friend_2015_treadmill"
    assert "upslope reanalyse" in told["notice"]


def test_what_is_set_is_read_again_part_by_part(admin, reader, store):
    told = changed(
        admin,
        analysis={"peak_window_s": 20, "plateau_rule": None},
        default_norms={"treadmill": None},
        smallest_worthwhile_change={"vo2_peak_ml_kg_min": 1.5},
        retest_interval_days=365,
        typical_errors={"vo2_peak_ml_kg_min": OWN_ERROR},
    )
    assert told == reader.get("/v1/site").json()
    assert told["analysis"] == {"peak_window_s": 20}
    assert told["in_force"]["analysis"]["peak_window_s"] == 20
    assert told["in_force"]["default_norms"]["treadmill"] is None
    from service.analyses.queries import site

    with store.read() as session:
        stored = site(session).settings
    assert stored["typical_errors"] == {"vo2_peak_ml_kg_min": OWN_ERROR}
    assert stored["retest_interval_days"] == 365
    # A part that is left out stays, null sets one back, a part that is given replaces the whole of it.
    later = changed(admin, retest_interval_days=None, smallest_worthwhile_change={"vo2_peak_ml_min": 100})
    assert later["retest_interval_days"] is None
    assert later["smallest_worthwhile_change"] == {"vo2_peak_ml_min": 100.0}
    assert (later["analysis"], later["typical_errors"]) == (told["analysis"], told["typical_errors"])
    assert changed(admin, analysis=None)["in_force"]["analysis"]["peak_window_s"] == 30.0


@pytest.mark.parametrize(
    ("body", "place"),
    [
        ({"no_such": 1}, "body.no_such"),
        ({"analysis": {"no_such": 1}}, "body.analysis.no_such"),
        ({"analysis": {"chosen_by": {}}}, "body.analysis.chosen_by"),
        ({"analysis": {"peak_window_s": 0}}, "body.analysis.peak_window_s"),
        ({"analysis": {"effort_rules": "no_such"}}, "body.analysis.effort_rules"),
        ({"analysis": {"plateau_rule": "no_such"}}, "body.analysis.plateau_rule"),
        ({"analysis": {"heart_rate_max_method": "acsm_running"}}, "body.analysis.heart_rate_max_method"),
        ({"analysis": {"peak_window_breaths": 9}}, "peak_window_breaths"),
        ({"default_norms": {"cycle": "friend_2015_treadmill"}}, "body.default_norms.cycle"),
        ({"default_norms": {"treadmill": "no_such"}}, "body.default_norms.treadmill"),
        ({"default_norms": {"swim": None}}, "body.default_norms"),
        ({"smallest_worthwhile_change": {"vo2_peak_ml_kg_min": 0}}, "body.smallest_worthwhile_change"),
        ({"smallest_worthwhile_change": {"vo2_peak_ml_kg_min": 1e6}}, "body.smallest_worthwhile_change"),
        ({"smallest_worthwhile_change": {"no_such": 1.0}}, "body.smallest_worthwhile_change"),
        ({"retest_interval_days": 0}, "body.retest_interval_days"),
        ({"retest_interval_days": 1.5}, "body.retest_interval_days"),
        ({"typical_errors": {"no_such": OWN_ERROR}}, "body.typical_errors"),
        ({"typical_errors": {"vo2_peak_ml_min": OWN_ERROR | {"value": -1.0}}}, "body.typical_errors"),
        ({"typical_errors": {"vo2_peak_ml_min": OWN_ERROR | {"value": 101.0}}}, "body.typical_errors"),
        ({"typical_errors": {"vo2_peak_ml_min": OWN_ERROR | {"df": 0}}}, "body.typical_errors"),
        ({"typical_errors": {"vo2_peak_ml_min": {"value": 3.0}}}, "body.typical_errors"),
    ],
    ids=str,
)
def test_what_cannot_be_is_refused_and_leaves_nothing_behind(admin, body, place):
    before = admin.get("/v1/site").json()
    answer = admin.patch("/v1/site", json={"retest_interval_days": 100} | body)
    assert answer.status_code == 422, answer.text
    assert any(place in one["location"] for one in answer.json()["errors"])
    assert admin.get("/v1/site").json() == before


def test_a_change_is_made_on_the_state_it_names(admin):
    first = admin.get("/v1/site")
    tag = first.headers["ETag"]
    assert admin.get("/v1/site", headers={"If-None-Match": tag}).status_code == 304
    assert (
        admin.patch("/v1/site", json={"retest_interval_days": 90}, headers={"If-Match": tag}).status_code
        == 200
    )
    late = admin.patch("/v1/site", json={"retest_interval_days": 30}, headers={"If-Match": tag})
    assert late.status_code == 412
    again = admin.get("/v1/site", headers={"If-None-Match": tag})
    assert (again.status_code, again.json()["retest_interval_days"]) == (200, 90)


def test_a_change_stands_in_the_feed(admin):
    changed(admin, retest_interval_days=180)
    last = admin.get("/v1/changes").json()["items"][-1]
    assert (last["kind"], last["action"], last["subject_id"]) == ("site", "changed", None)


def test_stored_analyses_keep_their_settings_until_they_are_analysed_anew(
    admin, client, laboratory, store, test
):
    before = laboratory.analysis(test["id"])
    assert before["settings_changed_since"] == []
    changed(admin, analysis={"peak_window_s": 60})
    told = laboratory.analysis(test["id"])
    assert told.pop("settings_changed_since") == [
        {"setting": "peak_window_s", "used": 30.0, "now": 60, "chosen_by": "site"}
    ]
    assert told == {name: value for name, value in before.items() if name != "settings_changed_since"}
    check = analyses_check(store)
    assert check.passed
    assert "1 with settings that the site or a cohort has changed since" in check.detail
    # An edit judges by the settings that the analysis has; a test of today by those of today.
    client.put(f"/v1/tests/{test['id']}/stage-notes", json=[{"stage": 6, "rpe": 18}])
    edited = laboratory.analysis(test["id"])
    assert (edited["settings"]["peak_window_s"], edited["maxima"]["rpe"]) == (30, 18)
    newer = laboratory.complete(laboratory.visit(test["subject_id"])["id"])
    assert laboratory.analysis(newer["id"])["settings"]["peak_window_s"] == 60
    anew = list(reanalyse_tests(store, "test", everything=False))
    assert [one.test_id for one in anew] == [test["id"]]
    after = laboratory.analysis(test["id"])
    assert (after["settings"]["peak_window_s"], after["settings_changed_since"]) == (60, [])
    assert after["settings"]["chosen_by"] == {"peak_window_s": "site"}
    assert "changed since" not in analyses_check(store).detail.replace("inputs changed since", "")
    assert list(reanalyse_tests(store, "test", everything=False)) == []


def test_what_was_asked_for_a_test_stays_whatever_the_site_sets(admin, client, laboratory, store, test):
    address = f"/v1/tests/{test['id']}/analysis"
    client.post(address, json={"settings": {"peak_window_s": 20}})
    changed(admin, analysis={"peak_window_s": 60})
    assert laboratory.analysis(test["id"])["settings_changed_since"] == []
    list(reanalyse_tests(store, "test", everything=True))
    kept = laboratory.analysis(test["id"])["settings"]
    assert (kept["peak_window_s"], kept["chosen_by"]["peak_window_s"]) == (20, "request")
    # Taken back it is the site's.
    back = client.post(address, json={"settings": {"peak_window_s": None}}).json()
    assert (back["settings"]["peak_window_s"], back["settings"]["chosen_by"]) == (
        60,
        {"peak_window_s": "site"},
    )


def test_a_default_norm_ranks_trends_from_then_on(admin, client, laboratory, test, own_norm):
    assert client.post("/v1/norms", json=own_norm()).status_code == 201
    point = laboratory.trend(test["subject_id"])["series"][0]["points"][0]
    assert point["norm_id"] == "friend_2015_treadmill"
    changed(admin, default_norms={"treadmill": "own_treadmill"})
    assert laboratory.trend(test["subject_id"])["series"][0]["points"][0]["norm_id"] == "own_treadmill"
    listed = {one["id"]: one["default_for_mode"] for one in client.get("/v1/norms").json()["items"]}
    assert (listed["own_treadmill"], listed["friend_2015_treadmill"]) == ("treadmill", None)
    changed(admin, default_norms={"treadmill": None})
    assert laboratory.trend(test["subject_id"])["series"][0]["points"][0]["norm_id"] is None


def test_the_sites_smallest_worthwhile_change_is_used(admin, laboratory, test):
    changed(admin, smallest_worthwhile_change={"vo2_peak_ml_kg_min": 2.5})
    told = laboratory.trend(test["subject_id"])["series"][0]["smallest_worthwhile_change"]
    assert (told["value"], told["source"]) == (2.5, "the site's value")
