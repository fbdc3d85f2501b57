"""Peak, maxima and the averaging conventions."""

import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.marks import Marks, find_marks
from service.analysis.peaks import (
    PeakSettings,
    consecutive_bins,
    each_second,
    find_maxima,
    find_peak,
    is_breath_by_breath,
    moving_breaths,
    moving_seconds,
    peak_by_window,
    trimmed_breaths,
)
from service.analysis.series import Person, StageNote
from service.errors import InvalidContent

CONVENTION_SETTINGS = [
    PeakSettings(),
    PeakSettings("moving_seconds"),
    PeakSettings("consecutive_bins"),
    PeakSettings("moving_breaths"),
    PeakSettings("trimmed_breaths"),
]


# -- settings ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fields", "place"),
    [
        ({"convention": "median"}, "peak_convention"),
        ({"window_s": 0}, "peak_window_s"),
        ({"window_s": float("nan")}, "peak_window_s"),
        ({"convention": "moving_seconds", "window_s": 12.5}, "peak_window_s"),
        ({"convention": "trimmed_breaths", "window_breaths": 2}, "peak_window_breaths"),
        ({"convention": "moving_breaths", "window_breaths": 0}, "peak_window_breaths"),
        ({"window_breaths": 15}, "peak_window_breaths"),
    ],
)
def test_settings_that_cannot_be_are_refused(fields, place):
    with pytest.raises(InvalidContent, match="it must be") as refused:
        PeakSettings(**fields)
    assert [one.location for one in refused.value.errors] == [place]


def test_breaths_have_defaults_and_no_seconds():
    assert (PeakSettings("moving_breaths").breaths, PeakSettings("moving_breaths").seconds) == (15, None)
    assert PeakSettings("trimmed_breaths").breaths == 7
    assert (PeakSettings().breaths, PeakSettings().seconds) == (None, 30.0)


# -- conventions as functions -----------------------------------------------------------------------------


def test_conventions_on_a_few_values():
    """Arithmetic worked by hand."""
    values = np.array([1.0, 5.0, 3.0, 2.0, 9.0])
    assert moving_breaths(values, 2).tolist() == [3.0, 4.0, 2.5, 5.5]
    assert trimmed_breaths(values, 3).tolist() == [3.0, 3.0, 3.0]
    assert consecutive_bins(values, 2).tolist() == [3.0, 2.5]
    assert moving_seconds(values, 5).tolist() == [4.0]
    assert each_second(np.array([2.0, 4.0]), np.array([10.0, 20.0]), 0, 4.9).tolist() == [10, 10, 15, 20]
    assert moving_breaths(values, 6).size == trimmed_breaths(values, 6).size == 0


# -- the peak of one test ---------------------------------------------------------------------------------


def test_every_figure_is_of_the_one_window(make_series, make_test):
    """Arithmetic: the best 30 s are rows 3 and 4, so every mean is over these."""
    series = make_series(
        [15, 30, 45, 60, 75, 90],
        vo2_ml_min=[2000, 2400, 3000, 3300, 3000, 2000],
        vco2_ml_min=[2000, 2500, 3150, 3630, 3600, 3000],
        ve_l_min=[60, 70, 90, 110, 120, 130],
        heart_rate_bpm=[150, 160, 170, 180, 184, 190],
        respiratory_rate_per_min=[30, 32, 36, 40, 44, 50],
        work_rate_w=[150, 180, 210, 240, 240, 20],
    )
    peak = find_peak(make_test(series), Marks(0, 75, "given"))
    assert (peak.start_s, peak.end_s, peak.effective_window_s) == (30, 60, 30)
    assert peak.vo2_ml_min == 3150
    assert peak.vo2_ml_kg_min == pytest.approx(42.0)
    assert peak.mets == pytest.approx(12.0)
    assert peak.rer == pytest.approx((3150 + 3630) / (3000 + 3300))
    assert (peak.ve_l_min, peak.heart_rate_bpm, peak.respiratory_rate_per_min) == (100, 175, 38)
    assert peak.o2_pulse_ml_beat == pytest.approx(18.0)
    assert peak.work_rate_w == 225
    assert peak.speed_km_h is None
    assert peak.reasons["speed_km_h"] == "The test has no speed."


