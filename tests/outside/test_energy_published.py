"""Energy and substrates against published end points and worked examples, and fuel of real cyclists.

Worked examples marked arithmetic are done by hand from the cited equations.
"""

import numpy as np
import pandas as pd
import pytest

from service.analysis.energy import find_energy
from service.analysis.loads import find_loads
from service.analysis.marks import find_marks
from service.methods.catalogue import run
from tests.analysis.stage_tests import stage_test


def flows(vo2, ratio):
    return {"vo2_ml_min": 1000 * vo2, "vco2_ml_min": 1000 * vo2 * ratio}


def test_the_abbreviated_energy_equation():
    # Arithmetic from Weir 1949 (3.941, 1.106).
    assert run("weir_kcal_min", {"vo2_ml_min": 300, "vco2_ml_min": 240}).value == pytest.approx(
        1.44774, abs=1e-9
    )
    assert run("weir_kcal_min", {"vo2_ml_min": 2000, "vco2_ml_min": 1700}).value == pytest.approx(
        9.762, abs=5e-4
    )
    # Published: about 5.05 kcal for a litre of O2 at a ratio of 1.0.
    assert run("weir_kcal_min", flows(1.0, 1.0)).value == pytest.approx(5.047, abs=1e-9)


def test_a_published_example_by_the_table():
    # Published: 15.7 L O2/h and 12.0 L CO2/h, ratio 0.7643, at 0.76 4.751 kcal a litre, fat about 81 % of energy.
    table = run("lusk_kcal_min", flows(1.0, 0.76)).value
    assert table == pytest.approx(4.751, abs=0.001)
    # Fat at 9.4 kcal/g (common practice): the share of energy that Frayn's fat makes of the table's energy.
    fat = run("frayn_fat_g_min", flows(1.0, 0.76)).value
    assert 9.4 * fat / table == pytest.approx(0.81, abs=0.03)


def test_end_points_of_the_substrate_equations():
    # Derived from the printed equations: where one of the fuels vanishes.
    assert run("peronnet_carbohydrate_g_min", flows(1.0, 0.7036)).value == pytest.approx(0.0, abs=1e-4)
    assert run("peronnet_fat_g_min", flows(1.0, 0.996)).value == pytest.approx(0.0008, abs=1e-4)
    assert run("peronnet_carbohydrate_g_min", flows(1.0, 0.996)).value == pytest.approx(1.341, abs=5e-4)
    assert run("frayn_fat_g_min", flows(1.0, 1.0)).value == pytest.approx(0.0, abs=1e-12)
    # Arithmetic at VO2 2.0, VCO2 1.7.
    for method, expected in (
        ("frayn_fat_g_min", 0.501),
        ("frayn_carbohydrate_g_min", 1.315),
        ("peronnet_fat_g_min", 0.4983),
        ("peronnet_carbohydrate_g_min", 1.3425),
    ):
        assert run(method, flows(2.0, 0.85)).value == pytest.approx(expected, abs=5e-5)


def test_equations_differ_by_no_more_than_published():
    # Published: equations of energy differ by up to 5.2 % on the same data.
    for ratio in (0.75, 0.85, 0.95):
        weir = run("weir_kcal_min", flows(2.0, ratio)).value
        others = [
            run("lusk_kcal_min", flows(2.0, ratio)).value,
            run("brockway_kj_min", flows(2.0, ratio)).value / 4.184,
        ]
        for other in others:
            assert abs(other / weir - 1) < 0.052


def test_fuel_of_real_cyclists(open_data):
    """Sylta et al. 2016, doi 10.1249/MSS.0000000000001007 (CC0): stages of 5 min, one value a stage, taken as settled."""
    table = pd.read_csv(open_data("cycling_training") / "cyclingstudy.csv")
    highest, shares = [], []
    for _, row in table.iterrows():
        stages = [
            {"work_rate_w": w, "vo2_ml_min": row[f"VO2.{w}"], "vco2_ml_min": row[f"VCO2.{w}"]}
            for w in (125, 175, 225, 250, 275, 300, 325, 350, 375)
            if not np.isnan(row[f"VO2.{w}"]) and not np.isnan(row[f"VCO2.{w}"])
        ]
        if len(stages) < 4:
            continue
        test = stage_test(stages)
        marks = find_marks(test)
        found = find_energy(test, marks, find_loads(test, marks), vo2_peak_ml_min=row["VO2.max"])
        for fuel, stage in zip(found.substrates, stages, strict=True):
            ratio = stage["vco2_ml_min"] / stage["vo2_ml_min"]
            assert (fuel.fat_g_min is None) == (ratio >= 1.0), fuel.reason
            if fuel.fat_g_min is not None:
                # What the fuels hold (9.4 and 3.74 kcal/g, common practice) is what was spent, within the equations' spread.
                held = 9.4 * fuel.fat_g_min + 3.74 * fuel.carbohydrate_g_min
                assert held == pytest.approx(fuel.energy_kcal_min, rel=0.06)
        if found.highest_fat is not None:
            highest.append(found.highest_fat.fat_g_min)
            shares.append(found.highest_fat.percent_of_peak)
    assert len(highest) > 30
    # Trained cyclists not known to be fasted: 0.3 to 0.7 g/min at up to two thirds of VO2max (general knowledge).
    assert 0.2 < np.median(highest) < 0.8
    assert 40 < np.nanmedian(shares) < 72
