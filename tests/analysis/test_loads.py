from dataclasses import replace

import numpy as np
import pytest

from service.analysis.loads import NO_GAIT, RUNNING, UNKNOWN_SIDE, WALKING, find_loads, infer_shape
from service.analysis.marks import Marks, find_marks
from service.analysis.series import PHASES, Person, Series, StageNote, TestInput
from tests.analysis.simulated_tests import (
    RAMP_15,
    RAMP_25,
    RUN_RAMP,
    RUN_STEP,
    STEP_20,
    STEP_25,
    simulate,
)


def rows_of(loads, *, row_s=15.0, mode="cycle", key="work_rate_w", phase=None, stage=None, more=None, **test):
    n = len(loads)
    series = Series(
        end_s=row_s * np.arange(1, n + 1),
        duration_s=np.full(n, row_s),
        channels={
            "vo2_ml_min": np.full(n, 2000.0),
            **({} if key is None else {key: np.array(loads, float)}),
            **(more or {}),
        },
        phase=np.full(n, -1, np.int8) if phase is None else np.array(phase, np.int8),
        stage=np.full(n, -1, np.int64) if stage is None else np.array(stage, np.int64),
        excluded=np.zeros(n, bool),
    )
    return TestInput(series=series, mode=mode, person=Person(body_mass_kg=70.0), **test)


def whole(test):
    return Marks(0.0, float(test.series.end_s[-1]), "given")


@pytest.mark.parametrize("rows", ["breaths", 5.0, 10.0, 15.0, 30.0])
@pytest.mark.parametrize("exercise_s", [600.0, 641.0])
@pytest.mark.parametrize(
    ("protocol", "shape"),
    [
        (RAMP_15, "ramp"),
        (RAMP_25, "ramp"),
        (RUN_RAMP, "ramp"),
        (STEP_20, "step"),
        (STEP_25, "step"),
        (RUN_STEP, "step"),
    ],
    ids=lambda value: getattr(value, "name", value),
)
def test_shape_is_told_from_how_long_each_load_was_held(protocol, shape, rows, exercise_s):
    test = simulate(protocol, 3, rows=rows, exercise_s=exercise_s)
    inferred = infer_shape(test, find_marks(test))
    assert (inferred.shape, inferred.basis) == (shape, "inferred")
    assert [one.code for one in inferred.findings] == ["shape_inferred"]


@pytest.mark.parametrize(
    ("loads", "row_s", "shape"),
    [
        ([100] * 20, 15, "constant"),
        ([50] * 4 + [70] * 4 + [90] * 4 + [110] * 2, 15, "step"),  # 60-s stages count as held for 60 s
        ([50] * 3 + [70] * 3 + [90] * 3 + [110] * 3, 15, "ramp"),  # 45 s do not
        ([50] * 8 + [70] * 3, 15, "step"),  # one stage and a broken-off one
        ([100, 101, 99, 100, 101, 100] * 4, 15, "constant"),  # jitter of the ergometer is no change
        # Means over the moment at which the load changed.
        ([50] * 7 + [60] + [70] * 7 + [80] + [90] * 7 + [100] + [110] * 3, 15, "step"),
        (list(range(20, 320, 5)), 15, "ramp"),
        # 5 W/min, as in a gentle ramp: slow, but never held.
        (list(np.arange(20, 70, 5 / 60 * 5)), 5, "ramp"),
        # Pauses for a blood sample between stages.
        ([100] * 12 + [0] * 2 + [125] * 12 + [0] * 2 + [150] * 12 + [0] * 2 + [175] * 6, 15, "step"),
    ],
)
def test_shape_of_loads(loads, row_s, shape):
    test = rows_of(loads, row_s=row_s)
    assert infer_shape(test, whole(test)).shape == shape


def test_means_of_a_minute_do_not_tell_a_ramp_from_stages():
    test = rows_of([20, 45, 70, 95, 120, 145], row_s=60.0)
    found = infer_shape(test, whole(test))
    assert found.shape is None
    assert [one.code for one in found.findings] == ["shape_not_told"]


def test_an_excluded_row_still_tells_the_load():
    test = rows_of([50] * 8 + [70] * 8 + [90] * 8)
    excluded = np.zeros(24, bool)
    excluded[-3:] = True
    test = replace(test, series=replace(test.series, excluded=excluded))
    assert find_loads(test, whole(test)).stages[-1].end_s == 360.0


def test_a_shape_that_was_given_wins_and_nothing_is_said():
    test = rows_of([100] * 20, shape="ramp")
    found = infer_shape(test, whole(test))
    assert (found.shape, found.basis, found.findings) == ("ramp", "given", ())
    assert find_loads(test, whole(test)).shape == "ramp"


def test_without_work_rates_there_is_no_shape_and_no_load():
    test = rows_of([0] * 20, key=None)
    loads = find_loads(test, whole(test))
    assert (loads.shape, loads.shape_basis) == (None, None)
    assert loads.reason == "the test has no work rates"
    assert np.isnan(loads.per_row).all()
    assert loads.stages == ()


def test_stages_of_a_step_test():
    test = rows_of([50] * 8 + [70] * 8 + [90] * 8 + [110] * 3)
    stages = find_loads(test, whole(test)).stages
    assert [(one.number, one.start_s, one.end_s, one.load, one.planned_s) for one in stages] == [
        (1, 0, 120, 50, 120),
        (2, 120, 240, 70, 120),
        (3, 240, 360, 90, 120),
        (4, 360, 405, 110, 120),
    ]
    assert [one.work_rate_w for one in stages] == [50, 70, 90, 110]
    assert {one.side for one in stages} == {NO_GAIT}
    assert [one.completed for one in stages] == [True, True, True, False]


