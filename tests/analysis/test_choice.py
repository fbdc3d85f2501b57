"""Whose settings an analysis is made with."""

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from service.analysis.choice import SETTINGS, check_settings, choose, differing, kept_requests
from service.analysis.summary import AnalysisSettings
from service.errors import InvalidContent

AGED = "wagner_2020_cycle"


@pytest.mark.parametrize(
    ("requested", "cohorts", "site", "rules", "by"),
    [
        ({}, [], {}, "default", None),
        ({}, [], {"effort_rules": AGED}, AGED, "site"),
        ({}, ["a"], {"effort_rules": AGED}, "a", "cohort"),
        ({}, ["a", "a"], {"effort_rules": AGED}, "a", "cohort"),
        ({}, ["default"], {"effort_rules": AGED}, "default", "cohort"),
        # Cohorts that differ decide nothing.
        ({}, ["a", "b"], {"effort_rules": AGED}, AGED, "site"),
        ({}, ["a", "b"], {}, "default", None),
        ({"effort_rules": "r"}, ["a"], {"effort_rules": AGED}, "r", "request"),
        ({"effort_rules": "r"}, ["a", "b"], {}, "r", "request"),
        ({"peak_window_s": 20.0}, ["a"], {}, "a", "cohort"),
    ],
)
def test_request_before_cohort_before_site_before_default(requested, cohorts, site, rules, by):
    chosen = choose(requested, cohorts, site)
    assert chosen.effort_rules == rules
    assert chosen.chosen_by.get("effort_rules") == by


def test_how_a_peak_is_averaged_is_one_choice():
    site = {"peak_convention": "moving_breaths", "peak_window_breaths": 9}
    chosen = choose({"peak_window_breaths": 11}, [], site)
    assert (chosen.peak_convention, chosen.peak_window_breaths) == ("moving_breaths", 11)
    assert {name for name, who in chosen.chosen_by.items() if who == "request"} == {
        "peak_convention", "peak_window_s", "peak_window_breaths",
    }  # fmt: skip
    # So it still can be when the site changes its mind.
    again = choose(kept_requests(chosen.as_dict(), {}), [], {"peak_convention": "time_weighted"})
    assert (again.peak_convention, again.peak_window_breaths) == ("moving_breaths", 11)
    # And one of them taken back takes all back.
    assert kept_requests(chosen.as_dict(), {"peak_window_breaths": None}) == {}


def test_what_nobody_asked_for_is_not_kept():
    stored = choose({"effort_rules": AGED}, [], {"peak_window_s": 20.0}).as_dict()
    assert kept_requests(stored, {}) == {"effort_rules": AGED}
    assert kept_requests(stored, {"effort_rules": None}) == {}
    assert kept_requests({}, {"plateau_rule": None}) == {}


def test_what_would_be_another_now():
    stored = choose({}, [], {}).as_dict()
    now = choose({}, ["a"], {"peak_window_s": 20.0})
    assert differing(stored, now) == [
        {"setting": "peak_window_s", "used": 30.0, "now": 20.0, "chosen_by": "site"},
        {"setting": "effort_rules", "used": "default", "now": "a", "chosen_by": "cohort"},
    ]
    # The same by another's choice is the same.
    assert differing(stored, choose({}, ["default"], {"peak_window_s": 30.0})) == []


@hypothesis_settings(max_examples=60, deadline=None)
@given(
    requested=st.fixed_dictionaries(
        {}, optional={"effort_rules": st.sampled_from("rs"), "peak_window_s": st.floats(5, 60)}
    ),
    cohorts=st.lists(st.sampled_from("ab"), max_size=3),
    site=st.fixed_dictionaries(
        {}, optional={"effort_rules": st.sampled_from("xy"), "peak_window_s": st.floats(5, 60)}
    ),
)
def test_choosing_again_changes_nothing(requested, cohorts, site):
    """An analysis made anew under the same site and cohorts has the same settings, by the same choices."""
    once = choose(requested, cohorts, site)
    again = choose(kept_requests(once.as_dict(), {}), cohorts, site)
    assert again == once
    assert differing(once.as_dict(), again) == []
    assert AnalysisSettings(**once.as_dict()) == once


def test_settings_stored_without_who_chose_them_can_be_read():
    old = {name: value for name, value in AnalysisSettings().as_dict().items() if name != "chosen_by"}
    assert set(old) == set(SETTINGS)
    assert differing(old, choose({}, [], {})) == []


@pytest.mark.parametrize("name", ["effort_rules", "plateau_rule", "heart_rate_max_method"])
def test_what_there_is_not_is_refused_with_the_choices(name):
    with pytest.raises(InvalidContent) as caught:
        check_settings(AnalysisSettings(**{name: "no_such"}), where="body")
    assert caught.value.errors[0].location == f"body.{name}"
    assert "one of" in caught.value.errors[0].message
