"""Each simulated fault is found where it is, by its own name; a clean test shows none.

The faults are simulated: nothing is published about these series.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.marks import find_marks
from service.analysis.peaks import find_maxima, find_peak
from service.analysis.quality import judge_quality
from service.analysis.series import Conditions, StageNote
from service.analysis.signatures import expired_fractions, find_signatures
from service.findings import FINDINGS
from service.methods.gas import haldane_vco2_ml_min, haldane_vo2_ml_min
from service.quantities import CHANNELS

FLOWS = ("vo2_ml_min", "vco2_ml_min", "ve_l_min")
HOWS = {
    "15 s": {},
    "5 s": {"row_s": 5.0, "noise": 0.02},
    "30 s": {"row_s": 30.0},
    "breaths": {"row_s": None, "noise": 0.06},
    "steps": {"stage_s": 180, "ramp_w_per_min": 12.0, "exercise_s": 1180},
    "plateau": {"vo2_ceiling_ml_min": 3000.0},
}


def codes(test):
    return [one.code for one in find_signatures(test, find_marks(test))]


def one(test, code):
    (found,) = [remark for remark in find_signatures(test, find_marks(test)) if remark.code == code]
    return found


def times(with_series, test, key, since_s, factor):
    values = test.series.channel(key) * np.where(test.series.start_s >= since_s, factor, 1.0)
    return with_series(test, channels={key: values})


def with_volumes(with_series, test):
    series = test.series
    rate = series.channel("respiratory_rate_per_min")
    return with_series(
        test,
        channels={
            "tidal_volume_l": series.channel("ve_l_min") / rate,
            "cadence_per_min": 70.0 + 3 * np.sin(np.arange(len(series))),
        },
    )


def treadmill(with_series, test, **fields):
    """A walk uphill whose uptake is its ACSM cost, with the work rate of raising the body."""
    n = len(test.series)
    start, end = 300.0, 960.0
    grade = np.clip((test.series.start_s - start) / (end - start), 0, 1) * 15.0
    speed = np.where((test.series.start_s >= start) & (test.series.end_s <= end), 5.0, 0.0)
    raised = 75 * 9.80665 * speed / 3.6 * np.sin(np.arctan(grade / 100))
    test = with_series(
        test,
        channels={"speed_km_h": speed, "grade_percent": grade, "work_rate_w": raised},
        stage=np.full(n, -1),
    )
    return replace(test, mode="treadmill", **fields)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("how", HOWS.values(), ids=HOWS)
def test_a_clean_test_has_no_signature(simulated_test, with_series, how, seed):
    test = with_volumes(with_series, simulated_test(seed=seed, **how))
    assert codes(test) == []
    assert codes(treadmill(with_series, test)) == []


@pytest.mark.parametrize("how", HOWS.values(), ids=HOWS)
def test_room_air_in_the_sample_line(simulated_test, with_series, how):
    test = simulated_test(**how)
    for key in ("vo2_ml_min", "vco2_ml_min"):
        test = times(with_series, test, key, 780, 0.75)
    remark = one(test, "sample_line_air")
    assert test.series.start_s[remark.first_seq] == pytest.approx(780, abs=31)
    assert "leak_signature" not in codes(test)


def test_a_leak_is_not_taken_for_room_air(simulated_test, with_series):
    test = simulated_test()
    for key in FLOWS:
        test = times(with_series, test, key, 780, 0.75)
    assert codes(test) == ["leak_signature"]


@pytest.mark.parametrize("how", HOWS.values(), ids=HOWS)
@pytest.mark.parametrize("factor", [0.8, 1.3])
def test_an_oxygen_signal_that_shifts_alone(simulated_test, with_series, how, factor):
    if factor > 1 and how.get("stage_s") is None:
        how = how | {"ramp_w_per_min": 0.0, "warm_up_w": 120.0}
    test = times(with_series, simulated_test(**how), "vo2_ml_min", 780, factor)
    remark = one(test, "oxygen_signal_shift")
    assert ("falls" if factor < 1 else "rises") in remark.message
    assert test.series.start_s[remark.first_seq] == pytest.approx(780, abs=31)


@pytest.mark.parametrize("how", [{}, {"row_s": None, "noise": 0.06}, {"row_s": 5.0}])
def test_a_ratio_that_falls_as_the_load_rises(simulated_test, with_series, how):
    # A person far from their limit, whose ratio rises little; uptake grows too high by nearly a third in eleven minutes.
    test = simulated_test(vo2_ceiling_ml_min=6000.0, **how)
    drift = 1 + 0.30 * np.clip((test.series.start_s - 300) / 660, 0, 1)
    test = with_series(test, channels={"vo2_ml_min": test.series.channel("vo2_ml_min") * drift})
    remark = one(test, "ratio_falls_as_load_rises")
    assert "although the load rises" in remark.message


def test_a_ratio_may_fall_at_one_load(simulated_test, with_series):
    test = simulated_test(ramp_w_per_min=0.0, warm_up_w=150.0, exercise_s=1800)
    drift = 1 + 0.15 * np.clip((test.series.start_s - 300) / 1800, 0, 1)
    test = with_series(test, channels={"vo2_ml_min": test.series.channel("vo2_ml_min") * drift})
    assert "ratio_falls_as_load_rises" not in codes(test)


@pytest.mark.parametrize(("factor", "n"), [(1.0, 0), (0.9, 0), (0.75, 1), (1.6, 1)])
def test_a_resting_ratio_outside_the_published_limits(simulated_test, with_series, factor, n):
    test = simulated_test()
    rest = test.series.end_s <= 120
    values = np.where(rest, factor, 1.0) * test.series.channel("vco2_ml_min")
    assert codes(with_series(test, channels={"vco2_ml_min": values})).count("resting_ratio_suspect") == n


@pytest.mark.parametrize(("factor", "n"), [(0.7, 1), (1.0, 0), (2.1, 1)])
def test_a_ventilation_of_the_wrong_scale(simulated_test, with_series, factor, n):
    test = times(with_series, simulated_test(), "ve_l_min", 0, factor)
    assert codes(test).count("ventilation_out_of_line") == n
    # The exchange ratio tells nothing of it.
    assert find_maxima(test, find_marks(test)).rer is not None


@pytest.mark.parametrize(("factor", "n"), [(0.6, 1), (0.9, 0), (1.0, 0), (1.6, 1)])
def test_a_flow_sensor_that_scales_everything(simulated_test, with_series, factor, n):
    test = simulated_test()
    for key in FLOWS:
        test = times(with_series, test, key, 0, factor)
    assert codes(test) == ["uptake_scale"] * n


@pytest.mark.parametrize(("factor", "n"), [(0.5, 1), (1.0, 0), (6.0, 1)])
def test_expired_fractions_that_cannot_be(simulated_test, with_series, factor, n):
    test = times(with_series, simulated_test(), "ve_l_min", 0, factor)
    assert codes(test).count("expired_fractions_impossible") == n
    other_gas = replace(test, conditions=Conditions(fio2_fraction=0.26))
    assert "expired_fractions_impossible" not in codes(other_gas)


@pytest.mark.parametrize(("feo2", "feco2"), [(0.16, 0.045), (0.17, 0.035), (0.185, 0.02)])
def test_the_implied_fractions_are_those_of_the_haldane_transformation(feo2, feco2):
    # Back from uptake and output of the catalogue's transformation, which takes 0.0003 of inspired CO2 into account.
    given = {"ve_stpd_l_min": 60.0, "feo2_fraction": feo2, "feco2_fraction": feco2}
    uptake, output = haldane_vo2_ml_min(**given), haldane_vco2_ml_min(**given)
    implied = expired_fractions(
        np.array([60.0]), np.array([uptake / 1000]), np.array([output / 1000]), 0.2093
    )
    assert implied[0][0] == pytest.approx(feo2, abs=4e-4)
    assert implied[1][0] == pytest.approx(feco2, abs=4e-4)


@pytest.mark.parametrize(
    ("factor", "said"),
    [(0.826, "STPD"), (1 / 0.826, "STPD"), (1.12, "should agree"), (1.0, None), (1.03, None)],
)
def test_ventilation_that_is_not_rate_times_volume(simulated_test, with_series, factor, said):
    test = with_volumes(with_series, simulated_test())
    test = with_series(test, channels={"tidal_volume_l": test.series.channel("tidal_volume_l") * factor})
    if said is None:
        assert codes(test) == []
    else:
        assert said in one(test, "ventilation_identity").message


@pytest.mark.parametrize(("seconds", "factor"), [(10, 6), (15, 4)])
def test_a_pulse_count_entered_as_heart_rate(simulated_test, with_series, seconds, factor):
    test = simulated_test()
    beats = np.round(test.series.channel("heart_rate_bpm") / factor)
    remark = one(with_series(test, channels={"heart_rate_bpm": beats}), "heart_rate_counted")
    assert f"over {seconds} s" in remark.message
    notes = tuple(StageNote(n, "exercise", None, heart_rate_bpm=20.0 + 4 * n) for n in (1, 2, 3))
    bare = with_series(test, channels={"heart_rate_bpm": np.full(len(beats), np.nan)})
    assert "heart_rate_counted" in codes(replace(bare, notes=notes))
    assert "heart_rate_counted" not in codes(bare)


def test_a_slow_heart_at_rest_is_no_count(simulated_test, with_series):
    test = simulated_test(warm_up_w=0.0, ramp_w_per_min=0.0)
    slow = with_series(
        test,
        channels={
            "heart_rate_bpm": np.full(len(test.series), 48.0),
            "vo2_ml_min": np.full(len(test.series), 330.0),
        },
    )
    assert "heart_rate_counted" not in codes(slow)


@pytest.mark.parametrize("factor", [1, 2])
def test_a_heart_rate_that_follows_the_cadence(simulated_test, with_series, factor):
    test = with_volumes(with_series, simulated_test())
    locked = (test.series.start_s >= 540) & (test.series.start_s < 780)
    beats = np.where(
        locked, factor * test.series.channel("cadence_per_min") + 0.6, test.series.channel("heart_rate_bpm")
    )
    remark = one(with_series(test, channels={"heart_rate_bpm": beats}), "heart_rate_follows_cadence")
    assert (remark.first_seq, remark.last_seq) == (pytest.approx(36, abs=2), pytest.approx(51, abs=2))


def test_a_cadence_that_the_heart_rate_crosses_is_no_lock(simulated_test, with_series):
    test = simulated_test()
    level = float(test.series.channel("heart_rate_bpm")[45])
    assert codes(with_series(test, channels={"cadence_per_min": np.full(len(test.series), level)})) == []


def test_grades_written_as_fractions(simulated_test, with_series):
    test = treadmill(with_series, simulated_test())
    grades = test.series.channel("grade_percent")
    remark = one(with_series(test, channels={"grade_percent": grades / 100}), "grade_as_fraction")
    assert "15 %" in remark.message
    level = with_series(test, channels={"grade_percent": grades * 0, "work_rate_w": grades * np.nan})
    assert codes(level) == []
    noted = (
        StageNote(1, "exercise", None, grade_percent=0.1),
        StageNote(2, "exercise", None, grade_percent=0.12),
    )
    bare = with_series(level, channels={"grade_percent": grades * np.nan})
    assert codes(replace(bare, notes=noted)) == ["grade_as_fraction"]


@pytest.mark.parametrize(
    ("key", "factor", "said"),
    [
        ("work_rate_w", 60 / 9.80665, "Watts and kgm/min"),
        ("speed_km_h", 1.609344, "Miles per hour"),
        ("grade_percent", 0.4, "should agree"),
    ],
)
def test_a_work_rate_that_does_not_follow_from_speed_and_grade(
    simulated_test, with_series, key, factor, said
):
    test = treadmill(with_series, simulated_test())
    test = with_series(test, channels={key: test.series.channel(key) * factor})
    assert said in one(test, "work_rate_identity").message


@pytest.mark.parametrize(
    ("factor", "said"),
    [(60 / 9.80665, "Watts and kgm/min"), (1.2, "was noted and"), (1.0, None), (1.02, None)],
)
def test_noted_loads_that_are_not_the_recorded_ones(simulated_test, with_series, factor, said):
    test = simulated_test(stage_s=180, ramp_w_per_min=12.0, exercise_s=1080)
    stage = np.where(
        (test.series.start_s >= 300) & (test.series.end_s <= 1380), (test.series.start_s - 300) // 180 + 1, -1
    ).astype(np.int64)
    test = with_series(test, stage=stage)
    loads = [float(np.median(test.series.channel("work_rate_w")[stage == n])) for n in range(1, 7)]
    notes = tuple(
        StageNote(n, "exercise", 300.0 + 180 * n, work_rate_w=factor * load)
        for n, load in enumerate(loads, 1)
    )
    test = replace(test, notes=notes)
    if said is None:
        assert codes(test) == []
    else:
        assert said in one(test, "noted_load_differs").message


def test_one_slip_of_the_pen_is_not_a_unit(simulated_test, with_series):
    test = simulated_test(stage_s=180, ramp_w_per_min=12.0, exercise_s=1080)
    stage = np.where(test.series.start_s >= 300, (test.series.start_s - 300) // 180 + 1, -1).astype(np.int64)
    test = with_series(test, stage=stage)
    loads = [float(np.median(test.series.channel("work_rate_w")[stage == n])) for n in range(1, 7)]
    loads[2] = 999.0
    notes = tuple(StageNote(n, "exercise", None, work_rate_w=load) for n, load in enumerate(loads, 1))
    assert codes(replace(test, notes=notes)) == []


def test_durations_longer_than_the_recording(simulated_test, with_series):
    test = simulated_test()
    remark = one(with_series(test, duration_s=test.series.duration_s * 2), "durations_do_not_add_up")
    assert "overlap by" in remark.message


@pytest.mark.parametrize("seconds", [(480.0, 420.0), (480.0, 9000.0)])
def test_times_of_notes_that_cannot_be(simulated_test, seconds):
    notes = tuple(
        StageNote(n, "exercise", when, rpe=12, rpe_scale="6-20") for n, when in enumerate(seconds, 1)
    )
    assert codes(replace(simulated_test(), notes=notes)) == ["note_times_out_of_order"]
    assert codes(replace(simulated_test(), notes=notes[:1])) == []


@pytest.mark.parametrize("n", [1, 2, 3, 5])
@pytest.mark.parametrize("missing", [(), ("vo2_ml_min",), FLOWS, ("heart_rate_bpm", "work_rate_w")])
def test_few_rows_and_missing_channels_are_no_fault(simulated_test, with_series, n, missing):
    test = simulated_test()
    series = test.series
    rows = slice(30, 30 + n)
    channels = {
        key: np.full(n, np.nan) if key in missing else values[rows] for key, values in series.channels.items()
    }
    short = replace(
        test,
        series=replace(
            series,
            end_s=series.end_s[rows],
            duration_s=series.duration_s[rows],
            channels=channels,
            phase=series.phase[rows],
            stage=series.stage[rows],
            excluded=series.excluded[rows],
        ),
    )
    assert codes(short) == []


def test_each_signature_tells_its_effect_and_what_to_do():
    told = {
        "sample_line_air", "oxygen_signal_shift", "ratio_falls_as_load_rises", "resting_ratio_suspect", "uptake_scale",
        "ventilation_out_of_line", "expired_fractions_impossible", "ventilation_identity", "heart_rate_counted",
        "heart_rate_follows_cadence", "grade_as_fraction", "work_rate_identity", "noted_load_differs",
        "durations_do_not_add_up", "note_times_out_of_order",
    }  # fmt: skip
    for code in told:
        kind = FINDINGS[code]
        assert kind.severity == "warning"
        assert len(kind.meaning) > 60
        assert kind.what_to_do.endswith(".")


def test_the_judgement_of_quality_contains_the_signatures(simulated_test, with_series):
    test = times(with_series, simulated_test(), "ve_l_min", 0, 0.5)
    marks = find_marks(test)
    quality = judge_quality(test, marks, find_peak(test, marks), find_maxima(test, marks))
    assert "ventilation_out_of_line" in {remark.code for remark in quality.findings}


ANY = st.one_of(
    st.floats(0, 9000), st.sampled_from([float("nan"), float("inf"), 0.0, -1.0, 1e300]), st.floats(0, 40)
)


@given(
    st.integers(1, 40),
    st.sampled_from([5.0, 15.0, 60.0, 300.0]),
    st.lists(st.sampled_from(CHANNELS), unique=True, max_size=8),
    st.sampled_from(["cycle", "treadmill", "row"]),
    st.data(),
)
@settings(max_examples=60, deadline=None)
def test_whatever_was_recorded_there_is_a_list_and_no_warning_of_arithmetic(
    make_series, make_test, n, row_s, keys, mode, data
):
    channels = {
        key: np.array(
            [*data.draw(st.lists(ANY, min_size=min(n, 6), max_size=min(n, 6))), *[50.0] * (n - min(n, 6))]
        )
        for key in keys
    }
    series = make_series(
        row_s * np.arange(1, n + 1), channels, phase=["rest"] * (n // 4) + ["exercise"] * (n - n // 4)
    )
    test = make_test(series, mode=mode)
    for remark in find_signatures(test, find_marks(test)):
        assert remark.code in FINDINGS
        assert remark.first_seq is None or 0 <= remark.first_seq <= remark.last_seq < n
