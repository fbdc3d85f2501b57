"""Energy and fuel: totals, where fuel can be told, and the stage with the most fat."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.energy import find_energy
from service.analysis.loads import find_loads
from service.analysis.marks import Marks, find_marks
from service.analysis.steady_state import find_steady_state
from tests.analysis.conftest import build_series, build_test
from tests.analysis.stage_tests import PERSON, ride, stage_test


def energy_of(test, **more):
    marks = find_marks(test)
    return find_energy(test, marks, find_loads(test, marks), **more)


def test_the_total_is_the_mean_times_the_time():
    test = build_test(
        build_series(
            [60, 120, 180, 240], {"vo2_ml_min": [2000] * 4, "vco2_ml_min": [1700] * 4}, phase=["exercise"] * 4
        )
    )
    found = energy_of(test)
    # Arithmetic: 3.941 x 2.0 + 1.106 x 1.7 = 9.762 kcal/min for 4 min.
    assert found.mean_kcal_min == pytest.approx(9.7622, abs=1e-4)
    assert found.highest_kcal_min == pytest.approx(9.7622, abs=1e-4)
    assert found.total_kcal == pytest.approx(4 * 9.7622, abs=1e-3)
    assert (found.equation, found.remark) == ("weir_kcal_min", None)


def test_a_ratio_of_one_and_above_is_told_beside_the_total():
    assert "oxygen alone" in energy_of(ride([100, 350])).remark


def test_a_total_needs_four_fifths_of_exercise():
    test = ride([100, 150])
    vco2 = test.series.channels["vco2_ml_min"].copy()
    vco2[:10] = np.nan
    found = energy_of(
        replace(test, series=replace(test.series, channels={**test.series.channels, "vco2_ml_min": vco2}))
    )
    assert found.total_kcal is None
    assert "75 % of exercise" in found.reasons["total_kcal"]
    none = build_test(build_series([15, 30], {"vo2_ml_min": [1000, 1000]}, phase=["exercise"] * 2))
    assert energy_of(none).reasons["total_kcal"] == "The test has no VCO2."


FAT = [  # W, VO2, RER: fat 1.67 VO2 (1 - RER) peaks at 150 W
    (100, 1450, 0.88),
    (150, 1950, 0.87),
    (200, 2450, 0.92),
    (250, 2950, 0.98),
    (300, 3450, 1.04),
]


def fat_test(**more):
    return stage_test(
        [
            {"work_rate_w": w, "vo2_ml_min": vo2, "vco2_ml_min": r * vo2, "heart_rate_bpm": 60 + 0.5 * w}
            for w, vo2, r in FAT
        ],
        **more,
    )


def test_fuel_of_every_steady_stage_and_the_highest_fat():
    found = energy_of(fat_test(), vo2_peak_ml_min=3900.0)
    assert [one.fat_g_min for one in found.substrates[:4]] == pytest.approx(
        [1.67 * vo2 / 1000 * (1 - r) for _, vo2, r in FAT[:4]]
    )
    assert [one.carbohydrate_g_min for one in found.substrates[:4]] == pytest.approx(
        [(4.55 * r - 3.21) * vo2 / 1000 for _, vo2, r in FAT[:4]]
    )
    last = found.substrates[4]
    assert (last.fat_g_min, last.carbohydrate_g_min) == (None, None)
    assert "exchange ratio was 1.04" in last.reason
    best = found.highest_fat
    assert (best.stage, best.work_rate_w, best.heart_rate_bpm, best.edge) == (2, 150, 135, None)
    assert best.percent_of_peak == pytest.approx(50.0)
    told = found.as_dict()
    assert told["sources"]["frayn_fat_g_min"] == "frayn_1983"
    assert told["reason"] is None


@pytest.mark.parametrize(
    ("hours", "fasted", "said"),
    [(None, None, "not recorded"), (2.0, False, "2 h after a meal"), (12.0, True, None)],
)
def test_whether_fasted(hours, fasted, said):
    best = energy_of(fat_test(person=replace(PERSON, hours_since_meal=hours))).highest_fat
    assert (best.hours_since_meal, best.fasted) == (hours, fasted)
    assert best.remark is None if said is None else said in best.remark


def test_fuel_is_not_told_above_the_first_threshold_or_in_too_few_stages():
    found = energy_of(fat_test(), threshold_vo2_ml_min=2000.0)
    assert [one.fat_g_min is None for one in found.substrates] == [False, False, True, True, True]
    assert "above the first threshold" in found.substrates[2].reason
    assert found.highest_fat is None
    assert "in 2 stages" in found.reasons["highest_fat"]


def test_the_highest_at_the_edge_may_lie_beyond():
    # The exchange ratio of these stages rises from the first on so steeply that the first burns most.
    rows = [(100, 1450, 0.80), (150, 1950, 0.90), (200, 2450, 0.96)]
    test = stage_test([{"work_rate_w": w, "vo2_ml_min": v, "vco2_ml_min": r * v} for w, v, r in rows])
    best = energy_of(test).highest_fat
    assert (best.stage, best.edge) == (1, "first")
    assert "may lie beyond" in best.remark


def test_a_ramp_has_an_energy_and_no_fuel(simulated_test):
    found = energy_of(simulated_test())
    assert found.total_kcal > 50
    assert found.highest_fat is None
    assert "no stages of constant load (ramp)" in found.reasons["highest_fat"]


@given(st.integers(1, 25), st.sampled_from([5.0, 15.0, 60.0]), st.booleans(), st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_any_small_series_gives_values_or_reasons(n, row_s, constant, seed):
    random = np.random.default_rng(seed)
    vo2 = np.full(n, 1500.0) if constant else random.uniform(50, 8000, n)
    vco2 = np.where(random.random(n) < 0.2, np.nan, vo2 * random.uniform(0.5, 2.0, n))
    work = np.sort(random.choice([0.0, 100.0, 150.0, 200.0], n))
    test = build_test(
        build_series(
            row_s * np.arange(1, n + 1), {"vo2_ml_min": vo2, "vco2_ml_min": vco2, "work_rate_w": work}
        ),
        shape="step",
    )
    marks = Marks(0.0, row_s * n, "given")
    loads = find_loads(test, marks)
    found = find_energy(test, marks, loads)
    for name in ("total_kcal", "mean_kcal_min", "highest_kcal_min", "highest_fat"):
        value = getattr(found, name)
        assert value is not None or found.reasons[name]
    assert all(one.reason or one.fat_g_min is not None for one in found.substrates)
    steady = find_steady_state(test, loads)
    assert steady.gross_efficiency or steady.reasons["gross_efficiency_percent"]
    assert steady.delta_efficiency_percent is not None or steady.reasons["delta_efficiency_percent"]
