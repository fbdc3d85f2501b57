from dataclasses import replace

import numpy as np
import pytest

from service.analysis.effort import OWN_EXHAUSTION, STOPPED_SHORT, judge_effort
from service.analysis.marks import Marks, find_marks
from service.analysis.peaks import Maxima, Peak, find_maxima, find_peak
from service.analysis.plateau import Plateau
from service.analysis.references import REFERENCES, cited_keys
from service.analysis.rule_sets import RULE_SETS, RuleSet, find_rule_set
from service.analysis.series import Person, Series, TestInput, VerificationBout
from service.errors import InvalidContent
from service.findings import FINDINGS
from tests.analysis.simulated_tests import RAMP_25, simulate

ADULT = Person(sex="male", age_years=40.0, age_low_years=40.0, age_high_years=40.0, body_mass_kg=75.0)
# Predicted maximum at 40: 208 - 0.7 x 40 = 180; within 10: 170; 85 %: 153.
EMPTY = Series(np.zeros(0), np.zeros(0), {}, np.zeros(0, np.int8), np.zeros(0, np.int64), np.zeros(0, bool))
NONE_SEEN = Plateau("not_seen", ())


def judged(
    *,
    plateau="not_seen",
    peak=3000.0,
    rule_set="default",
    method="heart_rate_max_tanaka",
    person=ADULT,
    mode="cycle",
    stop=None,
    purpose="maximal",
    bout=None,
    **found,
):
    found.setdefault("work_rate_w", 300.0)
    if found.get("rpe") is not None:
        found.setdefault("rpe_scale", "6-20")
    test = TestInput(
        series=EMPTY, mode=mode, person=person, purpose=purpose, stop_reason=stop, verification=bout
    )
    return judge_effort(
        test,
        None,
        Peak(vo2_ml_min=peak),
        Maxima(**found),
        Plateau(plateau, ()),
        rule_set=rule_set if isinstance(rule_set, RuleSet) else find_rule_set(rule_set),
        heart_rate_max_method=method,
    )


def bout(peak=3000.0, **changed):
    fields = {
        "test_id": "bout",
        "peak_vo2_ml_min": peak,
        "duration_s": 120.0,
        "work_rate_w": 330.0,
        "speed_km_h": None,
        "grade_percent": None,
        "days_after": 0.0,
        "same_visit": True,
    }
    return VerificationBout(**{**fields, **changed})


def criterion(effort, name):
    return next(one for one in effort.criteria if one.criterion == name)


LIMITED = replace(ADULT, limits_heart_rate=True)
TWO = {"rer": 1.12, "rpe": 18.0}
LOW = {"rer": 0.95, "rpe": 13.0, "heart_rate_bpm": 140.0}


