"""What a group shows against general statistics libraries and published figures."""

import math

import numpy as np
import pandas as pd
import pytest
import scipy.stats
import statsmodels.formula.api as smf
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from service.analysis.cohorts import (
    baseline_adjusted_difference,
    individual_response_sd,
    mean_and_interval,
    welch_difference,
)


def two_arms(seed, n=14, m=9):
    """Invented baselines and follow-ups; the libraries are the oracle, not these numbers."""
    rng = np.random.default_rng(seed)
    before, reference_before = rng.normal(42, 6, n), rng.normal(44, 8, m)
    after = 5 + 0.9 * before + rng.normal(3, 2.5, n)
    return before, after, reference_before, 3 + 0.95 * reference_before + rng.normal(0, 1.5, m)


@pytest.mark.parametrize("seed", range(3))
def test_the_mean_change_agrees_with_scipy(seed):
    before, after, *_ = two_arms(seed)
    found = mean_and_interval(after - before)
    oracle = scipy.stats.ttest_rel(after, before).confidence_interval(0.95)
    assert (found.ci_low, found.ci_high) == pytest.approx((oracle.low, oracle.high), rel=1e-10)


@pytest.mark.parametrize("seed", range(3))
def test_the_difference_agrees_with_statsmodels_and_scipy(seed):
    before, after, reference_before, reference_after = two_arms(seed)
    changes, others = after - before, reference_after - reference_before
    found = welch_difference(changes, others)
    compared = CompareMeans(DescrStatsW(changes), DescrStatsW(others))
    low, high = compared.tconfint_diff(usevar="unequal")
    assert (found.ci_low, found.ci_high) == pytest.approx((low, high), rel=1e-10)
    assert found.df == pytest.approx(scipy.stats.ttest_ind(changes, others, equal_var=False).df)


@pytest.mark.parametrize("outcome", ["after", "change"])
@pytest.mark.parametrize("seed", range(3))
def test_the_adjusted_difference_agrees_with_statsmodels(seed, outcome):
    before, after, reference_before, reference_after = two_arms(seed)
    table = pd.DataFrame(
        {
            "before": np.concatenate([before, reference_before]),
            "after": np.concatenate([after, reference_after]),
            "arm": [1] * len(before) + [0] * len(reference_before),
        }
    ).assign(change=lambda rows: rows["after"] - rows["before"])
    fitted = smf.ols(f"{outcome} ~ arm + before", table).fit()
    found = baseline_adjusted_difference(before, after, reference_before, reference_after)
    assert found.difference.value == pytest.approx(fitted.params["arm"], rel=1e-9)
    assert (found.difference.ci_low, found.difference.ci_high) == pytest.approx(
        tuple(fitted.conf_int().loc["arm"]), rel=1e-8
    )
    shift = 1 if outcome == "change" else 0
    assert found.slope.value - shift == pytest.approx(fitted.params["before"], rel=1e-8)
    low, high = fitted.conf_int().loc["before"]
    assert (found.slope.ci_low - shift, found.slope.ci_high - shift) == pytest.approx((low, high), rel=1e-8)
    crossed = smf.ols("after ~ arm * before", table).fit()
    assert found.slope_difference.value == pytest.approx(crossed.params["arm:before"], rel=1e-8)
    assert (found.slope_difference.ci_low, found.slope_difference.ci_high) == pytest.approx(
        tuple(crossed.conf_int().loc["arm:before"]), rel=1e-7
    )


def of_sd(sd, n):
    """Numbers with exactly this SD."""
    values = np.arange(n, dtype=float)
    return values * (sd / values.std(ddof=1))


def test_published_spreads_of_change_give_a_negative_individual_response():
    # Williamson, Atkinson & Batterham, Sports Med 2017;47:1501-1513 (abstract read): the SD of the change of VO2max was
    # 3.7 mL/kg/min with training and 5.6 in the comparator. The root of the difference is arithmetic: -sqrt(17.67).
    # The numbers of people are not in the abstract; only the point estimate is checked.
    found = individual_response_sd(of_sd(3.7, 20), of_sd(5.6, 20))
    assert found.value == pytest.approx(-math.sqrt(5.6**2 - 3.7**2))
    assert found.value == pytest.approx(-4.20, abs=0.005)


#: Members in each arm, true SD of the response, share of intervals that hold it, share wholly above 0.
COVERAGE = [
    (8, 4.0, (0.84, 0.90), (0.0, 0.0)),
    (15, 0.0, (0.97, 1.0), (0.0, 0.02)),
    (15, 4.0, (0.86, 0.91), (0.55, 0.66)),
    (40, 0.0, (0.95, 0.98), (0.0, 0.03)),
    (40, 4.0, (0.91, 0.96), (0.98, 1.0)),
]


@pytest.mark.proof
@pytest.mark.parametrize(("n", "true_sd", "holds", "above"), COVERAGE)
def test_how_often_the_interval_of_the_individual_response_is_right(n, true_sd, holds, above):
    # Simulation, no source: changes vary by 2.0 without any response. The interval is an approximation by the normal
    # distribution; the guide tells what comes of it in small arms.
    rng = np.random.default_rng(20260)
    runs, held, shown = 3000, 0, 0
    for _ in range(runs):
        changes = rng.normal(3, math.hypot(2.0, true_sd), n)
        found = individual_response_sd(changes, rng.normal(0, 2.0, n))
        held += found.ci_low <= true_sd <= found.ci_high
        shown += found.ci_low > 0
    assert holds[0] <= held / runs <= holds[1]
    assert above[0] <= shown / runs <= above[1]


def test_in_an_arm_of_eight_or_fewer_the_published_interval_always_holds_zero():
    # 1.96 sqrt(2/(n - 1)) is above 1 up to n = 8: the limit is below 0 whatever was measured.
    for n in range(2, 9):
        assert individual_response_sd(of_sd(1000.0, n), of_sd(1e-3, 50)).ci_low < 0
    assert individual_response_sd(of_sd(1000.0, 9), of_sd(1e-3, 50)).ci_low > 0