@pytest.mark.parametrize(
    ("stage_s", "done_s", "completed", "counts"),
    [
        (120, 120, True, True),
        (120, 90, False, True),  # three quarters
        (120, 75, False, False),
        (180, 120, False, True),  # 2 min, less than three quarters
        (180, 105, False, False),
        (240, 135, False, True),
        (240, 105, False, False),
        (60, 45, False, True),
        (60, 30, False, False),
    ],
)
def test_an_unfinished_stage_counts_from_two_minutes_or_three_quarters(stage_s, done_s, completed, counts):
    full, rest = stage_s // 15, done_s // 15
    test = rows_of([50] * full + [75] * full + [100] * full + [125] * rest)
    last = find_loads(test, whole(test)).stages[-1]
    # A row's length of slack is allowed for files whose rows do not end where stages do, never the 15 s here.
    assert (last.completed, last.counts) == (completed, counts)


def test_a_row_cut_by_the_end_has_the_load_of_the_last_full_row_and_recovery_has_none():
    test = rows_of([50] * 8 + [70] * 8 + [90] * 8 + [20] * 4)
    loads = find_loads(test, Marks(0.0, 367.0, "given"))
    assert loads.per_row[24] == 90.0
    assert np.isnan(loads.per_row[25:]).all()


def test_warm_up_rows_need_a_phase_or_a_load():
    warm, exercise = PHASES.index("warm_up"), PHASES.index("exercise")
    loads = [0] * 4 + [40] * 8 + [50] * 8 + [70] * 8
    stated = rows_of(loads, phase=[warm] * 12 + [exercise] * 16)
    unstated = rows_of(loads)
    marks = Marks(180.0, 420.0, "given")
    assert find_loads(stated, marks).warm_up.sum() == 12
    assert find_loads(unstated, marks).warm_up.sum() == 8


@pytest.mark.parametrize(
    ("speed", "grade", "mode", "side", "cost"),
    [
        # ACSM equations, Guidelines 11th ed.; printed example 3.5 mph at 10 %: 29.76 with 26.8 m/min per mph.
        (5.632704, 10.0, "treadmill", WALKING, 29.76),
        # Worked by hand: Bruce stage 3, 3.4 mph at 14 %, walking 35.57.
        (5.4717696, 14.0, "treadmill", WALKING, 35.57),
        # By hand: 3.5 + 0.2 x 200 + 0.9 x 200 x 0.01.
        (12.0, 1.0, "treadmill", RUNNING, 45.30),
        (7.0, 5.0, "treadmill", UNKNOWN_SIDE, None),
        # By hand: 3.5 + 0.2 x 116.67 + 0.9 x 116.67 x 0.05; a mode that says the gait.
        (7.0, 5.0, "run", RUNNING, 32.083),
        (7.0, 5.0, "walk", WALKING, 25.667),
        (6.0, 0.0, "treadmill", WALKING, 13.5),
        (8.04, 0.0, "treadmill", RUNNING, 30.3),
    ],
)
def test_treadmill_load_is_the_acsm_cost_of_the_gait_the_speed_tells(speed, grade, mode, side, cost):
    test = rows_of([speed] * 12, mode=mode, key="speed_km_h", more={"grade_percent": np.full(12, grade)})
    loads = find_loads(test, whole(test))
    assert loads.unit == "mL/kg/min"
    assert set(loads.side) == {side}
    if cost is None:
        assert np.isnan(loads.per_row).all()
        assert "walking from running" in loads.reason
    else:
        assert loads.per_row == pytest.approx(np.full(12, cost), abs=0.05)


def test_a_held_handrail_leaves_no_load():
    test = rows_of([10.0] * 12, mode="treadmill", key="speed_km_h", handrail_support=True)
    loads = find_loads(test, whole(test))
    assert np.isnan(loads.per_row).all()
    assert "handrail" in loads.reason


def test_a_treadmill_without_grade_is_taken_as_level_and_said_to_be():
    test = rows_of([9.0] * 12 + [10.0] * 12, mode="treadmill", key="speed_km_h")
    loads = find_loads(test, whole(test))
    assert [one.code for one in loads.findings] == ["shape_inferred", "grade_taken_as_level"]
    assert loads.per_row[0] == pytest.approx(3.5 + 0.2 * 150)
    assert [one.gait for one in loads.stages] == ["running", "running"]


def test_loads_of_the_stage_notes_stand_in_where_the_series_has_none():
    stage = [1] * 8 + [2] * 8 + [3] * 8
    notes = tuple(
        StageNote(number, None, None, work_rate_w=load) for number, load in ((1, 50.0), (2, 75.0), (3, 100.0))
    )
    test = rows_of([0] * 24, key=None, stage=stage, notes=notes)
    loads = find_loads(test, whole(test))
    assert [one.load for one in loads.stages] == [50, 75, 100]
    assert [one.recorded_stage for one in loads.stages] == [1, 2, 3]
    assert loads.shape == "step"
    assert [one.code for one in loads.findings] == ["load_from_stage_notes", "shape_inferred"]
    # With a channel of its own the notes say nothing.
    own = rows_of([60] * 24, stage=stage, notes=notes)
    assert set(find_loads(own, whole(own)).per_row) == {60.0}


def test_a_shift_in_time_moves_the_stages_and_nothing_else():
    test = simulate(STEP_20, 5, rows=15.0)
    later = replace(
        test,
        series=replace(test.series, end_s=test.series.end_s + 1000.0),
        exercise_start_s=test.exercise_start_s + 1000.0,
        exercise_end_s=test.exercise_end_s + 1000.0,
    )
    before, after = (find_loads(one, find_marks(one)) for one in (test, later))
    assert [one.end_s + 1000.0 for one in before.stages] == [one.end_s for one in after.stages]
    assert [one.load for one in before.stages] == [one.load for one in after.stages]
