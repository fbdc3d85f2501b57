"""The whole analysis of one test, as it is served."""

import json
from dataclasses import replace

import numpy as np
import pytest

from service.analysis.series import Person, ReportedValue, StageNote
from service.analysis.summary import ANALYSIS_VERSION, CAUTIONS, AnalysisSettings, analyse_test
from service.errors import InvalidContent
from service.quantities import QUANTITIES
from service.reference.tables import builtin_norms

CONTRACT_KEYS = {
    *("analysis_version", "settings", "peak", "maxima", "peak_by_window", "plateau", "effort", "thresholds"),
    *("slopes", "steady_state", "recovery", "energy", "blood_pressure", "reserves", "predicted", "ranks"),
    *("training_ranges", "findings", "cautions"),
}


def reported(quantity, value, source="old report"):
    return ReportedValue(quantity, value, None, source)


def walk(value, path=""):
    if isinstance(value, dict):
        for key, one in value.items():
            yield from walk(one, f"{path}.{key}")
    elif isinstance(value, list):
        for i, one in enumerate(value):
            yield from walk(one, f"{path}[{i}]")
    else:
        yield path, value


@pytest.mark.parametrize(
    "how", [{}, {"row_s": None, "noise": 0.06}, {"stage_s": 180, "ramp_w_per_min": 12.0}]
)
def test_the_object_is_json_and_has_the_names_of_the_contract(simulated_test, how):
    answer = analyse_test(simulated_test(**how)).as_dict()
    assert set(answer) >= CONTRACT_KEYS
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer
    assert {type(value) for _, value in walk(answer)} <= {str, int, float, bool, type(None)}
    assert set(answer["settings"]) == {
        *("peak_convention", "peak_window_s", "peak_window_breaths"),
        *("effort_rules", "plateau_rule", "heart_rate_max_method", "aberrant_breaths", "chosen_by"),
    }
    assert answer["analysis_version"] == ANALYSIS_VERSION
    assert answer["cautions"] == list(CAUTIONS)


def test_numbers_are_not_rounded(simulated_test):
    analysis = analyse_test(simulated_test())
    assert analysis.as_dict()["peak"]["vo2_ml_min"] == analysis.peak.vo2_ml_min
    assert analysis.peak.vo2_ml_min != round(analysis.peak.vo2_ml_min, 3)


def test_each_part_has_its_values_or_the_reason(simulated_test):
    answer = analyse_test(simulated_test()).as_dict()
    assert answer["slopes"]["vo2_work_rate_slope_ml_min_w"] == pytest.approx(10.0, abs=0.3)
    assert answer["energy"]["total_kcal"] > 50
    for part in ("slopes", "steady_state", "energy", "blood_pressure", "reserves", "gas_exchange"):
        reasons = answer[part]["reasons"]
        assert all(reasons.values())
        # A list of stages stands with a reason in each; everything else is null.
        assert all(
            answer[part].get(name) is None for name in reasons if not isinstance(answer[part].get(name), list)
        )
    for threshold in answer["thresholds"]:
        assert threshold["vo2_ml_min"] is not None or threshold["reason"]
    assert answer["training_ranges"] or answer["reasons"]["training_ranges"]


def test_a_test_without_intervals_says_so_in_the_parts_that_need_them(make_test, no_intervals):
    answer = analyse_test(make_test(no_intervals, reported=(reported("vo2_peak_ml_min", 3000.0),))).as_dict()
    for part in ("slopes", "steady_state", "energy", "gas_exchange"):
        assert "no intervals" in answer[part]["reason"]
    assert answer["thresholds"] == []
    assert "no intervals" in answer["reasons"]["thresholds"]


def test_settings_reach_the_peak_and_are_kept(simulated_test):
    test = simulated_test(row_s=None, noise=0.06)
    settings = AnalysisSettings(peak_convention="moving_breaths", peak_window_breaths=20)
    answer = analyse_test(test, settings).as_dict()
    assert (answer["peak"]["convention"], answer["peak"]["window_breaths"]) == ("moving_breaths", 20)
    assert answer["settings"]["peak_window_breaths"] == 20
    assert any(one["window_breaths"] == 20 for one in answer["peak_by_window"])


