"""Breaths that a rule leaves out of a whole analysis, and those that a person keeps."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.breath_care import BREATH_RULES, WARNED_FROM_PERCENT, with_breaths_left_out
from service.analysis.marks import Marks, counted_rows, find_marks
from service.analysis.series import OF_THE_BREATH
from service.analysis.summary import AnalysisSettings, analyse_test
from service.errors import InvalidContent
from service.quantities import CHANNELS
from tests.analysis.conftest import build_series, build_test
from tests.analysis.simulated_tests import RAMP_15, RUN_STEP, simulate

NO_RULE = AnalysisSettings(aberrant_breaths="none")
#: What is said about the rule itself, and may differ where all else is the same.
ABOUT_THE_RULE = ("settings", "breath_care", "findings")
PARTS = (
    *("peak", "peak_by_window", "maxima", "plateau", "effort", "gas_exchange", "thresholds", "slopes"),
    *("energy", "steady_state", "reserves", "training_ranges", "recovery", "marks", "ranks"),
)


def with_values(test, changes):
    """The same test with other values: by row, what each channel of the breath is multiplied by."""
    channels = {key: values.copy() for key, values in test.series.channels.items()}
    for row, factor in changes.items():
        for key in ("vo2_ml_min", "vco2_ml_min", "ve_l_min"):
            channels[key][row] *= factor
    return replace(test, series=replace(test.series, channels=channels))


def within(test, seconds_before_end):
    """The row that many seconds before the end of exercise."""
    return int(np.searchsorted(test.series.end_s, test.exercise_end_s - seconds_before_end))


def coughing(seed=5, protocol=RAMP_15):
    """A ramp with coughs: low at the peak and in the middle, high in the plateau's window, and at rest."""
    test = simulate(protocol, seed)
    rows = {
        within(test, 8.0): 0.15,
        within(test, 20.0): 2.2,
        within(test, 70.0): 0.2,
        within(test, 250.0): 0.2,
    }
    return with_values(test, {**rows, 12: 3.0}), sorted({*rows, 12})


@pytest.fixture(scope="module")
def coughed():
    return coughing()


@pytest.fixture(scope="module")
def judged(coughed):
    return analyse_test(coughed[0])


def as_parts(analysis):
    document = analysis.as_dict()
    return {name: document[name] for name in PARTS}


def test_every_part_is_computed_as_if_those_breaths_had_not_been_measured(coughed, judged):
    test, _ = coughed
    left_out = list(judged.breath_care.left_out)
    channels = {key: values.copy() for key, values in test.series.channels.items()}
    for key in OF_THE_BREATH & set(channels):
        channels[key][left_out] = np.nan
    unmeasured = replace(test, series=replace(test.series, channels=channels))
    assert as_parts(judged) == as_parts(analyse_test(unmeasured, NO_RULE))


def test_coughs_move_the_results_where_no_rule_leaves_them_out(coughed, judged):
    test, coughs = coughed
    assert set(judged.breath_care.left_out) >= set(coughs)
    without, with_them = as_parts(judged), as_parts(analyse_test(test, NO_RULE))
    for name in ("peak", "peak_by_window", "maxima", "plateau", "gas_exchange", "slopes", "energy"):
        assert without[name] != with_them[name], name


def test_the_load_and_the_heart_rate_of_a_breath_out_of_line_count(coughed):
    test, coughs = coughed
    cared, _ = with_breaths_left_out(test, find_marks(test))
    for key in set(CHANNELS) & set(test.series.channels):
        counts = counted_rows(cared.series, key)[coughs]
        assert counts.any() == counts.all() == (key not in OF_THE_BREATH), key


def test_recorded_values_stay(coughed):
    test, _ = coughed
    cared, _ = with_breaths_left_out(test, find_marks(test))
    for key, values in test.series.channels.items():
        assert cared.series.channels[key] is values
    assert not test.series.aberrant.size


