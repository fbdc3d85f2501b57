"""Two rounds of real cyclists beside each other, as pandas reads the file.

Source: Sylta et al., Med Sci Sports Exerc 2016;48:2165-2174, doi 10.1249/MSS.0000000000001007 (data CC0, not kept here): 20
trained cyclists before and after three blocks of training, stages of 5 min. The file has one value a stage; here each stage
is filled with it in rows of 15 s.
"""

import numpy as np
import pandas as pd
import pytest

from service.analysis.comparison import ComparedTest, compare, errors_at_one_work_rate
from service.analysis.loads import find_loads
from service.analysis.marks import find_marks
from tests.analysis.stage_tests import stage_test

WATTS = (125, 175, 225, 250, 275, 300, 325, 350, 375)
CHANNELS = {"VO2": "vo2_ml_min", "VCO2": "vco2_ml_min", "VE": "ve_l_min", "HF": "heart_rate_bpm"}


def compared_test(row):
    stages = [
        {"work_rate_w": watts, **{ours: row[f"{theirs}.{watts}"] for theirs, ours in CHANNELS.items()}}
        for watts in WATTS
        if not pd.isna(row[f"VO2.{watts}"])
    ]
    lactates = [row[f"lac.{watts}"] for watts in WATTS if not pd.isna(row[f"VO2.{watts}"])]
    test = stage_test(stages, lactates=None if bool(pd.isna(lactates).any()) else lactates)
    marks = find_marks(test)
    return ComparedTest(test, marks, find_loads(test, marks), row["VO2.max"])


@pytest.fixture(scope="module")
def pairs(open_data):
    """Rows and comparison of everybody with a first and a last round."""
    table = pd.read_csv(open_data("cycling_training") / "cyclingstudy.csv")
    rounds = {name: part.set_index("subject") for name, part in table.groupby("timepoint")}
    both = sorted(set(rounds["pre"].index) & set(rounds["meso3"].index))
    errors = errors_at_one_work_rate({}, watts=True)
    answer = []
    for subject in both:
        before, after = rounds["pre"].loc[subject], rounds["meso3"].loc[subject]
        if any(pd.isna(one["VO2.125"]) or pd.isna(one["VO2.max"]) for one in (before, after)):
            continue
        answer.append((before, after, compare(compared_test(before), compared_test(after), errors)))
    return answer


def test_differences_are_those_of_the_file(pairs):
    assert len(pairs) >= 15
    seen = 0
    for before, after, found in pairs:
        for theirs, ours in CHANNELS.items():
            channel = next(one for one in found.work_rate.channels if one.channel == ours)
            told = {point.along: point for point in channel.points}
            for watts in WATTS:
                if any(
                    pd.isna(one[f"{name}.{watts}"]) for one in (before, after) for name in ("VO2", theirs)
                ):
                    continue
                first, second = (float(one[f"{theirs}.{watts}"]) for one in (before, after))
                point = told[watts]
                assert (point.first, point.second) == pytest.approx((first, second), rel=1e-9)
                assert not point.first_between_stages
                assert not point.second_between_stages
                seen += 1
    assert seen > 250


def test_between_stages_as_numpy_interpolates(pairs):
    percents = 0
    for before, after, found in pairs:
        channel = next(one for one in found.percent_of_peak.channels if one.channel == "heart_rate_bpm")
        for row, side in ((before, "first"), (after, "second")):
            watts = [w for w in WATTS if not pd.isna(row[f"VO2.{w}"])]
            uptake = np.array([row[f"VO2.{w}"] for w in watts])
            if (np.diff(uptake) <= 0).any():
                continue
            heart = [row[f"HF.{w}"] for w in watts]
            for point in channel.points:
                oracle = np.interp(point.along * row["VO2.max"] / 100, uptake, heart)
                assert getattr(point, side) == pytest.approx(oracle, rel=1e-9)
                percents += 1
    assert percents > 100


def test_heart_rate_at_one_work_rate_fell_with_training(pairs):
    # What training does to heart rate at a fixed work rate: wilmore_2001, read in the abstract (sedentary people, 50 W).
    differences = []
    for before, after, found in pairs:
        heart = next(one for one in found.work_rate.channels if one.channel == "heart_rate_bpm")
        point = next(one for one in heart.points if one.along == 225)
        assert point.difference == pytest.approx(after["HF.225"] - before["HF.225"])
        differences.append(point.difference)
    assert np.mean(differences) < 0
