"""Reserves of heart rate and breathing, and percent of predicted, with their reasons and limits."""

from dataclasses import replace

import pytest

from service.analysis.peaks import Maxima, Peak
from service.analysis.reserves import find_reserves
from service.analysis.series import Person, TestInput
from service.methods.catalogue import run
from tests.analysis.conftest import empty_series
from tests.analysis.stage_tests import PERSON

MAXIMA = Maxima(heart_rate_bpm=175.0, ve_l_min=112.0, work_rate_w=250.0)
PEAK = Peak(o2_pulse_ml_beat=18.0)


def built(person=PERSON, **more):
    return TestInput(
        series=empty_series(), **{"mode": "cycle", "person": person, "stop_reason": "legs", **more}
    )


def reserves_of(test, peak=PEAK, maxima=MAXIMA, **more):
    return find_reserves(test, peak, maxima, **more)


def test_heart_rate_reserve_and_what_age_predicts():
    found = reserves_of(built())
    # Arithmetic: 175 - 60; 208 - 0.7 x 40 = 180.
    assert found.heart_rate_reserve_bpm == 115
    assert found.heart_rate_max_predicted_bpm == 180
    assert found.heart_rate_percent_of_predicted == pytest.approx(97.22, abs=0.005)
    assert found.heart_rate_left_bpm == 5
    by_sex = reserves_of(built(), heart_rate_max_method="heart_rate_max_fairbarn")
    assert by_sex.heart_rate_max_predicted_bpm == pytest.approx(207 - 0.78 * 40)


@pytest.mark.parametrize(
    ("person", "basis", "mvv", "percent"),
    [
        (replace(PERSON, mvv_l_min=160.0, fev1_l=3.5), "measured", 160.0, 30.0),
        (replace(PERSON, fev1_l=3.5), "from_fev1", 140.0, 20.0),
        (replace(PERSON, fev1_l=2.5), "from_fev1", 100.0, -12.0),
    ],
)
def test_breathing_reserve_says_what_it_rests_on(person, basis, mvv, percent):
    found = reserves_of(built(person))
    assert (found.mvv_basis, found.mvv_l_min) == (basis, mvv)
    assert found.breathing_reserve_percent == pytest.approx(percent)
    assert found.breathing_reserve_l_min == pytest.approx(mvv - 112)
    limit = found.breathing_reserve_limit
    assert limit.at_or_below == (percent <= 15)
    assert "which applies to" in limit.statement
    assert "normal" not in limit.statement.lower()


@pytest.mark.parametrize(
    ("test", "said"),
    [
        (built(replace(PERSON, fev1_l=3.5), stop_reason=None), "not recorded as maximal"),
        (built(replace(PERSON, fev1_l=3.5), purpose="submaximal"), "not recorded as maximal"),
        (built(replace(PERSON, fev1_l=3.5, age_years=15.0)), "not known to be an adult"),
    ],
)
def test_a_limit_is_shown_only_where_its_conditions_match(test, said):
    found = reserves_of(test)
    assert found.breathing_reserve_limit is None
    assert said in found.reasons["breathing_reserve_limit"]


def test_what_is_missing_has_a_reason():
    nothing = Maxima(
        reasons={"heart_rate_bpm": "The test has no heart rate.", "ve_l_min": "The test has no ventilation."}
    )
    found = reserves_of(built(Person()), Peak(), nothing)
    assert found.as_dict()["reason"] == "The test has no heart rate. The test has no ventilation."
    assert found.reasons["heart_rate_max_predicted_bpm"] == "The age is not known."
    assert "neither a maximal voluntary ventilation nor an FEV1" in found.reasons["mvv_l_min"]
    assert all(one.reason for one in found.predicted)
    for name, value in found.as_dict().items():
        if value is None and name not in {"mvv_basis", "reason"}:
            assert found.reasons[name]


@pytest.mark.parametrize(
    ("person", "said"),
    [
        (replace(PERSON, limits_heart_rate=True), "medication limits heart rate"),
        (replace(PERSON, age_years=12.0), "outside 18 to 81"),
    ],
)
def test_no_maximum_is_predicted_where_age_does_not_tell(person, said):
    found = reserves_of(built(person))
    assert found.heart_rate_max_predicted_bpm is None
    assert said in found.reasons["heart_rate_left_bpm"]
    assert found.heart_rate_reserve_bpm == 115


def test_a_resting_heart_rate_above_the_highest_is_refused():
    found = reserves_of(built(replace(PERSON, resting_heart_rate_bpm=180.0)))
    assert "not below the highest" in found.reasons["heart_rate_reserve_bpm"]


def test_oxygen_pulse_and_work_rate_against_prediction():
    found = {one.method: one for one in reserves_of(built()).predicted}
    inputs = {"height_cm": 180.0, "age_years": 40.0, "sex": "male"}
    work = found["predicted_work_rate_max_jones"]
    assert work.percent_of_predicted == pytest.approx(
        100 * 250 / run("predicted_work_rate_max_jones", inputs).value
    )
    assert work.z == pytest.approx((250 - work.value) / work.see)
    pulse = found["predicted_o2_pulse_hansen"]
    assert pulse.percent_of_predicted == pytest.approx(100 * 18.0 / pulse.value)
    assert (pulse.z, pulse.lower_limit) == (None, None)
    assert "no z" in pulse.reason
    # The visit has no vital capacity, and no first threshold was handed over.
    assert "vital_capacity_l" in found["predicted_ve_max_jones"].reason
    assert found["predicted_threshold_vo2_jones"].percent_of_predicted is None
    walking = {one.method for one in reserves_of(built(mode="treadmill")).predicted}
    assert walking == {"predicted_o2_pulse_hansen"}
    old = {one.method: one for one in reserves_of(built(replace(PERSON, age_years=80.0))).predicted}
    assert old["predicted_work_rate_max_jones"].value is None
    assert "outside 15 to 71" in old["predicted_work_rate_max_jones"].reason


def test_ventilation_against_prediction_from_vital_capacity():
    found = {one.method: one for one in reserves_of(built(replace(PERSON, vital_capacity_l=5.0))).predicted}
    one = found["predicted_ve_max_jones"]
    # Arithmetic: 26.3 x 5 - 34, of which the standard error is 23.1 (Jones 1985, values from memory).
    assert one.value == pytest.approx(97.5)
    ve_max = one.percent_of_predicted * 0.975
    assert one.z == pytest.approx((ve_max - 97.5) / 23.1)
    assert one.lower_limit == pytest.approx(97.5 - 1.645 * 23.1)
