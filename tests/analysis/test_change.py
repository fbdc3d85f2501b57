import dataclasses
import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.change import (
    OwnTypicalError,
    SmallestWorthwhileChange,
    TrendPoint,
    TypicalErrorUsed,
    chances_of_true_change,
    change_between,
    minimal_detectable_change_95,
    smallest_worthwhile_change_from_quartiles,
    typical_error_for,
)
from service.quantities import QUANTITIES

PER_MASS = QUANTITIES["vo2_peak_ml_kg_min"]
ABSOLUTE = QUANTITIES["vo2_peak_ml_min"]
RESTING = QUANTITIES["resting_heart_rate_bpm"]
FIVE_PERCENT = TypicalErrorUsed(5.0, "log", "%", None, "stated in the test")

values = st.floats(min_value=5, max_value=95)
errors = st.builds(
    TypicalErrorUsed,
    st.floats(min_value=0.2, max_value=20),
    st.sampled_from(["log", "linear"]),
    st.just("as scaled"),
    st.one_of(st.none(), st.floats(min_value=2, max_value=200)),
    st.just("drawn"),
)


def point(value, *, day=0, **more):
    facts = {"mode": "cycle", "effort": "plateau", "convention": "time_weighted", "effective_window_s": 30.0}
    return TrendPoint(f"t{day}", f"v{day}", "2024-01-01", day * 86400.0, value, **(facts | more))


def change(before, after, quantity=PER_MASS, error=FIVE_PERCENT, **more):
    return change_between(quantity, before, after, typical_error=error, **more)


@pytest.mark.parametrize(
    ("quantity", "after", "verdict"),
    [
        (PER_MASS, 46.0, "improved"),  # 15 %, the limit is 14.5 %
        (PER_MASS, 45.7, "within_error"),
        (PER_MASS, 34.8, "declined"),
        (RESTING, 46.0, "declined"),  # a higher resting heart rate is the worse one
        (RESTING, 34.8, "improved"),
        (QUANTITIES["hip_cm"], 46.0, "unclear"),  # neither direction is better
        (QUANTITIES["hip_cm"], 40.5, "within_error"),
    ],
)
def test_the_verdict_follows_the_interval_and_the_better_direction(quantity, after, verdict):
    found = change(point(40.0), point(after, day=90), quantity)
    assert found.verdict == verdict
    assert (found.ci_low > 0 or found.ci_high < 0) == (verdict != "within_error")


def test_where_neither_direction_is_better_the_note_says_which_way_it_went():
    found = change(point(90.0), point(120.0, day=90), QUANTITIES["hip_cm"])
    assert any("rose by more than the error" in note and "neither direction" in note for note in found.notes)
    assert found.chance_improved is None


@pytest.mark.parametrize(
    "other",
    [
        {"convention": "moving_breaths"},
        {"effective_window_s": 60.0},
        {"protocol_family": "bruce"},
        {"effort": "submaximal"},
        {"mode": "treadmill"},
        {"basis": "estimated"},
    ],
)
def test_what_is_not_comparable_is_unclear_but_keeps_its_numbers(other):
    alike = change(point(40.0), point(60.0, day=90))
    found = change(point(40.0), point(60.0, day=90, **other))
    assert alike.verdict == "improved"
    assert found.verdict == "unclear"
    assert (found.absolute, found.ci_low, found.ci_high) == (alike.absolute, alike.ci_low, alike.ci_high)
    assert len(found.notes) == len(alike.notes) + 1


@pytest.mark.parametrize(
    ("before", "after", "unclear"),
    [
        ("plateau", "undetermined", False),
        ("verified", "secondary_criteria", False),
        (None, "plateau", False),
        ("submaximal", "undetermined", True),
        ("submaximal", "submaximal", False),
    ],
)
def test_only_a_submaximal_effort_is_of_another_class(before, after, unclear):
    found = change(point(40.0, effort=before), point(60.0, day=9, effort=after))
    assert (found.verdict == "unclear") == unclear


