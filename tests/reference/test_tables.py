"""Reference tables: the published ones, and a site's own with everything that can be wrong in it."""

import copy

import pytest

from service.analysis.references import REFERENCES
from service.errors import InvalidContent
from service.quantities import QUANTITIES
from service.reference.tables import DEFAULT_NORM_IDS, NormTable, builtin_norms

TABLES = {table.id: table for table in builtin_norms()}


def document():
    """A small table of our own making."""
    rows = [
        {
            "sex": sex,
            "age_low_years": low,
            "age_high_years": low + 9,
            "n": 40,
            "percentile": p,
            "value_ml_kg_min": v,
        }
        for sex, shift in (("female", 0.0), ("male", 6.0))
        for low in (20, 30)
        for p, v in ((10, 25.0 + shift), (50, 33.0 + shift), (90, 44.0 + shift))
    ]
    return {
        "id": "our_rowers",
        "name": "Our rowers",
        "mode": "row",
        "reference": "population_table",
        "population": "members of the club, tested here",
        "rer_least": 1.05,
        "source": "own measurements",
        "rows": rows,
    }


def test_the_promised_tables_are_there():
    assert set(TABLES) == {
        "friend_2015_treadmill",
        "friend_2017_cycle",
        "friend_2022_treadmill",
        "lowlands_2021_cycle",
        "wagner_2021_cycle",
    }
    for mode, norm_id in DEFAULT_NORM_IDS.items():
        assert TABLES[norm_id].mode == mode


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.id)
def test_a_published_table_says_where_it_is_from(table):
    assert table.source in REFERENCES
    assert table.trust
    assert table.population
    assert not table.site
    assert {band.sex for band in table.bands} == {"female", "male"}


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.id)
def test_a_document_makes_the_same_table_again(table):
    assert NormTable.from_document(table.as_document(), site=False) == table


def test_all_cells_of_the_population_table_are_there():
    table = TABLES["friend_2015_treadmill"]
    assert len(table.bands) == 12
    assert all(band.percentiles == (5, 10, 25, 50, 75, 90, 95) for band in table.bands)
    assert sum(band.n for band in table.bands) == 7783  # the total of the abstract; the bands are from memory


def test_bands_are_half_open_in_decimal_age():
    table = TABLES["friend_2015_treadmill"]
    assert table.band("male", 29.999).label == "20-29"
    assert table.band("male", 30.0).label == "30-39"
    assert table.band("male", 79.99).label == "70-79"
    assert table.band("male", 80.0) is None
    assert table.band("male", 19.99) is None


def test_a_sites_own_table():
    table = NormTable.from_document(document())
    assert table.site
    assert table.effort_criterion == "maximal RER at least 1.05"
    assert (table.age_low_years, table.age_high_years) == (20, 39)
    assert [band.label for band in table.bands] == ["20-29", "30-39", "20-29", "30-39"]
    assert NormTable.from_document(table.as_document()) == table


def test_the_order_of_rows_does_not_matter():
    turned = document()
    turned["rows"] = turned["rows"][::-1]
    assert NormTable.from_document(turned) == NormTable.from_document(document())


def change(path, value):
    def apply(given):
        target = given
        for step in path[:-1]:
            target = target[step]
        if value is KeyError:
            del target[path[-1]]
        else:
            target[path[-1]] = value

    return apply