def test_a_row_cut_by_the_end_keeps_its_uptake_but_not_its_load(make_series, make_test):
    """60-s rows with the end of exercise in the middle of the last: its uptake counts, its load does not."""
    series = make_series(
        [60, 120, 180, 240], vo2_ml_min=[1500, 2500, 3000, 3200], work_rate_w=[50, 100, 150, 75]
    )
    peak = find_peak(make_test(series), Marks(0, 220, "given"))
    assert (peak.vo2_ml_min, peak.start_s, peak.end_s) == (3200, 180, 210)
    assert peak.work_rate_w == 150
    assert peak.effective_window_s == 60
    assert find_maxima(make_test(series), Marks(0, 220, "given")).work_rate_w == 150


def test_long_rows_say_how_long_the_window_really_is(make_series, make_test):
    series = make_series([60, 120, 180], vo2_ml_min=[2000, 3000, 3500])
    peaks = peak_by_window(make_test(series), Marks(0, 180, "given"))
    assert [(one.window_s, one.effective_window_s) for one in peaks] == [
        (15, 60),
        (20, 60),
        (30, 60),
        (60, 60),
    ]
    assert {one.vo2_ml_min for one in peaks} == {3500}


def test_rows_that_cannot_be_do_not_make_a_peak(make_series, make_test):
    ends = 5.0 * np.arange(1, 61)
    uptake = np.full(60, 3000.0)
    uptake[40] = 30000.0
    peak = find_peak(make_test(make_series(ends, vo2_ml_min=uptake)), Marks(0, 300, "given"))
    assert peak.vo2_ml_min == pytest.approx(3000)


@pytest.mark.parametrize("how", CONVENTION_SETTINGS, ids=lambda how: how.convention)
def test_nothing_covered_is_no_peak_with_the_reason(make_series, make_test, how):
    ends = 10.0 * np.arange(1, 31)
    series = make_series(ends, vo2_ml_min=np.where(np.arange(30) % 2, 3000.0, np.nan))
    peak = find_peak(make_test(series), Marks(0, 300, "given"), how)
    if how.convention != "trimmed_breaths":
        assert peak.vo2_ml_min is None
    assert peak.vo2_ml_min is None, "a run of rows over gaps is not covered either"
    assert "80 %" in peak.reasons["vo2_ml_min"]
    assert peak.as_dict()["reason"] == peak.reasons["vo2_ml_min"]


@pytest.mark.parametrize(
    ("channels", "marks", "words"),
    [
        ({"heart_rate_bpm": [100, 110]}, (0, 120), "no VO2"),
        ({"vo2_ml_min": [2000, 3000]}, (0, 20), "lasted 20.0 s"),
    ],
)
def test_the_reason_names_what_is_missing(make_series, make_test, channels, marks, words):
    peak = find_peak(make_test(make_series([60, 120], channels)), Marks(*marks, "given"))
    assert words in peak.reasons["vo2_ml_min"]
    assert peak.vo2_ml_kg_min is None


def test_no_body_mass_is_no_value_per_body_mass(simulated_test):
    test = replace(simulated_test(), person=Person(sex="male"))
    peak = find_peak(test, find_marks(test))
    assert peak.vo2_ml_min is not None
    assert (peak.vo2_ml_kg_min, peak.mets) == (None, None)
    assert "no body mass" in peak.reasons["mets"]


def test_a_heart_rate_missing_in_the_window_is_not_made_up(simulated_test, with_series):
    test = simulated_test()
    heart = test.series.channel("heart_rate_bpm").copy()
    heart[58:] = np.nan
    test = with_series(test, channels={"heart_rate_bpm": heart})
    peak = find_peak(test, find_marks(test))
    assert (peak.heart_rate_bpm, peak.o2_pulse_ml_beat) == (None, None)
    assert "% of the peak window" in peak.reasons["o2_pulse_ml_beat"]
    assert find_maxima(test, find_marks(test)).heart_rate_bpm is not None


def test_a_lost_carbon_dioxide_channel_gives_no_ratio(simulated_test, with_series):
    test = simulated_test()
    output = test.series.channel("vco2_ml_min").copy()
    output[55:] = 0.0
    test = with_series(test, channels={"vco2_ml_min": output})
    marks = find_marks(test)
    peak, maxima = find_peak(test, marks), find_maxima(test, marks)
    assert (peak.rer, maxima.rer) == (None, None)
    assert "CO2 channel is lost" in peak.reasons["rer"]
    assert "CO2 channel is lost" in maxima.reasons["rer"]
    assert peak.vo2_ml_min is not None


def test_breaths_are_told_from_means(simulated_test):
    assert is_breath_by_breath(simulated_test(row_s=None).series)
    for row_s in (1.0, 5.0, 15.0, 60.0):
        assert not is_breath_by_breath(simulated_test(row_s=row_s).series)


