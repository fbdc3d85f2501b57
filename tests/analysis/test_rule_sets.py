"""Rule sets of effort: how one is read, checked and applied."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.effort import judge_effort
from service.analysis.peaks import Maxima, Peak
from service.analysis.plateau import Plateau
from service.analysis.rule_sets import (
    CRITERION_KINDS,
    LIMITS,
    RULE_SETS,
    Cut,
    checked_rule_set,
    cut_for,
    find_rule_set,
    rule_set_of,
)
from service.analysis.series import Person, TestInput
from service.errors import InvalidContent
from tests.analysis.test_effort import ADULT, EMPTY

DEFAULT = RULE_SETS["default"]


def document(*criteria, **changed):
    """An invented set of a site: ratio 1.15 and lactate by sex."""
    ratio = {"criterion": "respiratory_exchange_ratio", "thresholds": [{"threshold": 1.15}]}
    lactate = {
        "criterion": "blood_lactate",
        "thresholds": [{"threshold": 9.0, "sex": "male"}, {"threshold": 7.0, "sex": "female"}],
    }
    blank = {"counts": True, "source": "the site", "modes": [], "compared_as": "value", "method": None}
    head = {"id": "own", "name": "Own", "source": "the site", "population": "", "criteria_needed": 2}
    return {**head, "criteria": [blank | one for one in criteria or (ratio, lactate)], **changed}


def ratio(*cuts, **changed):
    return {"criterion": "respiratory_exchange_ratio", "thresholds": list(cuts), **changed}


def rating(*cuts, **changed):
    return {"criterion": "perceived_exertion", "thresholds": list(cuts), **changed}


def lactate(*cuts, **changed):
    return {"criterion": "blood_lactate", "thresholds": list(cuts), **changed}


def heart_rate(*cuts, **changed):
    return {
        "criterion": "heart_rate_near_predicted",
        "thresholds": list(cuts),
        "counts": False,
        "compared_as": "percent_of_predicted",
        **changed,
    }


def judged(
    rule_set, *, person=ADULT, mode="cycle", stop=None, plateau="not_seen", purpose="maximal", **found
):
    test = TestInput(series=EMPTY, mode=mode, person=person, purpose=purpose, stop_reason=stop)
    return judge_effort(
        test, None, Peak(vo2_ml_min=3000.0), Maxima(**found), Plateau(plateau, ()), rule_set=rule_set
    )


@pytest.mark.parametrize("one", RULE_SETS.values(), ids=lambda one: one.id)
def test_the_built_in_sets_keep_the_rules_of_a_sites_own(one):
    made = checked_rule_set(one.as_document())
    assert made == replace(one, built_in=False)
    assert rule_set_of(made.as_document()) == made
    assert find_rule_set(one.id) is one


@settings(max_examples=150, deadline=None)
@given(
    rer=st.none() | st.floats(0.8, 1.4),
    rpe=st.none() | st.integers(6, 20),
    lactate_mmol_l=st.none() | st.floats(0.5, 20.0),
    heart_rate_bpm=st.none() | st.integers(90, 210),
    stop=st.sampled_from([None, "exhaustion", "legs", "target_reached", "symptom", "other"]),
    plateau=st.sampled_from(["seen", "not_seen", "not_assessable"]),
    purpose=st.sampled_from(["maximal", "submaximal"]),
    age=st.none() | st.floats(15.0, 90.0),
    mode=st.sampled_from(["cycle", "treadmill"]),
    copied=st.sampled_from(sorted(RULE_SETS)),
)
def test_a_set_that_says_the_same_judges_the_same(copied, rpe, age, **found):
    """Whatever was found, a site's copy of a built-in set gives its verdict and its criteria."""
    person = replace(ADULT, age_years=age, age_low_years=age, age_high_years=age)
    own = checked_rule_set({**RULE_SETS[copied].as_document(), "id": "copy"})
    scale = None if rpe is None else "6-20"
    same = [judged(one, person=person, rpe=rpe, rpe_scale=scale, **found) for one in (RULE_SETS[copied], own)]
    assert same[0].verdict == same[1].verdict
    assert same[0].criteria == same[1].criteria
    assert same[0].reason == same[1].reason