@pytest.mark.parametrize(
    ("fault", "location", "row", "said"),
    [
        (change(["id"], "Our Rowers!"), "body.id", None, "small letters"),
        (change(["id"], "taken_table"), "body.id", None, "already"),
        (change(["name"], "  "), "body.name", None, "missing"),
        (change(["name"], KeyError), "body.name", None, "missing"),
        (change(["mode"], "swim"), "body.mode", None, "one of treadmill"),
        (change(["reference"], "guess"), "body.reference", None, "one of population_table"),
        (change(["rer_least"], 11), "body.rer_least", None, "between"),
        (change(["rer_least"], "1.1"), "body.rer_least", None, "between"),
        (change(["colour"], "red"), "body.colour", None, "not a field"),
        (change(["notes"], 3), "body.notes", None, "text"),
        (change(["rows"], []), "body.rows", None, "at least one"),
        (change(["rows"], "many"), "body.rows", None, "list"),
        (change(["rows", 4], 7), "body.rows.4", 5, "object"),
        (change(["rows", 1, "sex"], "m"), "body.rows.1.sex", 2, "female or male"),
        (change(["rows", 1, "age_low_years"], 20.5), "body.rows.1.age_low_years", 2, "completed years"),
        (change(["rows", 1, "age_high_years"], 19), "body.rows.1.age_high_years", 2, "below age_low_years"),
        (change(["rows", 1, "age_high_years"], 400), "body.rows.1.age_high_years", 2, "0 to 120"),
        (change(["rows", 1, "n"], 0), "body.rows.1.n", 2, "whole number"),
        (change(["rows", 1, "n"], 41), "body.rows.1.n", 2, "differs from row 1"),
        (change(["rows", 1, "percentile"], 100), "body.rows.1.percentile", 2, "between 0 and 100"),
        (change(["rows", 1, "percentile"], 10), "body.rows.1.percentile", 2, "twice"),
        (
            change(["rows", 1, "value_ml_kg_min"], 24.0),
            "body.rows.1.value_ml_kg_min",
            2,
            "does not lie above 25",
        ),
        (change(["rows", 1, "value_ml_kg_min"], 3200), "body.rows.1.value_ml_kg_min", 2, "cannot be"),
        (change(["rows", 1, "value_ml_kg_min"], float("nan")), "body.rows.1.value_ml_kg_min", 2, "number"),
        (change(["rows", 1, "value_ml_kg_min"], 10**400), "body.rows.1.value_ml_kg_min", 2, "number"),
        (change(["rows", 1, "value_ml_kg_min"], None), "body.rows.1.value_ml_kg_min", 2, "number"),
        (change(["rows", 1, "colour"], "red"), "body.rows.1.colour", 2, "not a field"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(fault, location, row, said):
    given = copy.deepcopy(document())
    fault(given)
    with pytest.raises(InvalidContent) as refusal:
        NormTable.from_document(given, taken={"taken_table"}, where="body")
    place = next(place for place in refusal.value.errors if place.location == location)
    assert said in place.message
    assert place.row == row


def test_every_fault_is_said_at_once():
    given = document()
    given["mode"] = "swim"
    given["rows"][0]["sex"] = "x"
    given["rows"][7]["percentile"] = -1
    with pytest.raises(InvalidContent) as refusal:
        NormTable.from_document(given)
    assert [place.location for place in refusal.value.errors] == ["mode", "rows.0.sex", "rows.7.percentile"]


def test_bands_that_overlap_are_refused():
    given = document()
    for row in given["rows"]:
        row["age_high_years"] += 1  # 20-30 and 30-40 both hold a person of 30
    with pytest.raises(InvalidContent, match="overlap") as refusal:
        NormTable.from_document(given)
    assert [place.row for place in refusal.value.errors] == [4, 10]


def test_one_percentile_is_no_table_of_percentiles():
    given = document()
    given["rows"] = [row for row in given["rows"] if row["percentile"] == 50]
    with pytest.raises(InvalidContent, match="at least two"):
        NormTable.from_document(given)
    table = NormTable.from_document(given | {"reference": "median_only"})
    assert table.bands[0].median(25.0) == 33.0


def test_medians_only_hold_nothing_but_medians():
    with pytest.raises(InvalidContent, match="percentile 50"):
        NormTable.from_document(document() | {"reference": "median_only"})


def test_a_summary_and_an_equation():
    head = {"sex": "male", "age_low_years": 20, "age_high_years": 29}
    given = document() | {"reference": "population_summary"}
    given["rows"] = [head | {"mean_ml_kg_min": 46.0, "sd_ml_kg_min": 8.0}]
    assert NormTable.from_document(given).bands[0].median(22.0) == 46.0
    given["rows"] = [head | {"mean_ml_kg_min": 46.0, "sd_ml_kg_min": 80.0}]
    with pytest.raises(InvalidContent, match="SD lies"):
        NormTable.from_document(given)
    given["reference"] = "median_only"
    equation = {"median_constant": 50.0, "median_per_year": -0.2, "median_per_year_squared": 0.0}
    given["rows"] = [head | equation]
    table = NormTable.from_document(given)
    assert table.bands[0].median(25.0) == pytest.approx(45.0)
    assert NormTable.from_document(table.as_document()) == table
    given["rows"] = [head | equation, head | equation]
    with pytest.raises(InvalidContent, match="one row a band"):
        NormTable.from_document(given)
    given["rows"] = [head | equation | {"median_constant": 5.0}]
    with pytest.raises(InvalidContent, match="cannot be"):
        NormTable.from_document(given)


def test_quartiles_are_tabulated_or_read_between():
    band = TABLES["friend_2015_treadmill"].band("male", 45)
    assert band.quartiles() == (31.9, 45.0)
    own = NormTable.from_document(document()).band("female", 25)
    assert own.quartiles() == (pytest.approx(28.0), pytest.approx(39.875))
    assert TABLES["friend_2017_cycle"].band("male", 45).quartiles() is None


def test_values_lie_within_the_registrys_limits():
    quantity = QUANTITIES["vo2_peak_ml_kg_min"]
    for table in TABLES.values():
        for band in table.bands:
            assert all(quantity.plausible(value) for value in band.values_ml_kg_min)