def test_windows_in_breaths_are_compared_in_breaths():
    def breaths(number, seconds):
        return point(
            40.0,
            convention="moving_breaths",
            effective_window_s=seconds,
            comparability={"window_breaths": number},
        )

    assert change(breaths(15, 24.0), breaths(15, 29.0)).verdict == "within_error"
    assert change(breaths(15, 24.0), breaths(7, 24.0)).verdict == "unclear"


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ({"body_mass_source": "measured"}, {"body_mass_source": "stated"}, "stated"),
        (
            {"medication_limits_heart_rate": True},
            {"medication_limits_heart_rate": False},
            "limits heart rate",
        ),
        (
            {"medications": frozenset({"a"})},
            {"medications": frozenset()},
            "medication recorded was not the same",
        ),
        ({"hour_of_day": 8.0}, {"hour_of_day": 17.5}, "08:00 and 17:30"),
        ({"hours_since_meal": 0.5}, {"hours_since_meal": 4.0}, "a meal: 0.5 and 4 h"),
        ({"hours_since_caffeine": 8.0}, {"hours_since_caffeine": 1.0}, "caffeine: 8 and 1 h"),
        ({"hours_since_exercise": 12.0}, {"hours_since_exercise": 48.0}, "exercise: 12 and 48 h"),
        ({"ergometer": "A"}, {"ergometer": "B"}, "ergometer"),
        ({"analyser": "A"}, {"analyser": "B"}, "analyser"),
        ({"interface": "mask"}, {"interface": "mouthpiece"}, "mouthpiece"),
        ({"posture": "upright"}, {"posture": "supine"}, "posture"),
        ({"handrail_support": False}, {"handrail_support": True}, "handrail"),
        ({"site": "A"}, {"site": "B"}, "places"),
        ({"after_shift": False}, {"after_shift": True}, "control chart"),
        ({"altitude_m": 100.0}, {"altitude_m": 1600.0}, "altitude"),
        ({"temperature_c": 18.0}, {"temperature_c": 27.0}, "temperature"),
        ({"fio2_fraction": 0.2093}, {"fio2_fraction": 0.16}, "inspired oxygen"),
        (
            {"calibration_faults": frozenset()},
            {"calibration_faults": frozenset({"drifted"})},
            "sensor had drifted",
        ),
        (
            {"calibration_faults": frozenset({"off"})},
            {"calibration_faults": frozenset()},
            "read wrongly before",
        ),
        ({"calibration_faults": frozenset()}, {}, "calibration is recorded for one"),
    ],
)
def test_other_circumstances_are_notes_and_leave_the_verdict(before, after, words):
    found = change(point(40.0, comparability=before), point(60.0, day=9, comparability=after))
    assert found.verdict == "improved"
    assert any(words in note for note in found.notes)
    same = change(point(40.0, comparability=before), point(60.0, day=9, comparability=before))
    assert not any(words in note for note in same.notes)


def test_every_circumstance_that_a_point_may_carry_is_in_the_table():
    # The keys that the docstring of a point names, less those of lactate and of windows, which have tests of their own.
    table = test_other_circumstances_are_notes_and_leave_the_verdict.pytestmark[0].args[1]
    tried = {key for before, after, _ in table for key in (*before, *after)}
    named = set(re.findall(r"``([a-z0-9_]+)``", TrendPoint.__doc__.split("comparability : mapping")[1]))
    assert named - tried == {"window_breaths", "lactate_sample_site", "lactate_analyser"}


def test_both_calibrated_alike_and_neither_calibrated_need_no_note():
    for faults in ({}, {"calibration_faults": frozenset()}, {"calibration_faults": frozenset({"drifted"})}):
        found = change(point(40.0, comparability=faults), point(41.0, day=9, comparability=faults))
        assert not any("calibration" in note or "drifted" in note for note in found.notes)


def test_the_time_of_day_goes_round_midnight():
    late, early = {"hour_of_day": 23.0}, {"hour_of_day": 1.0}
    found = change(point(40.0, comparability=late), point(41.0, day=9, comparability=early))
    assert not any("time of day" in note for note in found.notes)


def test_without_a_typical_error_the_verdict_is_unclear_and_says_why():
    found = change(point(40.0), point(60.0, day=9), error=None)
    assert (found.verdict, found.ci_low, found.chance_improved) == ("unclear", None, None)
    assert found.absolute == 20.0
    assert any("No typical error" in note for note in found.notes)


