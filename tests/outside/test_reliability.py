"""Reliability and control charts against printed tables, published worked examples and general libraries."""

import math

import numpy as np
import pytest
import scipy.stats
import statsmodels.formula.api as smf
from statsmodels.stats.anova import anova_lm

from service.analysis.control import ControlPoint, control_chart
from service.analysis.reliability import RepeatPair, intraclass, mean_squares, reliability_of

# Shrout and Fleiss 1979, table 2 (value from memory): six targets by four judges.
SHROUT_FLEISS = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]

# Bland and Altman 1986, table 1 (value from memory): peak flow of 17 people in L/min, each meter twice.
PEAK_FLOW = {
    "first_meter": (
        (494, 490), (395, 397), (516, 512), (434, 401), (476, 470), (557, 611), (413, 415), (442, 431), (650, 638),
        (433, 429), (417, 420), (656, 633), (267, 275), (478, 492), (178, 165), (423, 372), (427, 421),
    ),
    "second_meter": (
        (512, 525), (430, 415), (520, 508), (428, 444), (500, 500), (600, 625), (364, 460), (380, 390), (658, 642),
        (445, 432), (432, 420), (626, 605), (260, 227), (477, 467), (259, 268), (350, 370), (451, 443),
    ),
}  # fmt: skip

# Two trials of eight people, worked by hand from the formulas (arithmetic, invented values).
TRIALS = (
    (48.2, 52.1, 39.5, 61.0, 44.3, 55.7, 36.9, 50.4),
    (49.0, 51.0, 41.1, 60.2, 45.9, 57.0, 36.0, 51.9),
)


def pairs_of(first, second):
    return [RepeatPair(a, b) for a, b in zip(first, second, strict=True)]


def long_table(table):
    import pandas as pd

    x = np.asarray(table, dtype=float)
    n, k = x.shape
    return pd.DataFrame(
        {
            "person": np.repeat([f"p{i}" for i in range(n)], k),
            "trial": np.tile([f"t{i}" for i in range(k)], n),
            "value": x.ravel(),
        }
    )


def random_table(seed, n, k):
    rng = np.random.default_rng(seed)
    return rng.normal(45, 8, (n, 1)) + rng.normal(0, 1.5, (1, k)) + rng.normal(0, 2.0, (n, k))


def test_the_printed_correlations_of_shrout_and_fleiss():
    # Printed to two digits (value from memory): ICC(2,1) 0.29, ICC(3,1) 0.71.
    assert intraclass(SHROUT_FLEISS, "2,1").value == pytest.approx(0.29, abs=0.005)
    assert intraclass(SHROUT_FLEISS, "3,1").value == pytest.approx(0.71, abs=0.005)
    # The analysis of variance printed there (value from memory): 11.24 between, 32.49 judges, 1.02 residual, 6.26 within.
    squares = mean_squares(SHROUT_FLEISS)
    assert (squares.between, squares.trials, squares.error, squares.within) == pytest.approx(
        (11.24, 32.49, 1.02, 6.26), abs=0.006
    )


@pytest.mark.parametrize("table", [SHROUT_FLEISS, random_table(1, 12, 2), random_table(2, 9, 3)])
def test_mean_squares_agree_with_statsmodels(table):
    # statsmodels' analysis of variance as the oracle.
    fitted = anova_lm(smf.ols("value ~ C(person) + C(trial)", long_table(table)).fit())
    squares = mean_squares(table)
    expected = (
        fitted["mean_sq"]["C(person)"],
        fitted["mean_sq"]["C(trial)"],
        fitted["mean_sq"]["Residual"],
    )
    assert (squares.between, squares.trials, squares.error) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("table", "form", "value", "low", "high"),
    [
        (SHROUT_FLEISS, "2,1", 0.2897638, 0.02, 0.76),
        (SHROUT_FLEISS, "3,1", 0.7148407, 0.34, 0.95),
        (random_table(3, 15, 2), "2,1", 0.9591305, 0.88, 0.99),
        (random_table(3, 15, 2), "3,1", 0.9616895, 0.89, 0.99),
        (random_table(4, 40, 2), "2,1", 0.9529009, 0.91, 0.97),
        (random_table(4, 40, 2), "3,1", 0.9544461, 0.92, 0.98),
        (random_table(5, 8, 3), "2,1", 0.9329629, 0.80, 0.98),
        (random_table(5, 8, 3), "3,1", 0.9393431, 0.81, 0.99),
    ],
)
def test_correlations_and_their_intervals_agree_with_pingouin(table, form, value, low, high):
    # What pingouin 0.7.0 printed for these tables; it rounds its intervals to two digits.
    mine = intraclass(table, form)
    assert mine.value == pytest.approx(value, abs=1e-6)
    assert (mine.ci_low, mine.ci_high) == pytest.approx((low, high), abs=0.0051)


