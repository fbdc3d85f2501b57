"""Change and trend against published values, printed formulas and general statistics libraries."""

import itertools
import math

import numpy as np
import pytest
import scipy.integrate
import scipy.stats
import statsmodels.api as sm

from service.analysis.change import (
    SmallestWorthwhileChange,
    TrendPoint,
    TypicalErrorUsed,
    chances_of_true_change,
    change_between,
    interval_of_change,
    minimal_detectable_change_95,
    smallest_worthwhile_change_from_quartiles,
)
from service.analysis.planning import chance_of_seeing, detectable_change, needed_tests
from service.analysis.regression_to_mean import Spread, regression_to_mean
from service.analysis.trends import slope_per_year, theil_sen_per_year
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


THEIL_SEN = {
    # Arithmetic, slope -1.75.
    "printed": ([0.0, 1.0, 2.0, 3.0, 4.0], [50.0, 49.0, 47.0, 48.0, 30.0]),
    "line": ([0.0, 1.0, 2.0, 3.0, 4.0, 5.0], [50.0 - 0.6 * year for year in range(6)]),
    "irregular": ([0.0, 0.4, 1.1, 1.9, 3.2, 4.0], [40.0, 47.0, 39.0, 48.0, 41.0, 50.0]),
    "equal_times": (
        [0.0, 0.0, 1.0, 1.0, 2.0, 3.0, 4.0, 5.0],
        [40.0, 41.0, 40.5, 42.0, 43.0, 42.5, 44.0, 44.0],
    ),
    "equal_values": ([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0], [40.0, 41.0, 41.0, 42.0, 41.0, 42.0, 43.0]),
}


@pytest.mark.parametrize("case", THEIL_SEN)
def test_the_theil_sen_slope_and_its_interval_are_those_of_scipy(case):
    # scipy.stats.theilslopes as the oracle (Sen 1968, equation 2.6).
    years, values = THEIL_SEN[case]
    oracle = scipy.stats.theilslopes(values, years, 0.95)
    found = theil_sen_per_year(years, values)
    assert found.per_year == pytest.approx(oracle.slope, abs=1e-12)
    assert (found.ci_low, found.ci_high) == pytest.approx((oracle.low_slope, oracle.high_slope), abs=1e-12)


def test_many_theil_sen_slopes_are_those_of_scipy():
    # The same with many drawn series (our own, seeded).
    rng = np.random.default_rng(1968)
    for n in rng.integers(5, 15, 60):
        years, values = np.sort(rng.uniform(0, 10, n)), rng.normal(40, 3, n)
        oracle = scipy.stats.theilslopes(values, years, 0.95)
        found = theil_sen_per_year(years.tolist(), values.tolist())
        assert (found.per_year, found.ci_low, found.ci_high) == pytest.approx(
            (oracle.slope, oracle.low_slope, oracle.high_slope), abs=1e-12
        )


def test_least_squares_and_the_robust_slope_part_where_one_test_is_far_off():
    years, values = THEIL_SEN["printed"]
    assert theil_sen_per_year(years, values).per_year == pytest.approx(-1.75)
    assert slope_per_year(years, values, typical_error=None).per_year < -1.75
    line = THEIL_SEN["line"]
    assert slope_per_year(*line, typical_error=None).per_year == pytest.approx(
        theil_sen_per_year(*line).per_year
    )


def test_the_whole_range_of_slopes_of_four_points_covers_too_seldom_to_be_95_percent():
    # Counted over all orders of four points: the true slope lies outside the range where all pairs rise or all fall, in
    # 2 of 24 orders; of five points in 2 of 120. So an interval is given from five points on.
    for n, share in ((4, 22 / 24), (5, 118 / 120)):
        orders = list(itertools.permutations(range(n)))
        covered = sum(
            0 < sum(a < b for a, b in itertools.combinations(order, 2)) < n * (n - 1) // 2 for order in orders
        )
        assert covered / len(orders) == pytest.approx(share)