def test_a_value_at_zero_has_no_percent_and_no_interval_on_the_log_scale():
    quantity = QUANTITIES["sit_and_reach_cm"]
    found = change(point(-2.0), point(5.0, day=9), quantity)
    assert (found.percent, found.ci_low, found.verdict) == (None, None, "unclear")
    linear = change(
        point(-2.0), point(5.0, day=9), quantity, TypicalErrorUsed(1.0, "linear", "cm", None, "x")
    )
    assert (linear.percent, linear.verdict) == (None, "improved")
    assert linear.percent_ci_low is None


def test_beyond_error_but_under_the_smallest_worthwhile_change_is_said():
    worthwhile = SmallestWorthwhileChange(3.0, "linear", "mL/kg/min", "site")
    precise = TypicalErrorUsed(0.5, "linear", "mL/kg/min", None, "x")
    found = change(point(40.0), point(42.0, day=9), error=precise, smallest_worthwhile_change=worthwhile)
    assert found.verdict == "improved"
    assert any("smaller than the smallest worthwhile" in note for note in found.notes)
    larger = change(point(40.0), point(44.0, day=9), error=precise, smallest_worthwhile_change=worthwhile)
    assert not any("smaller than" in note for note in larger.notes)


def test_chances_are_null_without_a_smallest_worthwhile_change_and_turn_with_the_better_direction():
    worthwhile = SmallestWorthwhileChange(1.0, "linear", "", "site")
    assert change(point(40.0), point(44.0, day=9)).chance_improved is None
    up = change(point(40.0), point(44.0, day=9), smallest_worthwhile_change=worthwhile)
    resting = change(point(40.0), point(44.0, day=9), RESTING, smallest_worthwhile_change=worthwhile)
    assert (up.chance_improved, up.chance_declined) == (resting.chance_declined, resting.chance_improved)
    assert up.chance_improved > 0.5 > up.chance_declined


@pytest.mark.parametrize(
    ("uptakes", "masses", "moved", "words"),
    [
        ((3200, 3200), (80, 72), "body_mass", "body mass that moved"),
        ((3200, 3600), (80, 80), "uptake", "oxygen uptake that moved"),
        ((3200, 3400), (80, 76), "both", "both moved"),
        ((3200, 3205), (80, 80.1), "neither", "neither moved"),
    ],
)
def test_a_change_per_body_mass_says_what_moved(uptakes, masses, moved, words):
    before, after = (
        point(uptake / mass, day=day, value_absolute=float(uptake), body_mass_kg=float(mass))
        for day, (uptake, mass) in enumerate(zip(uptakes, masses, strict=True))
    )
    found = change(before, after)
    assert found.parts.moved == moved
    assert words in found.parts.sentence
    assert found.parts.sentence in found.notes
    assert found.parts.uptake_ml_min == uptakes[1] - uptakes[0]
    assert found.parts.body_mass_kg == pytest.approx(masses[1] - masses[0])


def test_weight_loss_alone_is_not_called_a_gain_in_uptake():
    before = point(40.0, value_absolute=3200.0, body_mass_kg=80.0)
    after = point(47.0, day=90, value_absolute=3196.0, body_mass_kg=68.0)
    found = change(before, after)
    assert found.verdict == "improved"
    assert found.parts.uptake_verdict == "within_error"
    assert "within its error" in found.parts.sentence


def test_a_missing_body_mass_is_said_and_gives_no_parts():
    found = change(point(40.0, value_absolute=3200.0, body_mass_kg=80.0), point(47.0, day=9))
    assert found.parts is None
    assert any("body mass is missing" in note for note in found.notes)
    assert change(point(3200.0), point(3300.0, day=9), ABSOLUTE).notes == ()


def test_a_sites_own_typical_error_needs_15_pairs():
    own = OwnTypicalError(3.0, "log", 14.0, 15, "this site")
    assert typical_error_for(PER_MASS, own).value == 3.0
    assert typical_error_for(PER_MASS, own).df == 14.0
    few = dataclasses.replace(own, n_pairs=14)
    assert (typical_error_for(PER_MASS, few).value, typical_error_for(PER_MASS, few).df) == (5.0, None)
    assert typical_error_for(QUANTITIES["waist_cm"], few) is None


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_a_typical_error_that_cannot_be_is_refused(bad):
    with pytest.raises(ValueError, match="above 0"):
        TypicalErrorUsed(bad, "log", "%", None, "x")
    with pytest.raises(ValueError, match="above 0"):
        SmallestWorthwhileChange(bad, "linear", "", "x")


