"""The parts of one analysis together: what they share, and what one tells another."""

import json
from dataclasses import replace

import numpy as np
import pytest

from service.analysis.effort import judge_effort
from service.analysis.loads import find_loads
from service.analysis.marks import find_marks
from service.analysis.parts import find_parts, parts_dict
from service.analysis.peaks import find_maxima, find_peak
from service.analysis.plateau import assess_plateau
from service.analysis.series import TesterThreshold as OwnThreshold
from service.analysis.summary import analyse_test
from tests.analysis.conftest import change_series, simulate
from tests.analysis.stage_tests import ride


def parts_of(test):
    marks = find_marks(test)
    loads = find_loads(test, marks)
    peak, maxima = find_peak(test, marks), find_maxima(test, marks)
    plateau = assess_plateau(test, marks, loads)
    effort = judge_effort(test, marks, peak, maxima, plateau)
    return find_parts(
        test, marks, loads, peak, maxima, plateau, effort, heart_rate_max_method="heart_rate_max_tanaka"
    )


def told_of(test):
    return parts_dict(parts_of(test), {})


def test_no_part_is_called_normal():
    assert "normal" not in str(told_of(simulate())).lower()


def test_a_testers_thresholds_reach_the_parts_that_need_them():
    own = (
        OwnThreshold("vt1", "A", "by eye", 2000.0, 600.0, 120.0, 150.0),
        OwnThreshold("vt2", "A", "by eye", 3000.0, 800.0, 150.0, 240.0),
    )
    found = parts_of(replace(simulate(), tester_thresholds=own))
    assert found.slopes.ve_vco2.to_s == 800.0
    assert [one.basis for one in found.training_ranges.ranges] == ["thresholds"] * 3
    predicted = {one.method: one for one in found.reserves.predicted}
    threshold = predicted["predicted_threshold_vo2_jones"]
    assert threshold.percent_of_predicted == pytest.approx(100 * 2000 / threshold.value)


STAGES = [100.0, 140.0, 180.0, 220.0, 260.0, 300.0]


@pytest.mark.parametrize(
    ("lactates", "names", "ends"),
    [
        # 2 and 4 mmol/L: arithmetic on the lines between stages.
        ([1.2, 1.0, 1.4, 2.2, 4.6, 8.0], ["2 mmol/L", "4 mmol/L"], [210.0, 250.0]),
        ([1.2, 1.0, 1.4, 2.2, 2.8, 3.5], ["2 mmol/L"], [210.0]),
        ([2.2, 2.1, 2.3, 3.0, 5.0, 8.0], ["4 mmol/L"], [240.0]),
        # Above 2 from the first stage and below 4 to the last: only the rise above the baseline.
        ([2.2, 2.1, 2.3, 2.9, 3.3, 3.8], ["baseline + 1.0"], [240.0]),
    ],
)
def test_a_stage_test_has_ranges_from_its_lactate(lactates, names, ends):
    found = parts_of(ride(STAGES, lactates=lactates)).training_ranges.ranges
    assert len(found) == len(ends) + 1
    assert [one.work_rate_high_w for one in found[:-1]] == pytest.approx(ends)
    assert [one.work_rate_low_w for one in found[1:]] == pytest.approx(ends)
    for one in found:
        assert all(name in one.basis_text for name in names)
        assert one.basis == "thresholds"
        assert "value from memory" in one.source or "definition from memory" in one.source


def test_ranges_are_from_gas_where_it_tells_as_much_and_from_one_kind_alone():
    own = (OwnThreshold("vt2", "A", "by eye", 3000.0, 1300.0, 160.0, 255.0),)
    lactates = [1.2, 1.0, 1.4, 2.2, 4.6, 8.0]
    both = parts_of(ride(STAGES, lactates=lactates, tester_thresholds=own)).training_ranges.ranges
    assert {one.basis_text for one in both} == {
        "first threshold (lactate, 2 mmol/L) and second threshold (lactate, 4 mmol/L)"
    }
    one = parts_of(ride(STAGES, lactates=[1.2, 1.0, 1.4, 2.2, 2.8, 3.5], tester_thresholds=own))
    assert {found.basis_text for found in one.training_ranges.ranges} == {"second threshold (tester)"}


def test_lactate_of_short_stages_leaves_its_remark_on_the_ranges():
    found = parts_of(
        ride(STAGES, stage_s=120, lactates=[1.2, 1.0, 1.4, 2.2, 4.6, 8.0])
    ).training_ranges.ranges
    assert all("shorter than 3 min" in one.remark for one in found)


