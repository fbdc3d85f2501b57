"""Reference tables against what the papers print, and against facts others derived from them."""

import pytest
from scipy.stats import norm

from service.analysis.norms import QUARTILE_SPAN_SD, predict_all, rank
from service.analysis.series import Person
from service.reference.tables import builtin_norms

TABLES = {table.id: table for table in builtin_norms()}


def stand(norm_id, sex, age, value, rer=1.2):
    return rank(TABLES[norm_id], sex=sex, age_years=age, value_ml_kg_min=value, rer=rer)


# Kaminsky 2015, treadmill: medians printed in the abstract.
@pytest.mark.parametrize(
    ("sex", "age", "median"),
    [("male", 25, 48.0), ("female", 25, 37.6), ("male", 75, 24.4), ("female", 75, 18.3)],
)
def test_medians_of_the_abstract(sex, age, median):
    answer = stand("friend_2015_treadmill", sex, age, median)
    assert answer.percentile == 50
    assert answer.percent_of_median == pytest.approx(100)


def test_a_tabulated_value_has_its_tabulated_percentile():
    # Every one of the 84 cells (values from memory, recalled twice independently).
    table = TABLES["friend_2015_treadmill"]
    for band in table.bands:
        for percentile, value in zip(band.percentiles, band.values_ml_kg_min, strict=True):
            assert stand(table.id, band.sex, band.age_low_years + 5.5, value).percentile == percentile


def test_a_steady_man_steps_at_his_fortieth_birthday():
    # Fact derived from the 2015 table: 40.0 mL/kg/min is about the 41st percentile at 39, the 58th at 40.
    before, after = (stand("friend_2015_treadmill", "male", age, 40.0) for age in (39.99, 40.0))
    assert (round(before.percentile), round(after.percentile)) == (41, 58)
    assert (before.age_band, after.age_band) == ("30-39", "40-49")


# Kaminsky 2017, cycle: the four end medians are printed in the abstract.
@pytest.mark.parametrize(
    ("sex", "age", "median"),
    [("male", 25, 41.9), ("female", 25, 31.0), ("male", 75, 19.5), ("female", 75, 14.8)],
)
def test_medians_of_the_cycle_abstract(sex, age, median):
    answer = stand("friend_2017_cycle", sex, age, median)
    assert answer.percent_of_median == pytest.approx(100)
    assert answer.percentile is None


def test_two_registries_differ_widely_on_the_cycle():
    # Published: the median of a man of 45 is 27.1 in one and 42.3 in the other.
    assert TABLES["friend_2017_cycle"].band("male", 45).median(45) == 27.1
    assert TABLES["lowlands_2021_cycle"].band("male", 45).median(45) == pytest.approx(42.3, abs=0.05)


# Van der Steeg 2021: the median equations are printed in the abstract; arithmetic at 30 years.
@pytest.mark.parametrize(("sex", "median"), [("male", 46.505), ("female", 36.955)])
def test_a_median_that_is_an_equation_in_age(sex, median):
    assert stand("lowlands_2021_cycle", sex, 30, median).percent_of_median == pytest.approx(100)


def test_ages_of_the_registry_of_six_to_sixty_five():
    assert stand("lowlands_2021_cycle", "male", 65.9, 30.0).percent_of_median is not None
    assert "6 to 65" in stand("lowlands_2021_cycle", "male", 66.0, 30.0).reason


def test_the_normal_approximation_is_that_of_scipy():
    # Wagner 2021, 20 to 29 years: mean and SD printed in the abstract; scipy.stats as the oracle.
    for sex, mean, sd in (("male", 46.6, 7.9), ("female", 39.3, 6.5)):
        for value in (mean - 2 * sd, mean - 0.3 * sd, mean + 1.7 * sd):
            answer = stand("wagner_2021_cycle", sex, 25, value)
            assert answer.percentile == pytest.approx(100 * norm.cdf(value, mean, sd))


def test_the_quartile_span_is_that_of_scipy():
    assert pytest.approx(norm.ppf(0.75) - norm.ppf(0.25), abs=5e-4) == QUARTILE_SPAN_SD


def test_prediction_and_medians_disagree_on_the_cycle():
    # Published equation against published medians: a man of 45, 85 kg, 177 cm at the 2017 cycle median of 27.1 comes out
    # near z = -1.4 (arithmetic).
    person = Person(sex="male", age_years=45, body_mass_kg=85, height_cm=177)
    (one,) = [
        one
        for one in predict_all(person, "cycle", 27.1 * 85, 27.1)
        if one.method == "predicted_vo2max_de_souza_e_silva_2018"
    ]
    assert one.z == pytest.approx(-1.4, abs=0.1)


def test_older_people_have_lower_medians():
    # Every table, both sexes: the medians fall from 30 years on.
    for table in TABLES.values():
        for sex in ("female", "male"):
            ages = [age for age in range(30, 90, 10) if table.band(sex, age)]
            medians = [table.band(sex, age).median(age) for age in ages]
            assert medians == sorted(medians, reverse=True)


def test_other_countries_treadmill_medians_lie_near():
    # HUNT (Aspenes 2011), Norway, all ages: medians 35.1 women, 44.2 men; the international treadmill registry of 2020:
    # 49.5 and 40.6 at 20-29, 30.8 and 25.0 at 70-79. Registries differ by up to a third.
    table = TABLES["friend_2015_treadmill"]
    published = {("male", 25): 49.5, ("female", 25): 40.6, ("male", 75): 30.8, ("female", 75): 25.0}
    for (sex, age), theirs in published.items():
        assert table.band(sex, age).median(age) / theirs == pytest.approx(1, abs=0.34)
    assert table.band("female", 79).median(79) < 35.1 < table.band("female", 25).median(25)
    assert table.band("male", 79).median(79) < 44.2 < table.band("male", 25).median(25)
