"""All responses of one test together: what they share, and what one tells another."""

import json
from dataclasses import replace

import numpy as np
import pytest

from service.analysis.effort import judge_effort
from service.analysis.loads import find_loads
from service.analysis.marks import find_marks
from service.analysis.peaks import find_maxima, find_peak
from service.analysis.plateau import assess_plateau
from service.analysis.responses import find_responses
from service.analysis.training_ranges import ThresholdPoint
from tests.analysis.conftest import change_series, simulate
from tests.analysis.stage_tests import ride


def responses_of(test, **more):
    marks = find_marks(test)
    loads = find_loads(test, marks)
    peak, maxima = find_peak(test, marks), find_maxima(test, marks)
    plateau = assess_plateau(test, marks, loads)
    effort = judge_effort(test, marks, peak, maxima, plateau)
    return find_responses(test, marks, loads, peak, maxima, plateau, effort, **more)


def test_every_part_is_there_and_none_is_called_normal():
    told = responses_of(simulate()).as_dict()
    assert set(told) == {
        "slopes",
        "steady_state",
        "energy",
        "gas_exchange",
        "reserves",
        "blood_pressure",
        "lactate",
        "training_ranges",
    }
    assert "normal" not in str(told).lower().replace("abnormal", "normal")


def test_thresholds_reach_the_parts_that_need_them():
    vt1 = ThresholdPoint("vt1", "consensus", 2000.0, 120.0, 150.0)
    vt2 = ThresholdPoint("vt2", "consensus", 3000.0, 150.0, 240.0)
    found = responses_of(simulate(), vt1=vt1, vt2=vt2, vt2_time_s=800.0)
    assert found.slopes.ve_vco2.to_s == 800.0
    assert [one.basis for one in found.training_ranges.ranges] == ["thresholds"] * 3
    predicted = {one.method: one for one in found.reserves.predicted}
    threshold = predicted["predicted_threshold_vo2_jones"]
    assert threshold.percent_of_predicted == pytest.approx(100 * 2000 / threshold.value)


def test_lactate_stands_in_for_ventilatory_thresholds_and_is_named():
    test = ride([100, 140, 180, 220, 260, 300], lactates=[1.2, 1.0, 1.4, 2.2, 4.6, 8.0])
    found = responses_of(test)
    assert [one.work_rate_high_w for one in found.training_ranges.ranges] == [
        pytest.approx(210),
        pytest.approx(250),
        None,
    ]
    assert "lactate_2" in found.training_ranges.ranges[0].basis_text
    none = responses_of(replace(test, stop_reason="symptom"))
    assert none.training_ranges.ranges == ()


def test_a_lost_carbon_dioxide_channel_counts_for_nothing():
    test = simulate(noise=0.005)
    vco2 = test.series.channels["vco2_ml_min"].copy()
    late = (test.series.end_s > 700) & (test.series.end_s <= 960)
    vco2[late] = 300.0
    whole, lost = responses_of(test), responses_of(change_series(test, channels={"vco2_ml_min": vco2}))
    assert lost.gas_exchange.peak_ve_vco2 is None
    assert lost.gas_exchange.reasons["peak_ve_vco2"]
    assert lost.energy.total_kcal is None
    assert "of exercise has both" in lost.energy.reasons["total_kcal"]
    # What remains is a sound part of the same test.
    assert lost.slopes.ve_vco2_whole.n < whole.slopes.ve_vco2_whole.n
    assert lost.slopes.ve_vco2_whole.value == pytest.approx(whole.slopes.ve_vco2_whole.value, rel=0.1)


def test_a_plateau_is_left_out_of_slopes_of_uptake():
    test = simulate(vo2_ceiling_ml_min=3000.0, exercise_s=840, noise=0.005)
    found = responses_of(test)
    marks = find_marks(test)
    assert found.slopes.oues.to_s < marks.exercise_end_s
    assert "plateau" in found.slopes.oues.range
    assert found.slopes.ve_vco2_whole.to_s == marks.exercise_end_s


@pytest.mark.parametrize("keep", [1, 2, 3, 5])
def test_a_few_rows_give_reasons_and_no_error(keep):
    test = simulate()
    series = test.series
    cut = replace(
        series,
        **{
            name: getattr(series, name)[20 : 20 + keep]
            for name in ("end_s", "duration_s", "phase", "stage", "excluded")
        },
        channels={key: value[20 : 20 + keep] for key, value in series.channels.items()},
    )
    found = responses_of(replace(test, series=cut))
    assert all(one.reason for one in found.slopes.items)
    assert found.steady_state.reasons
    constant = {key: np.full(keep, value[25]) for key, value in series.channels.items()}
    flat = responses_of(replace(test, series=replace(cut, channels=constant)))
    assert all(one.reason for one in flat.slopes.items)


@pytest.mark.parametrize(
    "test",
    [
        simulate(),
        simulate(row_s=None),
        ride([100, 140, 180, 220, 260], lactates=[1.2, 1.0, 1.4, 2.2, 4.6]),
        ride([200, 150], lactates=[2.0, 3.0]),
    ],
)
def test_the_form_on_the_wire_is_plain_and_finite(test):
    found = responses_of(test)
    told = json.loads(
        json.dumps({**found.as_dict(), "lactate_whole": found.lactate.as_dict()}, allow_nan=False)
    )
    assert told["slopes"]["items"][0]["method"].startswith("least squares")
