"""Slopes of 36 real treadmill ramps, breath by breath, against scipy on means that pandas made.

Source: Nolte, Rein, Quittmann, Sports Med 2023, doi 10.1007/s40279-023-01903-3 (CC-BY 4.0, not kept here). Ventilation
follows from expired volume and the time of a breath; its condition is not stated, so slopes of ventilation are held to broad
ranges only.
"""

import io

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from service.analysis.gas import without_lost_carbon_dioxide
from service.analysis.loads import find_loads
from service.analysis.marks import Marks
from service.analysis.slopes import find_slopes
from tests.analysis.conftest import build_series, build_test


def breaths_of(text):
    table = pd.read_csv(io.StringIO(text))
    length = table["t_exp_s"] + table["t_insp_s"]
    table = table.assign(
        length=np.minimum(length, table["time_s"].diff().fillna(length.iloc[0])),
        ve=60 * table["vt_exp_l"] / length,
        vo2=1000 * table["vo2_l_min"],
        vco2=1000 * table["vco2_l_min"],
    )
    return table[(table["time_s"].diff().fillna(1) > 0) & (table["length"] > 0)].reset_index(drop=True)


@pytest.fixture(scope="module")
def runners(ramp_lines):
    header, by_test = ramp_lines
    answer = {}
    for number, lines in by_test.items():
        table = breaths_of("\n".join([header, *lines]))
        series = build_series(
            table["time_s"],
            {
                "vo2_ml_min": table["vo2"],
                "vco2_ml_min": table["vco2"],
                "ve_l_min": table["ve"],
                "speed_km_h": table["speed_kmh"],
            },
            duration_s=table["length"].to_numpy(),
        )
        marks = Marks(float(series.start_s[0]), float(series.end_s[-1]), "given")
        test = build_test(series, mode="treadmill", shape="ramp")
        sound = without_lost_carbon_dioxide(test, marks)
        answer[number] = table, sound, marks, find_slopes(sound, marks, find_loads(sound, marks))
    return answer


def test_every_runner_has_a_slope_in_a_broad_range(runners):
    whole = [one.ve_vco2_whole.value for *_, one in runners.values()]
    assert None not in whole
    # Trained runners breathe some 22 to 35 L for each litre of CO2 (general knowledge).
    assert 20 < min(whole) < np.median(whole) < max(whole) < 42
    efficiency = [one.oues.value for *_, one in runners.values()]
    # Baba et al. 1996: 2814 +/- 718 mL/min in healthy adults; runners lie higher.
    assert min(efficiency) > 2000
    assert 3000 < np.median(efficiency) < 5500


def test_slopes_of_ten_second_means_as_scipy_finds_them(runners):
    compared = 0
    for number, (table, sound, marks, found) in runners.items():
        if number == 28 or sound.series.channels["vco2_ml_min"].size != len(table):
            continue
        sound_rows = (
            table["vo2"].between(50, 8000) & table["vco2"].between(30, 10_000) & table["ve"].between(2, 280)
        )
        if not sound_rows.all() or np.isnan(sound.series.channels["vco2_ml_min"]).any():
            continue
        # Each second has the value of the breath that holds it; ten of them are a mean, near to the exact one.
        fine = np.arange(marks.exercise_start_s, marks.exercise_end_s, 0.05)
        place = np.clip(np.searchsorted(table["time_s"], fine, side="right"), 0, len(table) - 1)
        inside = fine >= table["time_s"].to_numpy()[place] - table["length"].to_numpy()[place]
        bins = ((fine - marks.exercise_start_s) // 10).astype(int)
        held = pd.DataFrame(
            {"bin": bins, "ve": table["ve"].to_numpy()[place], "vco2": table["vco2"].to_numpy()[place]}
        )[inside].groupby("bin")
        # Means covered to 80 % of their 10 s.
        held = held.mean()[held.size() >= 0.8 * 200]
        oracle = stats.linregress(held["vco2"] / 1000, held["ve"])
        assert found.ve_vco2_whole.value == pytest.approx(oracle.slope, rel=0.01)
        # Neighbouring means are alike: the interval is no narrower than that of independent ones.
        reach = found.ve_vco2_whole.ci_high - found.ve_vco2_whole.value
        assert reach > 0.95 * stats.t.ppf(0.975, len(held) - 2) * oracle.stderr
        compared += 1
    assert compared >= 15


def test_the_lost_channel_of_one_test_is_left_out(runners):
    # Test 28 loses its CO2 channel near the end; the rest of it still makes a line.
    table, sound, _, found = runners[28]
    assert np.isnan(sound.series.channels["vco2_ml_min"]).sum() > 10
    assert found.ve_vco2_whole.n < len(table) / 3
    assert 20 < found.ve_vco2_whole.value < 42