@settings(max_examples=100, deadline=None)
@given(
    rer=st.floats(0.8, 1.5),
    rpe=st.integers(6, 20),
    low=st.floats(1.0, 1.5),
    more=st.floats(0.0, 0.5),
    stop=st.sampled_from([None, "exhaustion", "target_reached", "other"]),
)
def test_a_stricter_set_never_finds_maximal_what_a_laxer_one_does_not(rer, rpe, low, more, stop):
    def under(threshold):
        own = checked_rule_set(
            document(ratio({"threshold": min(threshold, 1.5)}), rating({"threshold": 17.0, "scale": "6-20"}))
        )
        return judged(own, rer=rer, rpe=rpe, rpe_scale="6-20", stop=stop).verdict

    assert under(low + more) != "secondary_criteria" or under(low) == "secondary_criteria"


@pytest.mark.parametrize(
    ("own", "found", "verdict"),
    [
        # The order of the verdicts is none of a set's business.
        (document(), {"plateau": "seen"}, "plateau"),
        (document(), {"rer": 1.2, "lactate_mmol_l": 12.0, "stop": "target_reached"}, "submaximal"),
        (document(), {"rer": 1.2, "lactate_mmol_l": 12.0, "stop": "exhaustion"}, "secondary_criteria"),
        # Stricter than the default: a ratio of 1.12 is not enough, lactate differs by sex.
        (document(), {"rer": 1.12, "lactate_mmol_l": 12.0}, "undetermined"),
        (document(), {"rer": 1.15, "lactate_mmol_l": 8.5}, "undetermined"),
        (document(), {"rer": 1.15, "lactate_mmol_l": 9.0}, "secondary_criteria"),
        (
            document(),
            {"rer": 1.15, "lactate_mmol_l": 7.0, "person": replace(ADULT, sex="female")},
            "secondary_criteria",
        ),
        (
            document(),
            {"rer": 1.15, "lactate_mmol_l": 20.0, "person": replace(ADULT, sex=None)},
            "undetermined",
        ),
        # Three needed: two that are met are too few.
        (
            document(
                ratio({"threshold": 1.1}), lactate({"threshold": 8.0}), rating({"threshold": 17.0, "scale": "6-20"}),
                criteria_needed=3,
            ),
            {"rer": 1.2, "lactate_mmol_l": 12.0, "rpe": 15.0, "rpe_scale": "6-20"},
            "undetermined",
        ),
        (
            document(
                ratio({"threshold": 1.1}), lactate({"threshold": 8.0}), rating({"threshold": 17.0, "scale": "6-20"}),
                criteria_needed=3,
            ),
            {"rer": 1.2, "lactate_mmol_l": 12.0, "rpe": 19.0, "rpe_scale": "6-20"},
            "secondary_criteria",
        ),
        # What does not count is shown and changes nothing.
        (
            document(
                ratio({"threshold": 1.1}), lactate({"threshold": 8.0}), rating({"threshold": 17.0, "scale": "6-20"}, counts=False)
            ),
            {"rer": 1.2, "rpe": 20.0, "rpe_scale": "6-20"},
            "undetermined",
        ),
    ],
)  # fmt: skip
def test_verdicts_by_a_sites_own_set(own, found, verdict):
    effort = judged(checked_rule_set(own), **found)
    assert effort.verdict == verdict
    assert effort.as_dict()["rule_set"] == "own"
    assert effort.as_dict()["rule_set_source"] == "the site"


def test_what_does_not_count_says_so():
    own = checked_rule_set(
        document(
            ratio({"threshold": 1.1}, counts=False), lactate({"threshold": 8.0}), rating({"threshold": 17.0, "scale": "6-20"})
        )
    )  # fmt: skip
    first = judged(own, rer=1.2).criteria[0]
    assert (first.met, first.counts) == (True, False)
    assert "does not count" in first.reason


