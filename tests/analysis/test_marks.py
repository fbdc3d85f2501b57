"""Where exercise begins and ends: given, from phases, or inferred and then said so."""

import numpy as np
import pytest

from service.analysis.marks import counted_rows, exercise_load, find_marks


def codes(marks):
    return [finding.code for finding in marks.findings]


def test_given_marks_win_over_phases_and_loads(simulated_test, make_test):
    test = simulated_test()
    marks = find_marks(make_test(test.series, exercise_start_s=333.0, exercise_end_s=777.0))
    assert (marks.exercise_start_s, marks.exercise_end_s, marks.basis) == (333.0, 777.0, "given")
    assert marks.findings == ()


def test_phases_say_where_exercise_is(simulated_test):
    marks = find_marks(simulated_test())
    assert (marks.exercise_start_s, marks.exercise_end_s, marks.basis) == (300.0, 960.0, "phases")
    assert codes(marks) == ["marks_from_phases"]
    assert "300.0 s to 960.0 s" in marks.findings[0].message


def test_one_mark_given_and_the_other_from_phases(simulated_test, make_test):
    marks = find_marks(make_test(simulated_test().series, exercise_end_s=900.0))
    assert (marks.exercise_start_s, marks.exercise_end_s, marks.basis) == (300.0, 900.0, "phases")


def test_phases_that_name_only_recovery_still_end_exercise(make_series, make_test):
    ends = np.arange(10.0, 610.0, 10.0)
    series = make_series(
        ends,
        vo2_ml_min=np.full(60, 2000.0),
        work_rate_w=np.where(ends <= 400, 150.0, 20.0),
        phase=[None] * 45 + ["recovery"] * 15,
    )
    marks = find_marks(make_test(series))
    assert marks.exercise_end_s == 450.0
    assert marks.basis == "inferred"
    assert codes(marks) == ["marks_from_phases", "phases_inferred"]


@pytest.mark.parametrize("row_s", [15.0, None])
def test_a_ramp_after_a_warm_up_is_inferred_from_the_work_rate(simulated_test, with_series, row_s):
    test = simulated_test(row_s=row_s)
    marks = find_marks(with_series(test, phase=np.full(len(test.series), -1, np.int8)))
    assert marks.basis == "inferred"
    assert marks.exercise_start_s == pytest.approx(300, abs=6)
    assert marks.exercise_end_s == pytest.approx(960, abs=3)
    assert codes(marks) == ["phases_inferred"]
    assert "work rate" in marks.findings[0].message


def test_steps_begin_with_the_first_load_and_pauses_between_stages_are_exercise(make_series, make_test):
    """Three minutes of rest, stages of 4 min with 40 s of standing for a blood sample, recovery."""
    speed = [0.0] * 18
    for stage in range(5):
        speed += [10.0 + 1.5 * stage] * 24 + [0.0] * 4
    speed += [4.0] * 20
    ends = 10.0 * np.arange(1, len(speed) + 1)
    marks = find_marks(make_test(make_series(ends, speed_km_h=speed), mode="run"))
    assert (marks.exercise_start_s, marks.exercise_end_s) == (180.0, 180.0 + 5 * 280 - 40)
    assert "speed" in marks.findings[0].message


@pytest.mark.parametrize("bout", [280.0, 330.0])
def test_a_later_bout_in_the_same_recording_is_not_part_of_it(make_series, make_test, bout):
    watts = [0.0] * 6 + [100.0] * 12 + [200.0] * 12 + [300.0] * 12 + [20.0] * 30 + [bout] * 15
    ends = 10.0 * np.arange(1, len(watts) + 1)
    marks = find_marks(make_test(make_series(ends, work_rate_w=watts)))
    assert (marks.exercise_start_s, marks.exercise_end_s) == (60.0, 420.0)


def test_without_load_the_uptake_says_it(simulated_test, with_series):
    test = simulated_test()
    n = len(test.series)
    marks = find_marks(
        with_series(test, phase=np.full(n, -1, np.int8), channels={"work_rate_w": np.full(n, np.nan)})
    )
    assert marks.basis == "inferred"
    assert marks.exercise_end_s == pytest.approx(960, abs=20)
    assert "uptake" in marks.findings[0].message


def test_without_load_and_uptake_the_recording_is_taken_whole(make_series, make_test):
    marks = find_marks(make_test(make_series([60, 120, 180], heart_rate_bpm=[100, 120, 140])))
    assert (marks.exercise_start_s, marks.exercise_end_s, marks.basis) == (0.0, 180.0, "inferred")


def test_an_empty_series_has_no_marks(make_test, no_intervals):
    with pytest.raises(ValueError, match="without intervals"):
        find_marks(make_test(no_intervals))


def test_missing_excluded_and_impossible_rows_do_not_count(make_series):
    series = make_series(
        [10, 20, 30, 40, 50, 60],
        vo2_ml_min=[49.9, 50.0, 8000.0, 8000.1, np.nan, 3000.0],
        excluded=[False] * 5 + [True],
    )
    assert counted_rows(series).tolist() == [False, True, True, False, False, False]
    assert not counted_rows(series, "heart_rate_bpm").any()


def test_a_row_cut_by_the_end_has_the_load_of_the_last_full_row(make_series, make_test):
    series = make_series([60, 120, 180, 240], work_rate_w=[50, 100, 110, 20])
    marks = find_marks(make_test(series, exercise_start_s=30.0, exercise_end_s=150.0))
    assert exercise_load(series, marks, "work_rate_w").tolist() == pytest.approx(
        [np.nan, 100, 100, np.nan], nan_ok=True
    )