@pytest.mark.parametrize(
    "settings",
    [
        {"peak_convention": "median"},
        {"peak_window_s": -1.0},
        {"plateau_rule": "no_such_rule"},
        {"effort_rules": "no_such_rules"},
        {"heart_rate_max_method": "acsm_running"},
    ],
)
def test_a_setting_that_does_not_exist_is_refused(simulated_test, settings):
    with pytest.raises(InvalidContent):
        analyse_test(simulated_test(), AnalysisSettings(**settings))


@pytest.mark.parametrize(
    ("how", "fields", "label"),
    [
        ({"vo2_ceiling_ml_min": 3000.0, "noise": 0.003}, {}, "VO2max"),
        ({}, {"stop_reason": "symptom"}, "VO2peak"),
        ({}, {}, "VO2peak"),
    ],
)
def test_the_label_follows_the_verdict(simulated_test, how, fields, label):
    analysis = analyse_test(replace(simulated_test(**how), **fields))
    assert analysis.peak.label == label
    assert (analysis.effort.verdict in {"verified", "plateau"}) == (label == "VO2max")


def test_results_are_those_that_could_be_had(simulated_test, with_series):
    note = StageNote(stage=None, phase="exercise", time_s=950.0, rpe=19, rpe_scale="6-20", systolic_mmhg=205)
    analysis = analyse_test(replace(simulated_test(), notes=(note,)))
    results = {one.quantity: one for one in analysis.results}
    of_parts = set(analysis.parts.results())
    assert {"oues_ml_min", "vo2_work_rate_slope_ml_min_w"} <= of_parts
    assert set(results) - of_parts == {
        *(
            "vo2_peak_ml_min",
            "vo2_peak_ml_kg_min",
            "mets_peak",
            "o2_pulse_peak_ml_beat",
            "heart_rate_max_bpm",
        ),
        *(
            "rer_max",
            "ve_max_l_min",
            "work_rate_peak_w",
            "rpe_max",
            "systolic_max_mmhg",
            "exercise_duration_s",
        ),
        *("heart_rate_drop_60s_bpm", "heart_rate_drop_120s_bpm"),
    }
    assert all("result" in QUANTITIES[key].kinds for key in results)
    assert {one.basis for one in results.values()} == {"measured"}
    assert not any(one.has_error for one in results.values())
    peak = results["vo2_peak_ml_min"]
    assert (peak.value, peak.convention, peak.effective_window_s) == (
        analysis.peak.vo2_ml_min,
        "time_weighted",
        30.0,
    )
    assert results["heart_rate_max_bpm"].value == analysis.maxima.heart_rate_bpm
    assert results["exercise_duration_s"].value == 660.0


def test_an_error_marks_the_results_it_concerns_and_no_others(simulated_test, with_series):
    test = simulated_test(row_s=5.0)
    uptake = test.series.channel("vo2_ml_min").copy()
    uptake[190] = 31000.0
    results = {
        one.quantity: one for one in analyse_test(with_series(test, channels={"vo2_ml_min": uptake})).results
    }
    assert results["vo2_peak_ml_min"].has_error
    assert "Oxygen uptake of 31,000 mL/min" in results["vo2_peak_ml_min"].reason
    assert not results["heart_rate_max_bpm"].has_error


def test_findings_come_once_and_errors_first(simulated_test, with_series):
    test = simulated_test()
    output = test.series.channel("vco2_ml_min").copy()
    output[52:] = 0.0
    analysis = analyse_test(replace(with_series(test, channels={"vco2_ml_min": output}), person=Person()))
    order = ["error", "warning", "info"]
    ranks = [order.index(one.severity) for one in analysis.findings]
    assert ranks == sorted(ranks)
    assert len(set(analysis.findings)) == len(analysis.findings)
    assert {"ratio_channel_lost", "no_body_mass", "marks_from_phases"} <= {
        one.code for one in analysis.findings
    }
    assert analysis.peak.rer is None


