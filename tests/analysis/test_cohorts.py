"""What a group shows: which results count, paired change, differences between arms. Expected numbers by hand."""

import datetime as dt
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.change import typical_error_for
from service.analysis.cohorts import (
    Kind,
    Member,
    Members,
    Observation,
    Results,
    baseline_adjusted_difference,
    change_between_rounds,
    in_order,
    individual_response_sd,
    mean_and_interval,
    member_lines,
    place,
    reference_of,
    summarise,
    welch_difference,
)
from service.quantities import QUANTITIES

PEAK = QUANTITIES["vo2_peak_ml_min"]
WAIST = QUANTITIES["waist_cm"]
DAY = dt.date(2026, 3, 2)
#: Quantiles of Student's t at 97.5 % as printed in tables.
T3, T2, T6 = 3.1824, 4.3027, 2.4469


def floats(*values):
    return np.array(values, dtype=float)


def seen(member, name, value, *, days=0, order=0, **more):
    day = DAY + dt.timedelta(days=days)
    at = (day.toordinal() * 86400.0, order)
    return Observation(member, name, value, at, day, test_id=f"{member}-{name}-{order}", **more)


def placed(members, observations, rounds, **more):
    """What is counted of these observations."""
    kinds = {}
    for one in observations:
        kinds.setdefault(kind_of(one), len(kinds))
    codes = [one.code for one in members]
    columns = ("effective_window_s", "uptake_ml_min", "body_mass_kg")
    results = Results(
        kinds=list(kinds),
        kind=np.array([kinds[kind_of(one)] for one in observations], dtype=int),
        member=np.array([codes.index(one.member_id) for one in observations], dtype=int),
        value=floats(*(one.value for one in observations)),
        id=np.arange(len(observations)),
        find=lambda ids: [observations[one] for one in ids],
        day=np.array([one.date.toordinal() for one in observations], dtype=int),
        more={name: floats(*(getattr(one, name) for one in observations)) for name in columns},
    )
    return place(Members(*zip(*members, strict=True)), results, rounds, **more)


def kind_of(one):
    return Kind(*(getattr(one, name) for name in Kind._fields[:-1]), one.test_id is not None)


def group(values, *, include_all=False, more=(), members=None):
    """Members with (arm, value in round 1, value in round 2); None is no result."""
    known = members or [Member(code, code, arm) for code, (arm, *_) in values.items()]
    found = [
        seen(code, str(place + 1), value, days=60 * place)
        for code, (_, *several) in values.items()
        for place, value in enumerate(several)
        if value is not None
    ]
    return placed(known, [*found, *more], ["1", "2"], include_all=include_all)


#: Two arms worked by hand. training: changes 2 4 6 8, mean 5, SD sqrt(20/3) = 2.5820; control: 0 1 2, mean 1, SD 1.
WORKED = {
    "A": ("training", 40.0, 42.0),
    "B": ("training", 44.0, 48.0),
    "C": ("training", 38.0, 44.0),
    "D": ("training", 42.0, 50.0),
    "E": ("control", 41.0, 41.0),
    "F": ("control", 39.0, 40.0),
    "G": ("control", 43.0, 45.0),
}


def test_paired_change_within_an_arm_by_hand():
    control, training = change_between_rounds(group(WORKED), PEAK, "1", "2").arms
    assert (training.arm, len(training.pairs)) == ("training", 4)
    half = T3 * 2.58199 / 2
    assert (training.change.value, training.change.sd) == pytest.approx((5.0, 2.58199), abs=1e-5)
    assert (training.change.ci_low, training.change.ci_high) == pytest.approx((5 - half, 5 + half), abs=1e-3)
    assert (control.change.value, control.change.sd) == pytest.approx((1.0, 1.0))
    half = T2 / math.sqrt(3)
    assert (control.change.ci_low, control.change.ci_high) == pytest.approx((1 - half, 1 + half), abs=1e-3)
    assert (training.from_mean, training.to_mean) == (41.0, 46.0)


def test_difference_between_arms_by_hand():
    # a = (20/3)/4 = 1.6667, b = 1/3; SE = sqrt(2) = 1.41421; df = 4/(1.6667^2/3 + 0.3333^2/2) = 4.0755.
    found = change_between_rounds(group(WORKED), PEAK, "1", "2").comparison().difference
    assert found.value == pytest.approx(4.0)
    assert found.df == pytest.approx(4.07547, abs=1e-4)
    # t(4.0755) lies between the printed t(4) = 2.7764 and t(5) = 2.5706.
    assert 2.5706 < (found.ci_high - 4.0) / math.sqrt(2) < 2.7764
    assert found.ci_high - 4.0 == pytest.approx(4.0 - found.ci_low)