def test_windows_offered_for_comparison(simulated_test):
    test = simulated_test(row_s=None, noise=0.08)
    peaks = peak_by_window(test, find_marks(test), PeakSettings("time_weighted", 45))
    assert [(one.convention, one.window_s, one.window_breaths) for one in peaks] == [
        ("time_weighted", 15, None),
        ("time_weighted", 20, None),
        ("time_weighted", 30, None),
        ("time_weighted", 45, None),
        ("time_weighted", 60, None),
        ("trimmed_breaths", None, 7),
        ("moving_breaths", None, 15),
    ]
    timed = [one.vo2_ml_min for one in peaks[:5]]
    assert timed == sorted(timed, reverse=True)
    assert peaks[2].vo2_ml_min == find_peak(test, find_marks(test)).vo2_ml_min


def test_an_excluded_breath_is_skipped_by_windows_of_breaths(make_series, make_test):
    ends = 3.0 * np.arange(1, 41)
    uptake = np.concatenate((np.full(20, 2000.0), np.full(20, 3000.0)))
    uptake[30] = 7000.0
    excluded = np.arange(40) == 30
    test = make_test(make_series(ends, vo2_ml_min=uptake, excluded=excluded))
    for how in (PeakSettings("moving_breaths", window_breaths=15), PeakSettings("trimmed_breaths")):
        assert find_peak(test, Marks(0, 120, "given"), how).vo2_ml_min == 3000


# -- maxima -----------------------------------------------------------------------------------------------


def test_maxima_stop_at_the_end_of_exercise(make_series, make_test):
    ends = 5.0 * np.arange(1, 41)
    after = ends > 150
    series = make_series(
        ends,
        vo2_ml_min=np.full(40, 3000.0),
        vco2_ml_min=np.where(after, 4500.0, 3300.0),
        ve_l_min=np.where(after, 150.0, 110.0),
        heart_rate_bpm=np.where(after, 199.0, 180.0),
        work_rate_w=np.where(after, 400.0, 250.0),
        speed_km_h=np.where(after, 20.0, 10.0),
    )
    maxima = find_maxima(make_test(series), Marks(0, 150, "given"))
    assert maxima.heart_rate_bpm == pytest.approx(180)
    assert maxima.rer == pytest.approx(1.1)
    assert maxima.ve_l_min == pytest.approx(110)
    assert (maxima.work_rate_w, maxima.speed_km_h, maxima.exercise_duration_s) == (250, 10, 150)
    assert maxima.windows_s == {"heart_rate_bpm": 5.0, "ve_l_min": 30.0, "rer": 30.0}


def test_heart_rate_is_of_five_seconds_or_one_interval(make_series, make_test):
    second = np.arange(1.0, 61.0)
    beats = np.where(second == 40, 200.0, 160.0)
    maxima = find_maxima(make_test(make_series(second, heart_rate_bpm=beats)), Marks(0, 60, "given"))
    assert maxima.heart_rate_bpm == pytest.approx((200 + 4 * 160) / 5)
    rows = make_series([20, 40, 60], heart_rate_bpm=[150, 170, 165])
    maxima = find_maxima(make_test(rows), Marks(0, 60, "given"))
    assert (maxima.heart_rate_bpm, maxima.windows_s["heart_rate_bpm"]) == (170, 20)


def note(**fields):
    return StageNote(**{"stage": None, "phase": "exercise", "time_s": None, **fields})


