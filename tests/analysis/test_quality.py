"""Each simulated fault is found, and a clean test has nothing to complain of."""

from dataclasses import replace

import numpy as np
import pytest

from service.analysis.marks import find_marks
from service.analysis.peaks import PeakSettings, find_maxima, find_peak
from service.analysis.quality import judge_quality
from service.analysis.series import Conditions, Person


def judge(test, settings=None):
    marks = find_marks(test)
    return judge_quality(test, marks, find_peak(test, marks, settings), find_maxima(test, marks), settings)


def found(test, code, settings=None):
    return [one for one in judge(test, settings).findings if one.code == code]


def changed(with_series, test, key, rows, value):
    values = test.series.channel(key).copy()
    values[rows] = value(values[rows]) if callable(value) else value
    return with_series(test, channels={key: values})


# Rows of the simulated 15-s test: exercise is rows 20 to 63, the peak window lies at its end.
EXERCISE = slice(20, 64)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(
    "how",
    [
        {},
        {"row_s": 5.0, "noise": 0.02},
        {"row_s": 30.0},
        {"row_s": 60.0},
        {"row_s": None, "noise": 0.08},
        {"stage_s": 180, "ramp_w_per_min": 12.0, "exercise_s": 1180},
        {"vo2_ceiling_ml_min": 3000.0},
        {"noise": 0.0, "vo2_ceiling_ml_min": 2900.0},
    ],
    ids=["15 s", "5 s", "30 s", "60 s", "breaths", "steps", "plateau", "plateau without noise"],
)
def test_a_clean_test_has_nothing_above_info(simulated_test, how, seed):
    quality = judge(simulated_test(seed=seed, **how))
    assert [one.message for one in quality.findings if one.severity != "info"] == []
    assert quality.affected == frozenset()


def test_an_early_end_mark_is_noticed(simulated_test):
    test = replace(simulated_test(), exercise_start_s=300.0, exercise_end_s=900.0)
    (one,) = found(test, "end_mark_may_be_early")
    assert "after the end of exercise at 900 s" in one.message
    assert not found(replace(test, exercise_end_s=960.0), "end_mark_may_be_early")


def test_long_rows_are_noticed(simulated_test):
    assert len(found(simulated_test(row_s=60.0), "window_longer_than_asked")) == 1
    assert not found(simulated_test(row_s=60.0), "window_longer_than_asked", PeakSettings(window_s=60))


def test_nothing_covered_is_an_error_of_the_peak(simulated_test, with_series):
    test = simulated_test()
    test = with_series(test, excluded=np.arange(len(test.series)) % 2 == 0)
    quality = judge(test)
    assert [one.severity for one in quality.findings if one.code == "no_window_covered"] == ["error"]
    assert "vo2_peak_ml_min" in quality.affected
    assert "heart_rate_max_bpm" not in quality.affected


def test_impossible_values_are_an_error_in_the_peak_window_and_a_warning_elsewhere(
    simulated_test, with_series
):
    # A run of 5-s rows with one of them wrong leaves the window 83 % covered.
    test = simulated_test(row_s=5.0)
    rows = [70, 190]
    test = changed(with_series, test, "vo2_ml_min", rows, 31000.0)
    marks = find_marks(test)
    peak = find_peak(test, marks)
    assert peak.start_s < test.series.start_s[190] < peak.end_s
    quality = judge(test)
    seen = {
        (one.severity, one.first_seq, one.last_seq)
        for one in quality.findings
        if one.code == "impossible_value"
    }
    assert seen == {("warning", 70, 70), ("error", 190, 190)}
    assert {"vo2_peak_ml_min", "mets_peak"} <= quality.affected
    assert "heart_rate_max_bpm" not in quality.affected


def test_an_impossible_heart_rate_does_not_spoil_the_uptake(simulated_test, with_series):
    test = changed(with_series, simulated_test(row_s=5.0), "heart_rate_bpm", [190], 288.0)
    quality = judge(test)
    assert "heart_rate_max_bpm" in quality.affected
    assert "vo2_peak_ml_min" not in quality.affected