def test_difference_adjusted_for_baseline_by_hand():
    # Within arms: training x -1 3 -3 1, y -4 2 -2 4: Sxx 20, Sxy 20; control x 0 -2 2, y -1 -2 3: Sxx 8, Sxy 10.
    # b = 30/28; baselines both 41: the adjusted difference is the plain one, 46 - 42 = 4.
    found = change_between_rounds(group(WORKED), PEAK, "1", "2").comparison()
    assert found.slope.value == pytest.approx(30 / 28)
    assert found.baseline_adjusted.value == pytest.approx(4.0)
    # Residual sum of squares = Syy - b Sxy = (40 + 14) - 30^2/28 = 21.857; s^2 = 21.857/4; SE^2 = s^2 (1/4 + 1/3).
    se = math.sqrt((54 - 900 / 28) / 4 * (1 / 4 + 1 / 3))
    assert found.baseline_adjusted.df == 4
    assert found.baseline_adjusted.ci_high - 4 == pytest.approx(2.7764 * se, abs=1e-3)
    # Slopes of their own: 20/20 and 10/8.
    assert found.slope_difference.value == pytest.approx(1.0 - 1.25)


def test_individual_response_by_hand():
    # V = 20/3 - 1 = 17/3; SE = sqrt(2 ((20/3)^2/3 + 1/2)) = 5.5343; limits 5.6667 -+ 10.8470.
    found = change_between_rounds(group(WORKED), PEAK, "1", "2").comparison()
    response = found.response_sd
    assert response.value == pytest.approx(math.sqrt(17 / 3))
    assert response.ci_low == pytest.approx(-math.sqrt(10.8470 - 5.66667), abs=1e-4)
    assert response.ci_high == pytest.approx(math.sqrt(10.8470 + 5.66667), abs=1e-4)
    assert "the interval holds 0, so differences in response are not shown." in found.sentence
    assert found.sentence.endswith(
        "With 4 members in training this interval cannot but hold 0: it needs at least 9."
    )
    assert found.as_dict()["individual_response_sd"]["shown"] is False


def test_a_negative_response_keeps_its_sign():
    turned = change_between_rounds(group(WORKED), PEAK, "1", "2", reference_arm="training").comparison()
    assert turned.response_sd.value == pytest.approx(-math.sqrt(17 / 3))
    many = individual_response_sd(np.tile(floats(0, 1, 2), 40), np.tile(floats(-9, 0, 9), 40))
    assert many.ci_high < 0


def test_response_is_said_where_the_interval_leaves_zero_out():
    wide = {f"t{n}": ("training", 3000.0 + n, 3000.0 + n + 40 * (n % 11)) for n in range(40)}
    narrow = {f"c{n}": ("control", 3000.0 + n, 3000.0 + n + (n % 5)) for n in range(40)}
    found = change_between_rounds(group(wide | narrow), PEAK, "1", "2").comparison()
    assert found.as_dict()["individual_response_sd"]["shown"] is True
    assert "members differ in their response" in found.sentence
    assert "Who of them responded more is not said by this." in found.sentence
    turned = change_between_rounds(group(wide | narrow), PEAK, "1", "2", reference_arm="training")
    assert turned.comparison().sentence.endswith("Differences in response are not shown.")


def test_per_cent_comes_from_logarithms():
    # ln changes ln 1.1 and ln 1.21: mean ln sqrt(1.331), so 100 (1.1^1.5 - 1) per cent.
    found = change_between_rounds(
        group({"A": ("a", 1000.0, 1100.0), "B": ("a", 1000.0, 1210.0)}), PEAK, "1", "2"
    )
    (arm,) = found.arms
    assert arm.percent.value == pytest.approx(100 * (1.1**1.5 - 1))
    assert arm.percent.ci_low < arm.percent.value < arm.percent.ci_high
    assert found.percent_reason is None
    assert "not one in per cent" in change_between_rounds(group(WORKED), WAIST, "1", "2").percent_reason
    below = change_between_rounds(group({"A": ("a", -1.0, 3.0)}), PEAK, "1", "2")
    assert "not above zero" in below.percent_reason
    assert below.arms[0].percent is None