@settings(max_examples=8, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    coughs=st.dictionaries(st.integers(20, 280), st.sampled_from([0.1, 0.3, 1.8, 3.0]), max_size=12),
)
def test_keeping_every_breath_is_as_no_rule(seed, coughs):
    test = with_values(simulate(RUN_STEP if seed % 2 else RAMP_15, seed, exercise_s=480.0), coughs)
    everything = np.ones(len(test.series), dtype=np.bool_)
    kept = analyse_test(replace(test, series=replace(test.series, kept=everything)))
    ruled = analyse_test(test)
    assert kept.breath_care.left_out == {}
    # What the rule marks does not change because somebody keeps it.
    assert kept.breath_care.restored == ruled.breath_care.left_out
    bare = analyse_test(test, NO_RULE).as_dict()
    for name, value in kept.as_dict().items():
        if name not in ABOUT_THE_RULE:
            assert value == bare[name], name
    assert kept.as_dict()["findings"] == bare["findings"]


def test_keeping_one_breath_leaves_the_other_marks(coughed, judged):
    test, coughs = coughed
    marked = judged.breath_care.left_out
    for row in coughs:
        kept = np.zeros(len(test.series), dtype=np.bool_)
        kept[row] = True
        care = analyse_test(replace(test, series=replace(test.series, kept=kept))).breath_care
        assert care.left_out == {seq: why for seq, why in marked.items() if seq != row}
        assert care.restored == {row: marked[row]}


def test_a_breath_taken_out_by_hand_is_counted_apart(coughed):
    test, coughs = coughed
    excluded = np.zeros(len(test.series), dtype=np.bool_)
    excluded[coughs[-1]] = True
    care = analyse_test(replace(test, series=replace(test.series, excluded=excluded))).breath_care
    assert coughs[-1] not in care.left_out
    assert care.n_excluded_by_hand == 1


@pytest.mark.parametrize(
    ("test", "rule", "reason"),
    [
        (simulate(RAMP_15, 1, rows=15.0), "local_4_sd", "means over several breaths"),
        (simulate(RAMP_15, 1, rows=15.0), "none", "No rule was asked for"),
        (simulate(RAMP_15, 1), "none", "No rule was asked for"),
    ],
)
def test_why_no_rule_was_applied(test, rule, reason):
    analysis = analyse_test(test, AnalysisSettings(aberrant_breaths=rule))
    care = analysis.as_dict()["breath_care"]
    assert (care["rule"], care["applied"], care["n_left_out"]) == (rule, False, 0)
    assert reason in care["reason"]
    assert "aberrant_breaths" not in [one.code for one in analysis.findings]
    assert care["vo2_peak_ml_min"] == care["vo2_peak_with_them_ml_min"] == analysis.peak.vo2_ml_min


def test_a_rule_that_there_is_not():
    with pytest.raises(InvalidContent, match="local_4_sd, none") as caught:
        analyse_test(simulate(RAMP_15, 1, rows=15.0), AnalysisSettings(aberrant_breaths="local_3_sd"))
    assert caught.value.errors[0].location == "aberrant_breaths"


def test_the_finding_says_how_many_by_which_rule_and_what_it_does_to_the_peak(coughed, judged):
    care = judged.breath_care
    (said,) = [one for one in judged.findings if one.code == "aberrant_breaths"]
    assert said.severity == "info"
    assert f"{care.n_exercise_left_out} of {care.n_exercise_breaths} breaths of exercise" in said.message
    assert "local_4_sd" in said.message
    bare = analyse_test(coughed[0], NO_RULE).peak.vo2_ml_min
    assert care.vo2_peak_with_them_ml_min == bare
    assert (
        f"Peak uptake is {judged.peak.vo2_ml_min:.0f} mL/min; with them it would be {bare:.0f}"
        in said.message
    )
    assert (said.first_seq, said.last_seq) == (min(care.left_out), max(care.left_out))


