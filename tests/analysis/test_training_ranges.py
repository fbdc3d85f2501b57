"""Training ranges: from thresholds, else by published bands, and when there are none."""

from dataclasses import replace

import pytest

from service.analysis.peaks import Maxima, Peak
from service.analysis.series import TestInput
from service.analysis.training_ranges import ThresholdPoint, find_training_ranges
from tests.analysis.conftest import empty_series
from tests.analysis.stage_tests import PERSON

TEST = TestInput(series=empty_series(), mode="cycle", person=PERSON, stop_reason="legs")
PEAK = Peak(vo2_ml_min=43.5 * 75, vo2_ml_kg_min=43.5)
MAXIMA = Maxima(heart_rate_bpm=175.0)
VT1 = ThresholdPoint("vt1", "consensus", 1800.0, 125.0, 120.0)
VT2 = ThresholdPoint("vt2", "ve_vco2", 2700.0, 158.0, 210.0)


def ranges_of(test=TEST, thresholds=(), maximal=True, **more):
    return find_training_ranges(test, PEAK, MAXIMA, thresholds, maximal=maximal, **more)


def test_two_thresholds_part_three_ranges():
    found = ranges_of(thresholds=[VT1, VT2])
    below, between, above = found.ranges
    assert (below.heart_rate_low_bpm, below.heart_rate_high_bpm, below.work_rate_high_w) == (None, 125, 120)
    assert (between.work_rate_low_w, between.work_rate_high_w) == (120, 210)
    assert (between.vo2_low_ml_kg_min, between.mets_high) == (24.0, pytest.approx(36.0 / 3.5))
    assert (above.heart_rate_low_bpm, above.heart_rate_high_bpm) == (158, None)
    assert {one.basis for one in found.ranges} == {"thresholds"}
    assert all("checked at constant load" in one.remark for one in found.ranges)
    assert "consensus" in below.basis_text
    assert found.reason is None


def test_one_threshold_parts_two():
    found = ranges_of(thresholds=[VT1])
    assert [one.name for one in found.ranges] == ["below the first threshold", "above the first threshold"]
    assert found.reason == "The second threshold is not known."
    assert len(ranges_of(thresholds=[VT2]).ranges) == 2


def test_thresholds_in_the_wrong_order_give_none():
    found = ranges_of(thresholds=[VT1, replace(VT2, work_rate_w=110.0)])
    assert found.ranges == ()
    assert "work rate of the first threshold" in found.reason


def test_published_bands_of_the_reserves_without_thresholds():
    found = ranges_of()
    heart = [one for one in found.ranges if one.basis == "heart_rate_reserve"]
    # Arithmetic: 60 + share x 115; ACSM, value from memory.
    assert [(one.heart_rate_low_bpm, one.heart_rate_high_bpm) for one in heart] == [
        (pytest.approx(106.0), pytest.approx(127.85)),
        (pytest.approx(129.0), pytest.approx(162.35)),
        (pytest.approx(163.5), 175.0),
    ]
    uptake = [one for one in found.ranges if one.basis == "vo2_reserve"]
    # Arithmetic: 3.5 + share x 40.
    assert [(one.vo2_low_ml_kg_min, one.vo2_high_ml_kg_min) for one in uptake] == [
        (pytest.approx(19.5), pytest.approx(27.1)),
        (pytest.approx(27.5), pytest.approx(39.1)),
        (pytest.approx(39.5), 43.5),
    ]
    assert uptake[0].vo2_low_ml_min == pytest.approx(19.5 * 75)
    assert {one.source for one in found.ranges} == {"acsm_2021 (value from memory)"}
    assert all("measured maximum" in one.basis_text for one in found.ranges)


def test_a_test_not_known_to_be_maximal_predicts_the_maximum_and_says_so():
    found = ranges_of(maximal=False)
    assert {one.basis for one in found.ranges} == {"heart_rate_reserve"}
    # 208 - 0.7 x 40 = 180, above the 175 that were reached.
    assert found.ranges[0].heart_rate_low_bpm == pytest.approx(60 + 0.4 * 120)
    assert "heart_rate_max_tanaka" in found.ranges[0].basis_text
    assert "10 to 12 beats/min" in found.ranges[0].remark
    assert "not known to be maximal" in found.reason
    higher = find_training_ranges(TEST, PEAK, Maxima(heart_rate_bpm=190.0), maximal=None)
    assert higher.ranges[2].heart_rate_high_bpm == 190


def test_none_by_heart_rate_with_a_medication_that_limits_it():
    limited = replace(TEST, person=replace(PERSON, limits_heart_rate=True))
    found = ranges_of(limited)
    assert {one.basis for one in found.ranges} == {"vo2_reserve"}
    assert "medication" in found.reason
    by_threshold = ranges_of(limited, thresholds=[VT1, VT2])
    assert all(
        one.heart_rate_low_bpm is None and one.heart_rate_high_bpm is None for one in by_threshold.ranges
    )
    assert by_threshold.ranges[0].work_rate_high_w == 120
    assert "medication" in by_threshold.ranges[0].reason


@pytest.mark.parametrize(
    ("test", "more"),
    [
        (replace(TEST, stop_reason="symptom"), {}),
        (TEST, {"warning_sign": "chest pain was noted"}),
    ],
)
def test_none_where_a_warning_sign_ended_the_test(test, more):
    found = ranges_of(test, thresholds=[VT1, VT2], **more)
    assert found.ranges == ()
    assert "No ranges are given" in found.reason
    assert "licensed" in found.reason


@pytest.mark.parametrize(
    ("person", "said"),
    [
        (replace(PERSON, resting_heart_rate_bpm=None), "no resting heart rate"),
        (replace(PERSON, resting_heart_rate_bpm=190.0), "not below the maximum"),
    ],
)
def test_a_missing_part_is_said_and_the_other_kept(person, said):
    found = ranges_of(replace(TEST, person=person))
    assert {one.basis for one in found.ranges} == {"vo2_reserve"}
    assert said in found.reason


def test_nothing_to_go_by():
    person = replace(PERSON, body_mass_kg=None, age_years=None)
    peak = Peak(reasons={"vo2_ml_kg_min": "The visit has no body mass."})
    found = find_training_ranges(replace(TEST, person=person), peak, Maxima(), maximal=True)
    assert found.ranges == ()
    assert "no body mass" in found.reason
    assert "The test has no heart rate." in found.reason
    assert find_training_ranges(replace(TEST, person=person), peak, Maxima()).ranges == ()
    assert found.as_list() == []
