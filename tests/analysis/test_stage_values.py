"""Means of the last minute of stages, and which stages are steady."""

from dataclasses import replace

import numpy as np
import pytest

from service.analysis.loads import find_loads
from service.analysis.marks import find_marks
from service.analysis.stage_values import stage_values
from tests.analysis.stage_tests import ride, stage_test


def values_of(test):
    return stage_values(test.series, find_loads(test, find_marks(test)))


def test_the_last_minute_of_each_stage():
    found = values_of(ride([100, 150, 200]))
    assert [one.work_rate_w for one in found] == [100, 150, 200]
    assert [one.vo2_ml_min for one in found] == pytest.approx([1450, 1950, 2450])
    assert [one.rer for one in found] == pytest.approx([0.88, 0.91, 0.94])
    assert [(one.from_s, one.end_s) for one in found] == [(240, 300), (540, 600), (840, 900)]
    assert [one.steady for one in found] == [True, True, True]
    assert found[0].as_dict()["reason"] is None


# What makes a stage not steady, and what is said.
@pytest.mark.parametrize(
    ("test", "said"),
    [
        (ride([100, 150, 200], stage_s=120), "lasted 120 s"),
        (ride([100, 150, 200], trend_ml_min2=60.0, noise=0.002), "still rose by"),
        (ride([100, 150, 200], trend_ml_min2=-60.0, noise=0.002), "still fell by"),
        (ride([320, 360, 400]), "exchange ratio was 1.0"),
        (ride([10, 20, 30], noise=0.12, seed=8), "scatters too much"),
        (ride([100, 150, 200], row_s=60.0), "too few to tell"),
        (
            stage_test([{"work_rate_w": w, "vo2_ml_min": 450 + 10 * w} for w in (100, 150, 200)]),
            "no CO2 output",
        ),
        (stage_test([{"work_rate_w": w, "heart_rate_bpm": w} for w in (100, 150, 200)]), "no uptake"),
    ],
)
def test_a_stage_that_is_not_steady_says_why(test, said):
    for one in values_of(test):
        assert not one.steady
        assert said in one.reason


def test_a_ramp_has_no_stages(simulated_test):
    assert values_of(simulated_test()) == ()


def test_steady_stages_are_rarely_called_unsteady_by_chance():
    # The rule allows an error of 5 % a stage; with intervals that allow for related neighbours, at most a little more.
    wrong = [
        one.reason
        for seed in range(60)
        for one in values_of(ride([100, 150, 200], noise=0.02, seed=seed))
        if not one.steady
    ]
    assert len(wrong) <= 0.12 * 180
    # A slow rise of 5 % a minute is seen in most.
    seen = [
        one.steady
        for seed in range(30)
        for one in values_of(ride([100, 150, 200], noise=0.01, trend_ml_min2=100.0, seed=seed))
    ]
    assert np.mean(seen) < 0.1


def test_a_stuck_carbon_dioxide_channel_gives_no_ratio():
    # The ratio of the last stage would be a plausible 0.73.
    test = ride([100, 150, 200], noise=0.005)
    vco2 = test.series.channels["vco2_ml_min"].copy()
    vco2[40:] = 1800.0
    channels = {**test.series.channels, "vco2_ml_min": vco2}
    found = values_of(replace(test, series=replace(test.series, channels=channels)))
    assert found[1].steady
    assert (found[2].rer, found[2].steady) == (None, False)
    assert "no CO2 output" in found[2].reason
