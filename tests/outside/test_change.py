"""Change and trend against published values, printed formulas and general statistics libraries."""

import math

import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm

from service.analysis.change import (
    SmallestWorthwhileChange,
    TrendPoint,
    TypicalErrorUsed,
    chances_of_true_change,
    change_between,
    minimal_detectable_change_95,
    smallest_worthwhile_change_from_quartiles,
)
from service.analysis.trends import slope_per_year
from service.quantities import QUANTITIES

PER_MASS = QUANTITIES["vo2_peak_ml_kg_min"]
ABSOLUTE = QUANTITIES["vo2_peak_ml_min"]


def linear(value, df=None):
    return TypicalErrorUsed(value, "linear", "unit", df, "the source of the check")


def point(value, day=0.0):
    return TrendPoint(f"t{day}", f"v{day}", "2024-01-01", day * 86400.0, value)


def test_chances_in_hopkins_form():
    # Arithmetic of Hopkins' published formula: change +3, typical error 2, smallest worthwhile change 1 give
    # 0.760 better, 0.161 trivial, 0.079 worse. Printed to three digits.
    rise, fall = chances_of_true_change(
        40.0, 43.0, linear(2.0), SmallestWorthwhileChange(1.0, "linear", "unit", "x")
    )
    assert (rise, 1 - rise - fall, fall) == pytest.approx((0.760, 0.161, 0.079), abs=5e-4)


@pytest.mark.parametrize("df", [None, 7.0, 19.0])
def test_chances_agree_with_scipy(df):
    # scipy.stats as the oracle of the two distribution functions.
    error = TypicalErrorUsed(4.0, "log", "%", df, "x")
    distribution = scipy.stats.norm() if df is None else scipy.stats.t(df)
    sd = math.sqrt(2) * math.log(1.04)
    up, down = math.log(42 / 40), math.log(38 / 40)
    rise, fall = chances_of_true_change(
        40.0, 41.5, error, SmallestWorthwhileChange(2.0, "linear", "unit", "x")
    )
    difference = math.log(41.5 / 40)
    assert rise == pytest.approx(distribution.sf((up - difference) / sd), abs=1e-12)
    assert fall == pytest.approx(distribution.cdf((down - difference) / sd), abs=1e-12)


def test_the_published_change_limit_of_peak_uptake_and_its_typical_error_belong_together():
    # DeCato 2018: a 95 % change limit of 0.540 L/min; the typical error behind it is 0.195 L/min (0.5405 as
    # rounded there).
    assert minimal_detectable_change_95(linear(195.0), 3000.0) == pytest.approx(540.0, abs=1.0)


def test_detectable_change_of_repeated_trials():
    # Arithmetic: two trials of eight people; typical error 0.8602, detectable change 2.3844 (z), 2.8767 (t, 7 df).
    first = np.array([48.2, 52.1, 39.5, 61.0, 44.3, 55.7, 36.9, 50.4])
    second = np.array([49.0, 51.0, 41.1, 60.2, 45.9, 57.0, 36.0, 51.9])
    error = float(np.std(second - first, ddof=1) / math.sqrt(2))
    assert error == pytest.approx(0.8602, abs=5e-5)
    assert minimal_detectable_change_95(linear(error), 50.0) == pytest.approx(2.3844, abs=1e-4)
    assert minimal_detectable_change_95(linear(error, 7.0), 50.0) == pytest.approx(2.8767, abs=1e-4)


def test_a_rise_beyond_277_typical_errors_is_detectable():
    # Common form, value from memory: MDC95 = 2.77 typical errors.
    assert minimal_detectable_change_95(linear(1.0), 40.0) == pytest.approx(2.77, abs=5e-3)


def test_the_interval_on_the_log_scale_is_that_of_scipy():
    # scipy.stats.norm.interval on the logarithms, taken back.
    found = change_between(
        PER_MASS, point(40.0), point(44.0, 90), typical_error=TypicalErrorUsed(5.0, "log", "%", None, "x")
    )
    low, high = scipy.stats.norm.interval(0.95, loc=math.log(44 / 40), scale=math.sqrt(2) * math.log(1.05))
    assert found.percent_ci_low == pytest.approx(100 * math.expm1(low), abs=1e-9)
    assert found.percent_ci_high == pytest.approx(100 * math.expm1(high), abs=1e-9)


def test_the_interval_covers_an_unchanged_person_19_times_in_20():
    # Simulation (our own, seeded): two results of one unchanged person, log-normal error of 5 %.
    rng = np.random.default_rng(20240301)
    n = 4000
    pairs = 3000.0 * np.exp(rng.normal(0, math.log(1.05), (n, 2)))
    error = TypicalErrorUsed(5.0, "log", "%", None, "x")
    called = sum(
        change_between(ABSOLUTE, point(a), point(b), typical_error=error).verdict != "within_error"
        for a, b in pairs
    )
    assert called / n == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / n))


def test_the_smallest_worthwhile_change_of_normal_quartiles():
    # scipy.stats.norm as the oracle: quartiles of a normal distribution with SD 8 give 0.2 x 8 (1.349 is rounded).
    p25, p75 = scipy.stats.norm(40, 8).ppf([0.25, 0.75])
    found = smallest_worthwhile_change_from_quartiles(PER_MASS, p25, p75, source="x")
    assert found.value == pytest.approx(1.6, rel=1e-3)


def test_the_slope_and_its_interval_are_those_of_ordinary_least_squares():
    # statsmodels OLS as the oracle, where the scatter is larger than the typical error.
    years = np.array([0.0, 0.4, 1.1, 1.9, 3.2, 4.0])
    values = np.array([40.0, 47.0, 39.0, 48.0, 41.0, 50.0])
    fit = sm.OLS(values, sm.add_constant(years)).fit()
    found = slope_per_year(years.tolist(), values.tolist(), typical_error=linear(0.5))
    assert found.error_from == "residual_sd"
    assert found.per_year == pytest.approx(fit.params[1], abs=1e-9)
    assert (found.ci_low, found.ci_high) == pytest.approx(tuple(fit.conf_int()[1]), abs=1e-9)


def test_the_slope_with_a_known_error_is_that_of_weighted_least_squares():
    # statsmodels WLS with the weights taken as known (normal interval).
    years, values = [0.0, 1.0, 2.5], [40.0, 41.0, 44.0]
    fit = sm.WLS(values, sm.add_constant(years), weights=np.full(3, 1 / 2.0**2)).fit(
        cov_type="fixed scale", use_t=False
    )
    found = slope_per_year(years, values, typical_error=linear(2.0))
    assert (found.ci_low, found.ci_high) == pytest.approx(tuple(fit.conf_int()[1]), abs=1e-9)


def test_least_squares_and_the_robust_slope_part_where_one_test_is_far_off():
    # scipy.stats.theilslopes as the oracle; its slope of -1.75 for this example is arithmetic. The service fits
    # least squares, and on clean points both agree.
    years = [0.0, 1.0, 2.0, 3.0, 4.0]
    assert scipy.stats.theilslopes([50, 49, 47, 48, 30], years).slope == pytest.approx(-1.75)
    assert slope_per_year(years, [50, 49, 47, 48, 30], typical_error=None).per_year < -1.75
    line = [50.0 - 0.6 * year for year in years]
    assert slope_per_year(years, line, typical_error=None).per_year == pytest.approx(
        scipy.stats.theilslopes(line, years).slope
    )
