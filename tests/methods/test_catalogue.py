"""What every method of the catalogue has in common, and what bad input gets."""

import inspect
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.references import REFERENCES
from service.errors import InvalidContent, NotFound
from service.methods.catalogue import _ALL, METHODS, run
from service.methods.method import COMMON_PRACTICE, OURS

#: Ids and inputs callers rely on.
PROMISED = {
    "stpd_factor": {"barometric_pressure_mmhg", "temperature_c"},
    "btps_factor": {"barometric_pressure_mmhg", "temperature_c", "relative_humidity_percent"},
    "btps_to_stpd_factor": {"barometric_pressure_mmhg"},
    "water_vapour_pressure_mmhg": {"temperature_c"},
    "haldane_vo2_ml_min": {"ve_stpd_l_min", "feo2_fraction", "feco2_fraction"},
    "haldane_vco2_ml_min": {"ve_stpd_l_min", "feo2_fraction", "feco2_fraction"},
    **{
        key: {"vo2_ml_min", "vco2_ml_min"}
        for key in (
            "weir_kcal_min",
            "lusk_kcal_min",
            "frayn_fat_g_min",
            "frayn_carbohydrate_g_min",
            "peronnet_fat_g_min",
            "peronnet_carbohydrate_g_min",
        )
    },
    "acsm_walking": {"speed_km_h", "grade_percent"},
    "acsm_running": {"speed_km_h", "grade_percent"},
    "acsm_leg_cycling": {"work_rate_w", "body_mass_kg"},
    "acsm_arm_cycling": {"work_rate_w", "body_mass_kg"},
    "acsm_stepping": {"step_rate_per_min", "step_height_m"},
    "rockport_walk": {"body_mass_kg", "age_years", "sex", "time_min", "heart_rate_bpm"},
    "cooper_12_min": {"distance_m"},
    "run_1_5_mile": {"time_min"},
    "queens_college_step": {"sex", "heart_rate_bpm"},
    "shuttle_20m_leger": {"final_speed_km_h", "age_years"},
    "ebbeling_treadmill": {"speed_km_h", "heart_rate_bpm", "age_years", "sex"},
    "astrand_ryhming_cycle": {"work_rate_w", "heart_rate_bpm", "sex", "age_years"},
    "ymca_cycle": {"stages", "body_mass_kg", "age_years"},
    "storer_cycle": {"work_rate_w", "body_mass_kg", "age_years", "sex"},
    "bruce_foster_men": {"time_min"},
    "bruce_pollock_women": {"time_min"},
    "kokkinos_cycle": {"work_rate_w", "body_mass_kg"},
    "two_stage_treadmill": {
        "vo2_1_ml_kg_min",
        "heart_rate_1_bpm",
        "vo2_2_ml_kg_min",
        "heart_rate_2_bpm",
        "age_years",
    },
    "predicted_vo2max_myers_2017": {"age_years", "sex", "body_mass_kg"},
    "predicted_vo2max_de_souza_e_silva_2018": {"age_years", "sex", "body_mass_kg", "height_cm", "mode"},
    "predicted_vo2max_jones_1985": {"height_cm", "age_years", "sex"},
    "predicted_vo2max_wasserman": {"body_mass_kg", "height_cm", "age_years", "sex", "mode"},
    **{f"heart_rate_max_{name}": {"age_years"} for name in ("fox", "tanaka", "gellish", "gulati", "nes")},
    "karvonen_heart_rate": {"heart_rate_max_bpm", "resting_heart_rate_bpm", "intensity_percent"},
}


def example(one):
    """An input in the middle of its range."""
    if one.kind == "list":
        # Rows that rise, each below the middle of its ranges.
        return [{field.name: share * example(field) for field in one.fields} for share in (0.4, 0.5, 0.6)]
    if one.choices:
        return one.choices[0]
    low, high = one.valid or one.hard
    return (low + high) / 2


@pytest.mark.parametrize("method_id", sorted(PROMISED))
def test_promised_methods_take_the_promised_inputs(method_id):
    declared = METHODS[method_id].inputs
    assert {one.name for one in declared} >= PROMISED[method_id]
    assert {one.name for one in declared if not one.optional} <= PROMISED[method_id]


def test_ids_are_unique():
    assert len(METHODS) == len(_ALL)


