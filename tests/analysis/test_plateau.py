from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.loads import find_loads
from service.analysis.marks import Marks, find_marks
from service.analysis.plateau import PLATEAU_RULES, assess_plateau
from service.analysis.references import REFERENCES, cited_keys
from service.analysis.series import Person, Series, TestInput
from service.errors import InvalidContent
from tests.analysis.plateau_rates import plateau_rates, read_table, response_table, table
from tests.analysis.simulated_tests import (
    RAMP_15,
    RAMP_25,
    RUN_RAMP,
    RUN_STEP,
    STEP_20,
    STEP_25,
    Body,
    simulate,
)

RATES_PAGE = Path(__file__).parents[2] / "service" / "pages" / "guide" / "plateau-rates.md"
QUIET = replace(Body(), breath_sd_ml_min=25.0, wander_sd_ml_min=1.0)


def judged(test, rule=None):
    marks = find_marks(test)
    return assess_plateau(test, marks, find_loads(test, marks), rule)


def steps(
    uptakes,
    *,
    load_step=25.0,
    first=50.0,
    stage_s=180.0,
    row_s=15.0,
    noise=8.0,
    last_s=None,
    mode="cycle",
    key="work_rate_w",
    more=None,
    **test,
):
    """A test in steps whose every row of a stage has the stage's uptake, give or take `noise`."""
    lengths = [stage_s] * len(uptakes)
    if last_s is not None:
        lengths[-1] = last_s
    counts = [round(length / row_s) for length in lengths]
    vo2 = np.repeat(np.array(uptakes, float), counts)
    load = np.repeat(first + load_step * np.arange(len(uptakes)), counts)
    vo2 = vo2 + noise * np.resize([1.0, -1.0, -1.0, 1.0], vo2.size)
    n = vo2.size
    series = Series(
        end_s=row_s * np.arange(1, n + 1),
        duration_s=np.full(n, row_s),
        channels={"vo2_ml_min": vo2, **({} if key is None else {key: load}), **(more or {})},
        phase=np.full(n, -1, np.int8),
        stage=np.full(n, -1, np.int64),
        excluded=np.zeros(n, bool),
    )
    fields = {
        "mode": mode,
        "person": Person(body_mass_kg=75.0),
        "exercise_start_s": 0.0,
        "exercise_end_s": float(series.end_s[-1]),
        "shape": "step",
        **test,
    }
    return TestInput(series=series, **fields)


def rule_of(plateau, name):
    return next(one for one in plateau.rules if one.rule == name)


# -- Steps


@pytest.mark.parametrize(
    ("uptakes", "verdict", "observed", "expected"),
    [
        ([1200, 1450, 1700, 1950, 2200], "not_seen", 250, 250),
        ([1200, 1450, 1700, 1950, 2070], "seen", 120, 250),
        ([1200, 1450, 1700, 1950, 2080], "not_seen", 130, 250),
        ([1200, 1450, 1700, 1950, 1950], "seen", 0, 250),
        # The two stages compared do not shape the line, so a plateau does not flatten its own expectation.
        ([1200, 1450, 1700, 1720, 1950], "not_seen", 230, 250),
    ],
)
def test_step_rule_asks_for_less_than_half_the_rise_of_the_earlier_stages(
    uptakes, verdict, observed, expected
):
    rule = judged(steps(uptakes)).primary
    assert rule.rule == "half_expected_rise_step"
    assert rule.primary
    assert rule.verdict == verdict
    assert rule.observed == pytest.approx(observed, abs=1e-6)
    assert rule.expected_rise == pytest.approx(expected, abs=1e-6)
    assert rule.threshold == pytest.approx(expected / 2, abs=1e-6)
    assert (rule.window_s, rule.unit) == (60.0, "mL/min")


def test_short_stages_are_compared_over_30_s():
    assert (
        judged(steps([1200, 1300, 1400, 1500, 1600], load_step=10.0, stage_s=60.0)).primary.window_s == 30.0
    )
    assert judged(steps([1200, 1300, 1400, 1500, 1600], stage_s=120.0)).primary.window_s == 60.0


