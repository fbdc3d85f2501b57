"""Submaximal and field tests as whole tests, against printed and hand-worked answers.

"Textbook, value from memory" is a recalled textbook example; "arithmetic" was worked by hand from the printed formula.
The published mistakes at the end circulate among people who enter such tests.
"""

import numpy as np
import pytest

from service.analysis.estimation import estimate
from service.analysis.series import Person, Series, StageNote, TestInput
from service.methods.metabolic_equations import KGM_MIN_PER_W, KM_H_PER_MPH
from service.reference.protocols import STANDARD_PROTOCOLS

EMPTY = Series(
    np.zeros(0), np.zeros(0), {}, np.zeros(0, np.int8), np.zeros(0, np.int64), np.zeros(0, np.bool_)
)


def man(age, mass=75.0, **fields):
    return Person(sex="male", age_years=age, body_mass_kg=mass, **fields)


def cycle(person, *stages, **fields):
    notes = tuple(
        StageNote(n, "exercise", when, work_rate_w=kgm / KGM_MIN_PER_W, heart_rate_bpm=rate)
        for n, kgm, rate, when in stages
    )
    return TestInput(
        EMPTY, "cycle", person, purpose="submaximal", notes=notes, exercise_start_s=0.0, **fields
    )


def test_the_nomogram_example():
    # Textbook (value from memory): a man of 25 at 1200 kpm/min with a heart rate of 166 reads 3.6 L/min.
    test = cycle(man(25.0), (1, 1200, 165, 300), (1, 1200, 166, 360))
    answer = estimate(test)
    assert answer.chosen.method == "astrand_ryhming_cycle"
    assert answer.chosen.value_ml_min == pytest.approx(3600, abs=50)
    assert answer.chosen.value_ml_min == pytest.approx(3592, abs=1)


def test_a_branch_of_the_ymca_protocol_from_beginning_to_end():
    # Arithmetic: 40 years, heart rate 94 after 150 kgm/min, so 450, 600, 750; 115, 128, 141; to 180 beats/min.
    loads = [stage.work_rate_w for stage in STANDARD_PROTOCOLS["ymca_cycle_450"].stages]
    rates = [94, 115, 128, 141]
    notes = tuple(
        StageNote(n, "exercise", 180.0 * n, work_rate_w=load, heart_rate_bpm=rate)
        for n, (load, rate) in enumerate(zip(loads, rates, strict=True), 1)
    )
    answer = estimate(
        TestInput(EMPTY, "cycle", man(40.0), purpose="submaximal", notes=notes, exercise_start_s=0.0)
    )
    highest_w = (750 + (180 - 141) * 150 / 13) / KGM_MIN_PER_W
    assert answer.chosen.method == "ymca_cycle"
    assert answer.chosen.value_ml_kg_min == pytest.approx(7 + 10.8 * highest_w / 75, abs=1e-3)


@pytest.mark.parametrize(
    ("mode", "inputs", "person", "expected"),
    [
        # Arithmetic, mL/kg/min.
        ("run", {"method": "cooper_12_min", "distance_m": 2400}, man(30.0), 42.37),
        ("run", {"method": "cooper_12_min", "distance_m": 2800}, man(30.0), 51.31),
        ("run", {"method": "run_1_5_mile", "time_min": 12.5}, man(30.0), 42.14),
        ("step", {"method": "queens_college_step", "heart_rate_bpm": 156}, man(20.0), 45.81),
        ("step", {"method": "queens_college_step", "heart_rate_bpm": 156}, Person(sex="female"), 37.00),
        ("run", {"method": "shuttle_20m_leger", "final_speed_km_h": 12.5}, man(30.0), 47.60),
        ("run", {"method": "shuttle_20m_leger", "final_speed_km_h": 11}, man(12.0), 47.94),
        ("cycle", {"method": "storer_cycle", "work_rate_w": 250}, man(40.0), 3203.45 / 75),
        ("treadmill", {"method": "bruce_foster_men", "time_min": 9}, man(40.0), 30.17),
        ("treadmill", {"method": "bruce_foster_men", "time_min": 12}, man(40.0), 42.46),
        ("treadmill", {"method": "bruce_pollock_women", "time_min": 9}, Person(sex="female"), 35.52),
        (
            "treadmill",
            {"method": "ebbeling_treadmill", "speed_km_h": 3.5 * KM_H_PER_MPH, "heart_rate_bpm": 130},
            man(40.0),
            44.258,
        ),
        ("cycle", {"method": "kokkinos_cycle", "work_rate_w": 150}, man(40.0, 70.0), 26.32),
    ],
)
def test_field_inputs_give_the_worked_answers(mode, inputs, person, expected):
    answer = estimate(TestInput(EMPTY, mode, person, shape="field"), inputs)
    assert answer.chosen.value_ml_kg_min == pytest.approx(expected, abs=0.006)
    assert answer.chosen.applies
    assert all(one.basis == "estimated" for one in answer.results)
    assert {one.method for one in answer.results} == {inputs["method"]}


# Published mistakes.
def test_a_ten_second_count_gives_no_estimate():
    walk = TestInput(EMPTY, "walk", man(40.0, 80.0), shape="field")
    answer = estimate(walk, {"method": "rockport_walk", "time_min": 14, "heart_rate_bpm": 26})
    assert answer.chosen is None
    assert "outside the range" in answer.reason


def test_kilogram_metres_read_as_watts_are_noticed():
    # 600 kgm/min entered as 600 W.
    notes = (StageNote(1, "exercise", 360.0, work_rate_w=600.0, heart_rate_bpm=140),)
    answer = estimate(
        TestInput(EMPTY, "cycle", man(30.0), purpose="submaximal", notes=notes, exercise_start_s=0.0)
    )
    assert answer.results == () or all(one.has_error for one in answer.results)
    assert any("outside 25 to 250" in one.message for one in answer.findings)
    assert answer.findings[0].severity == "error"


def test_miles_per_hour_read_as_kilometres_leave_the_range():
    # 3.0 mph entered as 3.0 km/h is below the 2.0 mph the method was developed for.
    inputs = {"method": "ebbeling_treadmill", "speed_km_h": 3.0, "heart_rate_bpm": 120}
    answer = estimate(TestInput(EMPTY, "treadmill", man(40.0)), inputs)
    assert any("outside 3.2 to 7.3" in one.message for one in answer.findings)
