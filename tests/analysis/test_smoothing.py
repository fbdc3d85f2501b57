"""Aberrant breaths and the named ways of smoothing."""

import numpy as np
import pytest

from service.analysis.marks import Marks
from service.analysis.smoothing import (
    MOST_SD,
    Smoothing,
    aberrant_breaths,
    smooth_by_breaths,
    smooth_by_time,
    smooth_trimmed,
    to_seconds,
    trend,
    trends,
)

MARKS = Marks(100.0, 500.0, "given")


@pytest.fixture
def breaths(make_series):
    """A calm breath-by-breath series of 600 s."""

    def build(change=None, seed=3):
        random = np.random.default_rng(seed)
        ends = np.cumsum(random.uniform(1.8, 3.2, 240))
        middle = np.clip((ends - 100.0) / 400.0, 0.0, 1.0)
        vo2 = 500.0 + 2500.0 * middle + random.normal(0.0, 100.0, ends.size)
        channels = {"vo2_ml_min": vo2, "vco2_ml_min": 0.9 * vo2, "ve_l_min": 0.025 * vo2}
        if change is not None:
            change(channels)
        return make_series(ends, channels)

    return build


def test_a_cough_is_marked_with_its_reason_and_stays_in_the_series(breaths):
    def cough(channels):
        channels["vo2_ml_min"][120] = 60.0

    series = breaths(cough)
    found = aberrant_breaths(series, MARKS)
    assert list(np.flatnonzero(found.mask)) == [120]
    assert "VO2 60 is" in found.reasons[120]
    assert "60 s around" in found.reasons[120]
    assert found.rule == "local_4_sd"
    assert "memory" in found.source
    assert series.channel("vo2_ml_min")[120] == 60.0


def test_two_neighbours_do_not_hide_each_other(breaths):
    def coughs(channels):
        channels["vo2_ml_min"][[120, 122]] = 8000.0, 4500.0

    assert set(np.flatnonzero(aberrant_breaths(breaths(coughs), MARKS).mask)) >= {120, 122}


def test_mean_and_sd_are_of_the_other_breaths(breaths):
    series = breaths()
    at = 120
    middle = series.end_s - 0.5 * series.duration_s
    near = (np.abs(middle - middle[at]) <= 30.0) & (np.arange(240) != at)
    others = series.channel("vo2_ml_min")[near]
    for distance, marked in ((1.02, True), (0.98, False)):

        def move(channels, distance=distance):
            value = others.mean() + distance * MOST_SD * others.std(ddof=1)
            channels["vo2_ml_min"][at] = value

        assert aberrant_breaths(breaths(move), MARKS).mask[at] == marked


def test_the_end_of_exercise_is_no_fault(make_series):
    random = np.random.default_rng(1)
    ends = np.cumsum(random.uniform(1.8, 3.2, 240))
    vo2 = np.where(ends < 300.0, 3000.0, 900.0) + random.normal(0.0, 60.0, 240)
    series = make_series(ends, {"vo2_ml_min": vo2})
    assert not aberrant_breaths(series, Marks(0.0, 300.0, "given")).mask.any()


def test_calm_breathing_loses_few_breaths(breaths):
    share = np.mean([aberrant_breaths(breaths(seed=seed), MARKS).mask.mean() for seed in range(20)])
    assert share < 0.002


def test_means_of_several_breaths_are_not_judged(make_series):
    vo2 = np.full(40, 2000.0)
    vo2[20] = 100.0
    found = aberrant_breaths(make_series(np.arange(15.0, 601.0, 15.0), {"vo2_ml_min": vo2}), MARKS)
    assert not found.mask.any()
    assert found.rule == "none"


def test_rows_that_do_not_count_are_neither_judged_nor_used(breaths):
    def holes(channels):
        channels["vo2_ml_min"][50:60] = np.nan
        channels["vo2_ml_min"][70:80] = 20_000.0  # beyond what is possible

    assert not aberrant_breaths(breaths(holes), MARKS).mask.any()


def test_an_empty_series_has_no_aberrant_breaths(no_intervals):
    assert aberrant_breaths(no_intervals, MARKS).mask.shape == (0,)


# -- smoothing --------------------------------------------------------------------------------------------