def test_undetermined_names_as_many_criteria_as_the_set_needs():
    three = replace(DEFAULT, criteria_needed=3)
    assert "nor two secondary" in judged(DEFAULT).reason
    assert "nor three secondary" in judged(three).reason


BANDS = [
    {"threshold": 1.12, "age_low_years": 18, "age_high_years": 49},
    {"threshold": 1.05, "age_low_years": 50, "age_high_years": 64},
    {"threshold": 1.05, "age_low_years": 70, "age_high_years": 80},
]


@pytest.mark.parametrize(
    ("low", "high", "threshold", "said"),
    [
        (18.0, 18.0, 1.12, None),
        (49.99, 49.99, 1.12, None),
        (50.0, 50.0, 1.05, None),
        (17.9, 17.9, None, "18 to 64 and 70 to 80"),
        (66.0, 66.0, None, "18 to 64 and 70 to 80"),
        (49.5, 50.5, None, "different age bands"),
        (64.5, 65.5, None, "different age bands"),
        (80.5, 81.5, None, "different age bands"),
    ],
)
def test_cut_offs_by_age(low, high, threshold, said):
    rule = checked_rule_set(document(ratio(*BANDS), lactate({"threshold": 8.0}))).criteria[0]
    cut, reason = cut_for(rule, mode="cycle", sex="male", ages=(low, high))
    assert (None if cut is None else cut.threshold) == threshold
    assert (reason is None) == (threshold is not None)
    if said:
        assert said in reason


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"ages": None}, "age is not known"),
        ({"mode": "treadmill"}, "for the cycle or arm"),
        ({"sex": None}, "sex is not known"),
        ({"sex": "female"}, "for men"),
    ],
)
def test_why_no_cut_off_covers_a_person(asked, said):
    one = ratio(*({**band, "sex": "male"} for band in BANDS), modes=["cycle", "arm"])
    rule = checked_rule_set(document(one, lactate({"threshold": 8.0}))).criteria[0]
    known = {"mode": "cycle", "sex": "male", "ages": (30.0, 30.0)}
    assert cut_for(rule, **known) == (Cut(1.12, None, "male", 18, 49), None)
    cut, reason = cut_for(rule, **(known | asked))
    assert cut is None
    assert said in reason


def test_a_rating_on_a_scale_that_the_set_does_not_have():
    own = checked_rule_set(document(ratio({"threshold": 1.1}), rating({"threshold": 18.0, "scale": "6-20"})))
    one = judged(own, rpe=10.0, rpe_scale="0-10").criteria[1]
    assert (one.met, one.threshold) == (None, None)
    assert "0-10" in one.reason


def test_heart_rate_by_per_cent_and_by_its_own_prediction():
    own = checked_rule_set(
        document(
            ratio({"threshold": 1.1}),
            lactate({"threshold": 8.0}),
            heart_rate({"threshold": 90.0}, method="heart_rate_max_fox"),
        )
    )
    one = judged(own, heart_rate_bpm=162.0).criteria[2]
    assert one.threshold == pytest.approx(0.9 * (220 - 40))
    assert (one.met, one.counts) == (True, False)


OTHER = lactate({"threshold": 8.0})
UPSIDE_DOWN = {"threshold": 1.1, "age_low_years": 40, "age_high_years": 20}
BY_VALUE = heart_rate({"threshold": 90.0}, compared_as="value")
BY_RUNNING = heart_rate({"threshold": 90.0}, method="acsm_running")


