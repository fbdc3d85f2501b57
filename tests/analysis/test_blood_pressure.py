"""Response of blood pressure: rises, falls, published values only where they apply."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.blood_pressure import find_blood_pressure
from service.analysis.loads import find_loads
from service.analysis.marks import find_marks
from service.analysis.series import Person, StageNote, TestInput
from tests.analysis.conftest import empty_series
from tests.analysis.stage_tests import PERSON, ride


def note(stage, systolic, diastolic=80.0, phase="exercise", **more):
    return StageNote(
        stage=stage, phase=phase, time_s=None, systolic_mmhg=systolic, diastolic_mmhg=diastolic, **more
    )


def noted(*notes, watts=(100, 150, 200, 250), **more):
    test = replace(ride(list(watts), **more), notes=notes)
    marks = find_marks(test)
    return find_blood_pressure(test, marks, find_loads(test, marks))


def test_rises_from_rest_and_with_each_met():
    # METs of the stages: (450 + 10 W)/75/3.5; 10 mmHg for each.
    notes = [
        note(i, 120 + 10 * ((450 + 10 * w) / 262.5)) for i, w in enumerate((100, 150, 200, 250), start=1)
    ]
    found = noted(*notes, note(None, 150.0, phase="recovery"))
    assert found.highest_systolic_mmhg == pytest.approx(120 + 10 * 2950 / 262.5)
    assert found.systolic_rise_mmhg == pytest.approx(10 * 2950 / 262.5)
    assert found.diastolic_change_mmhg == 0
    assert found.systolic_rise_per_met_mmhg == pytest.approx(10.0, abs=1e-9)
    assert found.largest_fall_mmhg == 0
    assert found.findings == ()
    assert [one.phase for one in found.readings] == ["exercise"] * 4 + ["recovery"]
    assert found.readings[0].work_rate_w == 100
    assert found.as_dict()["reason"] is None


def test_a_fall_while_work_rises_is_told_with_its_source():
    found = noted(note(1, 150), note(2, 170), note(3, 155), note(4, 158))
    assert found.largest_fall_mmhg == 15
    (one,) = found.findings
    assert (one.code, one.severity) == ("systolic_fell", "warning")
    assert "in stage 3 was 15 mmHg below" in one.message
    assert "local rules" in one.what_to_do
    below_rest = noted(note(1, 105), note(2, 140))
    assert below_rest.largest_fall_mmhg == 15
    # Where the load went down a fall is to be expected.
    down = noted(note(1, 150), note(2, 170), note(3, 150), watts=(100, 200, 120))
    assert down.findings == ()


def test_pressures_beyond_stop_limits():
    found = noted(note(1, 200, 90), note(2, 252, 118))
    assert [one.code for one in found.findings] == ["pressure_beyond_stop_limit"] * 2
    assert "252 mmHg" in found.findings[0].message
    assert "118 mmHg" in found.findings[1].message
    assert noted(note(1, 250, 115)).findings == ()


@pytest.mark.parametrize(
    ("sex", "value", "above"), [("male", 210, True), ("male", 209, False), ("female", 190, True)]
)
def test_a_published_value_by_sex(sex, value, above):
    limit = noted(note(1, value), person=replace(PERSON, sex=sex)).published_limit
    assert limit.at_or_above is above
    assert limit.limit_mmhg == (210 if sex == "male" else 190)
    assert "normal" not in limit.statement.lower()
    assert "which applies to" in limit.statement


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"person": replace(PERSON, sex=None)}, "sex is not known"),
        ({"person": replace(PERSON, age_years=16.0)}, "adult"),
        ({"person": replace(PERSON, limits_heart_rate=True)}, "medication"),
        ({"stop_reason": None}, "symptom-limited"),
    ],
)
def test_no_published_value_where_its_conditions_do_not_match(changes, said):
    found = noted(note(1, 220), **changes)
    assert found.published_limit is None
    assert said in found.reasons["published_limit"]


def test_what_is_missing_has_a_reason():
    found = noted(person=Person())
    assert found.as_dict()["reason"] == "No systolic pressure was noted in exercise."
    for name, value in found.as_dict().items():
        if value is None and name != "reason":
            assert found.reasons[name]
    impossible = noted(note(1, 500), note(2, 150))
    assert impossible.highest_systolic_mmhg == 150


def test_resting_values_of_the_visit_win_over_notes():
    bare = replace(PERSON, resting_systolic_mmhg=None)
    assert noted(note(None, 131, phase="rest"), note(1, 150), person=bare).resting_systolic_mmhg == 131
    assert noted(note(None, 131, phase="rest"), note(1, 150)).resting_systolic_mmhg == 120


def test_notes_alone_are_enough():
    notes = (note(1, 150, work_rate_w=100.0), note(2, 130, work_rate_w=150.0))
    found = find_blood_pressure(TestInput(series=empty_series(), mode="cycle", person=PERSON, notes=notes))
    assert found.largest_fall_mmhg == 20
    assert "measured uptake" in found.reasons["systolic_rise_per_met_mmhg"]


@given(
    st.lists(
        st.builds(
            StageNote,
            stage=st.one_of(st.none(), st.integers(0, 5)),
            phase=st.sampled_from([None, "rest", "warm_up", "exercise", "recovery"]),
            time_s=st.one_of(st.none(), st.floats(-100, 3000)),
            systolic_mmhg=st.one_of(st.none(), st.floats(0, 400)),
            diastolic_mmhg=st.one_of(st.none(), st.floats(0, 400)),
            work_rate_w=st.one_of(st.none(), st.floats(0, 400)),
        ),
        max_size=7,
    )
)
@settings(max_examples=50, deadline=None)
def test_any_notes_give_values_or_reasons(notes):
    found = noted(*notes)
    for name, value in found.as_dict().items():
        if value is None and name != "reason":
            assert found.reasons[name]
