"""Efficiency, economy, ventilation and reserve formulas: what they give and when they give nothing."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import InvalidContent
from service.methods.catalogue import run
from service.methods.gas import haldane_fractions, haldane_vco2_ml_min, haldane_vo2_ml_min

STAGES = [
    {"work_rate_w": w, "vo2_ml_min": vo2, "vco2_ml_min": r * vo2}
    for w, vo2, r in ((50, 950, 0.85), (100, 1450, 0.88), (150, 1950, 0.91), (200, 2450, 0.95))
]


# Arithmetic from the definitions.
@pytest.mark.parametrize(
    ("method", "inputs", "expected"),
    [
        ("ve_vo2", {"ve_l_min": 60, "vo2_ml_min": 2400}, 25.0),
        ("ve_vco2", {"ve_l_min": 60, "vco2_ml_min": 2000}, 30.0),
        ("tidal_volume_l", {"ve_l_min": 60, "respiratory_rate_per_min": 25}, 2.4),
        ("mvv_from_fev1_l_min", {"fev1_l": 3.5}, 140.0),
        ("breathing_reserve_percent", {"ve_max_l_min": 112, "mvv_l_min": 140}, 20.0),
        ("breathing_reserve_percent", {"ve_max_l_min": 147, "mvv_l_min": 140}, -5.0),
        ("locomotion_economy_ml_kg_km", {"vo2_ml_kg_min": 40, "speed_km_h": 12}, 200.0),
        ("vo2_at_reserve", {"vo2_max_ml_kg_min": 43.5, "intensity_percent": 50}, 23.5),
    ],
)
def test_the_definition(method, inputs, expected):
    assert run(method, inputs).value == pytest.approx(expected, abs=1e-9)


def test_efficiency_against_the_energy_that_was_spent():
    # Arithmetic: 3.941 x 1.95 + 1.106 x 0.91 x 1.95 = 9.6476 kcal/min = 672.8 W.
    assert run("gross_efficiency_percent", STAGES[2]).value == pytest.approx(22.30, abs=0.005)


def test_the_slope_of_work_on_energy_needs_energy_that_differs():
    same = [STAGES[0], STAGES[0] | {"work_rate_w": 80}]
    answer = run("delta_efficiency_percent", {"stages": same})
    assert answer.value is None
    assert "same in all stages" in answer.findings[0].message
    with pytest.raises(InvalidContent, match="at least 2 rows"):
        run("delta_efficiency_percent", {"stages": STAGES[:1]})


def test_a_ratio_of_one_is_said():
    row = {"work_rate_w": 200, "vo2_ml_min": 2450, "vco2_ml_min": 2500}
    assert "1.0 or more" in run("gross_efficiency_percent", row).findings[0].message
    assert "1.0 or more" in run("delta_efficiency_percent", {"stages": [*STAGES, row]}).findings[0].message
    assert run("gross_efficiency_percent", STAGES[0]).findings == ()


@given(st.floats(4, 200), st.floats(0.15, 0.195), st.floats(0.02, 0.06))
def test_fractions_come_back_from_what_they_give(ventilation, oxygen, carbon_dioxide):
    vo2 = haldane_vo2_ml_min(ventilation, oxygen, carbon_dioxide)
    vco2 = haldane_vco2_ml_min(ventilation, oxygen, carbon_dioxide)
    back = haldane_fractions(ventilation, vo2, vco2)
    np.testing.assert_allclose(back, (oxygen, carbon_dioxide), rtol=0, atol=1e-12)