@pytest.mark.parametrize(("last_s", "compared"), [(180, 5), (120, 5), (105, 4), (30, 4)])
def test_an_unfinished_stage_is_compared_only_if_enough_of_it_was_done(last_s, compared):
    plateau = judged(steps([1200, 1450, 1700, 1950, 1960], last_s=last_s))
    assert plateau.verdict == ("seen" if compared == 5 else "not_seen")
    assert plateau.fit.later[1] == 720.0 + (last_s if compared == 5 else 0.0)


def test_with_three_stages_the_cycle_has_a_common_gain_and_says_so():
    plateau = judged(steps([1200, 1450, 1550]))
    assert plateau.primary.expected_rise == pytest.approx(250.0)
    assert plateau.verdict == "seen"
    assert "10 mL/min/W" in plateau.primary.reason
    assert plateau.fit.basis == "common_gain"
    assert plateau.fit.points == ()


def test_with_three_stages_other_modes_are_not_assessable():
    assert judged(steps([1200, 1450, 1550], mode="row")).verdict == "not_assessable"
    grade = {"grade_percent": np.full(36, 1.0)}
    run = steps([2500, 2750, 2850], first=9.0, load_step=1.0, mode="treadmill", key="speed_km_h", more=grade)
    plateau = judged(run)
    assert plateau.verdict == "not_assessable"
    assert "fewer than two submaximal stages" in plateau.primary.reason


def test_the_last_minute_of_the_warm_up_is_a_point_of_the_line():
    test = steps([1000, 1250, 1500, 1750])
    marks = Marks(180.0, 720.0, "given")
    plateau = assess_plateau(test, marks, find_loads(test, marks))
    # Two stages are compared; the line runs through the warm-up and the first stage.
    assert plateau.primary.reason is None
    assert plateau.primary.expected_rise == pytest.approx(250.0)
    assert plateau.fit.basis == "load"


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"purpose": "submaximal"}, "planned to be submaximal"),
        ({"shape": "constant"}, "load that rises"),
        ({"shape": "other"}, "load that rises"),
    ],
)
def test_tests_that_cannot_show_a_plateau(changed, said):
    plateau = judged(steps([1200, 1450, 1700, 1950, 1950], **changed))
    assert plateau.verdict == "not_assessable"
    assert {one.verdict for one in plateau.rules} == {"not_assessable"}
    assert all(said in one.reason for one in plateau.rules)


def test_without_loads_and_shape_nothing_is_assessable():
    plateau = judged(steps([1200, 1450, 1700, 1950, 1950], key=None, shape=None))
    assert plateau.verdict == "not_assessable"
    assert plateau.primary.reason == "the test has no work rates, and the shape of the test is not stated"


def test_a_load_that_fell_is_no_step_up():
    test = steps([1200, 1450, 1700, 1950, 1950])
    load = test.series.channels["work_rate_w"].copy()
    load[-12:] = 100.0
    down = replace(test, series=replace(test.series, channels={**test.series.channels, "work_rate_w": load}))
    assert "did not rise" in judged(down).primary.reason


def test_a_gap_in_a_window_leaves_it_not_assessable():
    test = steps([1200, 1450, 1700, 1950, 1950])
    excluded = test.series.excluded.copy()
    excluded[-2:] = True
    plateau = judged(replace(test, series=replace(test.series, excluded=excluded)))
    assert plateau.verdict == "not_assessable"
    assert "covered" in plateau.primary.reason


def test_the_gate_refuses_what_chance_could_decide():
    # Alternating by 150 in 15-s rows: 60-s means differ by chance with an SD of about 120 mL/min or more.
    plateau = judged(steps([1200, 1450, 1700, 1950, 1950], noise=150.0))
    assert plateau.verdict == "not_assessable"
    assert plateau.primary.expected_rise / 2 < 1.64 * plateau.primary.standard_error
    assert "chance" in plateau.primary.reason


