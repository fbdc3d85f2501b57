"""Slopes and efficiency against worked examples and simulated tests.

The worked examples are arithmetic, done by hand from the cited definitions; the reference ranges are of the papers named.
"""

import numpy as np
import pytest
from scipy import stats

from service.analysis.lines import fit_line
from service.analysis.loads import find_loads
from service.analysis.marks import find_marks
from service.analysis.slopes import find_slopes
from service.methods.catalogue import run
from tests.analysis.conftest import simulate as simulated_test
from tests.analysis.simulated_tests import RAMP_25, Body, simulate


def test_ventilation_on_carbon_dioxide():
    # Arithmetic: VE on VCO2, slope 26.0, intercept 4.4.
    line = fit_line(np.array([0.6, 1.0, 1.4, 1.8, 2.2]), np.array([20, 30.4, 40.8, 51.2, 61.6]))
    assert line is not None
    assert (line.slope, line.intercept) == pytest.approx((26.0, 4.4), abs=1e-9)


def test_uptake_on_the_logarithm_of_ventilation():
    # Arithmetic (definition of Baba et al. 1996): 2.0969 L/min for a tenfold ventilation.
    ve = np.array([20, 30, 40, 60, 80, 100.0])
    vo2 = np.array([1.00, 1.35, 1.62, 2.00, 2.25, 2.46])
    line = fit_line(np.log10(ve), vo2)
    assert line is not None
    assert line.slope == pytest.approx(2.0969, abs=5e-5)
    assert line.slope == pytest.approx(stats.linregress(np.log10(ve), vo2).slope, rel=1e-12)


def test_efficiency_of_four_stages():
    # Arithmetic with 3.941/1.106 and 4184 J/kcal: delta efficiency 0.2834, gross at 150 W 0.2230.
    rows = [
        {"work_rate_w": w, "vo2_ml_min": 1000 * vo2, "vco2_ml_min": 1000 * vo2 * rer}
        for w, vo2, rer in ((50, 0.95, 0.85), (100, 1.45, 0.88), (150, 1.95, 0.91), (200, 2.45, 0.95))
    ]
    assert run("delta_efficiency_percent", {"stages": rows}).value == pytest.approx(28.34, abs=0.005)
    assert run("gross_efficiency_percent", rows[2]).value == pytest.approx(22.30, abs=0.005)
    # 10 mL/min/W at 20.9 J/mL gives 28.7 % (derived).
    ten = [
        {"work_rate_w": w, "vo2_ml_min": 500 + 10 * w, "vco2_ml_min": 0.96 * (500 + 10 * w)}
        for w in (50, 250)
    ]
    assert run("delta_efficiency_percent", {"stages": ten}).value == pytest.approx(28.7, abs=0.15)


def test_slopes_of_simulated_healthy_people_lie_in_published_ranges():
    # Baba et al. 1996: 2814 +/- 718 mL/min in healthy adults; 10.3 +/- 1.0 mL/min/W (value from memory). The simulated man is
    # fit (4 L/min) and breathes 25 L for each litre of CO2 at first.
    test = simulated_test()
    marks = find_marks(test)
    found = find_slopes(test, marks, find_loads(test, marks))
    assert 2814 - 718 < found.oues.value < 2814 + 3 * 718
    assert 8.5 < found.vo2_work_rate.value < 11.5
    assert 24 < found.ve_vco2_whole.value < 34


@pytest.mark.parametrize("rows", [15.0, "breaths"])
def test_intervals_hold_the_true_slope_about_as_often_as_they_say(rows):
    # Simulated ramps with a known gain (10 mL/min/W and its SD): an interval of 95 % holds it in most; related neighbours
    # make it fall a little short.
    held = []
    for seed in range(30):
        test = simulate(RAMP_25, seed, rows=rows, body=Body())
        marks = find_marks(test)
        slope = find_slopes(test, marks, find_loads(test, marks)).vo2_work_rate
        held.append(slope.ci_low <= 10.0 <= slope.ci_high)
    assert np.mean(held) >= 0.8