@pytest.mark.proof
@pytest.mark.parametrize("n", [5, 6, 8, 12])
def test_slope_intervals_cover_the_true_slope(n):
    # Simulation (our own, seeded): a known slope, normal error; 95 % claimed, at least 93 % wanted of Theil-Sen, whose ranks
    # are whole numbers and whose variance is that of large n; least squares with the known error must be exact.
    rng = np.random.default_rng(n)
    draws, years = 4000, np.sort(rng.uniform(0, 6, n))
    robust = exact = 0
    for _ in range(draws):
        values = 40 - 0.4 * years + rng.normal(0, 2.0, n)
        found = theil_sen_per_year(years.tolist(), values.tolist())
        robust += found.ci_low <= -0.4 <= found.ci_high
        spread = float(np.sum((years - years.mean()) ** 2))
        half = 1.959964 * 2.0 / math.sqrt(spread)
        exact += abs(np.polyfit(years, values, 1)[0] + 0.4) <= half
        given = slope_per_year(years.tolist(), values.tolist(), typical_error=linear(2.0))
        if given.error_from == "typical_error":
            assert given.ci_high - given.ci_low == pytest.approx(2 * half, rel=1e-6)
    assert robust / draws > 0.93
    assert exact / draws == pytest.approx(0.95, abs=4 * math.sqrt(0.05 * 0.95 / draws))


@pytest.mark.proof
@pytest.mark.parametrize("pairs", [15, 40])
def test_intervals_from_an_own_error_cover_19_times_in_20(pairs):
    # Simulation (our own, seeded): the typical error itself is estimated from so many pairs; t must make good for that.
    rng = np.random.default_rng(pairs)
    draws = 6000
    differences = rng.normal(0, math.sqrt(2) * 2.0, (draws, pairs))
    errors = np.std(differences, axis=1, ddof=1) / math.sqrt(2)
    tests = 40 + rng.normal(0, 2.0, (draws, 2))
    covered = normal = 0
    for error, (first, second) in zip(errors.tolist(), tests.tolist(), strict=True):
        low, high = interval_of_change(first, second, linear(error, pairs - 1.0))
        covered += low <= 0 <= high
        low, high = interval_of_change(first, second, linear(error))
        normal += low <= 0 <= high
    tolerance = 4 * math.sqrt(0.05 * 0.95 / draws)
    assert covered / draws == pytest.approx(0.95, abs=tolerance)
    assert normal < covered


def test_the_example_of_the_guide():
    # Worked by hand from the formulas named there; quartiles of men of 40 to 49 as in the 2015 treadmill table (values from
    # memory, two recalls that agree). Rounded as printed.
    error = TypicalErrorUsed(5.0, "log", "%", None, "x")
    worthwhile = smallest_worthwhile_change_from_quartiles(PER_MASS, 31.9, 45.0, source="x")
    assert worthwhile.value == pytest.approx(1.942, abs=5e-4)
    first, later = (
        TrendPoint(name, name, "2024-01-01", at, uptake / mass, value_absolute=uptake, body_mass_kg=mass)
        for name, at, uptake, mass in (("a", 0.0, 3200.0, 80.0), ("b", 1.0, 3500.0, 77.0))
    )
    found = change_between(PER_MASS, first, later, typical_error=error, smallest_worthwhile_change=worthwhile)
    assert (found.absolute, found.percent) == (
        pytest.approx(5.455, abs=5e-4),
        pytest.approx(13.636, abs=5e-4),
    )
    assert (found.percent_ci_low, found.percent_ci_high) == pytest.approx((-0.738, 30.092), abs=5e-4)
    assert (found.ci_low, found.ci_high) == pytest.approx((-0.295, 12.037), abs=5e-4)
    assert (found.chance_improved, found.chance_declined) == pytest.approx((0.8781, 0.0050), abs=5e-5)
    assert found.verdict == "within_error"
    assert (found.parts.uptake_percent, found.parts.body_mass_percent) == pytest.approx((9.375, -3.75))
    assert found.parts.moved == "uptake"
    assert needed_tests(first.value, found.absolute, error, chance=0.8).tests_each_time == 3