def test_only_pairs_count_and_who_is_missing_is_listed():
    values = WORKED | {
        "H": ("training", 90.0, None),
        "I": ("control", None, 90.0),
        "J": ("control", None, None),
    }
    found = change_between_rounds(group(values), PEAK, "1", "2")
    control, training = found.arms
    # Means of the members in each round would have said -1.75 and +13.25.
    assert (training.change.value, control.change.value) == (5.0, 1.0)
    assert [(one.member.code, one.reason) for one in training.missing] == [("H", "No result in round 2.")]
    assert [(one.member.code, one.reason) for one in control.missing] == [
        ("I", "No result in round 1."),
        ("J", "No result in round 1. No result in round 2."),
    ]
    assert any(note.startswith("3 of 10 members lack a counted value") for note in found.notes)


LEFT_OUT = {
    "submaximal": ({"effort": "submaximal"}, {}, "The effort was submaximal."),
    "error": ({"has_error": True}, {}, "An error finding stands on this result."),
    "both": (
        {"has_error": True, "effort": "submaximal"},
        {},
        "The effort was submaximal. An error finding stands on this result.",
    ),
    "before": (
        {},
        {"joined_on": DAY + dt.timedelta(days=1)},
        "The visit of 2026-03-02 lies before the member joined on 2026-03-03.",
    ),
    "after": (
        {},
        {"left_on": DAY - dt.timedelta(days=1)},
        "The visit of 2026-03-02 lies after the member left on 2026-03-01.",
    ),
}


@pytest.mark.parametrize("case", LEFT_OUT)
def test_what_does_not_count_is_listed_with_its_reason(case):
    fields, member, reason = LEFT_OUT[case]
    members, observations = [Member("A", "A", None, **member)], [seen("A", "1", 40.0, **fields)]
    found = placed(members, observations, ["1"])
    assert (found.counted, [one.reason for one in found.left_out]) == ({}, [reason])
    assert found.why_missing([("A", "1")]) == {("A", "1"): f"Round 1: {reason}"}
    assert summarise(found)[0].missing == 1
    # What lies outside the membership is no part of the cohort, whatever is asked for.
    everything = placed(members, observations, ["1"], include_all=True)
    assert len(everything.counted) == (0 if member else 1)


@pytest.mark.parametrize("edge", ["joined_on", "left_on"])
def test_the_days_of_joining_and_leaving_count(edge):
    found = placed([Member("A", "A", None, **{edge: DAY})], [seen("A", "1", 40.0)], ["1"])
    assert len(found.counted) == 1


def test_a_visit_without_a_round_does_not_count():
    found = placed([Member("A", "A")], [seen("A", None, 40.0)], ["1"])
    assert [one.reason for one in found.left_out] == ["Its visit names no round."]


def test_of_several_results_in_a_round_the_last_counts():
    several = [
        seen("A", "1", 41.0, days=3),
        seen("A", "1", 50.0),
        seen("A", "1", 99.0, days=5, effort="submaximal"),
    ]
    found = placed([Member("A", "A")], several, ["1"])
    assert found.counted["A", "1"].value == 41.0
    assert sorted(one.reason for one in found.left_out) == [
        "A later result of the same round counts (2026-03-05).",
        "The effort was submaximal.",
    ]
    assert (
        "1 result gave way to a later one of the same member and round: of several the last counts."
        in found.notes
    )
    # On one visit the order of its tests decides.
    same = [seen("A", "1", 41.0, order=2), seen("A", "1", 50.0, order=1)]
    assert placed([Member("A", "A")], same, ["1"]).counted["A", "1"].value == 41.0


def test_summary_of_each_round_and_arm():
    found = {(one.round, one.arm): one for one in summarise(group(WORKED | {"H": ("training", 43.0, None)}))}
    assert list(found) == [("1", "control"), ("1", "training"), ("2", "control"), ("2", "training")]
    one = found["1", "training"]
    # 38 40 42 43 44: type 7 quartiles are the 2nd and 4th of five values.
    assert (one.n, one.missing, one.mean, one.median, one.q1, one.q3) == (5, 0, 41.4, 42.0, 40.0, 43.0)
    assert one.sd == pytest.approx(math.sqrt(23.2 / 4))
    two = found["2", "training"]
    # 42 44 48 50: the quartile at 1 + 3/4 is 42 + 0.75 * 2.
    assert (two.n, two.missing, two.median, two.q1, two.q3) == (4, 1, 46.0, 43.5, 48.5)


