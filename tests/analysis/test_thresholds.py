"""Ventilatory thresholds of simulated tests, their reasons, and the printed accuracy."""

from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from service.analysis.breath_care import with_breaths_left_out
from service.analysis.marks import find_marks
from service.analysis.peaks import Peak, find_peak
from service.analysis.series import Person, TestInput
from service.analysis.series import TesterThreshold as OwnThreshold
from service.analysis.thresholds import (
    STATED_MEAN_RESPONSE_S,
    VT1_METHODS,
    VT2_METHODS,
    Threshold,
    excess_co2,
    find_thresholds,
)
from service.findings import FINDINGS
from tests.analysis.threshold_accuracy import (
    HEADER,
    NULL_HEADER,
    NULLS,
    RAMPS,
    SETTINGS,
    accuracy,
    null_table,
    read_tables,
    response_errors,
    table,
)
from tests.analysis.threshold_tests import Athlete, louder, simulate, without_break

PAGE = Path(__file__).parents[2] / "service" / "pages" / "guide" / "threshold-accuracy.md"
CALM = louder(replace(Athlete(), aberrant_part=0.0), 0.1)
EVERYTHING = [("vt1", one) for one in (*VT1_METHODS, "consensus")] + [
    ("vt2", one) for one in (*VT2_METHODS, "consensus")
]


def thresholds(test, **more):
    marks = find_marks(test)
    test, _ = with_breaths_left_out(test, marks)
    return find_thresholds(test, marks, find_peak(test, marks), **more)


def changed(test, channels=None, without=(), **more):
    series = test.series
    kept = {key: one for key, one in {**series.channels, **(channels or {})}.items() if key not in without}
    return replace(test, series=replace(series, channels=kept), **more)


@pytest.fixture(scope="module")
def calm():
    return simulate(CALM, 1)


@pytest.fixture(scope="module")
def found(calm):
    return thresholds(calm.test)


# -- what is found ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", [*VT1_METHODS, "consensus"])
def test_vt1_of_a_calm_ramp(calm, found, method):
    assert found.of("vt1", method).vo2_ml_min == pytest.approx(calm.vt1_ml_min, rel=0.035)


@pytest.mark.parametrize("method", [*VT2_METHODS, "consensus"])
def test_vt2_of_a_calm_ramp(calm, found, method):
    assert found.of("vt2", method).vo2_ml_min == pytest.approx(calm.vt2_ml_min, rel=0.02)


def test_slopes_of_the_v_slope_are_those_of_the_person(found):
    fit = found.fits["v_slope"].fit
    assert fit.slope_before == pytest.approx(CALM.slope_1, abs=0.03)
    assert fit.slope_after == pytest.approx(CALM.slope_2, abs=0.03)


@pytest.mark.parametrize(
    ("method", "bends"), [("v_slope", 2), ("excess_co2", 2), ("ventilatory_equivalents", 2), ("ve_vco2", 1)]
)
def test_the_line_of_a_method_can_be_drawn(calm, found, method, bends):
    fit = found.fits[method]
    x, y = np.array(fit.line).T
    # Ends, its own break and, for VT1, the known bend at VT2 beyond it.
    assert len(fit.line) == 2 + bends
    assert np.all(np.diff(x) > 0)
    assert x[1] == pytest.approx(fit.fit.position)
    slopes = np.diff(y) / np.diff(x)
    assert slopes[:2] == pytest.approx([fit.fit.slope_before, fit.fit.slope_after])
    if method == "v_slope":
        series = calm.test.series
        rows = (series.end_s > fit.from_s + 120) & (series.end_s < fit.to_s)
        uptake, carbon = (series.channel(key)[rows] for key in ("vo2_ml_min", "vco2_ml_min"))
        misses = carbon - np.interp(uptake, x, y)
        assert abs(np.median(misses)) < 0.01 * np.median(carbon)
    told = fit.as_dict()
    assert told["line"] == [list(one) for one in fit.line]
    assert told["source"]


