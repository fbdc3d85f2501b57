"""Lines through the points of a test."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.lines import fit_line, is_constant, lags_for, points_between


def test_breaths_are_averaged_and_longer_rows_are_not(make_series):
    breaths = make_series(np.arange(1, 121) * 2.5, {"vo2_ml_min": np.arange(120.0) + 1000})
    points = points_between(breaths, ("vo2_ml_min",), 0.0, 300.0)
    assert (len(points), points.length_s, points.averaged) == (30, 10.0, True)
    # Four breaths of 2.5 s: 1000, 1001, 1002, 1003.
    assert points.values["vo2_ml_min"][0] == pytest.approx(1001.5)
    assert points.middle_s[0] == 5.0
    rows = make_series(np.arange(1, 21) * 15.0, {"vo2_ml_min": np.arange(20.0) + 1000})
    points = points_between(rows, ("vo2_ml_min",), 30.0, 299.0)
    assert (len(points), points.length_s, points.averaged) == (17, 15.0, False)
    assert points.middle_s[0] == 37.5


def test_a_row_counts_only_where_every_channel_does(make_series):
    series = make_series(
        np.arange(1, 6) * 15.0,
        {"vo2_ml_min": [1000, np.nan, 1100, 1200, 99999], "ve_l_min": [20, 21, 22, np.nan, 24]},
        excluded=[False] * 5,
    )
    points = points_between(series, ("vo2_ml_min", "ve_l_min"), 0.0, 75.0)
    assert points.values["vo2_ml_min"].tolist() == [1000.0, 1100.0]
    assert len(points_between(series, ("heart_rate_bpm",), 0.0, 75.0)) == 0


def test_neighbours_that_are_alike_widen_the_interval():
    random = np.random.default_rng(3)
    x = np.linspace(0, 10, 80)
    drift = np.zeros(80)
    for i in range(1, 80):
        drift[i] = 0.85 * drift[i - 1] + random.normal(0, 0.2)
    y = 2 + 3 * x + drift
    alone, together = fit_line(x, y), fit_line(x, y, 12)
    assert alone is not None
    assert together is not None
    assert alone.slope == together.slope
    assert together.standard_error > 1.5 * alone.standard_error
    assert together.autocorrelation == pytest.approx(0.85, abs=0.15)


def test_points_on_a_line_have_no_error_and_no_autocorrelation():
    x = np.linspace(0.6, 2.2, 20)
    line = fit_line(x, 26.0 * x + 4.4, 3)
    assert line is not None
    assert line.slope == pytest.approx(26.0, abs=1e-9)
    assert line.at(1.0) == pytest.approx(30.4, abs=1e-9)
    assert line.ci_high - line.ci_low < 1e-9
    assert line.autocorrelation is None


@pytest.mark.parametrize("x", [[], [1.0], [1.0, 2.0], [5.0, 5.0, 5.0]])
def test_no_line_without_points_that_differ(x):
    assert fit_line(np.array(x), np.array(x)) is None


@given(st.lists(st.floats(-1e6, 1e6), min_size=3, max_size=30), st.integers(0, 7))
@settings(max_examples=60, deadline=None)
def test_any_finite_values_give_a_finite_line_or_none(values, lags):
    y = np.array(values)
    line = fit_line(np.arange(y.size, dtype=float), y, min(lags, y.size // 4))
    assert line is not None
    assert np.isfinite([line.slope, line.intercept, line.standard_error, line.r_squared]).all()
    assert line.ci_low <= line.slope <= line.ci_high


def test_what_counts_as_constant_and_how_far_errors_reach():
    assert is_constant(np.array([5.0, 5.0 + 1e-12]))
    assert not is_constant(np.array([5.0, 5.1]))
    assert is_constant(np.empty(0))
    assert [lags_for(n, s) for n, s in ((40, 10.0), (40, 15.0), (6, 10.0), (6, 0.0))] == [3, 2, 1, 0]