def test_one_value_nobody_and_no_spread_have_a_reason():
    one, nobody = summarise(group({"A": (None, 40.0, None)}))
    assert (one.n, one.mean, one.sd, one.ci_low, one.q1) == (1, 40.0, None, None, 40.0)
    assert "no SD" in one.reason
    assert (nobody.n, nobody.mean, nobody.median, nobody.missing) == (0, None, None, 1)
    assert nobody.reason == "No member of the arm has a counted value in this round."
    same = mean_and_interval(floats(3.3, 3.3, 3.3))
    assert (same.sd, same.ci_low) == (0.0, None)
    assert "copied" in same.reason


CANNOT = {
    "one arm": ({"A": ("a", 40.0, 42.0), "B": ("a", 41.0, 44.0)}, "There is no second arm"),
    "no arms": ({"A": (None, 40.0, 42.0), "B": (None, 41.0, 44.0)}, "There is no second arm"),
    "no pairs": ({"A": ("a", 40.0, None), "B": ("b", 41.0, 44.0)}, "An arm has no member with both rounds."),
    "one pair": ({"A": ("a", 40.0, 42.0), "B": ("b", 41.0, 44.0), "C": ("b", 40.0, 41.0)}, "only one member"),
    "no spread": (
        {"A": ("a", 40.0, 42.0), "B": ("a", 41.0, 43.0), "C": ("b", 40.0, 41.0), "D": ("b", 42.0, 43.0)},
        "within each arm all changes are the same",
    ),
}


@pytest.mark.parametrize("case", CANNOT)
def test_what_cannot_be_had_is_none_with_a_reason(case):
    values, reason = CANNOT[case]
    found = change_between_rounds(group(values), PEAK, "1", "2").comparison().as_dict()
    for name in ("difference", "individual_response_sd"):
        assert (found[name]["ci_low"], found[name]["ci_high"]) == (None, None)
        assert found[name]["reason"]
    assert reason in found["difference"]["reason"]
    assert found["individual_response_sd"]["value"] is None
    assert found["individual_response_sd"]["sentence"] is None


def test_baselines_that_do_not_differ_cannot_be_adjusted_by():
    found = baseline_adjusted_difference(floats(40, 40), floats(42, 44), floats(41, 41), floats(41, 43))
    assert found.difference.value is None
    assert "nothing to adjust by" in found.difference.reason
    exact = baseline_adjusted_difference(floats(1, 2, 3), floats(3, 4, 5), floats(1, 2, 4), floats(1, 2, 4))
    assert (exact.difference.value, exact.difference.ci_low) == (pytest.approx(2.0), None)
    few = baseline_adjusted_difference(floats(1, 2), floats(3, 5), floats(1), floats(1))
    assert "at least four members" in few.difference.reason


def test_which_arm_is_the_reference():
    assert reference_of(["Control", "a"])[0] == "Control"
    arm, said = reference_of(["high", "low", None])
    assert (arm, "first by name" in said) == ("high", True)
    assert reference_of(["high", "low"], "low")[0] == "low"
    assert reference_of(["only", None]) == (None, None)


def test_several_arms_are_each_compared_with_the_reference():
    values = WORKED | {"H": ("strength", 40.0, 41.0), "I": ("strength", 41.0, 44.0), "J": (None, 39.0, 41.0)}
    found = change_between_rounds(group(values), PEAK, "1", "2")
    assert [(one.arm, one.reference_arm) for one in found.comparisons] == [
        ("strength", "control"),
        ("training", "control"),
    ]
    assert found.comparison("training").difference.value == pytest.approx(4.0)
    assert "name the one to compare" in found.comparison().difference.reason
    assert "Several arms are compared; each interval is 95 % by itself." in found.notes
    assert "1 of the members are in no arm; they are not compared with any." in found.notes


def test_lines_that_are_not_parallel_are_said():
    steep = {f"t{n}": ("training", 30.0 + n, 30.0 + 2 * n + 0.1 * (n % 3)) for n in range(12)}
    flat = {f"c{n}": ("control", 30.0 + n, 40.0 + 0.1 * (n % 2)) for n in range(12)}
    notes = change_between_rounds(group(steep | flat), PEAK, "1", "2").notes
    assert any("not parallel" in note for note in notes)


def test_pairs_that_are_not_alike_are_counted_in_the_notes():
    odd = [
        seen("A", "1", 40.0, protocol_family="ramp_20", convention="time_weighted", effective_window_s=30.0),
        seen(
            "A",
            "2",
            41.0,
            days=60,
            protocol_family="bruce",
            convention="time_weighted",
            effective_window_s=60.0,
        ),
    ]
    found = placed([Member("A", "A")], odd, ["1", "2"])
    assert "Results of several protocol families are counted together: ramp 20 (1), bruce (1)." in found.notes
    notes = change_between_rounds(found, PEAK, "1", "2").notes
    assert any("1 of 1 pairs the two results differ in protocol family" in note for note in notes)
    assert any("averaging window" in note for note in notes)