@pytest.mark.parametrize(
    ("case", "verdict"),
    [
        # 1 before everything.
        ({"bout": bout(), **LOW, "stop": "target_reached"}, "verified"),
        ({"bout": bout(3090.0), "plateau": "seen"}, "verified"),  # + 3 %
        ({"bout": bout(2910.0)}, "verified"),  # - 3 %
        # 2 before secondary criteria and evidence against.
        ({"plateau": "seen"}, "plateau"),
        ({"plateau": "seen", **TWO}, "plateau"),
        ({"plateau": "seen", "stop": "tester", **LOW}, "plateau"),
        ({"plateau": "seen", "bout": bout(3300.0)}, "plateau"),
        # 3: two of different kinds, and an end that allows it.
        ({**TWO, "stop": "exhaustion"}, "secondary_criteria"),
        ({**TWO, "stop": "legs"}, "secondary_criteria"),
        ({**TWO, "stop": "breath"}, "secondary_criteria"),
        ({**TWO, "stop": None}, "secondary_criteria"),
        ({**TWO, "stop": "subject_request"}, "undetermined"),
        ({**TWO, "stop": "other"}, "undetermined"),
        ({**TWO, "bout": bout(3300.0)}, "secondary_criteria"),
        ({"rer": 1.12, "lactate_mmol_l": 9.0}, "secondary_criteria"),
        ({"rpe": 17.0, "lactate_mmol_l": 8.0}, "secondary_criteria"),
        ({"rpe": 8.0, "rpe_scale": "0-10", "lactate_mmol_l": 8.0}, "secondary_criteria"),
        ({"rpe": 7.0, "rpe_scale": "0-10", "lactate_mmol_l": 8.0}, "undetermined"),
        ({"rer": 1.10, "rpe": 16.0}, "undetermined"),
        ({"rer": 1.12, "heart_rate_bpm": 185.0}, "undetermined"),  # heart rate never counts
        ({"rpe": 19.0, "heart_rate_bpm": 185.0}, "undetermined"),
        ({"plateau": "not_assessable", **TWO}, "secondary_criteria"),
        # 4: positive evidence only.
        ({"stop": "target_reached"}, "submaximal"),
        ({"stop": "symptom"}, "submaximal"),
        ({"stop": "tester"}, "submaximal"),
        ({"stop": "equipment"}, "submaximal"),
        ({**TWO, "stop": "target_reached"}, "submaximal"),
        ({"purpose": "submaximal"}, "submaximal"),
        ({"purpose": "submaximal", **TWO}, "submaximal"),
        ({"purpose": "submaximal", "stop": "exhaustion", **TWO}, "secondary_criteria"),
        ({"bout": bout(3091.0)}, "submaximal"),
        ({"bout": bout(3300.0), "stop": "exhaustion"}, "submaximal"),
        (LOW, "submaximal"),
        ({**LOW, "stop": "exhaustion"}, "submaximal"),
        ({**LOW, "stop": "subject_request"}, "submaximal"),
        # Each part of the evidence is needed.
        ({**LOW, "rer": 1.00}, "undetermined"),
        ({**LOW, "rer": None}, "undetermined"),
        ({**LOW, "rpe": 16.0}, "undetermined"),
        ({**LOW, "rpe": 15.0}, "submaximal"),
        ({**LOW, "rpe": None}, "undetermined"),
        ({**LOW, "rpe": 3.0, "rpe_scale": "0-10"}, "undetermined"),  # the rule is for the 6-20 scale
        ({**LOW, "rpe_scale": None}, "undetermined"),
        ({**LOW, "heart_rate_bpm": 153.0}, "undetermined"),  # exactly 85 % of 180
        ({**LOW, "heart_rate_bpm": 152.9}, "submaximal"),
        ({**LOW, "heart_rate_bpm": None}, "undetermined"),
        ({**LOW, "person": replace(ADULT, age_years=None)}, "undetermined"),
        # With a limiting medication heart rate does not speak, the other two do.
        ({**LOW, "person": LIMITED, "heart_rate_bpm": 165.0}, "submaximal"),
        ({**LOW, "person": LIMITED, "heart_rate_bpm": None}, "submaximal"),
        ({**LOW, "person": LIMITED, "rpe": 16.0}, "undetermined"),
        # 5: missing a criterion is not evidence.
        ({}, "undetermined"),
        ({"rer": 1.02, "rpe": 16.0, "heart_rate_bpm": 140.0, "stop": "exhaustion"}, "undetermined"),
        ({"bout": bout(2900.0), "stop": "exhaustion"}, "undetermined"),  # below: uninformative
        ({"bout": bout(2900.0), **TWO}, "secondary_criteria"),
        ({"bout": bout(3300.0, duration_s=60.0)}, "undetermined"),  # not assessable
    ],
)
def test_verdicts_in_their_order(case, verdict):
    effort = judged(**case)
    assert effort.verdict == verdict
    assert effort.reason
    assert effort.label == ("VO2max" if verdict in {"verified", "plateau"} else "VO2peak")


def test_every_stop_reason_has_its_place():
    others = {"subject_request", "other"}
    every = {"exhaustion", "legs", "breath", "symptom", "target_reached", "tester", "equipment"} | others
    assert OWN_EXHAUSTION | set(STOPPED_SHORT) | others == every
    for stop in others:
        assert judged(stop=stop).verdict == "undetermined"