def test_every_norm_of_the_mode_is_listed_with_a_value_or_a_reason(simulated_test):
    analysis = analyse_test(simulated_test(), norms=builtin_norms())
    ids = {one.norm_id for one in analysis.ranks}
    assert {"friend_2017_cycle", "lowlands_2021_cycle", "wagner_2021_cycle"} <= ids
    assert "friend_2015_treadmill" not in ids
    for one in analysis.as_dict()["ranks"]:
        assert one["percentile"] is not None or one["reason"]
    against = [one for one in analysis.ranks if one.reference == "predicted_for_body_size"]
    assert against
    assert all(one.percentile is None for one in against)
    assert [one.code for one in analysis.findings].count("rank_is_against_prediction") == 1
    treadmill = analyse_test(replace(simulated_test(), mode="treadmill"), norms=builtin_norms())
    (friend,) = [one for one in treadmill.ranks if one.norm_id == "friend_2015_treadmill"]
    assert friend.percentile is not None or friend.bound is not None


def test_no_sex_and_no_body_mass_give_no_rank_and_say_why(simulated_test):
    analysis = analyse_test(replace(simulated_test(), person=Person()), norms=builtin_norms())
    tables = [one for one in analysis.ranks if one.reference != "predicted_for_body_size"]
    assert tables
    assert all(one.percentile is None and one.percent_of_median is None and one.reason for one in tables)
    assert all(one.percent_of_predicted is None and one.reason for one in analysis.predicted)


# -- reported results -------------------------------------------------------------------------------------


def test_reported_results_alone_give_an_analysis(make_test, no_intervals):
    test = make_test(
        no_intervals,
        reported=(
            reported("vo2_peak_ml_min", 3600.0),
            reported("heart_rate_max_bpm", 188.0),
            reported("rer_max", 1.14),
        ),
    )
    analysis = analyse_test(test)
    answer = analysis.as_dict()
    assert (answer["basis"], answer["peak"]["basis"]) == ("reported", "reported")
    assert answer["peak"]["vo2_ml_min"] == 3600.0
    assert answer["peak"]["vo2_ml_kg_min"] == pytest.approx(48.0)
    assert answer["peak"]["mets"] == pytest.approx(48 / 3.5)
    assert (answer["maxima"]["heart_rate_bpm"], answer["maxima"]["rer"]) == (188.0, 1.14)
    assert answer["peak"]["work_rate_w"] is None
    assert "no intervals" in answer["peak"]["reasons"]["work_rate_w"]
    assert answer["plateau"]["verdict"] == "not_assessable"
    assert answer["peak"]["label"] == "VO2peak"
    assert answer["peak_by_window"] == []
    assert "no intervals" in answer["recovery"]["reason"]
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer
    results = {one.quantity: one for one in analysis.results}
    assert {one.basis for one in results.values()} == {"reported"}
    assert set(results) == {
        *("vo2_peak_ml_min", "heart_rate_max_bpm", "rer_max", "vo2_peak_ml_kg_min", "mets_peak")
    }


def test_uptake_per_body_mass_gives_the_absolute_one(make_test, no_intervals):
    test = make_test(no_intervals, reported=(reported("vo2_peak_ml_kg_min", 40.0),))
    assert analyse_test(test).peak.vo2_ml_min == pytest.approx(3000.0)
    without = analyse_test(replace(test, person=Person(sex="female")))
    assert (without.peak.vo2_ml_min, without.peak.vo2_ml_kg_min) == (None, 40.0)
    assert "no body mass" in without.peak.reasons["vo2_ml_min"]


def test_a_reported_result_that_cannot_be_is_kept_but_does_not_count(make_test, no_intervals):
    """A real one: a ratio of 110, a lost decimal point."""
    test = make_test(
        no_intervals,
        reported=(reported("rer_max", 110.0, "row 8, column RER.max"), reported("vo2_peak_ml_min", 4200.0)),
    )
    analysis = analyse_test(test)
    (one,) = [one for one in analysis.findings if one.code == "reported_beyond_limit"]
    assert one.severity == "error"
    assert "110.00 (row 8, column RER.max)" in one.message
    assert analysis.maxima.rer is None
    assert "110.00" in analysis.maxima.reasons["rer"]
    results = {one.quantity: one for one in analysis.results}
    assert (results["rer_max"].value, results["rer_max"].has_error) == (110.0, True)
    assert not results["vo2_peak_ml_min"].has_error


