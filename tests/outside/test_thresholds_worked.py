"""The broken line against a worked example and an independent minimiser.

The example is arithmetic: two lines that meet at 1.800 L/min. The oracle is scipy's `brute` and `curve_fit`, which know
nothing of the closed form.
"""

import numpy as np
import pytest
from scipy.optimize import brute, curve_fit

from service.analysis.segmented import fit_broken_line

VO2 = np.arange(8, 30) / 10.0


def broken(x, intercept, before, bend, at):
    return intercept + before * x + bend * np.maximum(x - at, 0.0)


def test_the_worked_break_lies_at_1_800():
    # VO2 0.8 to 2.9 by 0.1 L/min; VCO2 = 0.92 VO2 - 0.05 up to 1.8, then slope 1.35.
    vco2 = np.where(VO2 <= 1.8, 0.92 * VO2 - 0.05, 0.92 * 1.8 - 0.05 + 1.35 * (VO2 - 1.8))
    fit = fit_broken_line(VO2, vco2)
    assert fit.position == pytest.approx(1.800, abs=1e-9)
    assert (fit.slope_before, fit.slope_after) == (pytest.approx(0.92), pytest.approx(1.35))
    assert fit.intercept == pytest.approx(-0.05)
    assert fit.sse == pytest.approx(0.0, abs=1e-20)


@pytest.mark.parametrize("at", [1.31, 1.8, 2.2345])
def test_curve_fit_of_scipy_agrees_on_clean_data(at):
    y = broken(VO2, -0.05, 0.92, 0.43, at)
    oracle, _ = curve_fit(broken, VO2, y, p0=(0.0, 1.0, 0.3, 1.9))
    fit = fit_broken_line(VO2, y)
    assert fit.position == pytest.approx(oracle[3], abs=1e-6)
    assert fit.slope_after - fit.slope_before == pytest.approx(oracle[2], abs=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_a_brute_search_of_scipy_finds_nothing_better(seed):
    random = np.random.default_rng(seed)
    x = np.sort(random.uniform(800.0, 3000.0, 120))
    y = broken(x, -50.0, 0.95, 0.4, 1800.0) + random.normal(0.0, 60.0, 120)

    def sse(at):
        design = np.column_stack((np.ones_like(x), x, np.maximum(x - at[0], 0.0)))
        return float(((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2).sum())

    # Only breaks with five points on either side are allowed.
    found = brute(sse, ((x[4], x[-5]),), Ns=2000, full_output=True, finish=None)
    fit = fit_broken_line(x, y)
    assert fit.sse <= found[1] + 1e-6
    assert fit.position == pytest.approx(float(found[0]), abs=3.0)
