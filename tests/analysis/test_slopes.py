"""Slopes over a test: arithmetic, what is left out, acceptance, and a reason for each that is missing."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.loads import find_loads
from service.analysis.marks import Marks, find_marks
from service.analysis.slopes import find_slopes
from tests.analysis.conftest import build_series, build_test
from tests.analysis.stage_tests import ride


def slopes_of(test, **more):
    marks = find_marks(test)
    return find_slopes(test, marks, find_loads(test, marks), **more)


def rows(n=40, row_s=15.0, **channels):
    return build_test(
        build_series(row_s * np.arange(1, n + 1), channels, phase=["exercise"] * n), shape="ramp"
    )


def test_ventilation_on_carbon_dioxide_whole_and_up_to_the_second_threshold():
    vco2 = np.linspace(600, 4000, 40)
    # 26 up to 2500 mL/min, 40 above it.
    ve = 4.4 + 0.026 * vco2 + 0.014 * np.maximum(vco2 - 2500, 0)
    test = rows(vco2_ml_min=vco2, ve_l_min=ve)
    reached = 15.0 * np.nonzero(vco2 > 2500)[0][0]
    found = slopes_of(test, vt2_time_s=float(reached))
    assert found.ve_vco2.value == pytest.approx(26.0, abs=1e-6)
    assert found.ve_vco2.intercept == pytest.approx(4.4, abs=1e-6)
    assert found.ve_vco2.to_s == reached
    assert found.ve_vco2_whole.value > 29
    assert found.ve_vco2_whole.n == 40
    unknown = slopes_of(test, vt2_reason="No break was found.")
    assert unknown.ve_vco2.value is None
    assert "no break was found" in unknown.ve_vco2.reason
    assert unknown.ve_vco2_whole.value == found.ve_vco2_whole.value
    told = found.as_dict()
    assert told["ve_vco2_slope"] == found.ve_vco2.value
    assert [one["name"] for one in told["items"]] == [
        "ve_vco2_slope",
        "ve_vco2_slope_whole",
        "oues_ml_min",
        "vo2_work_rate_slope_ml_min_w",
        "heart_rate_vo2_slope_bpm_per_l_min",
    ]
    assert "normal" not in str(told)
    assert "heart failure" in told["items"][0]["limit_reason"]


def test_the_efficiency_slope_leaves_out_the_first_minute_and_the_plateau():
    ve = np.geomspace(15, 150, 60)
    vo2 = 2100 * np.log10(ve) - 1500
    vo2[:4] += 300  # the first minute
    vo2[-8:] = vo2[-8]  # levelling off
    test = rows(60, ve_l_min=ve, vo2_ml_min=vo2)
    found = slopes_of(test, plateau_from_s=15.0 * 52).oues
    assert found.value == pytest.approx(2100, abs=1e-6)
    assert (found.from_s, found.to_s, found.n) == (60.0, 780.0, 48)
    assert "plateau" in found.range
    assert slopes_of(test).oues.value < 2100


def test_uptake_at_100_w_is_read_on_the_line_and_not_beyond_it():
    # As made: 450 + 10 mL/min/W in the stages.
    found = slopes_of(ride([60.0, 90.0, 120.0, 150.0]))
    assert found.vo2_at_100_w_ml_min == pytest.approx(1450.0)
    told = found.as_dict()
    assert told["vo2_at_100_w_ml_min"] == found.vo2_at_100_w_ml_min
    beyond = slopes_of(ride([120.0, 150.0, 180.0, 210.0]))
    assert beyond.vo2_work_rate.value == pytest.approx(10.0)
    assert beyond.vo2_at_100_w_ml_min is None
    assert "from 120 to 210 W" in beyond.as_dict()["reasons"]["vo2_at_100_w_ml_min"]
    flat = slopes_of(ride([100.0, 100.0, 100.0]))
    assert flat.vo2_at_100_w_ml_min is None
    assert flat.as_dict()["reasons"]["vo2_at_100_w_ml_min"] == flat.vo2_work_rate.reason


def test_uptake_on_work_rate_of_a_ramp_is_not_tilted_by_the_lag(simulated_test):
    # The simulated gain is 10 mL/min/W, followed with a time constant of 35 s.
    test = simulated_test(noise=0.0)
    found = slopes_of(test).vo2_work_rate
    assert found.value == pytest.approx(10.0, abs=0.1)
    assert found.from_s == find_marks(test).exercise_start_s + 120
    breaths = slopes_of(simulated_test(noise=0.03, row_s=None)).vo2_work_rate
    assert breaths.ci_low < 10.0 < breaths.ci_high
    assert breaths.points == "means of 10 s"
    assert breaths.autocorrelation is not None


def test_long_stages_give_one_point_each():
    found = slopes_of(ride([100, 150, 200, 250]))
    assert found.vo2_work_rate.value == pytest.approx(10.0, abs=1e-6)
    assert found.vo2_work_rate.n == 4
    assert "last minute" in found.vo2_work_rate.points
    # Heart rate 80 + 0.4 W and 10 mL/min/W: 40 beats/min a litre.
    assert found.heart_rate_vo2.value == pytest.approx(40.0, abs=1e-6)
    cut = slopes_of(ride([100, 150, 200, 250]), plateau_from_s=900.0)
    assert cut.vo2_work_rate.n == 3


@pytest.mark.parametrize(
    ("channels", "said"),
    [
        ({}, "no VO2"),
        ({"vo2_ml_min": np.linspace(800, 3000, 40)}, "no work rates"),
        ({"vo2_ml_min": np.linspace(800, 3000, 40), "work_rate_w": np.full(40, 150.0)}, "never rises"),
        ({"vo2_ml_min": np.full(40, 2000.0), "work_rate_w": np.linspace(50, 300, 40)}, "stands still"),
        (
            {"vo2_ml_min": np.linspace(3000, 800, 40), "work_rate_w": np.linspace(50, 300, 40)},
            "is not above 0",
        ),
        (
            {"vo2_ml_min": np.linspace(800, 3000, 40), "work_rate_w": np.linspace(300, 50, 40)},
            "never rises",
        ),
        (
            {"vo2_ml_min": np.linspace(2000, 2100, 40), "work_rate_w": np.linspace(200, 220, 40)},
            "times the lowest",
        ),
    ],
)
def test_no_uptake_of_a_watt(channels, said):
    # Ventilation keeps the exercise where it is.
    found = slopes_of(rows(ve_l_min=np.linspace(20, 80, 40), **channels)).vo2_work_rate
    assert found.value is None
    assert said in found.reason


def test_missing_channels_few_rows_and_other_modes_are_named():
    found = slopes_of(rows(vo2_ml_min=np.linspace(800, 3000, 40)))
    assert found.ve_vco2_whole.reason == "The test has no VCO2 and no ventilation."
    assert found.heart_rate_vo2.reason == "The test has no heart rate."
    short = slopes_of(rows(5, vco2_ml_min=np.linspace(600, 2000, 5), ve_l_min=np.linspace(20, 60, 5)))
    assert "5 points lie in the range" in short.ve_vco2_whole.reason
    run = replace(rows(vo2_ml_min=np.linspace(800, 3000, 40)), mode="treadmill")
    assert "not on an ergometer" in slopes_of(run).vo2_work_rate.reason
    scattered = np.random.default_rng(1).uniform(20, 90, 40) + np.linspace(0, 30, 40)
    loose = slopes_of(rows(vco2_ml_min=np.linspace(600, 4000, 40), ve_l_min=scattered)).ve_vco2_whole
    assert "r squared" in loose.reason


@given(
    st.integers(1, 30),
    st.sampled_from([1.0, 3.0, 15.0, 60.0]),
    st.sampled_from(["constant", "random", "missing", "absent", "falling"]),
    st.integers(0, 10_000),
)
@settings(max_examples=60, deadline=None)
def test_any_small_series_gives_finite_slopes_or_reasons(n, row_s, kind, seed):
    random = np.random.default_rng(seed)
    ranges = {
        "vo2_ml_min": (50, 8000),
        "vco2_ml_min": (30, 10000),
        "ve_l_min": (2, 280),
        "heart_rate_bpm": (25, 250),
        "work_rate_w": (0, 500),
    }
    channels = {}
    for key, (low, high) in ranges.items():
        values = random.uniform(low, high, n)
        if kind == "constant":
            values = np.full(n, 0.5 * (low + high))
        elif kind == "falling":
            values = np.sort(values)[::-1]
        elif kind == "missing":
            values = np.where(random.random(n) < 0.5, np.nan, values)
        if kind != "absent" or random.random() < 0.5:
            channels[key] = values
    test = build_test(
        build_series(row_s * np.arange(1, n + 1), channels), shape=random.choice(["ramp", "step"])
    )
    marks = Marks(0.0, row_s * n, "given")
    found = find_slopes(
        test, marks, find_loads(test, marks), vt2_time_s=float(random.uniform(-10, row_s * n + 10))
    )
    for one in found.items:
        if one.value is None:
            assert one.reason
        else:
            assert np.isfinite([one.value, one.ci_low, one.ci_high, one.intercept]).all()
            assert 0 < one.ci_low <= one.value <= one.ci_high