def test_a_curve_that_is_not_of_straight_lines_has_none(found):
    assert found.fits["ve_vco2_equivalent"].line == ()


def test_one_item_a_method_with_the_fields_of_the_contract(found):
    assert [(one.threshold, one.method) for one in found.items] == EVERYTHING
    assert set(found.as_dict()[0]) == {
        "threshold",
        "method",
        "basis",
        "vo2_ml_min",
        "percent_of_peak",
        "time_s",
        "heart_rate_bpm",
        "work_rate_w",
        "work_rate_lag_corrected_w",
        "speed_km_h",
        "ci_low_ml_min",
        "ci_high_ml_min",
        "reason",
        "source",
    }
    assert all(one["source"] for one in found.as_dict())


def test_the_rest_is_read_at_the_time_uptake_got_there(calm, found):
    one = found.of("vt1")
    series = calm.test.series
    assert one.time_s == pytest.approx(calm.vt1_time_s, abs=15.0)
    assert one.percent_of_peak == pytest.approx(
        100 * one.vo2_ml_min / find_peak(calm.test, find_marks(calm.test)).vo2_ml_min
    )
    at = int(np.searchsorted(series.end_s, one.time_s))
    assert one.work_rate_w == pytest.approx(series.channel("work_rate_w")[at], abs=2.0)
    assert one.heart_rate_bpm == pytest.approx(series.channel("heart_rate_bpm")[at], abs=3.0)
    assert one.speed_km_h is None
    assert "No speed in the test." in one.reason


def test_the_interval_holds_the_value_and_a_consensus_spans_those_that_agree(found):
    for one in found.items:
        assert one.ci_low_ml_min <= one.vo2_ml_min <= one.ci_high_ml_min
    agreed = found.of("vt2")
    assert agreed.ci_low_ml_min == min(found.of("vt2", one).ci_low_ml_min for one in VT2_METHODS)


def test_the_work_rate_is_corrected_for_the_lag_of_the_tests_own_onset(calm, found):
    assert found.mean_response_basis == "estimated"
    assert found.mean_response_s == pytest.approx(calm.mean_response_s, abs=6.0)
    one = found.of("vt1")
    series = calm.test.series
    working = series.phase == 2
    slope = np.polyfit(series.end_s[working], series.channel("work_rate_w")[working], 1)[0]
    assert one.work_rate_w - one.work_rate_lag_corrected_w == pytest.approx(
        slope * found.mean_response_s, rel=0.05
    )
    (said,) = [finding for finding in found.findings if finding.code == "threshold_lag"]
    assert "estimated from the onset" in said.message


def test_without_a_warm_up_the_lag_is_a_stated_value(calm):
    test = calm.test
    series = test.series
    later = series.start_s >= test.exercise_start_s - 20.0
    short = replace(
        series,
        end_s=series.end_s[later],
        duration_s=series.duration_s[later],
        channels={key: one[later] for key, one in series.channels.items()},
        phase=series.phase[later],
        stage=series.stage[later],
        excluded=series.excluded[later],
    )
    found = thresholds(replace(test, series=short))
    assert (found.mean_response_s, found.mean_response_basis) == (STATED_MEAN_RESPONSE_S, "stated_constant")
    assert any("a common value" in one.message for one in found.findings if one.code == "threshold_lag")


def test_steps_of_a_minute_are_as_good_as_a_ramp():
    known = simulate(CALM, 4, kind="step")
    assert thresholds(known.test).of("vt1").vo2_ml_min == pytest.approx(known.vt1_ml_min, rel=0.04)


def test_the_same_test_gives_the_same_answer(calm, found):
    assert thresholds(calm.test).as_dict() == found.as_dict()