def test_a_peak_beyond_what_is_possible_per_body_mass_is_an_error(simulated_test):
    test = simulated_test()
    test = replace(test, person=replace(test.person, body_mass_kg=30.0))
    quality = judge(test)
    assert quality.affected == {"vo2_peak_ml_kg_min", "mets_peak"}
    assert any("possible are 3 to 100" in one.message for one in quality.findings)


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("ve_l_min", 240.0, "Ventilation"),
        ("respiratory_rate_per_min", 80.0, "Respiratory rate"),
        ("heart_rate_bpm", 30.0, "Heart rate"),
        ("vco2_ml_min", lambda values: values * 1.7, "Respiratory exchange ratio"),
        ("ve_l_min", lambda values: values * 2.9, "Ventilatory equivalent"),
    ],
)
def test_unusual_values_are_a_warning(simulated_test, with_series, key, value, words):
    test = changed(with_series, simulated_test(), key, slice(40, 43), value)
    assert any(words in one.message for one in found(test, "implausible_value"))


@pytest.mark.parametrize("value", [0.0, 35.0, 900.0, lambda values: values * 0.2])
def test_a_lost_carbon_dioxide_channel(simulated_test, with_series, value):
    test = changed(with_series, simulated_test(), "vco2_ml_min", slice(52, 64), value)
    (one,) = found(test, "ratio_channel_lost")
    assert (one.severity, one.first_seq, one.last_seq) == ("error", 52, 63)
    quality = judge(test)
    assert "rer_max" in quality.affected
    assert "vo2_peak_ml_min" not in quality.affected


def test_one_odd_breath_is_no_lost_channel(simulated_test, with_series):
    test = changed(with_series, simulated_test(row_s=None), "vco2_ml_min", [200], 100.0)
    assert not found(test, "ratio_channel_lost")


@pytest.mark.parametrize("key", ["vo2_ml_min", "ve_l_min"])
def test_a_stuck_channel(simulated_test, with_series, key):
    test = simulated_test()
    test = changed(with_series, test, key, slice(40, 46), test.series.channel(key)[40])
    (one,) = found(test, "channel_stuck")
    assert (one.first_seq, one.last_seq) == (40, 45)


def test_a_stuck_heart_rate_needs_a_rising_uptake(simulated_test, with_series):
    assert (
        len(
            found(
                changed(with_series, simulated_test(), "heart_rate_bpm", slice(40, 50), 150.0),
                "channel_stuck",
            )
        )
        == 1
    )
    steady = changed(
        with_series, simulated_test(vo2_ceiling_ml_min=2500.0), "heart_rate_bpm", slice(56, 64), 186.0
    )
    assert not found(steady, "channel_stuck")


@pytest.mark.parametrize(
    ("rows", "value", "words"),
    [
        (slice(40, 44), 0.0, "zero"),
        (slice(40, 44), np.nan, "missing"),
        (slice(45, 50), lambda values: values - 40, "jumps 2 times"),
        (slice(60, 64), lambda values: values / 2, "jumps once"),
    ],
)
def test_a_lost_heart_rate(simulated_test, with_series, rows, value, words):
    test = changed(with_series, simulated_test(), "heart_rate_bpm", rows, value)
    assert any(words in one.message for one in found(test, "heart_rate_lost"))


@pytest.mark.parametrize("how", [{}, {"row_s": None, "noise": 0.06}, {"row_s": 5.0}, {"row_s": 30.0}])
def test_a_leak(simulated_test, with_series, how):
    test = simulated_test(**how)
    since = np.flatnonzero(test.series.start_s >= 780)
    for key in ("vo2_ml_min", "vco2_ml_min", "ve_l_min"):
        test = changed(with_series, test, key, since, lambda values: values * 0.75)
    (one,) = found(test, "leak_signature")
    assert one.first_seq == pytest.approx(since[0], abs=2 if how.get("row_s", 15.0) else 6)


def test_a_pause_between_stages_is_no_leak(simulated_test, with_series):
    test = simulated_test()
    rows = slice(44, 48)
    for key in ("vo2_ml_min", "vco2_ml_min", "ve_l_min", "work_rate_w"):
        test = changed(with_series, test, key, rows, lambda values: values * 0.6)
    assert not found(test, "leak_signature")


def test_a_gap_in_exercise(simulated_test, with_series):
    test = simulated_test()
    keep = np.ones(len(test.series), bool)
    keep[40:43] = False
    series = test.series
    test = with_series(
        test,
        end_s=series.end_s[keep],
        duration_s=series.duration_s[keep],
        channels={key: values[keep] for key, values in series.channels.items()},
        phase=series.phase[keep],
        stage=series.stage[keep],
        excluded=series.excluded[keep],
    )
    (one,) = found(test, "gap_in_times")
    assert (one.first_seq, one.last_seq) == (39, 40)
    assert "45 s in all" in one.message