@pytest.mark.parametrize(
    ("name", "found", "met", "threshold"),
    [
        ("respiratory_exchange_ratio", {"rer": 1.10}, True, 1.10),
        ("respiratory_exchange_ratio", {"rer": 1.0999}, False, 1.10),
        ("perceived_exertion", {"rpe": 17.0}, True, 17.0),
        ("perceived_exertion", {"rpe": 16.9}, False, 17.0),
        ("perceived_exertion", {"rpe": 8.0, "rpe_scale": "0-10"}, True, 8.0),
        ("perceived_exertion", {"rpe": 7.5, "rpe_scale": "0-10"}, False, 8.0),
        ("perceived_exertion", {"rpe": 17.0, "rpe_scale": None}, None, None),
        ("blood_lactate", {"lactate_mmol_l": 8.0}, True, 8.0),
        ("blood_lactate", {"lactate_mmol_l": 7.9}, False, 8.0),
        ("heart_rate_near_predicted", {"heart_rate_bpm": 170.0}, True, 170.0),
        ("heart_rate_near_predicted", {"heart_rate_bpm": 169.9}, False, 170.0),
    ],
)
def test_default_criteria(name, found, met, threshold):
    one = criterion(judged(**found), name)
    assert one.met is met
    assert one.threshold == (None if threshold is None else pytest.approx(threshold))
    assert one.counts is (name != "heart_rate_near_predicted")


def test_what_is_missing_is_not_assessable_and_says_why():
    reasons = {
        "rer": "The test has no VCO2.",
        "rpe": "No rating was noted.",
        "lactate_mmol_l": "No lactate was noted.",
        "heart_rate_bpm": "The test has no heart rate.",
    }
    effort = judged(reasons=reasons)
    assert {one.met for one in effort.criteria} == {None}
    assert [one.reason for one in effort.criteria] == list(reasons.values())


def test_a_limiting_medication_leaves_heart_rate_not_assessable():
    one = criterion(judged(person=LIMITED, heart_rate_bpm=180.0), "heart_rate_near_predicted")
    assert (one.met, one.observed) == (None, 180.0)
    assert "medication" in one.reason


def test_without_age_nothing_is_predicted():
    one = criterion(judged(person=Person(), heart_rate_bpm=180.0), "heart_rate_near_predicted")
    assert (one.met, one.threshold) == (None, None)
    assert "age" in one.reason


def test_another_prediction_moves_the_heart_rate_criterion():
    one = criterion(judged(method="heart_rate_max_fox", heart_rate_bpm=169.0), "heart_rate_near_predicted")
    assert (one.threshold, one.met) == (170.0, False)  # 220 - 40 - 10
    needs_sex = criterion(
        judged(method="heart_rate_max_fairbarn", heart_rate_bpm=169.0, person=replace(ADULT, sex=None)),
        "heart_rate_near_predicted",
    )
    assert needs_sex.met is None
    assert "sex" in needs_sex.reason


@pytest.mark.parametrize(
    ("wrong", "place"),
    [
        ({"rule_set": "no_such"}, "effort_rules"),
        ({"method": "acsm_running"}, "heart_rate_max_method"),
        ({"method": "x"}, "heart_rate_max_method"),
    ],
)
def test_settings_that_do_not_exist_are_refused_with_the_choices(wrong, place):
    with pytest.raises(InvalidContent) as caught:
        judged(**wrong)
    assert caught.value.errors[0].location == place


@pytest.mark.parametrize(
    ("mode", "low", "high", "threshold", "said"),
    [
        ("cycle", 19.9, 19.9, None, "20 to 69"),
        ("cycle", 20.0, 20.0, 1.13, None),
        ("cycle", 39.99, 39.99, 1.13, None),
        ("cycle", 40.0, 40.0, 1.10, None),
        ("cycle", 69.9, 69.9, 1.06, None),
        ("cycle", 70.0, 70.0, None, "20 to 69"),
        ("cycle", 39.2, 40.2, None, "different age bands"),  # a birth year alone
        ("cycle", 69.2, 70.2, None, "different age bands"),
        ("cycle", 50.1, 51.1, 1.10, None),
        ("treadmill", 30.0, 30.0, None, "for the cycle"),
    ],
)
def test_age_specific_set_is_for_the_cycle_from_20_to_69(mode, low, high, threshold, said):
    person = replace(ADULT, age_years=(low + high) / 2, age_low_years=low, age_high_years=high)
    effort = judged(
        rule_set="wagner_2020_cycle", mode=mode, person=person, rer=1.15, rpe=19.0, heart_rate_bpm=200.0
    )
    ratio = criterion(effort, "respiratory_exchange_ratio")
    heart_rate = criterion(effort, "heart_rate_near_predicted")
    assert ratio.threshold == threshold
    assert ratio.met is (None if threshold is None else True)
    assert heart_rate.met is (None if threshold is None else True)
    assert not heart_rate.counts
    assert effort.verdict == ("undetermined" if threshold is None else "secondary_criteria")
    if said:
        assert said in ratio.reason