@pytest.mark.parametrize("method", _ALL, ids=lambda one: one.id)
def test_a_method_is_complete(method):
    assert set(inspect.signature(method.function).parameters) == {one.name for one in method.inputs}
    assert method.source in REFERENCES or method.source in {COMMON_PRACTICE, OURS}
    assert (method.trust == "common practice") == (method.source == COMMON_PRACTICE)
    assert method.validity.endswith(".")
    assert method.function.__doc__.count("Returns") == 1
    if method.source in REFERENCES and REFERENCES[method.source].trust.startswith("value from memory"):
        assert method.trust == "value from memory"
    for one in method.inputs:
        if one.valid and one.hard:
            assert one.hard[0] <= one.valid[0] < one.valid[1] <= one.hard[1]


@pytest.mark.parametrize("method", _ALL, ids=lambda one: one.id)
def test_a_method_answers_in_the_middle_of_its_range(method):
    answer = method.answer({one.name: example(one) for one in method.inputs})
    assert answer.unit == method.unit
    assert answer.value is None or math.isfinite(answer.value)
    assert set(answer.as_dict()) == {"value", "unit", "standard_error", "source", "trust", "findings"}
    assert method.as_dict()["id"] == method.id


@pytest.mark.parametrize("method", _ALL, ids=lambda one: one.id)
def test_nothing_given_names_every_input(method):
    with pytest.raises(InvalidContent) as refusal:
        method.answer({}, where="body")
    assert {place.location for place in refusal.value.errors} == {
        f"body.{one.name}" for one in method.inputs if not one.optional
    }


@pytest.mark.parametrize(
    ("inputs", "location", "said"),
    [
        ({"speed_km_h": 5, "grade_percent": float("nan")}, "grade_percent", "finite"),
        ({"speed_km_h": float("inf"), "grade_percent": 0}, "speed_km_h", "finite"),
        ({"speed_km_h": "5", "grade_percent": 0}, "speed_km_h", "number"),
        ({"speed_km_h": 10**400, "grade_percent": 0}, "speed_km_h", "finite"),
        ({"speed_km_h": {"km": 5}, "grade_percent": 0}, "speed_km_h", "number"),
        ({"speed_km_h": True, "grade_percent": 0}, "speed_km_h", "number"),
        ({"speed_km_h": -1, "grade_percent": 0}, "speed_km_h", "between 0 and 45"),
        ({"speed_km_h": 5, "grade_percent": 0, "slope": 3}, "slope", "not an input"),
        ({"speed_km_h": 5}, "grade_percent", "missing"),
        ({"speed_km_h": 5, "grade_percent": None}, "grade_percent", "missing"),
    ],
)
def test_impossible_input_is_refused_with_its_place(inputs, location, said):
    with pytest.raises(InvalidContent) as refusal:
        run("acsm_walking", inputs)
    (place,) = refusal.value.errors
    assert place.location == location
    assert said in place.message


def test_a_sex_that_is_not_one_of_the_words_is_refused():
    with pytest.raises(InvalidContent, match="female, male"):
        run("queens_college_step", {"sex": "M", "heart_rate_bpm": 150})


def test_every_faulty_row_of_a_list_is_named():
    stages = [{"work_rate_w": 50, "heart_rate_bpm": 400}, {"work_rate_w": -5, "heart_rate_bpm": 120, "x": 1}]
    with pytest.raises(InvalidContent) as refusal:
        run("ymca_cycle", {"stages": stages, "body_mass_kg": 70, "age_years": 40}, where="body")
    assert {place.location for place in refusal.value.errors} == {
        "body.stages.0.heart_rate_bpm",
        "body.stages.1.work_rate_w",
        "body.stages.1.x",
    }


@pytest.mark.parametrize("stages", [7, [3, 4], [{"work_rate_w": 50, "heart_rate_bpm": 120}]])
def test_a_list_of_the_wrong_form_is_refused(stages):
    with pytest.raises(InvalidContent) as refusal:
        run("ymca_cycle", {"stages": stages, "body_mass_kg": 70, "age_years": 40})
    assert refusal.value.errors[0].location == "stages"


def test_there_is_no_such_method():
    with pytest.raises(NotFound):
        run("guess", {})


def test_outside_the_range_the_value_is_given_with_a_finding():
    answer = run("acsm_walking", {"speed_km_h": 9, "grade_percent": 0})
    assert answer.value == pytest.approx(18.5)
    assert [one.code for one in answer.findings] == ["outside_method_range"]
    assert "outside 3 to 6" in answer.findings[0].message


def test_substrates_are_not_given_above_a_ratio_of_one():
    answer = run("frayn_fat_g_min", {"vo2_ml_min": 2000, "vco2_ml_min": 2100})
    assert answer.value is None
    assert any("bicarbonate" in one.message for one in answer.findings)