@pytest.mark.parametrize(
    ("notes", "field", "value"),
    [
        ([note(rpe=15, rpe_scale="6-20"), note(rpe=19, rpe_scale="6-20")], "rpe", 19),
        ([note(rpe=19, rpe_scale="6-20", time_s=630.0, phase=None)], "rpe", 19),
        ([note(rpe=19, rpe_scale="6-20", phase="recovery")], "rpe", None),
        ([note(rpe=15, rpe_scale="6-20"), note(rpe=8, rpe_scale="0-10")], "rpe", None),
        ([note(lactate_mmol_l=9.0, phase="recovery", time_s=899.0)], "lactate_mmol_l", 9.0),
        ([note(lactate_mmol_l=9.0, phase="recovery", time_s=901.0)], "lactate_mmol_l", None),
        ([note(lactate_mmol_l=9.0, phase="recovery")], "lactate_mmol_l", None),
        ([note(lactate_mmol_l=4.0), note(lactate_mmol_l=6.5)], "lactate_mmol_l", 6.5),
        ([note(systolic_mmhg=180), note(systolic_mmhg=210)], "systolic_mmhg", 210),
        ([note(systolic_mmhg=120, phase="rest")], "systolic_mmhg", None),
        ([note(systolic_mmhg=220, phase=None, time_s=660.0)], "systolic_mmhg", None),
        ([note(heart_rate_bpm=191)], "heart_rate_bpm", 191),
        ([note(heart_rate_bpm=120)], "heart_rate_bpm", 170),
        ([note(heart_rate_bpm=199, phase="recovery")], "heart_rate_bpm", 170),
    ],
)
def test_stage_notes_join_the_maxima(make_series, make_test, notes, field, value):
    series = make_series(
        60.0 * np.arange(1, 12), heart_rate_bpm=[100, 110, 120, 130, 140, 150, 155, 160, 165, 170, 150]
    )
    maxima = find_maxima(make_test(series, notes=tuple(notes)), Marks(0, 600, "given"))
    assert getattr(maxima, field) == value
    assert (value is None) == (field in maxima.reasons)


# -- what must not move a peak ----------------------------------------------------------------------------

_breaths = st.lists(st.tuples(st.floats(0.8, 6), st.floats(800, 5000)), min_size=30, max_size=90)


def _series(make_series, breaths):
    ends = np.cumsum([length for length, _ in breaths])
    return make_series(ends, vo2_ml_min=[value for _, value in breaths])


def _value(make_test, series, end, how=None):
    return find_peak(make_test(series), Marks(0.0, end, "given"), how).vo2_ml_min


@settings(max_examples=40, deadline=None)
@given(breaths=_breaths, seed=st.integers(0, 999))
def test_splitting_intervals_in_two_does_not_move_the_peak(make_series, make_test, breaths, seed):
    whole = _series(make_series, breaths)
    end = float(whole.end_s[-1])
    chance = random.Random(seed)
    ends, values = [], []
    for start, stop, value in zip(whole.start_s, whole.end_s, whole.channel("vo2_ml_min"), strict=True):
        if chance.random() < 0.5:
            ends.append(start + (stop - start) * chance.uniform(0.2, 0.8))
            values.append(value)
        ends.append(stop)
        values.append(value)
    split = make_series(ends, vo2_ml_min=values)
    for how in (None, PeakSettings("time_weighted", 15), PeakSettings("time_weighted", 60)):
        one, other = _value(make_test, whole, end, how), _value(make_test, split, end, how)
        assert other == (None if one is None else pytest.approx(one, rel=1e-9))


@settings(max_examples=40, deadline=None)
@given(breaths=_breaths, shift=st.floats(-900, 9000), how=st.sampled_from(CONVENTION_SETTINGS))
def test_a_shift_in_time_does_not_move_the_peak(make_series, make_test, breaths, shift, how):
    series = _series(make_series, breaths)
    end = float(series.end_s[-1])
    later = replace(series, end_s=series.end_s + shift)
    moved = find_peak(make_test(later), Marks(shift, end + shift, "given"), how).vo2_ml_min
    still = _value(make_test, series, end, how)
    assert moved == (None if still is None else pytest.approx(still, rel=1e-6))


