import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.change import TypicalErrorUsed, change_between
from service.analysis.planning import MOST_TESTS, chance_of_seeing, detectable_change, needed_tests
from service.analysis.trends import TrendPoint
from service.quantities import QUANTITIES

FIVE_PERCENT = TypicalErrorUsed(5.0, "log", "%", None, "stated in the test")
TWO = TypicalErrorUsed(2.0, "linear", "unit", None, "stated in the test")


@pytest.mark.parametrize(
    ("before", "after", "rise"),
    # Arithmetic: 1.95996 x 2 x sqrt(1/before + 1/after).
    [(1, 1, 5.5437), (2, 2, 3.9199), (1, 2, 4.8010), (3, 3, 3.2007)],
)
def test_more_tests_see_smaller_changes(before, after, rise):
    found = detectable_change(40.0, TWO, before=before, after=after)
    assert (found.rise, found.fall) == (pytest.approx(rise, abs=1e-4), pytest.approx(-rise, abs=1e-4))
    assert found.rise_percent == pytest.approx(rise / 0.4, abs=1e-3)


def test_the_least_change_of_one_test_each_is_where_the_verdict_turns():
    found = detectable_change(40.0, FIVE_PERCENT)
    for step, verdict in ((0.999, "within_error"), (1.001, "improved")):
        change = change_between(
            QUANTITIES["vo2_peak_ml_kg_min"],
            TrendPoint("a", "a", "2024-01-01", 0.0, 40.0),
            TrendPoint("b", "b", "2024-06-01", 1.0, 40.0 + step * found.rise),
            typical_error=FIVE_PERCENT,
        )
        assert change.verdict == verdict


def test_an_own_error_of_few_pairs_needs_a_larger_change():
    own = TypicalErrorUsed(2.0, "linear", "unit", 14.0, "own")
    assert detectable_change(40.0, own).rise > detectable_change(40.0, TWO).rise
    assert chance_of_seeing(40.0, 5.0, own) < chance_of_seeing(40.0, 5.0, TWO)


def test_a_change_as_large_as_the_least_detectable_is_seen_every_second_time():
    assert chance_of_seeing(40.0, detectable_change(40.0, TWO).rise, TWO) == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("change", "tests"),
    # Arithmetic: n = 2 (1.95996 + 0.84162)^2 (2/change)^2 = 62.79/change^2, the next whole number.
    [(8.0, 1), (7.0, 2), (5.0, 3), (4.0, 4), (2.0, 16), (-4.0, 4), (1.0, None)],
)
def test_how_many_tests_a_change_needs(change, tests):
    found = needed_tests(40.0, change, TWO)
    assert found.tests_each_time == tests
    if tests is None:
        assert found.chance is None
        assert chance_of_seeing(40.0, change, TWO, before=MOST_TESTS, after=MOST_TESTS) < 0.8
    else:
        assert found.chance >= 0.8
        assert tests == 1 or chance_of_seeing(40.0, change, TWO, before=tests - 1, after=tests - 1) < 0.8


def test_what_the_log_of_cannot_be_had_is_nothing():
    assert detectable_change(0.0, FIVE_PERCENT) is None
    assert chance_of_seeing(10.0, -10.0, FIVE_PERCENT) is None
    assert needed_tests(10.0, -11.0, FIVE_PERCENT) is None
    assert detectable_change(-3.0, TWO).rise_percent is None


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: detectable_change(40.0, TWO, before=0),
        lambda: chance_of_seeing(40.0, 0.0, TWO),
        lambda: needed_tests(40.0, 1.0, TWO, chance=1.0),
    ],
)
def test_what_makes_no_sense_is_refused(wrong):
    with pytest.raises(ValueError, match=r"at least one|cannot be seen|lies from"):
        wrong()


@settings(max_examples=40)
@given(
    st.floats(1.0, 100.0),
    st.floats(0.5, 20.0),
    st.integers(1, 6),
    st.integers(1, 6),
    st.sampled_from([None, 14.0]),
)
def test_a_rise_and_a_fall_are_symmetrical_on_their_scale(value, error, before, after, df):
    used = TypicalErrorUsed(error, "log", "%", df, "x")
    found = detectable_change(value, used, before=before, after=after)
    assert math.log((value + found.rise) / value) == pytest.approx(-math.log((value + found.fall) / value))
    one = detectable_change(value, used)
    assert found.rise <= one.rise * (1 + 1e-12)
