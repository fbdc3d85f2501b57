"""Peak uptake without gas exchange: what each test allows, what refuses it, what the index gets."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.estimation import ESTIMATION_METHODS, check_field_inputs, estimate, steady_stages
from service.analysis.series import Person, StageNote
from service.errors import InvalidContent
from service.methods.catalogue import run

MAN = Person(sex="male", age_years=40.0, body_mass_kg=75.0, height_cm=178.0)
WOMAN = Person(sex="female", age_years=40.0, body_mass_kg=60.0, height_cm=166.0)


def note(stage, **fields: Any):
    return StageNote(stage, "exercise", fields.pop("time_s", None), **fields)


def cycle_notes(*pairs, every_s=180.0):
    """Watts and heart rates of the stages, noted at their ends; `every_s` None leaves the times out."""
    return tuple(
        note(n, work_rate_w=w, heart_rate_bpm=hr, time_s=None if every_s is None else every_s * n)
        for n, (w, hr) in enumerate(pairs, 1)
    )


@pytest.fixture
def bare(make_test, no_intervals):
    def make(**fields):
        return make_test(
            no_intervals, **{"person": MAN, "exercise_start_s": 0.0, "purpose": "submaximal", **fields}
        )

    return make


def item(estimates, method):
    (found,) = [one for one in estimates.items if one.method == method]
    return found


def test_the_stages_of_a_multistage_cycle_test(bare):
    # Arithmetic: the line through 75 W, 120 and 100 W, 140 to 180 beats/min is 150 W; 7 + 10.8 x 150/75 = 28.6.
    found = estimate(bare(notes=cycle_notes((25, 98), (75, 120), (100, 140))))
    assert found.chosen.method == "ymca_cycle"
    assert found.chosen.value_ml_kg_min == pytest.approx(28.6)
    assert found.chosen.value_ml_min == pytest.approx(28.6 * 75)
    assert [row["work_rate_w"] for row in found.chosen.inputs["stages"]] == [75, 100]
    assert "peak_estimated" in {one.code for one in found.findings}
    assert {(one.quantity, one.method, one.basis) for one in found.results} == {
        ("vo2_peak_ml_min", "ymca_cycle", "estimated"),
        ("vo2_peak_ml_kg_min", "ymca_cycle", "estimated"),
        ("mets_peak", "ymca_cycle", "estimated"),
    }


def test_one_load_held_for_six_minutes(bare):
    notes = (
        note(1, work_rate_w=100.0, heart_rate_bpm=139.0, time_s=300.0),
        note(1, work_rate_w=100.0, heart_rate_bpm=141.0, time_s=360.0),
    )
    found = estimate(bare(notes=notes, shape="constant"))
    assert found.chosen.method == "astrand_ryhming_cycle"
    same = run(
        "astrand_ryhming_cycle",
        {"work_rate_w": 100, "heart_rate_bpm": 141, "sex": "male", "age_years": 40},
    )
    assert found.chosen.value_ml_min == pytest.approx(same.value)
    assert found.chosen.value_ml_kg_min == pytest.approx(same.value / 75)
    assert found.chosen.standard_error == 480
    assert found.chosen.standard_error_ml_kg_min == pytest.approx(480 / 75)
    assert item(found, "ymca_cycle").reason


@pytest.mark.parametrize(
    ("fields", "method", "said"),
    [
        ({"notes": cycle_notes((75, 120), (100, 119))}, "ymca_cycle", "heart rate does not rise"),
        ({"notes": cycle_notes((75, 95), (100, 105))}, "ymca_cycle", "from 110 to 153"),
        ({"notes": cycle_notes((75, 120), (100, 160))}, "ymca_cycle", "from 110 to 153"),
        ({"notes": cycle_notes((75, 120), (100, 140), every_s=120)}, "ymca_cycle", "lasted 2.0 min"),
        ({"notes": cycle_notes((75, 120))}, "ymca_cycle", "only one stage"),
        ({"notes": ()}, "ymca_cycle", "note both at the end"),
        ({"notes": cycle_notes((75, 120), (100, 140)), "person": replace(MAN, limits_heart_rate=True)},
         "ymca_cycle", "medication"),
        ({"notes": cycle_notes((75, 120), (100, 140)), "person": replace(MAN, age_years=None)}, "ymca_cycle", "no age"),
        ({"notes": cycle_notes((75, 120), (100, 140)), "person": replace(MAN, body_mass_kg=None)},
         "ymca_cycle", "no body mass"),
        ({"notes": cycle_notes((100, 118), every_s=360)}, "astrand_ryhming_cycle", "outside the range of the method, 125"),
        ({"notes": cycle_notes((100, 176), every_s=360)}, "astrand_ryhming_cycle", "outside the range of the method, 125"),
        ({"notes": cycle_notes((100, 150), every_s=180)}, "astrand_ryhming_cycle", "needs 5"),
        ({"notes": cycle_notes((75, 130), (100, 150), every_s=None)}, "astrand_ryhming_cycle", "how long"),
        ({"notes": cycle_notes((100, 150), every_s=360), "person": replace(MAN, limits_heart_rate=True)},
         "astrand_ryhming_cycle", "medication"),
        ({"notes": cycle_notes((100, 150), every_s=360), "person": replace(MAN, age_years=70.0)},
         "astrand_ryhming_cycle", "not extrapolated"),
        ({"notes": cycle_notes((100, 150), every_s=360)}, "storer_cycle", "needs a maximal test"),
    ],
)  # fmt: skip
def test_refusals_on_the_cycle(bare, fields, method, said):
    one = item(estimate(bare(**fields)), method)
    assert not one.applies
    assert (one.value_ml_kg_min, one.value_ml_min, one.standard_error) == (None, None, None)
    assert said in one.reason


def test_a_heart_rate_that_is_not_steady_is_refused(bare):
    notes = (
        note(1, work_rate_w=100.0, heart_rate_bpm=130.0, time_s=300.0),
        note(1, work_rate_w=100.0, heart_rate_bpm=141.0, time_s=360.0),
    )
    found = estimate(bare(notes=notes))
    assert "moved by +11" in item(found, "astrand_ryhming_cycle").reason
    assert found.chosen is None
    assert found.results == ()
    assert found.reason


@pytest.mark.parametrize(
    ("rate", "stop", "method", "said"),
    [
        (15.0, "legs", "storer_cycle", None),
        (25.0, "legs", "storer_cycle", "rose by 25"),
        (25.0, "legs", "kokkinos_cycle", None),
        (25.0, None, "kokkinos_cycle", None),
        (25.0, "target_reached", "kokkinos_cycle", "target_reached"),
        (25.0, "symptom", "kokkinos_cycle", "symptom"),
    ],
)
def test_the_highest_work_rate_of_a_maximal_cycle_test(simulated_test, with_series, rate, stop, method, said):
    test = simulated_test(ramp_w_per_min=rate)
    test = replace(
        with_series(test, channels={"vo2_ml_min": np.full(len(test.series), np.nan)}), stop_reason=stop
    )
    one = item(estimate(test), method)
    if said is not None:
        assert said in one.reason
        return
    highest = float(test.series.channel("work_rate_w").max())
    assert one.inputs["work_rate_w"] == pytest.approx(highest, abs=5)
    assert one.value_ml_kg_min == pytest.approx(one.value_ml_min / 75)
    assert ("No reason for stopping" in " ".join(x.message for x in one.findings)) == (stop is None)


def test_stages_are_read_from_the_intervals_where_none_were_noted(simulated_test):
    test = simulated_test(stage_s=180, ramp_w_per_min=10.0, exercise_s=1080, noise=0.0)
    stages = steady_stages(test)
    assert [stage.work_rate_w for stage in stages] == pytest.approx([50, 80, 110, 140, 170, 200], abs=1)
    assert [stage.length_s for stage in stages] == pytest.approx([180] * 6)
    assert all(stage.drift_bpm is not None for stage in stages)
    beats = [stage.heart_rate_bpm for stage in stages]
    assert beats == sorted(beats)


def treadmill(bare, *stages, every_s=240.0, **fields):
    notes = tuple(
        note(n, speed_km_h=v, grade_percent=g, heart_rate_bpm=hr, time_s=every_s * n)
        for n, (v, g, hr) in enumerate(stages, 1)
    )
    return bare(notes=notes, mode="treadmill", **fields)


def test_two_walking_stages(bare):
    found = estimate(treadmill(bare, (5.0, 2.0, 110), (5.0, 8.0, 140)))
    cost = [run("acsm_walking", {"speed_km_h": 5.0, "grade_percent": grade}).value for grade in (2.0, 8.0)]
    expected = cost[1] + (cost[1] - cost[0]) / 30 * (180 - 140)
    one = item(found, "two_stage_treadmill")
    assert one.value_ml_kg_min == pytest.approx(expected)
    assert found.chosen is one


def test_one_walking_stage_at_five_per_cent(bare):
    found = estimate(treadmill(bare, (5.6, 0.0, 105), (5.6, 5.0, 130)))
    assert found.chosen.method == "ebbeling_treadmill"
    same = run(
        "ebbeling_treadmill", {"speed_km_h": 5.6, "heart_rate_bpm": 130, "age_years": 40, "sex": "male"}
    )
    assert found.chosen.value_ml_kg_min == pytest.approx(same.value)
    assert found.chosen.standard_error == 4.85


@pytest.mark.parametrize(
    ("stages", "fields", "method", "said"),
    [
        (((5.0, 2.0, 110), (5.0, 8.0, 115)), {}, "two_stage_treadmill", "rises by 5"),
        (((5.0, 2.0, 110), (5.0, 8.0, 105)), {}, "two_stage_treadmill", "rises by 5"),
        (((9.0, 0.0, 120), (11.0, 0.0, 150)), {}, "two_stage_treadmill", "walked"),
        (((5.0, 2.0, 110), (5.0, 8.0, 140)), {"handrail_support": True}, "two_stage_treadmill", "handrail"),
        (((5.0, 2.0, 110),), {}, "two_stage_treadmill", "only one stage"),
        (((5.0, 4.0, 110),), {}, "ebbeling_treadmill", "5 %"),
        (((5.0, 5.0, 110),), {"handrail_support": True}, "ebbeling_treadmill", "handrail"),
        (
            ((5.0, 5.0, 110),),
            {"person": replace(MAN, limits_heart_rate=True)},
            "ebbeling_treadmill",
            "medication",
        ),
        (((5.0, 5.0, 110),), {"person": replace(MAN, sex=None)}, "ebbeling_treadmill", "no sex"),
    ],
)
def test_refusals_on_the_treadmill(bare, stages, fields, method, said):
    one = item(estimate(treadmill(bare, *stages, **fields)), method)
    assert not one.applies
    assert said in one.reason


def test_a_short_stage_at_five_per_cent_is_refused(bare):
    one = item(estimate(treadmill(bare, (5.6, 5.0, 130), every_s=120.0)), "ebbeling_treadmill")
    assert "lasted 2.0 min" in one.reason


# Arithmetic: Bruce, men 9 min 30.17 and 12 min 42.46, women 9 min 35.52; Balke, men 15 min, women 12 min; Naughton 10 min.
@pytest.mark.parametrize(
    ("family", "person", "minutes", "method", "expected"),
    [
        ("bruce", MAN, 9, "bruce_foster_men", 30.17),
        ("bruce", MAN, 12, "bruce_foster_men", 42.46),
        ("bruce", WOMAN, 9, "bruce_pollock_women", 35.52),
        ("balke", MAN, 15, "balke_pollock_men", 1.444 * 15 + 14.99),
        ("balke", WOMAN, 12, "balke_pollock_women", 1.38 * 12 + 5.22),
        ("naughton", MAN, 10, "naughton_foster_men", 19.70),
    ],
)
def test_the_time_on_a_protocol(bare, family, person, minutes, method, expected):
    test = bare(
        mode="treadmill", purpose="maximal", protocol_family=family, person=person, exercise_end_s=60.0 * minutes,
        stop_reason="exhaustion", handrail_support=False,
    )  # fmt: skip
    found = estimate(test)
    assert found.chosen.method == method
    assert found.chosen.value_ml_kg_min == pytest.approx(expected, abs=0.005)
    held = estimate(replace(test, handrail_support=True))
    assert held.chosen is None
    assert "handrail" in item(held, method).reason
    assert any(
        "handrail was held" in one.message for one in estimate(replace(test, handrail_support=None)).findings
    )
    assert estimate(replace(test, stop_reason="tester")).chosen is None
    assert estimate(replace(test, protocol_family=None)).chosen is None


def test_a_protocol_time_for_the_other_sex_says_so(bare):
    test = bare(
        mode="treadmill", purpose="maximal", protocol_family="bruce", person=WOMAN, exercise_end_s=540.0
    )
    assert "it is for men" in item(estimate(test), "bruce_foster_men").reason
    nobody = item(estimate(replace(test, person=replace(WOMAN, sex=None))), "bruce_foster_men")
    assert "has no sex" in nobody.reason


# Field tests. Arithmetic from the printed formulas.
FIELD = [
    ("run", "cooper_12_min", {"distance_m": 2400}, MAN, 42.37),
    ("run", "cooper_12_min", {"distance_m": 2800}, MAN, 51.31),
    ("run", "run_1_5_mile", {"time_min": 12.5}, MAN, 42.14),
    ("run", "shuttle_20m_leger", {"final_speed_km_h": 12.5}, MAN, 47.60),
    ("run", "shuttle_20m_leger", {"final_speed_km_h": 11.0, "age_years": 12.0}, replace(MAN, age_years=12.2), 47.94),
    ("step", "queens_college_step", {"heart_rate_bpm": 156}, MAN, 45.81),
    ("step", "queens_college_step", {"heart_rate_bpm": 156}, WOMAN, 37.00),
    ("walk", "rockport_walk", {"time_min": 14, "heart_rate_bpm": 130}, replace(MAN, body_mass_kg=80.0), 44.04),
    ("cycle", "storer_cycle", {"work_rate_w": 250}, MAN, 3203.45 / 75),
]  # fmt: skip


@pytest.mark.parametrize(("mode", "method", "inputs", "person", "expected"), FIELD)
def test_a_few_numbers_of_a_field_test(bare, mode, method, inputs, person, expected):
    found = estimate(bare(mode=mode, person=person, shape="field"), {"method": method, **inputs})
    assert found.chosen.method == method
    assert found.items[0] is found.chosen
    assert found.chosen.value_ml_kg_min == pytest.approx(expected, abs=0.006)
    assert found.results[0].basis == "estimated"


def test_without_a_body_mass_one_form_is_missing(bare):
    person = replace(MAN, body_mass_kg=None)
    found = estimate(bare(mode="run", person=person), {"method": "cooper_12_min", "distance_m": 2400})
    assert found.chosen.value_ml_min is None
    assert {one.quantity for one in found.results} == {"vo2_peak_ml_kg_min", "mets_peak"}


@pytest.mark.parametrize(
    ("mode", "inputs", "location", "said"),
    [
        ("run", {}, "field_inputs.method", "one of"),
        ("run", {"method": "guess"}, "field_inputs.method", "one of"),
        ("run", {"method": 7}, "field_inputs.method", "one of"),
        ("run", {"method": "predicted_vo2max_myers_2017"}, "field_inputs.method", "one of"),
        ("treadmill", {"method": "cooper_12_min", "distance_m": 2400}, "field_inputs.method", "of mode treadmill"),
        ("run", {"method": "cooper_12_min"}, "field_inputs.distance_m", "missing"),
        ("run", {"method": "cooper_12_min", "distance_m": 24}, "field_inputs.distance_m", "cannot be"),
        ("run", {"method": "cooper_12_min", "distance_m": 2400, "laps": 6}, "field_inputs.laps", "not an input"),
        ("cycle", {"method": "ymca_cycle", "stages": [{"work_rate_w": 50, "heart_rate_bpm": 500}] * 2},
         "field_inputs.stages.0.heart_rate_bpm", "cannot be"),
    ],
)  # fmt: skip
def test_field_inputs_that_cannot_be(bare, mode, inputs, location, said):
    with pytest.raises(InvalidContent) as refusal:
        estimate(bare(mode=mode), inputs)
    place = refusal.value.errors[0]
    assert place.location == location
    assert said in place.message


def test_field_inputs_are_checked_before_the_person_is_known():
    assert (
        check_field_inputs("walk", {"method": "rockport_walk", "time_min": 14, "heart_rate_bpm": 130}).id
        == "rockport_walk"
    )
    with pytest.raises(InvalidContent) as refusal:
        check_field_inputs("walk", {"method": "rockport_walk"}, where="body.field_inputs")
    assert {place.location for place in refusal.value.errors} == {
        "body.field_inputs.time_min",
        "body.field_inputs.heart_rate_bpm",
    }


@pytest.mark.parametrize(
    ("person", "inputs", "said"),
    [
        (replace(MAN, limits_heart_rate=True), {"time_min": 14, "heart_rate_bpm": 130}, "medication"),
        (replace(MAN, age_years=None), {"time_min": 14, "heart_rate_bpm": 130}, "no age"),
        (
            replace(MAN, sex=None, body_mass_kg=None),
            {"time_min": 14, "heart_rate_bpm": 130},
            "no body mass and no sex",
        ),
        # A 10-s count in place of beats per minute.
        (MAN, {"time_min": 14, "heart_rate_bpm": 26}, "outside the range"),
    ],
)
def test_a_field_test_without_an_estimate_says_why(bare, person, inputs, said):
    found = estimate(bare(mode="walk", person=person), {"method": "rockport_walk", **inputs})
    assert found.chosen is None
    assert said in found.reason


def test_a_number_that_contradicts_the_record_is_used_and_said(bare):
    inputs = {"method": "rockport_walk", "time_min": 14, "heart_rate_bpm": 130, "body_mass_kg": 95.0}
    found = estimate(bare(mode="walk"), inputs)
    assert any("is 75 in the record" in one.message for one in found.findings)
    assert found.chosen.inputs["body_mass_kg"] == 95.0


def test_a_named_method_is_not_replaced_by_another(bare):
    inputs = {"method": "astrand_ryhming_cycle", "work_rate_w": 100, "heart_rate_bpm": 118}
    found = estimate(bare(notes=cycle_notes((75, 120), (100, 140))), inputs)
    assert item(found, "ymca_cycle").applies
    assert found.chosen is None
    assert "outside the range" in found.reason


def test_an_estimate_beyond_what_is_possible_stays_out_of_the_trend(bare):
    found = estimate(treadmill(bare, (5.0, 2.0, 110), (5.9, 15.0, 118)))
    assert found.chosen.value_ml_kg_min > 100
    assert all(one.has_error for one in found.results)
    assert found.findings[0].severity == "error"


@pytest.mark.parametrize("mode", ["row", "ski", "arm", "walk", "run", "step"])
def test_a_mode_without_stages_of_its_own_needs_field_inputs(bare, mode):
    found = estimate(bare(mode=mode))
    assert (found.items, found.chosen, found.results) == ((), None, ())
    assert mode in found.reason


def test_the_object_is_plain(bare):
    import json

    found = estimate(bare(notes=cycle_notes((25, 98), (75, 120), (100, 140)))).as_dict()
    assert json.loads(json.dumps(found))["chosen"] == "ymca_cycle"
    assert set(found) == {"basis", "chosen", "items", "reason"}
    assert found["basis"] == "estimated"


def test_methods_that_may_be_named_estimate_peak_uptake():
    assert {"rockport_walk", "cooper_12_min", "ymca_cycle", "two_stage_treadmill", "kokkinos_cycle"} <= set(
        ESTIMATION_METHODS
    )
    assert not any(method.predicts for method in ESTIMATION_METHODS.values())


@given(
    st.lists(
        st.tuples(
            st.floats(0, 400), st.one_of(st.none(), st.floats(40, 220)), st.one_of(st.none(), st.floats(0, 3600)),
            st.integers(0, 6),
        ),
        max_size=8,
    ),
    st.sampled_from(["cycle", "treadmill", "arm"]),
    st.sampled_from(["maximal", "submaximal"]),
    st.one_of(st.none(), st.floats(10, 90)),
)  # fmt: skip
@settings(max_examples=80, deadline=None)
def test_any_notes_give_an_estimate_or_a_reason(rows, mode, purpose, age):
    from service.analysis.series import Series, TestInput

    empty = np.zeros(0)
    series = Series(empty, empty, {}, empty.astype(np.int8), empty.astype(np.int64), empty.astype(bool))
    notes = tuple(
        note(
            stage, work_rate_w=load, speed_km_h=load / 20, grade_percent=5.0, heart_rate_bpm=rate, time_s=when
        )
        for load, rate, when, stage in rows
    )
    person = Person(sex="male", age_years=age, body_mass_kg=75.0)
    found = estimate(TestInput(series, mode, person, purpose=purpose, notes=notes))
    assert (found.chosen is None) == (found.reason is not None)
    for one in found.items:
        assert one.applies == (one.reason is None)
        assert one.applies == (one.value_ml_kg_min is not None)
