"""Lines and their intervals against scipy and statsmodels."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from service.analysis.lines import fit_line


@pytest.mark.parametrize("seed", range(5))
def test_independent_errors_as_in_scipy(seed):
    random = np.random.default_rng(seed)
    x = random.uniform(0.5, 4, 40)
    y = 4 + 26 * x + random.normal(0, 2, 40)
    line, oracle = fit_line(x, y), stats.linregress(x, y)
    assert line is not None
    assert line.slope == pytest.approx(oracle.slope, rel=1e-12)
    assert line.intercept == pytest.approx(oracle.intercept, rel=1e-10)
    assert line.standard_error == pytest.approx(oracle.stderr, rel=1e-10)
    assert line.r_squared == pytest.approx(oracle.rvalue**2, rel=1e-12)
    reach = stats.t.ppf(0.975, 38) * oracle.stderr
    assert (line.ci_low, line.ci_high) == pytest.approx((line.slope - reach, line.slope + reach), rel=1e-10)


@pytest.mark.parametrize("lags", [1, 3, 6])
def test_related_errors_as_in_statsmodels(lags):
    random = np.random.default_rng(lags)
    x = np.linspace(0.5, 4, 60)
    noise = np.zeros(60)
    for i in range(1, 60):
        noise[i] = 0.8 * noise[i - 1] + random.normal()
    y = 4 + 26 * x + noise
    line = fit_line(x, y, lags)
    plain = sm.OLS(y, sm.add_constant(x)).fit()
    oracle = sm.OLS(y, sm.add_constant(x)).fit(
        cov_type="HAC", cov_kwds={"maxlags": lags, "use_correction": True, "kernel": "bartlett"}, use_t=True
    )
    assert line is not None
    # Never narrower than for independent errors.
    wider = oracle if oracle.bse[1] > plain.bse[1] else plain
    assert (wider is oracle) == (lags > 1)
    assert line.standard_error == pytest.approx(wider.bse[1], rel=1e-9)
    assert (line.ci_low, line.ci_high) == pytest.approx(wider.conf_int()[1], rel=1e-9)
