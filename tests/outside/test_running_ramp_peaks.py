"""The averaging conventions against published values of real tests.

Source: Nolte, Rein, Quittmann, Sports Med 2023, doi 10.1007/s40279-023-01903-3 (data CC-BY 4.0, not kept here):
36 treadmill ramp tests to exhaustion, breath by breath, with the authors' own VO2max under 168 averaging rules.
The 10-s bins at the end are arithmetic, worked by hand.
"""

import csv
import gzip
import os
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from service.analysis.marks import Marks, find_marks
from service.analysis.peaks import (
    PeakSettings,
    carbon_dioxide_lost,
    consecutive_bins,
    each_second,
    find_maxima,
    find_peak,
    moving_breaths,
    moving_seconds,
)
from service.analysis.series import Person, Series, TestInput
from service.analysis.summary import analyse_test

FOLDER = Path(os.environ.get("UPSLOPE_OPEN_DATA", "../shared/data")) / "running_ramp"
NUMBERS = range(1, 37)
#: Widths at which the authors kept some nearly full last bins; at all others incomplete ones are dropped.
BINS_KEPT_OTHERWISE = {25, 36, 37, 38, 45, 47, 48, 49, 52, 53, 54, 57, 58, 60}

needs_data = pytest.mark.skipif(
    not FOLDER.is_dir(), reason=f"the open data are not at {FOLDER}; set UPSLOPE_OPEN_DATA"
)


@pytest.fixture(scope="module")
def tests():
    rows = defaultdict(list)
    with gzip.open(FOLDER / "breaths.csv.gz", "rt", newline="") as file:
        for row in csv.DictReader(file):
            rows[int(row["test_id"])].append(row)
    with (FOLDER / "participants.csv").open(newline="") as file:
        masses = {int(row["p"]): float(row["bodymass"]) for row in csv.DictReader(file)}
    return {number: _test(rows[number], masses[number]) for number in NUMBERS}


def _test(rows, mass):
    def column(name, factor=1.0):
        return np.array([float(row[name]) for row in rows]) * factor

    ends = column("time_s")
    n = len(ends)
    series = Series(
        end_s=ends,
        duration_s=np.diff(ends, prepend=0.0),
        channels={
            "vo2_ml_min": column("vo2_l_min", 1000),
            "vco2_ml_min": column("vco2_l_min", 1000),
            "speed_km_h": column("speed_kmh"),
            "grade_percent": column("grade_pct"),
        },
        phase=np.full(n, -1, np.int8),
        stage=np.full(n, -1, np.int64),
        excluded=np.zeros(n, np.bool_),
    )
    return TestInput(series, "treadmill", Person(body_mass_kg=mass))


def _whole(test):
    return Marks(0.0, float(test.series.end_s[-1]), "given")


@pytest.fixture(scope="module")
def published():
    with (FOLDER / "published_vo2max_by_strategy.csv").open(newline="") as file:
        return {
            int(row.pop("test_id")): {key: float(value) for key, value in row.items()}
            for row in csv.DictReader(file)
        }


@needs_data
@pytest.mark.parametrize("number", NUMBERS)
def test_published_values_by_breaths_seconds_and_bins(tests, published, number):
    test = tests[number]
    uptake, ends = test.series.channel("vo2_ml_min"), test.series.end_s
    mass = test.person.body_mass_kg
    seconds = each_second(ends, uptake, 0.0, float(ends[-1]))
    checked = 0
    for rule, value in published[number].items():
        kind, width = rule.split("_")[0], int(rule.split("_")[1])
        if kind == "tb" and width in BINS_KEPT_OTHERWISE:
            continue
        means = {
            "bm": lambda w: moving_breaths(uptake, w),
            "tm": lambda w: moving_seconds(seconds, w),
            "tb": lambda w: consecutive_bins(seconds, w),
        }[kind](width)
        assert means.max() / mass == pytest.approx(value, abs=1e-9), rule
        checked += 1
    assert checked == 168 - len(BINS_KEPT_OTHERWISE)