@pytest.mark.parametrize(("slope", "n"), [(5.5, 1), (10.0, 0), (15.0, 1)])
def test_uptake_out_of_line_with_the_work_rate(simulated_test, slope, n):
    test = simulated_test(slope_ml_min_w=slope, vo2_ceiling_ml_min=6000.0)
    assert len(found(test, "uptake_out_of_line")) == n
    assert not found(replace(test, mode="row"), "uptake_out_of_line")


@pytest.mark.parametrize(
    ("fields", "code", "severity"),
    [
        ({"person": Person()}, "no_body_mass", "warning"),
        ({"conditions": Conditions(fio2_fraction=0.26)}, "inspired_gas_not_air", "warning"),
        (
            {"conditions": Conditions(barometric_pressure_mmhg=758.0, altitude_m=1600.0)},
            "sea_level_pressure_at_altitude",
            "warning",
        ),
        (
            {
                "person": Person(
                    age_years=40.5,
                    age_low_years=40.0,
                    age_high_years=41.0,
                    age_basis="birth_year",
                    body_mass_kg=75.0,
                )
            },
            "age_from_birth_year",
            "info",
        ),
    ],
)
def test_what_person_and_room_leave_to_say(simulated_test, fields, code, severity):
    test = simulated_test()
    assert not found(test, code)
    (one,) = found(replace(test, **fields), code)
    assert one.severity == severity


@pytest.mark.parametrize(
    ("conditions", "n"),
    [
        (Conditions(barometric_pressure_mmhg=628.0, altitude_m=1600.0), 0),
        (Conditions(barometric_pressure_mmhg=772.0, altitude_m=100.0), 0),
        (Conditions(barometric_pressure_mmhg=760.0, altitude_m=None), 0),
        (Conditions(fio2_fraction=0.2093), 0),
        (Conditions(fio2_fraction=0.2095), 0),
    ],
)
def test_ordinary_conditions_say_nothing(simulated_test, conditions, n):
    quality = judge(replace(simulated_test(), conditions=conditions))
    assert len([one for one in quality.findings if one.severity != "info"]) == n


@pytest.mark.parametrize(
    ("key", "code"),
    [("heart_rate_bpm", "no_heart_rate"), ("vco2_ml_min", "no_carbon_dioxide"), ("vo2_ml_min", "no_uptake")],
)
def test_what_is_not_there_is_said_once(simulated_test, with_series, key, code):
    test = simulated_test()
    test = with_series(test, channels={key: np.full(len(test.series), np.nan)})
    assert [one.severity for one in found(test, code)] == ["info"]


def test_excluded_rows_are_counted(simulated_test, with_series):
    test = simulated_test()
    (one,) = found(with_series(test, excluded=np.isin(np.arange(len(test.series)), [3, 9])), "rows_excluded")
    assert (one.first_seq, one.last_seq) == (3, 9)
    assert one.message.startswith("2 rows were")


@pytest.mark.parametrize(
    ("seconds", "codes"),
    [(280, {"shorter_than_usual"}), (660, set()), (1300, {"longer_than_usual"})],
)
def test_the_length_of_the_test(simulated_test, seconds, codes):
    test = simulated_test(exercise_s=seconds, ramp_w_per_min=12.0, row_s=5.0)
    quality = judge(test)
    assert {one.code for one in quality.findings} & {"shorter_than_usual", "longer_than_usual"} == codes
    assert not found(replace(test, purpose="verification"), "shorter_than_usual")


def test_errors_come_first(simulated_test, with_series):
    test = changed(with_series, simulated_test(), "vco2_ml_min", slice(52, 64), 0.0)
    order = ["error", "warning", "info"]
    ranks = [order.index(one.severity) for one in judge(replace(test, person=Person())).findings]
    assert ranks == sorted(ranks)


@pytest.mark.parametrize(
    ("mode", "channel", "doubted"),
    [
        ("cycle", "speed_km_h", True),
        ("arm", "speed_km_h", True),
        ("row", "speed_km_h", False),
        ("treadmill", "work_rate_w", True),
        ("treadmill", "speed_km_h", False),
        ("cycle", "work_rate_w", False),
    ],
)
def test_a_load_of_another_mode(simulated_test, mode, channel, doubted):
    test = simulated_test()
    channels = {key: values for key, values in test.series.channels.items() if key != "work_rate_w"}
    channels[channel] = test.series.channel("work_rate_w") / (1 if channel == "work_rate_w" else 20)
    test = replace(test, series=replace(test.series, channels=channels), mode=mode)
    assert bool(found(test, "mode_doubt")) is doubted