def test_a_step_across_the_walk_run_change_is_not_compared():
    speeds = np.repeat([4.0, 4.5, 5.0, 5.5, 9.0], 12)
    grade = {"grade_percent": np.full(60, 5.0)}
    test = steps([1000, 1100, 1200, 1300, 1310], mode="treadmill", key="speed_km_h", more=grade)
    test = replace(test, series=replace(test.series, channels={**test.series.channels, "speed_km_h": speeds}))
    assert "walking to running" in judged(test).primary.reason
    between = speeds.copy()
    between[-12:] = 7.0
    test = replace(
        test, series=replace(test.series, channels={**test.series.channels, "speed_km_h": between})
    )
    assert "walking from running" in judged(test).primary.reason


def test_a_held_handrail_is_not_assessable():
    test = simulate(RUN_STEP, 2, rows=15.0, exercise_s=900.0)
    assert judged(test).verdict == "not_seen"
    held = judged(replace(test, handrail_support=True))
    assert held.verdict == "not_assessable"
    assert "handrail" in held.primary.reason


# -- Fixed rules


@pytest.mark.parametrize(
    ("last", "load_step", "expected_verdicts"),
    [
        # 40 W a step: expected 400 mL/min, twice 150 and twice 80, 5.33 mL/kg/min at 75 kg.
        (2500 + 140, 40.0, ("seen", "seen", "not_seen")),
        (2500 + 150, 40.0, ("not_seen", "seen", "not_seen")),
        (2500 + 157.5, 40.0, ("not_seen", "not_seen", "not_seen")),  # exactly 2.1 mL/kg/min
        (2500 + 80, 40.0, ("seen", "seen", "seen")),  # at most 80
        # 25 W: 250 mL/min expected, less than twice 150 and than twice 2.1 x 75.
        (2500 + 70, 25.0, ("not_assessable", "not_assessable", "seen")),
        # 15 W: 150 expected, less than twice 80.
        (2500 + 70, 15.0, ("not_assessable", "not_assessable", "not_assessable")),
    ],
)
def test_fixed_rules_speak_only_where_twice_their_threshold_was_expected(last, load_step, expected_verdicts):
    rise = 10.0 * load_step
    plateau = judged(steps([2500 - 3 * rise, 2500 - 2 * rise, 2500 - rise, 2500, last], load_step=load_step))
    names = ("rise_below_150_ml_min", "rise_below_2_1_ml_kg_min", "rise_at_most_80_ml_min")
    assert tuple(rule_of(plateau, name).verdict for name in names) == expected_verdicts
    per_kg = rule_of(plateau, "rise_below_2_1_ml_kg_min")
    assert (per_kg.unit, per_kg.threshold) == ("mL/kg/min", 2.1)
    assert per_kg.observed == pytest.approx((last - 2500) / 75.0)


def test_the_rule_per_kilogram_needs_a_body_mass():
    plateau = judged(replace(steps([1200, 1600, 2000, 2400, 2500], load_step=40.0), person=Person()))
    assert rule_of(plateau, "rise_below_2_1_ml_kg_min").reason == "the visit has no body mass"
    assert rule_of(plateau, "rise_below_150_ml_min").verdict == "seen"


def test_another_rule_can_be_primary():
    test = steps([1300, 1700, 2100, 2500, 2600], load_step=40.0)
    plateau = judged(test, "rise_at_most_80_ml_min")
    assert plateau.verdict == "not_seen"
    assert [one.rule for one in plateau.rules if one.primary] == ["rise_at_most_80_ml_min"]
    assert rule_of(plateau, "half_expected_rise_step").verdict == "seen"
    wrong = judged(test, "half_expected_rise_ramp")
    assert wrong.verdict == "not_assessable"
    assert "ramp" in wrong.primary.reason


def test_a_rule_that_does_not_exist_is_refused_with_the_choices():
    with pytest.raises(InvalidContent, match="half_expected_rise_ramp") as caught:
        judged(steps([1200, 1450, 1700]), "no_such_rule")
    assert caught.value.errors[0].location == "plateau_rule"


