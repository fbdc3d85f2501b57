"""What repeat pairs say, from outside: what moves each number, and what cannot be had."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.reliability import RepeatPair, intraclass, mean_squares, reliability_of

FIRST = (48.2, 52.1, 39.5, 61.0, 44.3, 55.7, 36.9, 50.4, 47.0, 58.8)
SECOND = (49.0, 51.0, 41.1, 60.2, 45.9, 57.0, 36.0, 51.9, 46.1, 58.0)


def pairs(first=FIRST, second=SECOND, **more):
    return [RepeatPair(a, b, **more) for a, b in zip(first, second, strict=True)]


def test_nothing_can_be_said_from_no_pair():
    found = reliability_of([])
    answer = found.as_dict()
    assert answer["n_pairs"] == 0
    assert answer["df"] is None
    for name in ("typical_error", "cv_percent", "minimal_detectable_change_95", "icc_2_1", "icc_3_1"):
        assert answer[name] is None
        assert answer["reasons"][name] == "It needs at least 2 repeat pairs; there are 0."
    assert answer["mean_difference"] is None


def test_one_pair_has_a_difference_but_no_error():
    answer = reliability_of([RepeatPair(40.0, 42.0)]).as_dict()
    assert answer["mean_difference"] == 2.0
    assert answer["mean_difference_ci_low"] is None
    assert answer["typical_error"] is None
    assert answer["learning"][0]["n"] == 1


def test_two_pairs_have_wide_intervals():
    found = reliability_of([RepeatPair(40.0, 42.0), RepeatPair(50.0, 49.0)])
    assert found.df == 1
    assert found.typical_error.ci_low < found.typical_error.value < found.typical_error.ci_high
    assert found.growth_with_mean.value is None


def test_equal_differences_are_said_to_be_odd():
    found = reliability_of([RepeatPair(value, value) for value in (40.0, 45.0, 50.0)])
    assert found.typical_error.value == 0.0
    assert any("All differences are equal" in note for note in found.notes)
    assert found.icc_3_1.value == pytest.approx(1.0)
    assert found.icc_3_1.reason == "There is no error in these pairs, so there is no interval."


def test_no_variation_at_all_has_no_correlation():
    found = reliability_of([RepeatPair(40.0, 40.0)] * 4)
    assert found.icc_2_1.value is None
    assert found.icc_2_1.reason == "All people have the same value, so there is no correlation."


def test_a_value_of_zero_leaves_the_linear_numbers():
    found = reliability_of([RepeatPair(0.0, 1.0), RepeatPair(3.0, 3.5), RepeatPair(2.0, 2.2)])
    assert found.typical_error.value is not None
    assert found.cv_percent.value is None
    assert "not above zero" in found.cv_percent.reason


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_what_is_no_number_is_refused(bad):
    with pytest.raises(ValueError, match="finite"):
        reliability_of([RepeatPair(1.0, bad)])


def test_learning_moves_the_mean_difference_and_not_the_error():
    plain = reliability_of(pairs())
    learned = reliability_of(pairs(second=[value + 3.0 for value in SECOND]))
    assert learned.typical_error.value == pytest.approx(plain.typical_error.value)
    assert learned.mean_difference.value == pytest.approx(plain.mean_difference.value + 3.0)
    # A shift between trials is no error of consistency, but one of agreement.
    assert learned.icc_3_1.value == pytest.approx(plain.icc_3_1.value)
    assert learned.icc_2_1.value < plain.icc_2_1.value


def test_first_tests_count_and_stand_apart():
    given_pairs = [
        *(
            RepeatPair(a, b + 2.0, subject=i, first_ever=True, order=1)
            for i, (a, b) in enumerate(zip(FIRST, SECOND, strict=True))
        ),
        *(RepeatPair(a, b, subject=i, order=2) for i, (a, b) in enumerate(zip(FIRST, SECOND, strict=True))),
    ]
    found = reliability_of(given_pairs)
    assert found.n_pairs == 20
    assert found.n_subjects == 10
    parts = {one.which: one for one in found.learning}
    assert set(parts) == {"first_ever", "later", "order_1", "order_2"}
    difference = parts["first_ever"].mean_difference.value - parts["later"].mean_difference.value
    assert difference == pytest.approx(2.0)
    assert parts["order_1"].mean_difference == parts["first_ever"].mean_difference
    assert any("10 of 20 pairs begin with the person's first test" in note for note in found.notes)
    assert any("20 pairs come from 10 people" in note for note in found.notes)


def test_pairs_that_share_a_test_have_fewer_degrees_of_freedom():
    chain = pairs()
    shared = [RepeatPair(one.first, one.second, shares=place > 0) for place, one in enumerate(chain)]
    free, chained = reliability_of(chain), reliability_of(shared)
    assert free.df_effective == 9.0
    assert chained.df == 9
    assert 5.0 < chained.df_effective < 8.0
    assert chained.typical_error.ci_high > free.typical_error.ci_high
    assert any("share a test" in note for note in chained.notes)


def test_the_effective_degrees_of_freedom_are_those_of_simulated_chains():
    # Mean and variance of the sum of squares in 20,000 simulated chains of tests: df = 2 mean^2 / variance.
    rng = np.random.default_rng(20)
    difference = np.diff(rng.normal(size=(20_000, 11)), axis=1)
    squares = difference.var(axis=1, ddof=1)
    chained = reliability_of(
        [RepeatPair(one.first, one.second, shares=i > 0) for i, one in enumerate(pairs())]
    )
    assert chained.df_effective == pytest.approx(2 * squares.mean() ** 2 / squares.var(), rel=0.05)


def test_an_outlying_pair_is_shown_and_counts():
    second = [*SECOND[:-1], 75.0]
    found = reliability_of(pairs(second=second))
    assert found.outlying == (False,) * 9 + (True,)
    assert found.n_pairs == 10
    assert found.typical_error.value > 3 * reliability_of(pairs()).typical_error.value
    assert "tukey_1977" in found.outlying_rule


def test_outlying_is_looked_for_on_the_scale_of_the_error():
    # 10 against 13 is 3 apart like the others, but 30 %.
    first = [10.0, *(100.0 + 10 * i for i in range(9))]
    second = [13.0, *(value + (3 if i % 2 else -3) for i, value in enumerate(first[1:]))]
    assert reliability_of(pairs(first, second), scale="linear").outlying[0] is False
    assert reliability_of(pairs(first, second), scale="log").outlying[0] is True


def test_growth_with_the_value_is_seen():
    rng = np.random.default_rng(4)
    level = np.linspace(10, 300, 60)
    second = level * np.exp(rng.normal(0, 0.1, 60))
    found = reliability_of(pairs(level, second))
    assert found.grows_with_mean is True
    assert any("grow with the value" in note for note in found.notes)
    steady = reliability_of(pairs(level, level + rng.normal(0, 5, 60)))
    assert steady.grows_with_mean is False


def test_a_table_that_is_too_small_is_refused():
    with pytest.raises(ValueError, match="at least 2 rows"):
        mean_squares([[1.0, 2.0]])
    assert intraclass([[1.0, 2.0]], "3,1").value is None


values = st.floats(20, 80)


@given(st.lists(st.tuples(values, values), min_size=3, max_size=12), st.floats(0.5, 40), st.floats(-10, 10))
@settings(max_examples=60, deadline=None)
def test_units_and_a_common_shift_change_nothing_but_the_unit(data, factor, shift):
    found = reliability_of([RepeatPair(a, b) for a, b in data])
    scaled = reliability_of([RepeatPair(factor * a, factor * b) for a, b in data])
    shifted = reliability_of([RepeatPair(a, b + shift) for a, b in data])
    assert scaled.typical_error.value == pytest.approx(factor * found.typical_error.value, rel=1e-6, abs=1e-9)
    assert scaled.cv_percent.value == pytest.approx(found.cv_percent.value, rel=1e-6, abs=1e-9)
    assert shifted.typical_error.value == pytest.approx(found.typical_error.value, rel=1e-6, abs=1e-9)
    if found.icc_3_1.value is not None and found.typical_error.value > 1e-6:
        assert scaled.icc_2_1.value == pytest.approx(found.icc_2_1.value, rel=1e-6, abs=1e-9)
    for one in (found.typical_error, found.icc_2_1, found.icc_3_1, found.mean_difference):
        if one.ci_low is not None:
            assert one.ci_low <= one.value + 1e-9
            assert one.value <= one.ci_high + 1e-9


@pytest.mark.proof
@pytest.mark.parametrize("name", ["typical_error", "cv_percent", "icc_2_1", "icc_3_1", "mean_difference"])
def test_the_intervals_hold_the_truth_as_often_as_they_say(name):
    # People spread by 8, trials shifted by 1, error 2 (cv: the same on the log scale): 2,000 studies of 20 pairs each.
    rng = np.random.default_rng(11)
    people, error, shift = 8.0, 2.0, 1.0
    truth = {
        "typical_error": error,
        "cv_percent": 100 * math.expm1(0.04),
        "icc_3_1": people**2 / (people**2 + error**2),
        # Trials are drawn from a population of trials there.
        "icc_2_1": people**2 / (people**2 + error**2 + shift**2),
        "mean_difference": shift,
    }[name]
    held = 0
    for _ in range(2000):
        true = rng.normal(50, people, 20)
        trial = rng.normal(0, shift, 2) if name == "icc_2_1" else (0.0, shift)
        if name == "cv_percent":
            first, second = (true.clip(20) * np.exp(rng.normal(0, 0.04, 20)) for _ in range(2))
        else:
            first, second = (true + trial[i] + rng.normal(0, error, 20) for i in range(2))
        one = getattr(reliability_of(pairs(first, second)), name)
        held += one.ci_low <= truth <= one.ci_high
    # 4 standard errors of a share of 0.95 in 2,000; the interval of 2,1 is approximate.
    assert held / 2000 == pytest.approx(0.95, abs=0.03 if name == "icc_2_1" else 0.02)