def test_a_change_per_body_mass_is_shown_with_its_parts():
    per_mass = QUANTITIES["vo2_peak_ml_kg_min"]
    both = [
        seen(code, name, uptake / mass, days=60 * (name == "2"), uptake_ml_min=uptake, body_mass_kg=mass)
        for code, name, uptake, mass in (
            ("A", "1", 3000.0, 80.0), ("A", "2", 3000.0, 75.0), ("B", "1", 3200.0, 90.0), ("B", "2", 3210.0, 84.0),
        )
    ]  # fmt: skip
    found = placed([Member("A", "A"), Member("B", "B")], both, ["1", "2"])
    (arm,) = change_between_rounds(found, per_mass, "1", "2").arms
    assert arm.change.value > 2
    assert arm.parts["uptake_ml_min"].value == pytest.approx(5.0)
    assert arm.parts["body_mass_kg"].value == pytest.approx(-5.5)
    assert change_between_rounds(found, PEAK, "1", "2").arms[0].parts is None
    unknown = placed([Member("A", "A")], [seen("A", "1", 40.0), seen("A", "2", 41.0)], ["1", "2"])
    part = change_between_rounds(unknown, per_mass, "1", "2").arms[0].parts["uptake_ml_min"]
    assert (part.value, part.reason) == (None, "It is not known of 1 of these members.")


def test_single_members_stand_beside_the_mean_of_the_reference():
    change = change_between_rounds(group(WORKED), PEAK, "1", "2")
    lines = {
        line.pair.member.code: line
        for line in member_lines(change, PEAK, typical_error=typical_error_for(PEAK))
    }
    assert list(lines) == ["E", "F", "G", "A", "B", "C", "D"]
    assert [lines[code].beyond_reference for code in "ABCD"] == pytest.approx([1.0, 3.0, 5.0, 7.0])
    assert lines["E"].beyond_reference is None
    document = lines["D"].as_dict()
    assert document["true_change"]["verdict"] == "improved"
    # No smallest worthwhile change is known, so no chance.
    assert document["true_change"]["chance_improved"] is None
    assert "response" not in str(document)


@pytest.mark.parametrize(
    ("rounds", "expected"),
    [
        ({"10": 0.0, "9": 5.0, "1": 9.0}, ("1", "9", "10")),
        ({"pre": 0.0, "post": 5.0, "mid": 3.0}, ("pre", "mid", "post")),
        ({"2": 7.0, "baseline": 1.0, "1": 4.0}, ("baseline", "1", "2")),
        ({}, ()),
    ],
)
def test_the_order_of_rounds(rounds, expected):
    assert in_order(rounds) == expected


values = st.lists(st.floats(20, 70).map(lambda value: round(value, 1)), min_size=4, max_size=12)


@settings(max_examples=40, deadline=None)
@given(before=values, after=values, shift=st.floats(-30, 30))
def test_estimates_do_not_move_with_the_origin_and_turn_with_the_arms(before, after, shift):
    n = min(len(before), len(after))
    x, y = np.array(before[:n]), np.array(after[:n])
    half = n // 2
    a, b, c, d = x[:half], y[:half], x[half:], y[half:]
    changes, others = b - a, d - c
    there, back = welch_difference(changes, others), welch_difference(others, changes)
    assert there.value == pytest.approx(-back.value)
    adjusted = baseline_adjusted_difference(a, b, c, d).difference
    moved = baseline_adjusted_difference(a + shift, b + shift, c + shift, d + shift).difference
    if adjusted.value is not None and moved.value is not None and np.ptp(a) + np.ptp(c) > 1e-6:
        assert moved.value == pytest.approx(adjusted.value, abs=1e-6)
        # With the change as outcome the adjusted difference is the same.
        as_change = baseline_adjusted_difference(a, b - a, c, d - c).difference
        assert as_change.value == pytest.approx(adjusted.value, abs=1e-6)
    first, second = individual_response_sd(changes, others), individual_response_sd(others, changes)
    if first.value is not None:
        assert (first.value, first.ci_low) == pytest.approx((-second.value, -second.ci_high))
        assert first.ci_low <= first.value <= first.ci_high