def test_the_clock_of_the_recording_does_not_matter(calm, found):
    test = calm.test
    later = replace(
        test,
        series=replace(test.series, end_s=test.series.end_s + 1000.0),
        exercise_start_s=test.exercise_start_s + 1000.0,
        exercise_end_s=test.exercise_end_s + 1000.0,
    )
    moved = thresholds(later).of("vt1")
    assert moved.vo2_ml_min == pytest.approx(found.of("vt1").vo2_ml_min, rel=1e-6)
    assert moved.time_s == pytest.approx(found.of("vt1").time_s + 1000.0)


def test_rows_taken_out_and_rows_before_exercise_do_not_count(calm, found):
    series = calm.test.series
    vo2 = series.channel("vo2_ml_min").copy()
    vco2 = series.channel("vco2_ml_min").copy()
    excluded = np.zeros(len(series), bool)
    excluded[150:160] = True
    vco2[excluded] *= 3.0
    before = series.end_s < calm.test.exercise_start_s - 60.0
    vo2[before] = 4000.0
    test = changed(calm.test, {"vo2_ml_min": vo2, "vco2_ml_min": vco2})
    test = replace(test, series=replace(test.series, excluded=excluded))
    assert thresholds(test).of("vt1", "v_slope").vo2_ml_min == pytest.approx(
        found.of("vt1", "v_slope").vo2_ml_min, rel=0.02
    )


def test_a_cough_that_is_left_out_does_not_move_a_threshold(calm, found):
    vo2 = calm.test.series.channel("vo2_ml_min").copy()
    vco2 = calm.test.series.channel("vco2_ml_min").copy()
    vo2[170], vco2[170] = 4.0 * vo2[170], 0.2 * vco2[170]
    other = thresholds(changed(calm.test, {"vo2_ml_min": vo2, "vco2_ml_min": vco2}))
    assert other.of("vt1").vo2_ml_min == pytest.approx(found.of("vt1").vo2_ml_min, rel=0.01)


def test_without_ventilation_a_second_bend_keeps_the_first_in_place():
    known = simulate(replace(CALM, slope_3_more=0.5), 3, with_ventilation=False)
    found = thresholds(known.test)
    assert found.of("vt1", "v_slope").vo2_ml_min == pytest.approx(known.vt1_ml_min, rel=0.03)
    for method in ("ventilatory_equivalents", "ve_vco2", "ve_vco2_equivalent"):
        (one,) = [item for item in found.items if item.method == method]
        assert (one.vo2_ml_min, one.reason) == (None, "The test has no ventilation.")


def test_a_first_threshold_beyond_the_usual_range_is_given_with_a_remark():
    known = simulate(replace(Athlete(), vt1_ml_min=2550.0, vt2_ml_min=3300.0), 2)
    found = thresholds(known.test)
    assert found.of("vt1", "v_slope").vo2_ml_min == pytest.approx(2550.0, rel=0.05)
    assert [one.code for one in found.findings].count("threshold_outside_usual") >= 1


# -- a tester's own ---------------------------------------------------------------------------------------


def test_a_testers_threshold_stands_beside_with_who_and_why(calm, found):
    own = (
        OwnThreshold("vt1", "A. Tester", "by eye from the V-slope.", vo2_ml_min=1800.0),
        OwnThreshold("vt2", "A. Tester", "end-tidal CO2 falls", time_s=700.0),
        OwnThreshold("lt", "B. Tester", "lactate", heart_rate_bpm=150.0),
    )
    other = thresholds(calm.test, tester=own)
    assert other.items[: len(found.items)] == found.items
    first, second, third = other.items[len(found.items) :]
    assert (first.method, first.basis, first.vo2_ml_min) == ("tester", "tester", 1800.0)
    assert first.reason.startswith("Set by A. Tester: by eye from the V-slope.")
    assert None not in (
        first.time_s,
        first.work_rate_w,
        first.work_rate_lag_corrected_w,
        first.heart_rate_bpm,
    )
    assert second.vo2_ml_min == pytest.approx(
        np.interp(700.0, calm.test.series.end_s, calm.test.series.channel("vo2_ml_min")), rel=0.05
    )
    assert (third.vo2_ml_min, third.heart_rate_bpm) == (None, 150.0)
    assert "Neither an uptake nor a time" in third.reason