def test_a_symptom_that_ended_the_test_leaves_no_ranges():
    found = parts_of(replace(simulate(), stop_reason="symptom"))
    assert found.training_ranges.ranges == ()
    assert "licensed" in found.training_ranges.reason


@pytest.mark.parametrize("stuck", [300.0, 1800.0])
def test_a_lost_carbon_dioxide_channel_counts_for_nothing(stuck):
    test = simulate(noise=0.005)
    vco2 = test.series.channels["vco2_ml_min"].copy()
    late = (test.series.end_s > 700) & (test.series.end_s <= 960)
    vco2[late] = stuck
    whole, lost = parts_of(test), parts_of(change_series(test, channels={"vco2_ml_min": vco2}))
    assert lost.gas_exchange.peak_ve_vco2 is None
    assert lost.gas_exchange.reasons["peak_ve_vco2"]
    assert lost.energy.total_kcal is None
    assert "of exercise has both" in lost.energy.reasons["total_kcal"]
    # What remains is a sound part of the same test.
    assert lost.slopes.ve_vco2_whole.n < whole.slopes.ve_vco2_whole.n
    assert lost.slopes.ve_vco2_whole.value == pytest.approx(whole.slopes.ve_vco2_whole.value, rel=0.1)


def test_a_plateau_is_left_out_of_slopes_of_uptake():
    test = simulate(vo2_ceiling_ml_min=3000.0, exercise_s=840, noise=0.005)
    found = parts_of(test)
    marks = find_marks(test)
    assert found.slopes.oues.to_s < marks.exercise_end_s
    assert "plateau" in found.slopes.oues.range
    assert found.slopes.ve_vco2_whole.to_s == marks.exercise_end_s


def test_only_the_stage_of_a_plateau_is_left_out_of_a_step_test():
    test = ride([100.0, 150.0, 200.0, 250.0, 300.0, 350.0], noise=0.01)
    uptake = test.series.channels["vo2_ml_min"].copy()
    last = test.series.stage == 6
    # The last stage brings no more than the one before it.
    uptake[last] = uptake[test.series.stage == 5]
    levelled = change_series(test, channels={"vo2_ml_min": uptake})
    assert (
        assess_plateau(levelled, find_marks(levelled), find_loads(levelled, find_marks(levelled))).verdict
        == "seen"
    )
    slope, oues = parts_of(levelled).slopes.vo2_work_rate, parts_of(levelled).slopes.oues
    # Five stages of 5 min remain, and 10 mL/min/W, as the test was made.
    assert (slope.n, slope.to_s, oues.to_s) == (5, 1500.0, 1500.0)
    assert slope.value == pytest.approx(10.0, abs=0.3)


@pytest.mark.parametrize("plateau_s", [90.0, 150.0])
def test_a_plateau_of_a_ramp_does_not_lower_its_slope(plateau_s):
    # 25 W/min and 10 mL/min/W: the ceiling is what the load asks for `plateau_s` before the end.
    whole = simulate(noise=0.005)
    ceiling = whole.series.channels["vo2_ml_min"][whole.series.end_s <= 960 - plateau_s].max()
    found = parts_of(simulate(noise=0.005, vo2_ceiling_ml_min=float(ceiling)))
    free = parts_of(whole).slopes.vo2_work_rate.value
    assert found.slopes.vo2_work_rate.value == pytest.approx(free, rel=0.06)


@pytest.mark.parametrize("keep", [1, 2, 3, 5])
def test_a_few_rows_give_reasons_and_no_error(keep):
    test = simulate()
    series = test.series
    cut = replace(
        series,
        **{
            name: getattr(series, name)[20 : 20 + keep]
            for name in ("end_s", "duration_s", "phase", "stage", "excluded", "kept", "aberrant")
        },
        channels={key: value[20 : 20 + keep] for key, value in series.channels.items()},
    )
    found = parts_of(replace(test, series=cut))
    assert all(one.reason for one in found.slopes.items)
    assert found.steady_state.reasons
    constant = {key: np.full(keep, value[25]) for key, value in series.channels.items()}
    flat = parts_of(replace(test, series=replace(cut, channels=constant)))
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
    told = json.loads(json.dumps(analyse_test(test).as_dict(), allow_nan=False))
    assert told["slopes"]["items"][0]["method"].startswith("least squares")