# --- planning ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("df", [None, 14.0, 39.0])
@pytest.mark.parametrize(("before", "after", "change"), [(1, 1, 6.0), (2, 2, 3.0), (1, 3, -4.0)])
def test_the_chance_of_seeing_a_change_is_that_of_scipy(df, before, after, change):
    # scipy.stats: the normal and the non-central t distribution.
    error = 2.0 * math.sqrt(1 / before + 1 / after)
    if df is None:
        oracle = scipy.stats.norm.sf(scipy.stats.norm.ppf(0.975) - abs(change) / error)
    else:
        oracle = scipy.stats.nct.sf(scipy.stats.t.ppf(0.975, df), df, abs(change) / error)
    found = chance_of_seeing(40.0, change, linear(2.0, df), before=before, after=after)
    assert found == pytest.approx(oracle, abs=1e-8)


def test_the_number_of_tests_is_that_of_the_common_formula():
    # Common form for two means and a known SD, value from memory: n = 2 (z_0.975 + z_0.8)^2 (SD/change)^2.
    z = scipy.stats.norm.ppf(0.975) + scipy.stats.norm.ppf(0.8)
    for change in (2.0, 2.5, 3.0, 4.0, 5.0):
        assert needed_tests(40.0, change, linear(2.0), chance=0.8).tests_each_time == math.ceil(
            2 * (z * 2 / change) ** 2
        )


def test_the_least_detectable_change_of_one_test_each_is_the_published_limit():
    # DeCato 2018 as above: 0.540 L/min from a typical error of 0.195 L/min.
    assert detectable_change(3000.0, linear(195.0)).rise == pytest.approx(540.0, abs=1.0)


def test_the_chance_of_seeing_a_change_by_drawing_tests():
    # Simulation (our own, seeded) of two tests before and two after.
    rng = np.random.default_rng(80)
    n, error = 20_000, linear(2.0)
    means = np.array([40.0, 43.0]) + rng.normal(0, 2.0, (n, 2, 2)).mean(axis=2)
    seen = np.mean(means[:, 1] - means[:, 0] > detectable_change(40.0, error, before=2, after=2).rise)
    assert chance_of_seeing(40.0, 3.0, error, before=2, after=2) == pytest.approx(seen, abs=0.015)


# --- regression to the mean ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rho", [0.5, 0.8, 0.95])
def test_over_all_people_beyond_a_cut_off_the_shift_is_the_published_effect(rho):
    # Barnett, van der Pols & Dobson 2005, equation 1, with the example of their published code: population mean 60, total SD
    # 15, cut-off 40, people below it: effect = within variance / total SD x phi(z) / (1 - Phi(z)), z = (60 - 40) / 15.
    total, mean, cut = 15.0, 60.0, 40.0
    within = math.sqrt(1 - rho) * total
    z = (mean - cut) / total
    published = within**2 / total * scipy.stats.norm.pdf(z) / scipy.stats.norm.sf(z)

    def weighted(value):
        found = regression_to_mean(value, Spread(mean, total, "x"), linear(within))
        return found.expected_shift * scipy.stats.norm.pdf(value, mean, total)

    mine = scipy.integrate.quad(weighted, mean - 12 * total, cut)[0] / scipy.stats.norm.cdf(cut, mean, total)
    assert mine == pytest.approx(published, rel=1e-6)


def test_the_expected_shift_by_drawing_people():
    # Simulation (our own, seeded): unchanged people whose first test lay about 2 SD above the mean.
    rng = np.random.default_rng(2005)
    true = rng.normal(40, 7.0, 400_000)
    first, second = true + rng.normal(0, 3.0, true.size), true + rng.normal(0, 3.0, true.size)
    total = math.hypot(7.0, 3.0)
    near = np.abs(first - (40 + 2 * total)) < 0.2
    found = regression_to_mean(40 + 2 * total, Spread(40.0, total, "x"), linear(3.0))
    assert float(np.mean(second[near] - first[near])) == pytest.approx(found.expected_shift, abs=0.15)
