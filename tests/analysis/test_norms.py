"""Ranks and predictions: what is said, and why where nothing is."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.norms import (
    PERCENTILE_DEFINITION,
    band_between_subject_sd,
    predict_all,
    predict_one,
    rank,
    rank_all,
)
from service.analysis.series import Person
from service.methods.catalogue import METHODS
from service.reference.tables import NormTable, builtin_norms

TABLES = {table.id: table for table in builtin_norms()}
TREADMILL = TABLES["friend_2015_treadmill"]
CYCLE = TABLES["friend_2017_cycle"]
FIELDS = (
    "norm_id", "reference", "percentile", "percentile_low", "percentile_high", "bound", "percent_of_median",
    "percent_of_predicted", "z", "age_band", "n", "reason", "source",
)  # fmt: skip


def stand(table=TREADMILL, **given):
    asked = {
        "sex": "male",
        "age_years": 45.0,
        "value_ml_kg_min": 40.0,
        "rer": 1.12,
        "mode": table.mode,
    } | given
    return rank(table, **asked)


def test_a_rank_has_the_promised_fields():
    answer = stand().as_dict()
    assert set(FIELDS) <= set(answer)
    assert answer["norm_id"] == "friend_2015_treadmill"
    assert answer["age_band"] == "40-49"
    assert answer["n"] == 1327
    assert answer["reason"] is None
    assert answer["source"] == "kaminsky_2015"


def test_the_definition_of_the_percentile_is_stated():
    assert "lower value" in PERCENTILE_DEFINITION


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"sex": None}, "No sex"),
        ({"age_years": None}, "age is not known"),
        ({"value_ml_kg_min": None}, "body mass"),
        ({"mode": "cycle"}, "for treadmill, the test is cycle"),
        ({"mode": "row"}, "for treadmill, the test is row"),
        ({"rer": 0.999}, "at least 1.00; this one reached 0.99"),
        ({"rer": None}, "no RER"),
        ({"age_years": 19.9}, "20 to 79 completed years; the age is 19.9"),
        ({"age_years": 80.0}, "20 to 79 completed years"),
        ({"age_low_years": 39.5, "age_high_years": 40.5, "age_years": 40.0}, "Only the birth year"),
        ({"age_low_years": 79.4, "age_high_years": 80.4, "age_years": 79.9}, "Only the birth year"),
    ],
)
def test_no_rank_and_the_reason(given, said):
    answer = stand(**given)
    assert said in answer.reason
    numbers = ("percentile", "percentile_low", "percentile_high", "bound", "percent_of_median", "z")
    assert all(getattr(answer, name) is None for name in numbers)


def test_a_birth_year_within_one_band_is_ranked():
    assert stand(age_low_years=44.5, age_high_years=45.5).percentile == stand().percentile


def test_a_table_looked_up_by_hand_says_that_effort_was_not_looked_at():
    answer = stand(rer=None, rer_required=False, mode=None)
    assert answer.percentile == stand().percentile
    assert "was not looked at" in answer.notes[0]


@pytest.mark.parametrize(("value", "bound"), [(24.1, "below"), (55.7, "above")])
def test_outside_the_tabulated_percentiles_there_is_a_bound(value, bound):
    answer = stand(value_ml_kg_min=value, typical_error_fraction=0.05)
    assert answer.percentile is None
    assert answer.bound == bound
    assert "not extrapolated" in answer.reason
    assert answer.percent_of_median == pytest.approx(100 * value / 37.8)


def test_the_interval_is_one_typical_error_either_side():
    answer = stand(value_ml_kg_min=37.8, typical_error_fraction=0.05)
    assert answer.percentile == 50
    assert answer.percentile_low == pytest.approx(stand(value_ml_kg_min=37.8 / 1.05).percentile)
    assert answer.percentile_high == pytest.approx(stand(value_ml_kg_min=37.8 * 1.05).percentile)
    assert stand().percentile_low is None
    near_the_end = stand(value_ml_kg_min=24.5, typical_error_fraction=0.05)
    assert near_the_end.percentile is not None
    assert near_the_end.percentile_low is None
    assert near_the_end.percentile_high is not None


def test_an_estimated_value_is_said_and_widened():
    measured = stand(typical_error_fraction=0.05)
    answer = stand(typical_error_fraction=0.05, estimated=True, standard_error_ml_kg_min=4.8)
    assert "estimated" in answer.notes[0]
    assert answer.percentile == measured.percentile
    assert answer.percentile_low < measured.percentile_low
    assert answer.percentile_high > measured.percentile_high
    unknown = stand(typical_error_fraction=0.05, estimated=True)
    assert unknown.percentile_low is unknown.percentile_high is None


@pytest.mark.parametrize(("value", "bound"), [(27.0, "below"), (27.1, None), (27.2, "above")])
def test_medians_only_give_no_percentile(value, bound):
    answer = stand(CYCLE, value_ml_kg_min=value)
    assert answer.percentile is None
    assert answer.bound == bound
    assert answer.percent_of_median == pytest.approx(100 * value / 27.1)
    assert "medians" in answer.reason


def test_medians_only_ask_for_the_effort_of_their_table_too():
    assert "at least 1.10; this one reached 1.09" in stand(CYCLE, rer=1.0999).reason


def test_a_summary_is_a_normal_approximation_and_says_so():
    table = TABLES["wagner_2021_cycle"]
    answer = stand(table, age_years=25.0, value_ml_kg_min=46.6)
    assert answer.percentile == pytest.approx(50)
    assert answer.z == 0
    assert "normal approximation" in answer.notes[0]
    # One SD above the mean: 84.13 %, the usual table of the normal distribution.
    high = stand(table, age_years=25.0, value_ml_kg_min=46.6 + 7.9, typical_error_fraction=0.05)
    assert high.percentile == pytest.approx(84.134, abs=0.001)
    assert high.percentile_low < high.percentile < high.percentile_high
    far = stand(table, age_years=25.0, value_ml_kg_min=70.0)
    assert (far.percentile, far.bound) == (None, "above")
    assert stand(table, age_years=25.0, value_ml_kg_min=20.0).bound == "below"
    assert "20 to 29" in stand(table, age_years=30.0).reason


def test_a_sites_own_table_ranks_like_a_published_one():
    document = TREADMILL.as_document() | {"id": "our_own", "mode": "row", "source": "own tests"}
    own = NormTable.from_document(document)
    assert stand(own).percentile == stand().percentile
    assert stand(own).source == "own tests"


@given(
    st.sampled_from(sorted(TABLES)),
    st.sampled_from(["female", "male"]),
    st.floats(6, 90),
    st.floats(5, 90),
    st.floats(5, 90),
)
@settings(max_examples=200, deadline=None)
def test_a_higher_value_never_ranks_lower(table_id, sex, age, one, other):
    low, high = sorted((one, other))
    ranks = [stand(TABLES[table_id], sex=sex, age_years=age, value_ml_kg_min=value) for value in (low, high)]

    def place(answer):
        return {"below": -1.0, "above": 101.0, None: answer.percentile or 0.0}[answer.bound]

    assert (ranks[0].age_band is None) == (ranks[1].age_band is None)
    assert place(ranks[0]) <= place(ranks[1])
    for answer in ranks:
        assert (answer.percentile is None) == (answer.reason is not None)
        assert answer.percentile is None or 0 < answer.percentile < 100


def everything(mode="cycle", **given):
    person = Person(sex="male", age_years=45.0, body_mass_kg=85.0, height_cm=177.0)
    predicted = predict_all(person, mode, 2303.5, 27.1)
    asked = {
        "sex": "male",
        "age_years": 45.0,
        "value_ml_kg_min": 27.1,
        "rer": 1.15,
        "typical_error_fraction": 0.05,
        "predicted": predicted,
    } | given
    return rank_all(builtin_norms(), mode=mode, **asked)


def test_a_cycle_test_has_every_norm_of_its_mode_and_no_percentile():
    ranks = everything()
    tables = [one.norm_id for one in ranks if one.reference != "predicted_for_body_size"]
    assert tables == ["friend_2017_cycle", "lowlands_2021_cycle", "wagner_2021_cycle"]
    assert all(one.percentile is None and one.reason for one in ranks)


def test_standing_against_prediction_is_never_a_percentile():
    against = {one.norm_id: one for one in everything() if one.reference == "predicted_for_body_size"}
    assert "predicted_vo2max_de_souza_e_silva_2018" in against
    assert "predicted_vo2max_myers_2017" not in against  # treadmill only
    assert not any(norm_id.startswith("heart_rate") for norm_id in against)
    assert all(one.percentile is None and "not a percentile" in one.reason for one in against.values())
    women_only = against["predicted_vo2max_blackie_1989"]
    assert women_only.percent_of_predicted is None
    assert "women" in women_only.reason


def test_a_mode_that_no_norm_knows_gets_the_reason():
    ranks = rank_all(builtin_norms(), mode="row", sex="male", age_years=30.0, value_ml_kg_min=50.0, rer=1.2)
    assert len(ranks) == 5
    assert all("the test is row" in one.reason for one in ranks)
    assert all(
        "no stated mode" in one.reason
        for one in rank_all(builtin_norms(), mode=None, sex="male", age_years=30.0, value_ml_kg_min=50.0)
    )


def predictions(mode="treadmill", **given):
    person = {"sex": "male", "age_years": 50.0, "body_mass_kg": 80.0, "height_cm": 178.0} | given
    return {
        one.method: one for one in predict_all(Person(**person), mode, 2800.0, 35.0, heart_rate_max_bpm=170)
    }


def test_a_prediction_has_the_promised_fields():
    one = predictions()["predicted_vo2max_de_souza_e_silva_2018"]
    assert set(one.as_dict()) == {
        "method", "quantity", "value", "unit", "percent_of_predicted", "z", "see", "lower_limit", "applies",
        "reason", "source",
    }  # fmt: skip
    assert one.applies
    assert one.reason is None
    assert one.percent_of_predicted == pytest.approx(100 * 35 / one.value)
    assert one.z == pytest.approx((35 - one.value) / 6.6)
    assert one.lower_limit == pytest.approx(one.value - 1.645 * 6.6)


def test_absolute_and_relative_uptake_are_each_compared_with_their_own():
    found = predictions("cycle")
    assert found["predicted_vo2max_neder_1999"].percent_of_predicted == pytest.approx(
        100 * 2800 / found["predicted_vo2max_neder_1999"].value
    )
    assert found["predicted_vo2max_koch_2009"].percent_of_predicted == pytest.approx(
        100 * 35 / found["predicted_vo2max_koch_2009"].value
    )
    assert "no z" in found["predicted_vo2max_koch_2009"].reason


def test_maximal_heart_rate_is_predicted_too():
    one = predictions()["heart_rate_max_tanaka"]
    assert one.value == pytest.approx(173.0)
    assert one.percent_of_predicted == pytest.approx(100 * 170 / 173)
    limited = predictions(limits_heart_rate=True)["heart_rate_max_tanaka"]
    assert not limited.applies
    assert "medication" in limited.reason


@pytest.mark.parametrize(
    ("given", "method", "said"),
    [
        ({"height_cm": None}, "predicted_vo2max_de_souza_e_silva_2018", "needs height_cm"),
        ({"sex": None, "age_years": None}, "predicted_vo2max_myers_2017", "needs age_years, sex"),
        ({"age_years": 90.0}, "predicted_vo2max_de_souza_e_silva_2018", "outside 20 to 85"),
        ({}, "heart_rate_max_gulati", "for women"),
        ({"sex": None}, "heart_rate_max_gulati", "needs sex"),
        ({"age_years": 130.0}, "predicted_vo2max_myers_2017", "cannot be"),
    ],
)
def test_an_equation_that_does_not_cover_the_person_gives_nothing(given, method, said):
    one = predictions(**given)[method]
    assert not one.applies
    assert one.value is one.percent_of_predicted is one.z is None
    assert said in one.reason


def test_an_equation_for_children_is_not_for_adults():
    assert "6 to 17 years" in predictions("cycle")["predicted_vo2max_cooper_children"].reason
    assert (
        "needs age_years" in predictions("cycle", age_years=None)["predicted_vo2max_cooper_children"].reason
    )
    child = predictions("cycle", age_years=12.0, height_cm=150.0, body_mass_kg=40.0)
    assert child["predicted_vo2max_cooper_children"].applies


def test_a_test_without_a_peak_still_has_its_prediction():
    (one,) = [
        one
        for one in predict_all(Person(sex="male", age_years=50.0, body_mass_kg=80.0), "treadmill", None, None)
        if one.method == "predicted_vo2max_myers_2017"
    ]
    assert one.applies
    assert one.value is not None
    assert one.percent_of_predicted is None
    assert "no value to compare" in one.reason


def test_the_spread_between_people_of_a_band():
    # (45.0 - 31.9)/1.349; the span of the quartiles of a normal distribution, value from memory.
    assert band_between_subject_sd(TREADMILL, "male", 45.0) == pytest.approx(13.1 / 1.349)
    assert band_between_subject_sd(TREADMILL, "male", 85.0) is None
    assert band_between_subject_sd(CYCLE, "male", 45.0) is None
    assert band_between_subject_sd(TABLES["wagner_2021_cycle"], "female", 25.0) == 6.5


def test_an_equation_with_an_input_that_is_kept_nowhere_lacks_it():
    method = METHODS["predicted_ve_max_jones"]
    told = predict_one(method, Person(sex="male", age_years=40.0, height_cm=180.0), "cycle", 100.0)
    assert (told.value, told.applies) == (None, False)
    assert "vital_capacity_l" in told.reason


@pytest.mark.parametrize("method", [one for one in METHODS.values() if one.predicts], ids=lambda one: one.id)
@pytest.mark.parametrize("person", [Person(), Person(sex="female", age_years=9.0, body_mass_kg=30.0)])
def test_every_equation_answers_for_anybody_with_a_value_or_a_reason(method, person):
    told = predict_one(method, person, None, None)
    assert told.reason
    assert told.applies is (told.value is not None)