# -- where there is none ----------------------------------------------------------------------------------


def _constant(calm, key, value):
    return changed(calm.test, {key: np.full(len(calm.test.series), value)})


def _few(test):
    return replace(test, exercise_end_s=test.exercise_start_s + 50.0)


def _steady(calm):
    """Rest, then one load to the end."""
    series = calm.test.series
    working = series.phase == 2
    watts = np.where(working, 150.0, 0.0)
    since = np.maximum(series.end_s - calm.test.exercise_start_s, 0.0)
    random = np.random.default_rng(3)
    vo2 = np.where(working, 500.0 + 1500.0 * (1 - np.exp(-since / 40.0)), 400.0) * (
        1 + random.normal(0.0, 0.05, len(series))
    )
    channels = {"work_rate_w": watts, "vo2_ml_min": vo2, "vco2_ml_min": 0.9 * vo2, "ve_l_min": 0.026 * vo2}
    return changed(calm.test, channels, shape=None)


CASES = {
    "no VO2": (lambda calm: changed(calm.test, without=["vo2_ml_min"]), "no VO2"),
    "no VCO2": (lambda calm: changed(calm.test, without=["vco2_ml_min"]), "no VCO2"),
    "too few rows": (lambda calm: _few(calm.test), "at least 12"),
    "one load": (_steady, "never rises"),
    "constant, stated": (lambda calm: replace(_steady(calm), shape="constant"), "never rises"),
    "one load, stated as steps": (
        lambda calm: replace(_steady(calm), shape="step"),
        "thresholds need graded",
    ),
    "one load, stated as a ramp": (lambda calm: replace(_steady(calm), shape="ramp"), "never rises"),
    "field test": (lambda calm: replace(calm.test, shape="field"), "field test"),
    "verification": (lambda calm: replace(calm.test, purpose="verification"), "verification bout"),
    "all taken out": (
        lambda calm: replace(
            calm.test, series=replace(calm.test.series, excluded=np.ones(len(calm.test.series), bool))
        ),
        "at least 12",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_where_nothing_can_be_had_each_method_says_why(calm, case):
    make, expected = CASES[case]
    found = thresholds(make(calm))
    assert [(one.threshold, one.method) for one in found.items] == EVERYTHING
    for one in found.items:
        assert one.vo2_ml_min is None
        assert one.reason
        if one.method != "consensus":
            assert expected in one.reason


@pytest.mark.parametrize("key", ["vo2_ml_min", "vco2_ml_min", "ve_l_min"])
@pytest.mark.parametrize("value", [60.0, 180.0])
def test_a_channel_that_stands_still_raises_nothing(calm, key, value):
    for one in thresholds(_constant(calm, key, value)).items:
        assert one.vo2_ml_min is not None or one.reason


def test_on_long_stages_only_ventilation_on_co2_output_is_judged():
    known = simulate(CALM, 6, kind="step", stage_s=180.0)
    found = thresholds(known.test)
    for method in VT1_METHODS:
        one = found.of("vt1", method)
        assert one.vo2_ml_min is None
        assert "VT1 is asked for only on a ramp or steps of at most 60 s" in one.reason
    second = found.of("vt2", "ve_vco2")
    assert second.vo2_ml_min == pytest.approx(known.vt2_ml_min, rel=0.06)
    assert second.ci_low_ml_min is None
    assert "No interval" in second.reason
    assert "ramp or steps" in found.of("vt2", "ve_vco2_equivalent").reason


def test_steps_without_loads_do_not_tell_how_long_they_are(calm):
    found = thresholds(changed(calm.test, without=["work_rate_w"], shape="step"))
    assert "no load tells how long" in found.of("vt1", "v_slope").reason
    assert found.of("vt2", "ve_vco2").vo2_ml_min is not None
    unknown = thresholds(changed(calm.test, without=["work_rate_w"], shape=None))
    assert "State the shape" in unknown.of("vt1", "v_slope").reason


def test_a_break_that_is_chance_is_not_claimed():
    found = thresholds(simulate(without_break(Athlete()), 11).test)
    one = found.of("vt1", "v_slope")
    assert one.vo2_ml_min is None
    assert "no break beyond chance (p = 0." in one.reason


def test_a_bend_that_is_too_small_is_no_threshold():
    found = thresholds(simulate(replace(CALM, slope_2=CALM.slope_1 + 0.07, slope_3_more=0.0), 3).test)
    one = found.of("vt1", "v_slope")
    assert one.vo2_ml_min is None
    assert "more than 0.1" in one.reason


def test_no_peak_gives_no_percentage_but_a_threshold(calm):
    marks = find_marks(calm.test)
    one = find_thresholds(calm.test, marks, Peak()).of("vt1")
    assert one.vo2_ml_min is not None
    assert one.percent_of_peak is None
    assert "no peak uptake" in one.reason


def test_every_missing_figure_has_a_reason():
    for seed in range(6):
        for item in thresholds(simulate(louder(Athlete(), 2.5), seed, rows=15.0).test).items:
            values = [getattr(item, one.name) for one in fields(Threshold) if one.name != "reason"]
            assert None not in values or item.reason


def test_findings_are_those_of_the_catalogue(found):
    assert {one.code for one in found.findings} <= set(FINDINGS)


def test_a_test_of_noise_alone_raises_nothing(make_series):
    random = np.random.default_rng(0)
    for n in (1, 2, 13, 40):
        channels = {
            key: random.uniform(low, high, n)
            for key, low, high in (
                ("vo2_ml_min", 300, 4000),
                ("vco2_ml_min", 300, 4000),
                ("ve_l_min", 10, 150),
                ("work_rate_w", 0, 300),
            )
        }
        test = TestInput(make_series(np.arange(1.0, n + 1) * 15.0, channels), "cycle", Person(), shape="ramp")
        assert len(thresholds(test).items) == len(EVERYTHING)


def test_excess_co2_by_hand():
    # 2,000 squared / 1,600 - 2,000 = 500; nothing where both are equal.
    assert excess_co2(np.array([1600.0, 900.0]), np.array([2000.0, 900.0])) == pytest.approx([500.0, 0.0])


# -- the printed accuracy ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def printed():
    return read_tables(PAGE.read_text("utf-8"))


def test_the_printed_accuracy_meets_its_goals(printed):
    ramps, nulls = printed[HEADER], printed[NULL_HEADER]
    assert ramps[RAMPS.name, "VT1", "v_slope"][1] >= 90.0
    assert ramps[RAMPS.name, "VT1", "consensus"][2] <= 3.0
    assert ramps[RAMPS.name, "VT2", "consensus"][2] <= 3.0
    assert max(nulls[(NULLS[0].name,)]) <= 5.0


def test_a_cell_of_the_printed_accuracy_is_that_of_the_method(printed):
    tests = 36
    one = accuracy(RAMPS, tests, seed=900_000)["vt1", "v_slope"]
    share = printed[HEADER][RAMPS.name, "VT1", "v_slope"][1] / 100
    # Three and a half standard errors of the difference of two shares, 300 tests in the table.
    assert abs(one.within_5 / 100 - share) < 3.5 * np.sqrt(share * (1 - share) * (1 / tests + 1 / 300))


def test_every_kind_of_test_is_printed(printed):
    assert {words[0] for words in printed[HEADER]} == {one.name for one in SETTINGS}
    assert {words[0] for words in printed[NULL_HEADER]} == {one.name for one in NULLS}


@pytest.mark.proof
def test_the_table_of_accuracy_is_current():
    page = PAGE.read_text("utf-8")
    assert table() in page
    assert null_table() in page
    given, error, spread = response_errors()
    assert (
        f"Mean response time estimated: {given:.1f} % of tests; error {error:+.1f} s, SD {spread:.1f} s."
        in page
    )