def test_an_uptake_that_cannot_be_is_not_derived_from(make_test, no_intervals):
    analysis = analyse_test(make_test(no_intervals, reported=(reported("vo2_peak_ml_min", 42000.0),)))
    assert (analysis.peak.vo2_ml_min, analysis.peak.vo2_ml_kg_min, analysis.peak.label) == (None, None, None)
    assert [(one.quantity, one.has_error) for one in analysis.results] == [("vo2_peak_ml_min", True)]


def test_intervals_win_over_reported_results(simulated_test):
    test = replace(
        simulated_test(), reported=(reported("vo2_peak_ml_min", 5000.0), reported("lactate_max_mmol_l", 11.0))
    )
    results = {one.quantity: one for one in analyse_test(test).results}
    assert results["vo2_peak_ml_min"].basis == "measured"
    assert results["vo2_peak_ml_min"].value < 4500
    assert (results["lactate_max_mmol_l"].basis, results["lactate_max_mmol_l"].value) == ("reported", 11.0)


def test_nothing_at_all_still_answers(make_test, no_intervals):
    answer = analyse_test(make_test(no_intervals)).as_dict()
    assert answer["peak"]["vo2_ml_min"] is None
    assert answer["peak"]["reason"] == "The test has no intervals; only results that were reported."
    assert answer["effort"]["verdict"] == "undetermined"


def test_a_test_without_uptake_has_its_other_results(simulated_test, with_series):
    test = simulated_test()
    n = len(test.series)
    missing = {key: np.full(n, np.nan) for key in ("vo2_ml_min", "vco2_ml_min", "ve_l_min")}
    analysis = analyse_test(with_series(test, channels=missing))
    results = {one.quantity: one for one in analysis.results}
    assert results["heart_rate_max_bpm"].basis == results["work_rate_peak_w"].basis == "measured"
    # What the load and the heart rate allow is an estimate, and is called one.
    assert analysis.peak.basis == "estimated"
    assert analysis.peak.label == "VO2peak"
    assert results["vo2_peak_ml_min"].basis == "estimated"
    assert results["vo2_peak_ml_min"].method == analysis.estimates.chosen.method


@pytest.mark.parametrize("n", [1, 2, 3, 4, 6])
@pytest.mark.parametrize("excluded", [False, True])
@pytest.mark.parametrize("row_s", [5.0, 60.0, 180.0])
def test_a_test_of_few_rows_is_analysed_as_well(make_series, make_test, n, excluded, row_s):
    rising = np.arange(n)
    series = make_series(
        row_s * (1 + rising),
        vo2_ml_min=1500.0 + 400 * rising,
        vco2_ml_min=1400.0 + 500 * rising,
        ve_l_min=40.0 + 15 * rising,
        heart_rate_bpm=110.0 + 25 * rising,
        work_rate_w=100.0 + 40 * rising,
        excluded=np.full(n, excluded),
    )
    analysis = analyse_test(make_test(series))
    assert json.dumps(analysis.as_dict(), allow_nan=False)
    long_enough = n * row_s >= 30 and not excluded
    assert (analysis.peak.vo2_ml_min is not None) == long_enough


@pytest.mark.parametrize(
    ("start", "end"),
    [(150.0, 100.0), (1500.0, 2000.0), (100.0, 100.0), (-500.0, 5000.0)],
)
def test_marks_that_do_not_fit_the_recording_give_a_reason(make_series, make_test, start, end):
    series = make_series([60, 120, 180], vo2_ml_min=[2000, 2200, 2300])
    analysis = analyse_test(make_test(series, exercise_start_s=start, exercise_end_s=end))
    assert (analysis.peak.vo2_ml_min is None) == (end < 5000)
    assert analysis.peak.vo2_ml_min is not None or analysis.peak.reasons["vo2_ml_min"]


def test_a_leak_is_not_taken_for_a_plateau(simulated_test, with_series):
    test = simulated_test(stage_s=120)
    leaking = test.series.start_s >= 870
    channels = {
        key: np.where(
            leaking & np.isin(key, ("vo2_ml_min", "vco2_ml_min", "ve_l_min")), values * 0.75, values
        )
        for key, values in test.series.channels.items()
    }
    analysis = analyse_test(with_series(test, channels=channels))
    assert any(one.code == "leak_signature" for one in analysis.findings)
    assert analysis.plateau.verdict == "not_assessable"
    assert "leak" in analysis.plateau.primary.reason
    assert analysis.peak.label == "VO2peak"