@settings(max_examples=40, deadline=None)
@given(breaths=_breaths, factor=st.floats(0.3, 1.5), how=st.sampled_from(CONVENTION_SETTINGS))
def test_another_unit_scales_the_peak_and_nothing_else(make_series, make_test, breaths, factor, how):
    series = _series(make_series, breaths)
    end = float(series.end_s[-1])
    scaled = replace(series, channels={"vo2_ml_min": series.channel("vo2_ml_min") * factor})
    one, other = (find_peak(make_test(s), Marks(0, end, "given"), how) for s in (series, scaled))
    if one.vo2_ml_min is None:
        assert other.vo2_ml_min is None
        return
    assert other.vo2_ml_min == pytest.approx(one.vo2_ml_min * factor, rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(
    breaths=_breaths,
    place=st.integers(0, 89),
    value=st.floats(100, 7000),
    how=st.sampled_from(CONVENTION_SETTINGS),
)
def test_an_excluded_row_in_a_gap_does_not_move_the_peak(make_series, make_test, breaths, place, value, how):
    place %= len(breaths)
    lengths = np.array([length for length, _ in breaths])
    gap = np.where(np.arange(len(breaths)) == place, 3.0, 0.0)
    ends = np.cumsum(lengths + gap)
    values = np.array([uptake for _, uptake in breaths])
    without = make_series(ends, vo2_ml_min=values, duration_s=lengths)
    begins = float(without.start_s[place])
    added = make_series(
        np.insert(ends, place, begins),
        vo2_ml_min=np.insert(values, place, value),
        duration_s=np.insert(lengths, place, 3.0),
        excluded=np.arange(len(ends) + 1) == place,
    )
    end = float(ends[-1])
    one, other = _value(make_test, without, end, how), _value(make_test, added, end, how)
    assert other == (None if one is None else pytest.approx(one, rel=1e-9))


@settings(max_examples=60, deadline=None)
@given(
    values=st.lists(st.floats(800, 5000), min_size=12, max_size=80),
    row_s=st.sampled_from([5.0, 10.0, 15.0]),
    window_s=st.sampled_from([15.0, 30.0, 60.0]),
)
def test_a_rolling_peak_is_never_below_the_block_peak(make_series, make_test, values, row_s, window_s):
    series = make_series(row_s * np.arange(1, len(values) + 1), vo2_ml_min=values)
    end = float(series.end_s[-1])
    rolling = _value(make_test, series, end, PeakSettings("time_weighted", window_s))
    block = _value(make_test, series, end, PeakSettings("consecutive_bins", window_s))
    assert rolling >= block * (1 - 1e-12)


@settings(max_examples=40, deadline=None)
@given(breaths=_breaths, window_s=st.sampled_from([15.0, 30.0, 60.0]))
def test_the_order_of_the_rows_in_time_does_not_favour_a_side(make_series, make_test, breaths, window_s):
    """Played backwards, a test has the same highest mean."""
    forth, back = _series(make_series, breaths), _series(make_series, breaths[::-1])
    how = PeakSettings("time_weighted", window_s)
    one = _value(make_test, forth, float(forth.end_s[-1]), how)
    other = _value(make_test, back, float(back.end_s[-1]), how)
    assert other == (None if one is None else pytest.approx(one, rel=1e-9))


@settings(max_examples=20, deadline=None)
@given(order=st.permutations(range(6)))
def test_the_order_of_the_stage_notes_does_not_matter(make_series, make_test, order):
    notes = [
        note(rpe=12, rpe_scale="6-20", systolic_mmhg=150),
        note(rpe=17, rpe_scale="6-20", systolic_mmhg=190),
        note(lactate_mmol_l=3.0),
        note(lactate_mmol_l=8.5, phase="recovery", time_s=700.0),
        note(heart_rate_bpm=181),
        note(work_rate_w=250.0),
    ]
    series = make_series(60.0 * np.arange(1, 12), vo2_ml_min=np.full(11, 2000.0))
    marks = Marks(0, 600, "given")
    straight = find_maxima(make_test(series, notes=tuple(notes)), marks)
    mixed = find_maxima(make_test(series, notes=tuple(notes[i] for i in order)), marks)
    assert mixed == straight
    assert (mixed.rpe, mixed.lactate_mmol_l, mixed.systolic_mmhg) == (17, 8.5, 190)
    assert (mixed.heart_rate_bpm, mixed.work_rate_w) == (181, 250)


def test_the_json_form_has_the_names_of_the_contract(simulated_test):
    test = simulated_test()
    marks = find_marks(test)
    peak, maxima, windows = find_peak(test, marks), find_maxima(test, marks), peak_by_window(test, marks)
    assert set(peak.as_dict()) >= {
        *("label", "convention", "window_s", "window_breaths", "effective_window_s", "start_s", "end_s"),
        *("vo2_ml_min", "vo2_ml_kg_min", "mets", "heart_rate_bpm", "rer", "ve_l_min"),
        *("respiratory_rate_per_min", "work_rate_w", "speed_km_h", "grade_percent", "o2_pulse_ml_beat"),
    }
    assert set(maxima.as_dict()) >= {
        *("heart_rate_bpm", "rer", "ve_l_min", "work_rate_w", "speed_km_h", "rpe", "lactate_mmol_l"),
        *("systolic_mmhg", "exercise_duration_s"),
    }
    assert set(windows[0].as_dict()) >= {
        "window_s",
        "window_breaths",
        "convention",
        "vo2_ml_min",
        "vo2_ml_kg_min",
    }
    for part in (peak, maxima):
        for name, value in part.as_dict().items():
            if value is None and name not in {"label", "window_breaths", "reason", "rpe_scale"}:
                assert part.reasons[name], name