def test_the_interval_of_consistency_is_the_exact_one():
    # scipy.stats.f as the oracle of the quantiles, and the identity ICC(3,1) = (F - 1) / (F + k - 1) at both ends.
    table = random_table(6, 20, 2)
    squares = mean_squares(table)
    observed = squares.between / squares.error
    low, high = observed / scipy.stats.f.ppf(0.975, 19, 19), observed * scipy.stats.f.ppf(0.975, 19, 19)
    mine = intraclass(table, "3,1")
    assert (mine.ci_low, mine.ci_high) == pytest.approx(
        ((low - 1) / (low + 1), (high - 1) / (high + 1)), rel=1e-9
    )


def test_agreement_of_two_peak_flow_meters():
    # Printed there (value from memory): mean difference -2.1 with the interval -22.0 to 17.8, SD 38.8, limits -79.7 and
    # 75.5 (2 SD), their intervals -114.3 to -45.1 and 40.9 to 110.1. Limits here are 1.96 SD, so the tolerance of a
    # limit is 0.04 SD, 1.6 L/min.
    first = [a for a, _ in PEAK_FLOW["second_meter"]]
    second = [a for a, _ in PEAK_FLOW["first_meter"]]
    found = reliability_of(pairs_of(first, second))
    mean = found.mean_difference
    assert (mean.value, mean.ci_low, mean.ci_high) == pytest.approx((-2.1, -22.0, 17.8), abs=0.06)
    assert found.typical_error.value * math.sqrt(2) == pytest.approx(38.8, abs=0.05)
    assert (found.agreement_low.value, found.agreement_high.value) == pytest.approx((-79.7, 75.5), abs=1.7)
    assert (found.agreement_low.ci_low, found.agreement_low.ci_high) == pytest.approx(
        (-114.3, -45.1), abs=1.8
    )
    assert (found.agreement_high.ci_low, found.agreement_high.ci_high) == pytest.approx(
        (40.9, 110.1), abs=1.8
    )


@pytest.mark.parametrize(("meter", "printed"), [("first_meter", 21.6), ("second_meter", 28.2)])
def test_repeatability_of_each_peak_flow_meter(meter, printed):
    # SD of the differences of two readings, taken about zero there (value from memory): 21.6 and 28.2 L/min.
    first, second = zip(*PEAK_FLOW[meter], strict=True)
    found = reliability_of(pairs_of(first, second))
    n = found.n_pairs
    about_zero = ((n - 1) * 2 * found.typical_error.value**2 + n * found.mean_difference.value**2) / n
    assert math.sqrt(about_zero) == pytest.approx(printed, abs=0.06)


def test_the_worked_trials():
    # Arithmetic of the printed formulas on invented values, worked independently.
    found = reliability_of(pairs_of(*TRIALS))
    assert found.mean_difference.value == pytest.approx(0.500, abs=5e-4)
    assert found.typical_error.value == pytest.approx(0.8602, abs=5e-5)
    assert found.minimal_detectable_change_95.value == pytest.approx(2.3844, abs=5e-5)
    assert found.minimal_detectable_change_95_t.value == pytest.approx(2.8767, abs=5e-5)
    assert found.cv_percent.value == pytest.approx(1.877, abs=5e-4)
    assert found.icc_3_1.value == pytest.approx(0.98850, abs=5e-6)
    assert found.df == 7


@pytest.mark.parametrize("seed", range(4))
def test_intervals_agree_with_scipy(seed):
    # scipy.stats as the oracle: t interval of a mean, chi-square interval of a variance, Spearman's correlation.
    table = random_table(seed, 24, 2)
    first, second = table.T
    difference = second - first
    found = reliability_of(pairs_of(first, second))
    expected = scipy.stats.ttest_rel(second, first).confidence_interval(0.95)
    assert (found.mean_difference.ci_low, found.mean_difference.ci_high) == pytest.approx(
        tuple(expected), rel=1e-9
    )
    chi = scipy.stats.chi2(23)
    variance = difference.var(ddof=1) / 2
    assert (found.typical_error.ci_low**2, found.typical_error.ci_high**2) == pytest.approx(
        (variance * 23 / chi.ppf(0.975), variance * 23 / chi.ppf(0.025)), rel=1e-9
    )
    rho = scipy.stats.spearmanr(np.abs(difference - difference.mean()), table.mean(axis=1)).statistic
    assert found.growth_with_mean.value == pytest.approx(rho, abs=1e-12)


def test_the_individuals_chart_of_the_handbook():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (the ten values from memory; the printed results read):
    # mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159; the process is in control.
    import datetime as dt

    values = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
    chart = control_chart(
        [ControlPoint(str(i), dt.date(2026, 1, 1 + i), value) for i, value in enumerate(values)],
        biological=False,
    )
    assert chart.mean == pytest.approx(50.81, abs=1e-9)
    assert chart.moving_range_mean == pytest.approx(1.8778, abs=5e-5)
    assert (chart.upper_limit, chart.lower_limit) == pytest.approx((55.8041, 45.8159), abs=6e-5)
    assert chart.in_control
    assert not any(point.signals for point in chart.points)
