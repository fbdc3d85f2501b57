"""Lactate thresholds: arithmetic of each method, and a reason for each that cannot be had."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.lactate import SOURCES, crossing, lactate_thresholds
from service.analysis.loads import find_loads
from service.analysis.marks import find_marks
from service.analysis.series import StageNote, TestInput
from tests.analysis.conftest import empty_series
from tests.analysis.stage_tests import PERSON, ride, stage_test

WATTS = [100, 140, 180, 220, 260, 300]
LACTATES = [1.2, 1.0, 1.4, 2.2, 4.6, 8.0]


def analysed(test, **more):
    marks = find_marks(test)
    return lactate_thresholds(test, marks, find_loads(test, marks), **more)


def by_method(found):
    return {one.method: one for one in found.thresholds}


def test_fixed_values_and_rises_above_baseline_are_read_between_stages():
    found = by_method(analysed(ride(WATTS, lactates=LACTATES), vo2_peak_ml_min=4000.0))
    # Arithmetic: 2 lies 0.6/0.8 of the way from 180 to 220 W; 4 lies 1.8/2.4 from 220 to 260; baseline 1.0 at 140 W.
    expected = {
        "lactate_2": 210.0,
        "lactate_4": 250.0,
        "lactate_baseline_0_5": 180 + 40 * 0.1 / 0.8,
        "lactate_baseline_1_0": 210.0,
    }
    for method, watts in expected.items():
        one = found[method]
        assert one.work_rate_w == pytest.approx(watts)
        assert one.heart_rate_bpm == pytest.approx(80 + 0.4 * watts)
        assert one.vo2_ml_min == pytest.approx(450 + 10 * watts)
        assert one.percent_of_peak == pytest.approx((450 + 10 * watts) / 40)
        item = one.as_dict()
        assert item["threshold"] == "lt"
        assert item["work_rate_lag_corrected_w"] == item["work_rate_w"]
        assert one.reason is None
        assert "no time and no interval" in item["reason"]


def test_modified_maximal_distance_is_furthest_from_the_line():
    analysis = analysed(ride(WATTS, lactates=LACTATES))
    one, curve = by_method(analysis)["lactate_modified_dmax"], analysis.curve
    assert curve is not None
    assert curve.line is not None
    # The line starts before the first rise of more than 0.4: 180 W (1.4 to 2.2).
    (x0, y0), (x1, y1) = curve.line
    assert (x0, y0, x1, y1) == (180, 1.4, 300, 8.0)
    # By brute force on a fine grid of the cubic that numpy fits.
    cubic = np.polynomial.Polynomial.fit(WATTS, LACTATES, 3)
    grid = np.linspace(x0, x1, 200_001)
    distance = ((y0 + (y1 - y0) * (grid - x0) / (x1 - x0)) - cubic(grid)) / np.hypot(1, (y1 - y0) / (x1 - x0))
    assert one.work_rate_w == pytest.approx(grid[np.argmax(distance)], abs=0.01)
    assert one.lactate_mmol_l == pytest.approx(cubic(one.work_rate_w), abs=1e-9)
    assert np.interp(250.0, curve.loads, curve.lactates_mmol_l) == pytest.approx(cubic(250.0), abs=0.02)


def test_log_log_finds_the_break_that_was_put_in():
    load = np.array([80, 110, 140, 170, 200, 230, 260.0])
    # Two lines on logarithms that meet at 180 W and 1.3 mmol/L.
    log = np.log(1.3) + np.where(load < 180, 0.2, 4.0) * (np.log(load) - np.log(180))
    found = by_method(analysed(ride(load.tolist(), lactates=np.exp(log).tolist())))["lactate_log_log"]
    assert found.work_rate_w == pytest.approx(180.0, rel=1e-9)
    assert found.lactate_mmol_l == pytest.approx(1.3, rel=1e-9)


@pytest.mark.parametrize(
    ("lactates", "value", "said"),
    [
        ([1.0, 1.5, 1.9], 2.0, "stayed below 2.0 mmol/L; the highest was 1.9"),
        ([2.1, 3.0, 5.0], 2.0, "from the first stage on"),
        ([1.0, 2.5, 1.8], 2.0, "fell back below"),
    ],
)
def test_a_value_that_is_not_passed_for_good(lactates, value, said):
    at, reason = crossing(np.array([100.0, 150.0, 200.0]), np.array(lactates), value)
    assert at is None
    assert said in reason


def test_the_last_rise_counts_where_lactate_dips():
    at, _ = crossing(np.array([100.0, 140, 180, 220]), np.array([1.0, 2.2, 1.8, 3.0]), 2.0)
    assert at == pytest.approx(180 + 40 * 0.2 / 1.2)


def reasons(test, **more):
    return {one.method: one.reason for one in analysed(test, **more).thresholds}


@pytest.mark.parametrize(
    ("test", "said"),
    [
        (ride(WATTS), "No lactate was noted."),
        (ride([200], lactates=[2.0], shape="step"), "one stage only"),
        (ride([200], lactates=[2.0], shape="constant"), "at one constant load"),
        (
            ride([150, 150, 150, 150], lactates=[1, 2, 3, 4], shape="step"),
            "never rises from stage 1 to stage 2",
        ),
        (ride([100, 150, 150.5, 200], lactates=[1, 2, 3, 4]), "never rises from stage 2 to stage 3"),
        (ride([200, 150, 100], lactates=[1, 2, 3]), "falls from stage 1 to stage 2"),
    ],
)
def test_a_test_without_a_curve_says_why_for_every_method(test, said):
    analysis = analysed(test)
    assert {one.method for one in analysis.thresholds} == set(SOURCES)
    assert said in analysis.reason
    assert all(said in one.reason for one in analysis.thresholds)


def test_a_ramp_has_no_lactate_thresholds(simulated_test):
    note = StageNote(stage=None, phase="exercise", time_s=700.0, lactate_mmol_l=4.0)
    assert "a ramp" in analysed(replace(simulated_test(), notes=(note,))).reason


def test_methods_need_different_numbers_of_stages():
    three = reasons(ride([100, 150, 200], lactates=[1.0, 1.8, 4.5]))
    assert three["lactate_2"] is None
    assert three["lactate_4"] is None
    assert "cubic curve needs at least 4" in three["lactate_modified_dmax"]
    assert "two lines need at least 5" in three["lactate_log_log"]
    flat = reasons(ride(WATTS, lactates=[1.0, 1.1, 1.2, 1.3, 1.4, 1.5]))
    assert "never rises by more than 0.4" in flat["lactate_modified_dmax"]
    assert "highest was 1.5" in flat["lactate_4"]
    assert flat["lactate_baseline_0_5"] is None
    falling = reasons(ride(WATTS, lactates=[4.0, 3.0, 2.0, 1.5, 1.2, 1.0]))
    assert all(falling.values())


def test_samples_at_rest_in_the_warm_up_and_in_recovery_are_not_of_the_curve():
    test = ride(WATTS, lactates=LACTATES)
    more = (
        StageNote(stage=None, phase="rest", time_s=None, lactate_mmol_l=0.4),
        StageNote(stage=None, phase="recovery", time_s=2000.0, lactate_mmol_l=11.0),
        StageNote(stage=None, phase=None, time_s=5000.0, lactate_mmol_l=12.0),
    )
    assert analysed(replace(test, notes=test.notes + more)).baseline_mmol_l == 1.0
    assert "only at rest" in analysed(replace(test, notes=more)).reason


def test_samples_are_placed_by_time_too_and_the_last_of_a_stage_counts():
    test = ride(WATTS)
    notes = [
        StageNote(stage=None, phase="exercise", time_s=300.0 * (i + 1) - 5.0, lactate_mmol_l=value)
        for i, value in enumerate(LACTATES)
    ]
    notes.append(StageNote(stage=None, phase="exercise", time_s=310.0, lactate_mmol_l=9.0))
    found = analysed(replace(test, notes=tuple(notes)))
    assert [one.lactate_mmol_l for one in found.stages] == LACTATES


def test_notes_alone_are_enough_where_they_name_the_load():
    notes = tuple(
        StageNote(
            stage=i, phase=None, time_s=None, work_rate_w=w, heart_rate_bpm=100 + i, lactate_mmol_l=value
        )
        for i, (w, value) in enumerate(zip(WATTS, LACTATES, strict=True), start=1)
    )
    test = TestInput(series=empty_series(), mode="cycle", person=PERSON, notes=notes)
    found = by_method(lactate_thresholds(test))
    assert found["lactate_4"].work_rate_w == pytest.approx(250.0)
    assert found["lactate_4"].heart_rate_bpm == pytest.approx(104.75)
    assert found["lactate_4"].vo2_ml_min is None
    assert "no VO2" in found["lactate_4"].reason
    no_load = tuple(replace(one, work_rate_w=None) for one in notes)
    assert (
        "work rate of stage 1, 2, 3, 4, 5, 6 is not known"
        in lactate_thresholds(replace(test, notes=no_load)).reason
    )


def test_running_is_read_by_speed_and_walking_by_grade_through_its_cost():
    speeds = [10, 11, 12, 13, 14, 15]
    running = stage_test(
        [{"speed_km_h": v, "grade_percent": 1.0, "heart_rate_bpm": 100 + 5 * v} for v in speeds],
        lactates=LACTATES,
        mode="treadmill",
    )
    found = analysed(running)
    assert found.load_key == "speed_km_h"
    four = by_method(found)["lactate_4"]
    assert (four.speed_km_h, four.work_rate_w) == (pytest.approx(13.75), None)
    walking = stage_test(
        [{"speed_km_h": 5.0, "grade_percent": g, "heart_rate_bpm": 100.0} for g in (0, 4, 8, 12, 16)],
        lactates=[1.0, 1.1, 1.5, 3.0, 5.0],
        mode="treadmill",
    )
    found = analysed(walking)
    assert found.load_key == "cost_ml_kg_min"
    assert by_method(found)["lactate_4"].speed_km_h == pytest.approx(5.0)


def test_a_stage_broken_off_early_is_left_out_and_short_stages_are_told():
    test = ride(WATTS, lactates=LACTATES)
    cut = replace(
        test.series,
        **{
            name: getattr(test.series, name)[:-15]
            for name in ("end_s", "duration_s", "phase", "stage", "excluded", "kept", "aberrant")
        },
        channels={key: value[:-15] for key, value in test.series.channels.items()},
    )
    found = analysed(replace(test, series=cut))
    assert [one.stage for one in found.stages] == [1, 2, 3, 4, 5]
    assert "broken off early were left out: 6" in found.remarks[0]
    assert "shorter than 3 min" in analysed(ride(WATTS, stage_s=120, lactates=LACTATES)).remarks[0]


def test_where_blood_was_taken_is_handed_through():
    told = analysed(
        ride(WATTS, lactates=LACTATES, lactate_sample_site="earlobe", lactate_analyser="bench analyser")
    ).as_dict()
    assert (told["sample_site"], told["analyser"]) == ("earlobe", "bench analyser")
    assert told["curve"]["residual_sd_mmol_l"] > 0
    assert len(told["thresholds"]) == 6


@pytest.mark.parametrize(
    ("recorded", "missing"),
    [
        ({}, ["lactate_sample_site", "lactate_analyser"]),
        ({"lactate_sample_site": "fingertip"}, ["lactate_analyser"]),
        ({"lactate_analyser": "bench"}, ["lactate_sample_site"]),
        ({"lactate_sample_site": "fingertip", "lactate_analyser": "bench"}, []),
    ],
)
def test_samples_that_nobody_described_are_told_of(recorded, missing):
    found = analysed(ride(WATTS, lactates=LACTATES, **recorded)).findings
    told = found[0].message if found else ""
    assert [one for one in ("lactate_sample_site", "lactate_analyser") if one in told] == missing
    assert [one.severity for one in found] == ["info"] * bool(missing)
    assert analysed(ride(WATTS, **recorded)).findings == ()


@given(
    st.lists(
        st.tuples(st.floats(0, 500), st.floats(0.1, 40)),
        min_size=1,
        max_size=9,
    ),
    st.booleans(),
)
@settings(max_examples=80, deadline=None)
def test_any_small_test_gives_values_inside_it_or_reasons(rows, ordered):
    rows = sorted(rows) if ordered else rows
    notes = tuple(
        StageNote(stage=i, phase="exercise", time_s=None, work_rate_w=w, lactate_mmol_l=value)
        for i, (w, value) in enumerate(rows, start=1)
    )
    test = TestInput(series=empty_series(), mode="cycle", person=PERSON, notes=notes)
    for one in lactate_thresholds(test).thresholds:
        if one.work_rate_w is None:
            assert one.reason
        else:
            assert rows[0][0] <= one.work_rate_w <= rows[-1][0]
            assert one.lactate_mmol_l > 0