def test_every_rule_has_a_source_that_resolves():
    for kind in PLATEAU_RULES.values():
        assert cited_keys(kind.source)
        assert all(key in REFERENCES for key in cited_keys(kind.source))


# -- Ramps


@pytest.mark.parametrize("rows", ["breaths", 5.0, 10.0, 15.0, 30.0, 60.0])
@pytest.mark.parametrize("protocol", [RAMP_15, RAMP_25, RUN_RAMP], ids=lambda one: one.name)
@pytest.mark.parametrize(("demanded_s", "verdict"), [(0.0, "not_seen"), (180.0, "seen")])
def test_ramps_of_a_quiet_recording(protocol, rows, demanded_s, verdict):
    test = simulate(protocol, 11, rows=rows, exercise_s=660.0, ceiling_demanded_s=demanded_s, body=QUIET)
    test = replace(test, shape="ramp")  # means of 60 s do not tell it
    rule = judged(test).primary
    assert (rule.rule, rule.verdict) == ("half_expected_rise_ramp", verdict)
    gain = {RAMP_15: 150.0, RAMP_25: 250.0}.get(protocol)
    if gain is not None and not demanded_s:
        assert rule.expected_rise == pytest.approx(gain, rel=0.06)


@pytest.mark.parametrize("rows", ["breaths", 15.0, 30.0])
@pytest.mark.parametrize("protocol", [STEP_20, STEP_25, RUN_STEP], ids=lambda one: one.name)
@pytest.mark.parametrize(
    ("exercise_s", "demanded_s", "verdict"), [(900.0, 0.0, "not_seen"), (1080.0, 360.0, "seen")]
)
def test_steps_of_a_quiet_recording(protocol, rows, exercise_s, demanded_s, verdict):
    test = simulate(protocol, 11, rows=rows, exercise_s=exercise_s, ceiling_demanded_s=demanded_s, body=QUIET)
    assert judged(test).verdict == verdict


def test_a_ramp_stated_without_work_rates_is_judged_over_time_and_said_to_be():
    test = simulate(RAMP_25, 4, exercise_s=640.0, ceiling_demanded_s=200.0)
    channels = {key: values for key, values in test.series.channels.items() if key != "work_rate_w"}
    bare = replace(test, shape="ramp", series=replace(test.series, channels=channels))
    with_load, without = judged(test), judged(bare)
    assert without.verdict == with_load.verdict == "seen"
    assert without.primary.expected_rise == pytest.approx(with_load.primary.expected_rise, rel=0.03)
    assert "over time" in without.primary.reason
    assert without.fit.basis == "time"


def test_a_short_ramp_has_no_submaximal_part():
    rule = judged(simulate(RAMP_25, 1, exercise_s=330.0)).primary
    assert rule.verdict == "not_assessable"
    assert "submaximal" in rule.reason


def test_a_load_held_at_the_end_of_a_ramp_expects_no_rise():
    test = simulate(RAMP_25, 1, exercise_s=600.0)
    load = test.series.channels["work_rate_w"].copy()
    held = (test.series.end_s > test.exercise_end_s - 130.0) & (test.series.end_s <= test.exercise_end_s)
    load[held] = load[held][0]
    changed = replace(
        test, series=replace(test.series, channels={**test.series.channels, "work_rate_w": load})
    )
    assert "did not rise" in judged(changed).primary.reason


def test_intervals_longer_than_the_window_cannot_show_a_change_over_a_minute():
    rule = judged(replace(simulate(RAMP_25, 1, rows=90.0, exercise_s=720.0), shape="ramp")).primary
    assert rule.verdict == "not_assessable"
    assert "longer" in rule.reason