@pytest.mark.parametrize(
    ("changed", "verdict", "said"),
    [
        ({}, "confirmed", "within 3 %"),
        ({"peak_vo2_ml_min": 3090.1}, "above", "session"),
        ({"peak_vo2_ml_min": 2909.9}, "uninformative", "nothing against"),
        ({"peak_vo2_ml_min": None}, "not_assessable", "no peak"),
        ({"duration_s": 90.0}, "confirmed", "within"),
        ({"duration_s": 89.0}, "not_assessable", "at least 90 s"),
        ({"duration_s": None}, "not_assessable", "length"),
        ({"work_rate_w": 300.0}, "not_assessable", "another load"),
        ({"work_rate_w": 270.0}, "confirmed", "within"),  # submaximal bouts are as good
        ({"work_rate_w": None}, "not_assessable", "not known"),
        ({"same_visit": False, "days_after": 7.0}, "confirmed", "within"),
        ({"same_visit": False, "days_after": 8.0}, "not_assessable", "within 7 days"),
        ({"same_visit": False, "days_after": -1.0}, "not_assessable", "within 7 days"),
        ({"same_visit": True, "days_after": -0.01}, "confirmed", "within"),
    ],
)
def test_verification_bout(changed, verdict, said):
    found = judged(bout=replace(bout(), **changed)).verification
    assert found.verdict == verdict
    assert said in found.reason
    assert found.session_peak_ml_min == (found.verification_peak_ml_min if verdict == "above" else 3000.0)
    assert found.tolerance_percent == 3.0


def test_a_bout_above_is_a_finding_whatever_the_verdict():
    for case in ({}, {"plateau": "seen"}):
        effort = judged(bout=bout(3200.0), **case)
        assert [one.code for one in effort.findings] == ["verification_not_confirming"]
        assert effort.verification.session_peak_ml_min == 3200.0
    assert judged(bout=bout()).findings == ()
    assert "verification_not_confirming" in FINDINGS


def test_without_a_main_peak_a_bout_says_nothing():
    assert judged(peak=None, bout=bout()).verification.verdict == "not_assessable"


@pytest.mark.parametrize(
    ("speed", "grade", "verdict"),
    [
        (14.0, 1.0, "not_assessable"),
        (15.0, 1.0, "confirmed"),
        (14.0, 3.0, "confirmed"),
        (None, 1.0, "not_assessable"),
    ],
)
def test_on_the_treadmill_speed_or_grade_must_differ(speed, grade, verdict):
    n = 40
    channels = {
        "vo2_ml_min": np.full(n, 3000.0),
        "speed_km_h": np.repeat([10.0, 12.0, 14.0, 14.0], 10),
        "grade_percent": np.full(n, 1.0),
    }
    ends = 15.0 * np.arange(1, n + 1)
    series = Series(
        ends, np.full(n, 15.0), channels, np.full(n, -1, np.int8), np.full(n, -1), np.zeros(n, bool)
    )
    other = bout(work_rate_w=None, speed_km_h=speed, grade_percent=grade)
    test = TestInput(series=series, mode="treadmill", person=ADULT, verification=other)
    marks = Marks(0.0, 600.0, "given")
    effort = judge_effort(test, marks, find_peak(test, marks), find_maxima(test, marks), NONE_SEEN)
    assert effort.verification.verdict == verdict


def test_a_whole_simulated_test_is_judged():
    test = simulate(RAMP_25, 5, exercise_s=620.0)
    marks = find_marks(test)
    effort = judge_effort(test, marks, find_peak(test, marks), find_maxima(test, marks), NONE_SEEN)
    assert effort.verdict == "secondary_criteria"
    assert [one.met for one in effort.criteria] == [True, True, None, True]
    as_json = effort.as_dict()
    assert set(as_json["criteria"][0]) == {
        "criterion",
        "observed",
        "threshold",
        "unit",
        "met",
        "counts",
        "reason",
        "source",
    }
    assert as_json["verification"] is None


def test_every_source_resolves():
    effort = judged(bout=bout(), rule_set="wagner_2020_cycle")
    texts = [one.source for one in (*effort.criteria, effort.verification, *RULE_SETS.values())]
    texts += [one.source for one in judged().criteria]
    for text in texts:
        assert cited_keys(text)
        assert all(key in REFERENCES for key in cited_keys(text))