@pytest.mark.parametrize(
    ("wrong", "place"),
    [
        (document(ratio({"threshold": 0.99}), OTHER), "body.criteria.0.thresholds.0.threshold"),
        (document(ratio({"threshold": 1.51}), OTHER), "body.criteria.0.thresholds.0.threshold"),
        (document(rating({"threshold": 15.0, "scale": "6-20"}), OTHER), "body.criteria.0.thresholds.0.threshold"),
        (document(rating({"threshold": 17.0, "scale": "0-10"}), OTHER), "body.criteria.0.thresholds.0.threshold"),
        (document(rating({"threshold": 17.0}), OTHER), "body.criteria.0.thresholds.0.scale"),
        (document(ratio({"threshold": 1.1, "scale": "6-20"}), OTHER), "body.criteria.0.thresholds.0.scale"),
        (document(ratio({"threshold": 1.1}), lactate({"threshold": 1.0})), "body.criteria.1.thresholds.0.threshold"),
        (document(ratio({"threshold": 1.1}), OTHER, heart_rate({"threshold": 84.0})), "body.criteria.2.thresholds.0.threshold"),
        (document(ratio({"threshold": 1.1}), OTHER, heart_rate({"threshold": 90.0}, counts=True)), "body.criteria.2.counts"),
        (document(ratio({"threshold": 1.1}), OTHER, BY_VALUE), "body.criteria.2.compared_as"),
        (document(ratio({"threshold": 1.1}), OTHER, BY_RUNNING), "body.criteria.2.method"),
        (document(ratio({"threshold": 1.1}, compared_as="percent_of_predicted"), OTHER), "body.criteria.0.compared_as"),
        (document(ratio({"threshold": 1.1}, method="heart_rate_max_fox"), OTHER), "body.criteria.0.method"),
        (document(ratio({"threshold": 1.1}, modes=["cycle", "cycle"]), OTHER), "body.criteria.0.modes"),
        (document(ratio({"threshold": 1.1}), ratio({"threshold": 1.2})), "body.criteria.1.criterion"),
        (document(ratio({"threshold": 1.1}), OTHER, criteria_needed=1), "body.criteria_needed"),
        (document(ratio({"threshold": 1.1}), OTHER, criteria_needed=3), "body.criteria_needed"),
        (document(ratio({"threshold": 1.1})), "body.criteria_needed"),
        (document(ratio({"threshold": 1.1, "age_low_years": 20}), OTHER), "body.criteria.0.thresholds.0.age_low_years"),
        (document(ratio(UPSIDE_DOWN), OTHER), "body.criteria.0.thresholds.0.age_low_years"),
        # Overlaps: by age, by sex, and of everybody with somebody.
        (document(ratio({"threshold": 1.1}, {"threshold": 1.2}), OTHER), "body.criteria.0.thresholds.1"),
        (document(ratio({"threshold": 1.1}, {"threshold": 1.2, "sex": "male"}), OTHER), "body.criteria.0.thresholds.1"),
        (document(ratio(BANDS[0], {**BANDS[1], "age_low_years": 49}), OTHER), "body.criteria.0.thresholds.1"),
    ],
)  # fmt: skip
def test_a_set_that_cannot_be_is_refused_with_its_place(wrong, place):
    with pytest.raises(InvalidContent) as caught:
        checked_rule_set(wrong, where="body")
    assert place in [one.location for one in caught.value.errors]


def test_every_fault_is_told_at_once():
    wrong = document(
        ratio({"threshold": 0.5}), heart_rate({"threshold": 50.0}, counts=True), criteria_needed=4
    )
    with pytest.raises(InvalidContent) as caught:
        checked_rule_set(wrong)
    assert len(caught.value.errors) == 4


def test_every_kind_of_criterion_has_limits_that_hold_its_built_in_thresholds():
    assert {kind for kind, _ in LIMITS} == set(CRITERION_KINDS)
    for one in RULE_SETS.values():
        for rule in one.criteria:
            for cut in rule.cuts:
                low, high, why = LIMITS[rule.criterion, cut.scale or rule.compared_as]
                assert low <= cut.threshold <= high
                assert why


def test_without_an_age_the_common_set_still_judges():
    effort = judged(DEFAULT, person=Person(), rer=1.2, lactate_mmol_l=9.0)
    assert effort.verdict == "secondary_criteria"
