"""The ACSM equations: printed and hand-computed examples."""

import numpy as np
import pytest

from service.methods.catalogue import METHODS, run
from service.methods.metabolic_equations import KGM_MIN_PER_W, KM_H_PER_MPH, acsm_running, acsm_walking


def test_walking_example_of_the_guidelines():
    # Published: 3.5 mph at 10 % is 29.76 mL/kg/min, 8.5 METs; printed with 26.8 m/min a mph, so within 0.05.
    answer = run("acsm_walking", {"speed_km_h": 3.5 * KM_H_PER_MPH, "grade_percent": 10})
    assert answer.value == pytest.approx(29.76, abs=0.05)
    assert answer.value / 3.5 == pytest.approx(8.5, abs=0.05)
    assert answer.findings == ()


def test_leg_cycling_example_of_the_guidelines():
    # Published: 62 kg at 450 kgm/min is 20.06.
    answer = run("acsm_leg_cycling_kgm", {"work_rate_kgm_min": 450, "body_mass_kg": 62})
    assert answer.value == pytest.approx(20.06, abs=0.005)


# Arithmetic from the printed equations; stage 3 of Bruce used 26.8 m/min a mph, so within 0.05.
@pytest.mark.parametrize(
    ("method", "inputs", "expected", "tolerance"),
    [
        ("acsm_walking", {"speed_km_h": 3.4 * KM_H_PER_MPH, "grade_percent": 14}, 35.57, 0.05),
        ("acsm_running", {"speed_km_h": 3.4 * KM_H_PER_MPH, "grade_percent": 14}, 33.21, 0.05),
        ("acsm_arm_cycling_kgm", {"work_rate_kgm_min": 450, "body_mass_kg": 75}, 21.5, 1e-9),
        ("acsm_arm_cycling", {"work_rate_w": 75, "body_mass_kg": 75}, 21.5, 1e-9),
        ("acsm_leg_cycling", {"work_rate_w": 150, "body_mass_kg": 70}, 30.142857, 1e-6),
        ("acsm_stepping", {"step_rate_per_min": 24, "step_height_m": 0.2}, 19.7912, 1e-9),
        ("foster_graded_treadmill", {"vo2_acsm_ml_kg_min": 40}, 34.69, 1e-9),
        ("foster_graded_treadmill_handrail", {"vo2_acsm_ml_kg_min": 40}, 31.09, 1e-9),
    ],
)
def test_the_printed_equation(method, inputs, expected, tolerance):
    assert run(method, inputs).value == pytest.approx(expected, abs=tolerance)


def test_the_running_grade_term_is_half_the_walking_one():
    # A published mistake: 1.8 used for running.
    rise = [
        METHODS[name].function(10.0, 10.0) - METHODS[name].function(10.0, 0.0)
        for name in ("acsm_running", "acsm_walking")
    ]
    assert rise[0] == pytest.approx(rise[1] / 2)


def test_miles_per_hour_read_as_kilometres_per_hour_is_noticed():
    assert [one.code for one in run("acsm_running", {"speed_km_h": 7.0, "grade_percent": 0}).findings] == [
        "outside_method_range"
    ]


def test_the_two_forms_of_leg_cycling_differ_by_two_per_cent_of_the_work_term():
    watts = run("acsm_leg_cycling", {"work_rate_w": 150, "body_mass_kg": 70}).value
    kgm = run("acsm_leg_cycling_kgm", {"work_rate_kgm_min": 150 * KGM_MIN_PER_W, "body_mass_kg": 70}).value
    assert (kgm - 7) / (watts - 7) == pytest.approx(1.0197, abs=1e-4)


def test_arrays_pass_through():
    speed, grade = np.array([5.0, 6.0]), np.array([0.0, 10.0])
    for function in (acsm_walking, acsm_running):
        assert function(speed, grade).tolist() == [function(5.0, 0.0), function(6.0, 10.0)]