@pytest.mark.parametrize("rows", [30.0, 60.0])
@pytest.mark.parametrize("protocol", [RAMP_25, STEP_20, STEP_25], ids=lambda one: one.name)
def test_a_long_row_that_reaches_into_recovery_makes_no_plateau(protocol, rows):
    for extra in (16.0, 22.0, 28.0, 40.0):
        test = simulate(protocol, 8, rows=rows, exercise_s=690.0 + extra, body=QUIET)
        assert judged(test).verdict != "seen"


def test_uptake_that_fell_by_more_than_chance_is_pointed_out():
    test = simulate(RAMP_25, 6, exercise_s=640.0, ceiling_demanded_s=150.0)
    assert judged(test).findings == ()
    vo2 = test.series.channels["vo2_ml_min"].copy()
    vo2[test.series.end_s > test.exercise_end_s - 60.0] -= 500.0
    leaking = judged(
        replace(test, series=replace(test.series, channels={**test.series.channels, "vo2_ml_min": vo2}))
    )
    assert leaking.verdict == "seen"
    assert [one.code for one in leaking.findings] == ["uptake_fell_at_end"]


def test_the_standard_error_is_about_the_scatter_of_the_difference():
    found = [judged(simulate(RAMP_25, seed, exercise_s=640.0)).primary for seed in range(60)]
    scatter = np.std([one.observed - one.expected_rise for one in found])
    told = np.mean([one.standard_error for one in found])
    # The scatter also holds the error of the line, so it may be larger; a factor of 2 would be a mistake.
    assert 0.6 * scatter < told < 1.4 * scatter


def test_the_fit_holds_what_a_chart_draws():
    plateau = judged(simulate(RAMP_25, 3, exercise_s=600.0))
    marks_end = 840.0
    assert plateau.fit.earlier[:2] == (marks_end - 120.0, marks_end - 60.0)
    assert plateau.fit.later[:2] == (marks_end - 60.0, marks_end)
    assert plateau.fit.later[2] - plateau.fit.earlier[2] == pytest.approx(plateau.primary.observed)
    times = [time for time, _ in plateau.fit.points]
    assert times == sorted(times)
    assert set(plateau.as_dict()) == {"verdict", "rules", "fit"}
    assert {
        "rule",
        "primary",
        "verdict",
        "observed",
        "threshold",
        "expected_rise",
        "window_s",
        "unit",
        "reason",
        "source",
    } <= set(plateau.as_dict()["rules"][0])


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 400), shift=st.floats(-200.0, 5000.0), factor=st.floats(0.5, 2.0))
def test_verdict_does_not_move_with_the_clock_or_the_size_of_the_person(seed, shift, factor):
    test = simulate(RAMP_25, seed, rows=15.0, exercise_s=600.0, ceiling_demanded_s=90.0)
    other = replace(
        test,
        exercise_start_s=test.exercise_start_s + shift,
        exercise_end_s=test.exercise_end_s + shift,
        series=replace(
            test.series,
            end_s=test.series.end_s + shift,
            channels={**test.series.channels, "vo2_ml_min": test.series.channels["vo2_ml_min"] * factor},
        ),
    )
    before, after = judged(test).primary, judged(other).primary
    assert after.verdict == before.verdict
    assert after.expected_rise == pytest.approx(before.expected_rise * factor, rel=1e-6)


# -- Rates


@pytest.mark.parametrize(("column", "demanded_s"), [(0, 0.0), (3, 150.0)])
def test_the_printed_rates_are_those_of_the_rule(column, demanded_s):
    printed = read_table(RATES_PAGE.read_text("utf-8"))[RAMP_25.name, "15 s"][column] / 100
    tests = 60
    found = plateau_rates(RAMP_25, 15.0, demanded_s, tests, seed=900_000).seen
    # Three and a half standard errors of the difference of two shares, 200 tests in the table.
    share = min(max(printed, 0.03), 0.97)
    assert abs(found - printed) < 3.5 * np.sqrt(share * (1 - share) * (1 / tests + 1 / 200))


@pytest.mark.proof
def test_the_table_of_rates_is_current():
    page = RATES_PAGE.read_text("utf-8")
    assert table() in page
    assert response_table() in page
