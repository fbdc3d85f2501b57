import math

import pytest

from service.analysis.ageing import AGEING_MODELS, AgedPerson, ageing_models_of, expected_with_age
from service.quantities import QUANTITIES

MAN = AgedPerson("male", "treadmill", 80.0, 180.0)


def expected(model, person=MAN, *, start=40.0, value=40.0, ages=(50.0,)):
    return expected_with_age(
        AGEING_MODELS[model], person, start_age_years=start, start_value=value, ages_years=ages
    )


@pytest.mark.parametrize(
    ("model", "person", "start", "value", "age", "answer"),
    [
        # Arithmetic of each published age term over ten years, all else held.
        ("predicted_vo2max_de_souza_e_silva_2018", MAN, 40.0, 40.0, 50.0, 36.5),  # 0.35 a year
        ("predicted_vo2max_myers_2017", MAN, 40.0, 40.0, 50.0, 36.1),  # 0.39 a year
        ("predicted_vo2max_jones_1985", AgedPerson("male", "cycle", 80.0, 180.0), 40.0, 3000.0, 50.0, 2790.0),
        ("heart_rate_max_tanaka", MAN, 40.0, 182.0, 50.0, 175.0),  # 0.7 a year
        ("stathokostas_2004", MAN, 60.0, 30.0, 70.0, 25.7),  # 0.43 a year
        ("stathokostas_2004", AgedPerson("female", "treadmill", 60.0, 165.0), 60.0, 24.0, 70.0, 22.1),
        # 10 % a decade, compound, and nothing before 25.
        ("ten_percent_per_decade", MAN, 30.0, 50.0, 50.0, 40.5),
        ("ten_percent_per_decade", MAN, 25.0, 50.0, 35.0, 45.0),
    ],
)
def test_the_age_term_alone_moves_the_value(model, person, start, value, age, answer):
    assert expected(model, person, start=start, value=value, ages=(age,)) == (pytest.approx(answer),)


def test_the_line_goes_through_its_start_and_backwards_too():
    found = expected("predicted_vo2max_myers_2017", ages=(30.0, 40.0, 50.0))
    assert found == (pytest.approx(43.9), pytest.approx(40.0), pytest.approx(36.1))


def test_a_person_far_from_the_mean_keeps_the_distance_or_the_share():
    difference = expected("predicted_vo2max_myers_2017", value=70.0)[0]
    share = expected("ten_percent_per_decade", value=70.0)[0]
    assert difference == pytest.approx(70.0 - 3.9)
    assert share == pytest.approx(63.0)


@pytest.mark.parametrize(
    ("model", "person", "start", "age", "said"),
    [
        (
            "predicted_vo2max_myers_2017",
            AgedPerson("male", "cycle", 80.0, 180.0),
            40.0,
            50.0,
            "for treadmill",
        ),
        ("predicted_vo2max_myers_2017", AgedPerson("male", None, 80.0, 180.0), 40.0, 50.0, "unknown mode"),
        ("predicted_vo2max_myers_2017", AgedPerson(None, "treadmill", 80.0, None), 40.0, 50.0, "needs sex"),
        (
            "predicted_vo2max_de_souza_e_silva_2018",
            AgedPerson("male", "cycle", 80.0, None),
            40.0,
            50.0,
            "height",
        ),
        ("predicted_vo2max_blackie_1989", AgedPerson("male", "cycle", 80.0, 180.0), 60.0, 70.0, "female"),
        ("stathokostas_2004", MAN, 40.0, 60.0, "55 to 90 years; the age here is 40.0"),
        ("predicted_vo2max_myers_2017", MAN, 70.0, 85.0, "20 to 79 years; the age here is 85.0"),
        ("predicted_vo2max_myers_2017", MAN, None, 50.0, "not known"),
        ("predicted_vo2max_myers_2017", MAN, 40.0, None, "not known"),
    ],
)
def test_a_model_says_nothing_outside_whom_it_is_for(model, person, start, age, said):
    (found,) = expected(model, person, start=start, ages=(age,))
    assert isinstance(found, str)
    assert said in found


def test_a_difference_never_ends_below_zero():
    (found,) = expected("predicted_vo2max_myers_2017", start=20.0, value=10.0, ages=(78.0,))
    assert "above zero" in found


@pytest.mark.parametrize("model", AGEING_MODELS.values(), ids=lambda model: model.id)
def test_every_model_says_whom_it_is_for_and_lowers_or_holds(model):
    assert all(quantity in QUANTITIES for quantity in model.quantities)
    assert model.applies_to
    assert model.source
    low, high = max(model.ages[0], 25.0), model.ages[1]
    person = AgedPerson(model.sexes[0], model.modes[0] if model.modes else "cycle", 75.0, 170.0)
    levels = [model.level(person, low + share * (high - low)) for share in (0.25, 0.5, 0.75, 1.0)]
    assert all(math.isfinite(level) for level in levels)
    assert levels == sorted(levels, reverse=True)


def test_models_of_a_quantity():
    assert {model.id for model in ageing_models_of("vo2_peak_ml_kg_min")} == {
        "ten_percent_per_decade",
        "stathokostas_2004",
        "predicted_vo2max_de_souza_e_silva_2018",
        "predicted_vo2max_myers_2017",
    }
    assert ageing_models_of("waist_cm") == ()