@pytest.mark.parametrize(("every", "severity"), [(60, "info"), (22, "warning")])
def test_a_large_share_is_a_warning(every, severity):
    random = np.random.default_rng(2)
    ends = np.cumsum(random.uniform(0.9, 1.2, 400))
    vo2 = 3000.0 + random.normal(0.0, 40.0, ends.size)
    vo2[20::every] = 300.0
    test = build_test(
        build_series(ends, vo2_ml_min=vo2), exercise_start_s=0.0, exercise_end_s=float(ends[-1])
    )
    analysis = analyse_test(test)
    percent = analysis.breath_care.percent_of_exercise_left_out
    assert (percent > WARNED_FROM_PERCENT) == (severity == "warning")
    (said,) = [one for one in analysis.findings if one.code == "aberrant_breaths"]
    assert said.severity == severity


def test_many_breaths_out_of_line_hide_each_other():
    """The limit of the rule, which the guide states: beyond one in 16 nothing is out of line any more."""
    random = np.random.default_rng(2)
    ends = np.cumsum(random.uniform(0.9, 1.2, 400))
    vo2 = 3000.0 + random.normal(0.0, 40.0, ends.size)
    vo2[10::8] = 300.0
    _, care = with_breaths_left_out(
        build_test(build_series(ends, vo2_ml_min=vo2)), Marks(0.0, float(ends[-1]), "given")
    )
    assert care.left_out == {}


def test_a_step_of_the_uptake_is_not_taken_for_breaths_out_of_line():
    """Real changes may be abrupt: the end of exercise, and a bout after a pause. None of their breaths is left out."""
    random = np.random.default_rng(3)
    ends = np.cumsum(random.uniform(1.8, 3.0, 300))
    levels = np.select([ends < 200.0, ends < 230.0, ends < 500.0], [2000.0, 1200.0, 3000.0], 900.0)
    series = build_series(ends, vo2_ml_min=levels + random.normal(0.0, 90.0, ends.size))
    _, care = with_breaths_left_out(build_test(series), Marks(0.0, 500.0, "given"))
    assert care.left_out == {}


CONVENTIONS = {
    "time_weighted": ({}, "highest mean over any 30 s"),
    "moving_seconds": (
        {"peak_window_s": 20.0},
        "highest mean of 20 consecutive seconds, straight lines between",
    ),
    "consecutive_bins": ({}, "highest of bins of 30 s laid end to end"),
    "moving_breaths": ({"peak_window_breaths": 11}, "highest mean of 11 consecutive breaths"),
    "trimmed_breaths": ({}, "highest mean of 7 consecutive breaths without the highest and the lowest"),
}


@pytest.mark.parametrize("convention", CONVENTIONS)
def test_each_way_of_averaging_is_offered_and_told(coughed, convention):
    more, text = CONVENTIONS[convention]
    analysis = analyse_test(coughed[0], AnalysisSettings(peak_convention=convention, **more))
    averaging = analysis.breath_care.averaging
    assert averaging["peak"].startswith(text)
    assert analysis.peak.convention == convention
    assert analysis.peak.vo2_ml_min is not None
    assert set(averaging) == {
        *(
            "peak",
            "maxima",
            "plateau",
            "gas_exchange",
            "thresholds",
            "slopes",
            "steady_state",
            "energy",
            "recovery",
        ),
    }
    assert "polynomial" in averaging["thresholds"]
    assert averaging["slopes"].startswith("means over 10 s")


def test_rows_that_are_means_are_told_as_such():
    averaging = analyse_test(
        simulate(RAMP_15, 1, rows=15.0), AnalysisSettings(peak_convention="moving_seconds")
    ).breath_care.averaging
    assert "each row held while it lasts" in averaging["peak"]
    assert averaging["slopes"] == "rows as recorded"


def test_the_rules_are_those_that_the_wire_names():
    assert tuple(BREATH_RULES) == ("local_4_sd", "none")