def test_quartiles_in_the_wrong_order_are_refused():
    with pytest.raises(ValueError, match="75th percentile"):
        smallest_worthwhile_change_from_quartiles(PER_MASS, 40.0, 40.0, source="x")


@settings(max_examples=60)
@given(values, values, errors)
def test_the_interval_contains_the_change(before, after, error):
    found = change(point(before), point(after, day=9), ABSOLUTE, error)
    assert found.ci_low < found.absolute < found.ci_high
    assert found.percent_ci_low < found.percent < found.percent_ci_high


@settings(max_examples=60)
@given(values, values, errors)
def test_going_back_turns_the_verdict_round(before, after, error):
    turned = {"improved": "declined", "declined": "improved", "within_error": "within_error"}
    there = change(point(before), point(after, day=9), ABSOLUTE, error)
    back = change(point(after), point(before, day=9), ABSOLUTE, error)
    assert back.verdict == turned[there.verdict]
    assert back.absolute == pytest.approx(-there.absolute)


@settings(max_examples=60)
@given(values, values, errors, st.sampled_from([0.001, 1000.0, 60.0]))
def test_another_unit_changes_nothing_but_the_numbers(before, after, error, factor):
    scaled_error = error if error.scale == "log" else dataclasses.replace(error, value=error.value * factor)
    worthwhile = SmallestWorthwhileChange(2.0, "log", "%", "x")
    one = change(point(before), point(after, day=9), ABSOLUTE, error, smallest_worthwhile_change=worthwhile)
    other = change(
        point(before * factor),
        point(after * factor, day=9),
        ABSOLUTE,
        scaled_error,
        smallest_worthwhile_change=worthwhile,
    )
    assert other.verdict == one.verdict
    assert other.ci_high == pytest.approx(one.ci_high * factor, rel=1e-9, abs=1e-9 * factor)
    assert other.percent == pytest.approx(one.percent, abs=1e-9)
    assert other.chance_improved == pytest.approx(one.chance_improved, abs=1e-9)


@settings(max_examples=60)
@given(values, errors)
def test_the_detectable_change_is_just_where_the_verdict_turns(before, error):
    rise = minimal_detectable_change_95(error, before)
    assert change(point(before), point(before + 1.0001 * rise), ABSOLUTE, error).verdict == "improved"
    assert change(point(before), point(before + 0.9999 * rise), ABSOLUTE, error).verdict == "within_error"


@settings(max_examples=60)
@given(values, values, errors, st.floats(min_value=0.1, max_value=20))
def test_the_two_chances_leave_room_for_the_trivial(before, after, error, percent):
    worthwhile = SmallestWorthwhileChange(percent, "log", "%", "x")
    rise, fall = chances_of_true_change(before, after, error, worthwhile)
    assert 0 <= rise <= 1
    assert 0 <= fall <= 1
    assert rise + fall <= 1 + 1e-12
    if error.scale == "log":
        back = chances_of_true_change(after, before, error, worthwhile)
        assert back == pytest.approx((fall, rise), abs=1e-9)


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ({"lactate_sample_site": "earlobe"}, {"lactate_sample_site": "venous"}, "earlobe and venous"),
        ({"lactate_analyser": "one"}, {"lactate_analyser": "two"}, "one and two"),
        ({"lactate_sample_site": "earlobe"}, {}, "not recorded for both tests where"),
        ({}, {}, "not recorded for both tests what"),
    ],
)
def test_samples_of_lactate_that_differ_are_told_beside_lactate_alone(before, after, words):
    pair = point(8.0, comparability=before), point(10.0, day=9, comparability=after)
    of_lactate = change_between(QUANTITIES["lactate_max_mmol_l"], *pair, typical_error=None)
    assert any(words in note for note in of_lactate.notes)
    assert not any("actate" in note for note in change(*pair).notes)


def test_samples_of_lactate_that_were_alike_need_no_note():
    alike = {"lactate_sample_site": "earlobe", "lactate_analyser": "one"}
    pair = point(8.0, comparability=alike), point(10.0, day=9, comparability=alike)
    found = change_between(QUANTITIES["lactate_max_mmol_l"], *pair, typical_error=None)
    assert not any("actate" in note for note in found.notes)