def test_a_mean_over_time_weights_rows_by_their_length_inside(make_series):
    series = make_series([10.0, 20.0, 40.0, 50.0], {"vo2_ml_min": [1.0, 2.0, 4.0, 8.0]})
    values = smooth_by_time(series, series.channel("vo2_ml_min"), np.ones(4, bool), 30.0)
    # Row 2 lies from 20 to 40 s; 15 to 45 s holds 5 s of row 1, 20 s of row 2 and 5 s of row 3.
    assert values[2] == pytest.approx((5 * 2.0 + 20 * 4.0 + 5 * 8.0) / 30.0)


def test_breaths_are_counted_evenly_on_both_sides():
    values = np.array([1.0, 2.0, 4.0, 8.0, 16.0])
    counts = np.array([True, True, False, True, True])
    found = smooth_by_breaths(values, counts, 3)
    assert found[[0, 1, 3, 4]] == pytest.approx([1.0, 11.0 / 3, 26.0 / 3, 16.0])
    assert np.isnan(found[2])


def test_trimming_leaves_out_the_highest_and_the_lowest():
    values = np.array([1.0, 100.0, 2.0, 3.0, -50.0, 4.0, 5.0])
    found = smooth_trimmed(values, np.ones(7, bool), 7)
    assert found[3] == pytest.approx(3.0)
    assert np.isnan(found[[0, 1, 2, 4, 5, 6]]).all()


@pytest.mark.parametrize("breaths", [0, 2, 8])
def test_an_even_number_of_breaths_has_no_middle(breaths):
    with pytest.raises(ValueError, match="odd"):
        smooth_by_breaths(np.ones(9), np.ones(9, bool), breaths)


def test_seconds_are_filled_between_breaths_but_not_across_gaps(make_series):
    series = make_series([2.0, 4.0, 6.0, 50.0, 52.0], {}, duration_s=2.0)
    seconds, values = to_seconds(series, np.array([1.0, 3.0, 5.0, 7.0, 9.0]), np.ones(5, bool), 0.0, 53.0)
    at = dict(zip(seconds, values, strict=True))
    assert (at[1.0], at[2.0], at[4.0]) == (1.0, 2.0, 4.0)
    assert np.isnan([at[0.0], at[20.0], at[48.0], at[53.0]]).all()
    assert at[50.0] == 8.0


def test_long_rows_are_bridged_by_their_own_length(make_series):
    series = make_series([60.0, 120.0], {})
    _, values = to_seconds(series, np.array([1.0, 2.0]), np.ones(2, bool), 30.0, 90.0)
    assert np.isfinite(values).all()


def test_a_trend_finds_a_curve_through_noise():
    time = np.linspace(0.0, 600.0, 300)
    true = 800.0 + 4.0 * time - 0.001 * time**2
    found = trend(time, true + np.random.default_rng(2).normal(0.0, 150.0, 300))
    assert np.abs(found - true).max() < 80.0
    assert trend(time, true) == pytest.approx(true, abs=1e-6)


@pytest.mark.parametrize("n", [0, 1, 5])
def test_too_few_values_are_their_own_trend(n):
    assert trend(np.arange(float(n)), np.arange(float(n)) ** 2) == pytest.approx(np.arange(float(n)) ** 2)


@pytest.mark.parametrize("n", [3, 40, 300])
def test_trends_found_together_are_those_found_alone(n):
    time, random = np.arange(float(n)), np.random.default_rng(4)
    several = [np.sqrt(time) + random.normal(0.0, 1.0, n) for _ in range(3)]
    together = trends(time, several)
    assert [one.tolist() for one in together] == [trend(time, values).tolist() for values in several]


@pytest.mark.parametrize("name", ["none", "time", "breaths", "trimmed_breaths", "trend"])
def test_every_smoothing_says_what_it_is_and_keeps_a_straight_line(breaths, name):
    series = breaths()
    how = Smoothing(name, 7)
    line = 3.0 + 2.0 * (series.end_s - 0.5 * series.duration_s)
    found = how.of(series, line, np.ones(240, bool))
    assert found[100:140] == pytest.approx(line[100:140], abs=1.5)
    assert how.text
    with pytest.raises(ValueError, match="to_seconds"):
        Smoothing("seconds").of(series, line, np.ones(240, bool))