def test_a_small_negative_substrate_is_zero_and_said():
    answer = run("peronnet_fat_g_min", {"vo2_ml_min": 2000, "vco2_ml_min": 2000})
    assert answer.value == 0.0
    assert any("Zero is given" in one.message for one in answer.findings)


def test_an_impossible_ratio_is_refused():
    with pytest.raises(InvalidContent, match="units of both"):
        run("weir_kcal_min", {"vo2_ml_min": 3000, "vco2_ml_min": 300})


def test_a_negative_estimate_is_not_given():
    answer = run("bruce_pollock_women", {"time_min": 0.5})
    assert answer.value is None
    assert any("cannot be" in one.message for one in answer.findings)


@pytest.mark.parametrize("age", [14, 66])
def test_the_age_factor_is_not_extrapolated(age):
    answer = run(
        "astrand_ryhming_cycle", {"work_rate_w": 100, "heart_rate_bpm": 140, "sex": "male", "age_years": age}
    )
    assert answer.value is None
    assert answer.standard_error is None


@pytest.mark.parametrize(
    ("stages", "said"),
    [
        ([(75, 130), (100, 130)], "heart rate does not rise"),
        ([(100, 120), (100, 140)], "work rate does not rise"),
        ([(75, 130), (100, 181)], "not below the maximum"),
    ],
)
def test_a_line_that_cannot_be_extrapolated(stages, said):
    rows = [{"work_rate_w": work, "heart_rate_bpm": rate} for work, rate in stages]
    answer = run("ymca_cycle", {"stages": rows, "body_mass_kg": 70, "age_years": 40})
    assert answer.value is None
    assert any(said in one.message for one in answer.findings)


def test_stages_outside_the_heart_rate_range_are_used_only_where_there_are_no_others():
    rows = [
        {"work_rate_w": 75, "heart_rate_bpm": 120},
        {"work_rate_w": 100, "heart_rate_bpm": 140},
        {"work_rate_w": 125, "heart_rate_bpm": 170},
    ]
    whole = {"stages": rows, "body_mass_kg": 75, "age_years": 40}
    assert run("ymca_cycle", whole).value == pytest.approx(28.6)
    few = run("ymca_cycle", whole | {"stages": rows[1:]})
    assert few.value != pytest.approx(28.6)
    assert any("Fewer than two" in one.message for one in few.findings)


def test_a_known_maximal_heart_rate_takes_the_place_of_the_predicted_one():
    rows = [{"work_rate_w": 75, "heart_rate_bpm": 120}, {"work_rate_w": 100, "heart_rate_bpm": 140}]
    inputs = {"stages": rows, "body_mass_kg": 75, "age_years": 40}
    assert run("ymca_cycle", inputs | {"heart_rate_max_bpm": 180}).value == pytest.approx(28.6)
    assert run("ymca_cycle", inputs | {"heart_rate_max_bpm": 190}).value == pytest.approx(
        7 + 10.8 * 162.5 / 75
    )


def test_a_heart_rate_that_hardly_rises_gives_no_estimate():
    inputs = {"vo2_1_ml_kg_min": 20, "heart_rate_1_bpm": 120, "vo2_2_ml_kg_min": 30, "age_years": 40}
    assert run("two_stage_treadmill", inputs | {"heart_rate_2_bpm": 125}).value is None
    assert run("two_stage_treadmill", inputs | {"heart_rate_2_bpm": 126}).value is not None


@given(st.sampled_from(sorted(METHODS)), st.data())
@settings(max_examples=150, deadline=None)
def test_any_possible_input_gives_a_finite_value_or_a_reason(method_id, data):
    method = METHODS[method_id]
    inputs = {}
    for one in method.inputs:
        if one.kind == "list":
            row = st.fixed_dictionaries({field.name: st.floats(*field.hard) for field in one.fields})
            inputs[one.name] = data.draw(st.lists(row, min_size=one.least, max_size=4))
        elif one.choices:
            inputs[one.name] = data.draw(st.sampled_from(one.choices))
        else:
            inputs[one.name] = data.draw(st.floats(*one.hard))
    try:
        answer = run(method_id, inputs)
    except InvalidContent:
        return  # a combination that cannot be, such as a resting heart rate above the maximum
    if answer.value is None:
        assert answer.findings
    else:
        assert math.isfinite(answer.value)
        assert answer.value >= 0 or method.below_zero == "allow"