@needs_data
@pytest.mark.parametrize(
    ("rule", "how"),
    [
        ("bm_15", PeakSettings("moving_breaths", window_breaths=15)),
        ("bm_30", PeakSettings("moving_breaths", window_breaths=30)),
        ("tm_15", PeakSettings("moving_seconds", 15)),
        ("tm_30", PeakSettings("moving_seconds", 30)),
        ("tm_60", PeakSettings("moving_seconds", 60)),
        ("tb_20", PeakSettings("consecutive_bins", 20)),
        ("tb_30", PeakSettings("consecutive_bins", 30)),
    ],
)
def test_a_whole_test_gives_the_published_value(tests, published, rule, how):
    """The same functions on the way every test takes; a breath with VO2 near zero does not count there."""
    for number in NUMBERS:
        peak = find_peak(tests[number], _whole(tests[number]), how)
        assert peak.vo2_ml_kg_min == pytest.approx(published[number][rule], abs=1e-9), number


@needs_data
def test_the_default_differs_little_from_the_published_30_s_mean(tests, published):
    """Exact time-weighted against whole interpolated seconds: at most 0.4, on average 0.0 mL/kg/min."""
    apart = np.array(
        [
            find_peak(tests[number], _whole(tests[number])).vo2_ml_kg_min - published[number]["tm_30"]
            for number in NUMBERS
        ]
    )
    assert np.abs(apart).max() < 0.4
    assert abs(apart.mean()) < 0.01
    assert np.sqrt((apart**2).mean()) < 0.12


@needs_data
def test_a_ratio_over_a_lost_channel_is_refused(tests):
    """Test 28 loses its CO2 channel; the other 35 do not, and have a ratio."""
    for number in NUMBERS:
        test = tests[number]
        marks = find_marks(test)
        peak, maxima = find_peak(test, marks), find_maxima(test, marks)
        assert carbon_dioxide_lost(test.series, marks).any() == (number == 28)
        assert (peak.rer is None) == (maxima.rer is None) == (number == 28)
        assert peak.vo2_ml_min is not None
        if number == 28:
            assert "CO2 channel is lost" in peak.reasons["rer"]
        else:
            assert 0.9 < peak.rer <= maxima.rer + 1e-12 < 1.2


@needs_data
def test_few_exhaustive_tests_reach_a_ratio_of_1_10(tests):
    """About a fifth reach it over 30 s, as the authors' data show."""
    ratios = [find_maxima(test, find_marks(test)).rer for test in tests.values()]
    assert sum(ratio is not None and ratio >= 1.10 for ratio in ratios) in range(5, 10)


@needs_data
def test_the_run_is_found_from_the_speed(tests):
    """All 36 ran at a constant speed up to 180 s and then faster each 30 s; the treadmill stops near the end."""
    for test in tests.values():
        marks = find_marks(test)
        assert marks.exercise_start_s == pytest.approx(180, abs=3)
        assert 0 <= test.series.end_s[-1] - marks.exercise_end_s < 12


@needs_data
def test_no_exhaustive_test_is_called_submaximal(tests):
    """All 36 ran to exhaustion (same source); neither are errors found in them beyond the lost channel of test 28."""
    for number, test in tests.items():
        analysis = analyse_test(test)
        assert analysis.effort.verdict != "submaximal", number
        errors = {one.code for one in analysis.findings if one.severity == "error"}
        assert errors == ({"ratio_channel_lost"} if number == 28 else set()), number
        results = {one.quantity: one for one in analysis.results}
        assert not results["vo2_peak_ml_kg_min"].has_error
        assert ("rer_max" in results) == (number != 28)


BINS = (3100.0, 3220, 3050, 3300, 3410, 3280, 3520, 3380, 3600, 3470, 3550, 3500)


@pytest.mark.parametrize(
    ("how", "value"),
    [
        (PeakSettings("time_weighted", 10), 3600.0),
        (PeakSettings("time_weighted", 20), 3535.0),
        (PeakSettings("time_weighted", 30), 3540.0),
        (PeakSettings("time_weighted", 60), 3503.333333),
        (PeakSettings("moving_seconds", 30), 3540.0),
        (PeakSettings("consecutive_bins", 30), 3506.666667),
    ],
)
def test_ten_second_bins(how, value):
    """Arithmetic, worked independently by hand."""
    n = len(BINS)
    series = Series(
        end_s=10.0 * np.arange(1, n + 1),
        duration_s=np.full(n, 10.0),
        channels={"vo2_ml_min": np.array(BINS)},
        phase=np.full(n, -1, np.int8),
        stage=np.full(n, -1, np.int64),
        excluded=np.zeros(n, np.bool_),
    )
    peak = find_peak(TestInput(series, "cycle", Person()), Marks(0.0, 120.0, "given"), how)
    assert peak.vo2_ml_min == pytest.approx(value, abs=1e-5)
