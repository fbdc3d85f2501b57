"""What a trend says beyond its points: own error, slopes, ageing, bands, circumstances, and what further tests could show."""

import csv
import io
import math

import pytest

OWN = {"value": 2.0, "scale": "log", "df": 24.0, "n_pairs": 25, "source": "own: 25 pairs"}
QUANTITY = "vo2_peak_ml_kg_min"


@pytest.fixture
def person(laboratory, rows):
    """A man tested each year from 38 to 43, with two tests before and after his fortieth birthday."""
    subject = laboratory.subject(birth_date="1980-06-15")
    for year, peak in zip(range(2018, 2024), (3600.0, 3650.0, 3640.0, 3600.0, 3580.0, 3560.0), strict=True):
        visit = laboratory.visit(subject["id"], started_at=f"{year}-07-01T09:30:00+02:00")
        laboratory.complete(visit["id"], rows(peak))
    return subject


def test_the_sites_own_error_is_used_from_15_pairs_on(laboratory, admin, person):
    def used():
        series = laboratory.trend(person["id"])["series"][0]
        return series["typical_error"], series["points"][-1]["change_from_first"]

    published, wide = used()
    assert (published["value"], published["df"]) == (5.0, None)
    answer = admin.patch("/v1/site", json={"typical_errors": {QUANTITY: OWN | {"n_pairs": 14}}})
    assert answer.status_code == 200
    assert used()[0] == published
    admin.patch("/v1/site", json={"typical_errors": {QUANTITY: OWN}})
    own, narrow = used()
    assert own == {"value": 2.0, "unit": "%", "df": 24.0, "source": "own: 25 pairs", "scale": "log"}
    # Arithmetic: t with 24 degrees of freedom 2.06390, sqrt(2) ln 1.02.
    half = 2.06390 * math.sqrt(2) * math.log(1.02)
    ratio = 1 + narrow["percent"] / 100
    assert narrow["percent_ci_low"] == pytest.approx(100 * (ratio * math.exp(-half) - 1), abs=1e-3)
    assert narrow["percent_ci_high"] == pytest.approx(100 * (ratio * math.exp(half) - 1), abs=1e-3)
    assert wide["percent_ci_low"] < narrow["percent_ci_low"]


def test_the_parts_of_a_change_use_the_own_error_of_uptake(laboratory, admin, person):
    admin.patch("/v1/site", json={"typical_errors": {"vo2_peak_ml_min": OWN | {"value": 0.2}}})
    change = laboratory.trend(person["id"])["series"][0]["points"][-1]["change_from_first"]
    assert change["verdict"] == "within_error"
    assert change["parts"]["uptake_verdict"] == "declined"


def test_both_slopes_stand_with_their_intervals(laboratory, person):
    series = laboratory.trend(person["id"])["series"][0]
    for name in ("slope", "theil_sen"):
        assert series[f"{name}_ci_low"] < series[f"{name}_per_year"] < series[f"{name}_ci_high"]
    assert [series[f"{name}_date"] for name in ("first", "best", "latest")] == [
        "2018-07-01",
        "2019-07-01",
        "2023-07-01",
    ]
    assert series["best"] == max(point["value"] for point in series["points"])
    assert series["latest_test_id"] == series["points"][-1]["test_id"]


def test_a_decade_birthday_is_said_with_what_it_does_to_the_percentile(client, laboratory, person):
    points = laboratory.trend(person["id"])["series"][0]["points"]
    assert [point["age_band"] for point in points] == ["30-39"] * 2 + ["40-49"] * 4
    assert [point["percentile_in_previous_band"] is None for point in points] == [
        True,
        True,
        False,
        True,
        True,
        True,
    ]
    turned = points[2]
    assert turned["percentile_in_previous_band"] < turned["percentile"]
    # By the table itself, at the age of the test before.
    rank = client.get(
        "/v1/norms/friend_2015_treadmill/rank",
        params={"sex": "male", "age_years": points[1]["age_years"], "value": turned["value"]},
    ).json()
    assert turned["percentile_in_previous_band"] == pytest.approx(rank["percentile"])
    assert "The age band changed from 30-39 to 40-49 years since the test of 2019-07-01" in " ".join(
        turned["notes"]
    )


def test_an_extreme_first_test_is_said_to_come_back(laboratory, rows):
    subject = laboratory.subject(birth_date="1980-06-15")
    visit = laboratory.visit(subject["id"], started_at="2024-07-01T09:30:00+02:00", body_mass_kg=62.0)
    laboratory.complete(visit["id"], rows(3600.0))
    series = laboratory.trend(subject["id"])["series"][0]
    found = series["regression_to_mean"]
    assert found["extreme"]
    assert found["source"] == "friend_2015_treadmill, male, 40-49 years"
    assert found["z"] == pytest.approx((series["first"] - found["mean"]) / found["sd"])
    assert found["expected_shift"] == pytest.approx(
        -((found["typical_error"] / found["sd"]) ** 2) * found["z"] * found["sd"]
    )
    assert any("By chance alone" in note for note in series["notes"])


def test_ageing_is_expected_only_where_a_model_is_named(client, laboratory, person):
    plain = laboratory.trend(person["id"])["series"][0]
    assert plain["expected"] is None
    assert {point["expected_value"] for point in plain["points"]} == {None}
    trend = laboratory.trend(person["id"], expected="predicted_vo2max_myers_2017")
    series = trend["series"][0]
    first, last = series["points"][0], series["points"][-1]
    assert last["expected_value"] == pytest.approx(
        first["value"] - 0.39 * (last["age_years"] - first["age_years"])
    )
    assert last["difference_from_expected"] == pytest.approx(last["value"] - last["expected_value"])
    assert last["difference_ci_low"] < last["difference_from_expected"] < last["difference_ci_high"]
    assert series["expected"]["start_test_id"] == first["test_id"]
    assert any("no aim" in note for note in trend["notes"])
    best = laboratory.trend(person["id"], expected="ten_percent_per_decade", expected_from="best")["series"][
        0
    ]
    assert best["expected"]["start_value"] == best["best"]
    address = f"/v1/subjects/{person['id']}/trends/{QUANTITY}"
    svg = client.get(address, params={"expected": "predicted_vo2max_myers_2017", "format": "svg"}).text
    assert "expected with age from the first counted test" in svg
    for wrong in ({"expected": "luck"}, {"expected": "heart_rate_max_tanaka"}, {"expected_from": "worst"}):
        assert client.get(address, params=wrong).status_code == 422
    refused = client.get(address, params={"expected": "luck"}).json()
    assert "stathokostas_2004" in refused["detail"]


def test_the_models_of_ageing_are_listed(client):
    items = client.get("/v1/ageing-models").json()["items"]
    listed = {item["id"]: item for item in items}
    assert listed["stathokostas_2004"]["design"] == "longitudinal"
    assert listed["ten_percent_per_decade"]["source"] == "common practice, no source"
    assert listed["predicted_vo2max_myers_2017"]["needs"] == ["sex", "body_mass_kg"]
    assert "predicted_vo2max_koch_2009" not in listed


def test_what_was_not_the_same_is_said(client, laboratory, rows):
    subject = laboratory.subject()
    conditions = (
        {
            "body_mass_source": "measured",
            "hours_since_meal": 3.0,
            "medications": [],
        },
        {
            "body_mass_source": "stated",
            "hours_since_meal": 0.5,
            "medications": [{"name": "a beta blocker", "limits_heart_rate": True}],
        },
    )
    calibrations = (0.0, 0.3)
    for year, condition, off in zip((2024, 2025), conditions, calibrations, strict=True):
        visit = laboratory.visit(
            subject["id"], started_at=f"{year}-07-01T{9 + 4 * (year - 2024):02}:30:00+02:00", **condition
        )
        test = laboratory.complete(visit["id"], rows(3300.0), analyser=f"A{year}", ergometer=f"E{year}")
        readings = [
            {
                "when": when,
                "kind": "gas",
                "expected": 15.0,
                "measured": 15.0 + (off if when == "after" else 0.0),
                "unit": "%",
            }
            for when in ("before", "after")
        ]
        answer = client.put(f"/v1/tests/{test['id']}/calibrations", json=readings)
        assert answer.status_code == 200, answer.text
    change = laboratory.trend(subject["id"])["series"][0]["points"][1]["change_from_first"]
    told = " ".join(change["notes"])
    for words in (
        "measured in one of the two and stated",
        "a meal: 3 and 0.5 h",
        "limits heart rate",
        "medication recorded was not the same",
        "09:30 and 13:30",
        "Another analyser",
        "Another ergometer",
        "sensor had drifted",
    ):
        assert words in told
    assert change["verdict"] == "within_error"


def test_the_flat_rows_have_what_is_new(client, laboratory, person):
    address = f"/v1/subjects/{person['id']}/trends/{QUANTITY}"
    query = {"expected": "predicted_vo2max_myers_2017"}
    series = laboratory.trend(person["id"], **query)["series"][0]
    rows = client.get(address, params={**query, "format": "rows"}).json()
    for row, point in zip(rows, series["points"], strict=True):
        for name in ("age_band", "percentile_in_previous_band", "expected_value", "difference_from_expected"):
            assert row[name] == point[name]
        for change in ("change_from_first", "change_from_previous"):
            for chance in ("chance_improved", "chance_declined"):
                assert row[f"{change}_{chance}"] == (point[change] or {}).get(chance)
    for name in ("first", "best", "latest"):
        assert [row["test_id"] for row in rows if row[f"is_{name}"]] == [series[f"{name}_test_id"]]
    assert "age band changed" in rows[2]["notes"]
    text = client.get(address, params=query, headers={"Accept": "text/csv"}).text
    assert next(iter(csv.DictReader(io.StringIO(text)))).keys() == rows[0].keys()


# --- planning -----------------------------------------------------------------------------------------------------------


def planning(client, person, quantity=QUANTITY, **query):
    answer = client.get(f"/v1/subjects/{person['id']}/trends/{quantity}/planning", params=query)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_what_further_tests_could_show(client, laboratory, person):
    found = planning(client, person)
    (series,) = found["series"]
    trend = laboratory.trend(person["id"])["series"][0]
    assert (series["latest"], series["latest_test_id"]) == (trend["latest"], trend["latest_test_id"])
    assert [(one["tests_before"], one["tests_after"]) for one in series["detectable"]] == [
        (1, 1),
        (1, 2),
        (2, 2),
        (3, 3),
    ]
    # Arithmetic: 1.95996 sqrt(2) ln 1.05 up.
    assert series["detectable"][0]["rise_percent"] == pytest.approx(14.481, abs=1e-3)
    assert series["detectable"][2]["rise_percent"] == pytest.approx(10.035, abs=1e-3)
    assert series["wanted"]["change"] == pytest.approx(series["smallest_worthwhile_change"]["value"])
    assert found["next_test_due"]["reason"]
    assert "hopkins_2000" in found["source"]


@pytest.mark.parametrize("change", [9.0, 8.0, 5.0, -5.0, 0.5])
def test_how_many_tests_a_change_needs(client, person, change):
    series = planning(client, person, change=change)["series"][0]
    wanted = series["wanted"]
    # Common form, value from memory: n = 2 (1.95996 + 0.84162)^2 (SD / change)^2, here on logarithms with ln 1.05.
    shift = math.log1p(change / series["latest"])
    needed = math.ceil(2 * (2.80158 * math.log(1.05) / shift) ** 2)
    assert wanted["tests_each_time"] == (needed if needed <= 20 else None)
    assert wanted["chance_asked"] == 0.8
    assert (wanted["reason"] is None) == (needed <= 20)
    assert 0 < wanted["chance_with_one"] < 1
    if needed <= 20:
        assert wanted["chance"] >= 0.8


def test_planning_says_where_nothing_can_be_said(client, laboratory, person):
    visit = laboratory.visit(person["id"], started_at="2024-07-01T09:30:00+02:00")
    answer = client.put(
        f"/v1/visits/{visit['id']}/measurements",
        json=[{"quantity": "waist_cm", "value": 92.0}],
    )
    assert answer.status_code == 200, answer.text
    (series,) = planning(client, person, "waist_cm")["series"]
    assert (series["detectable"], series["wanted"], series["latest"]) == ([], None, 92.0)
    assert "No typical error" in series["reason"]
    assert planning(client, person, "rer_max", mode="cycle")["series"] == []


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ({"change": 0}, 422),
        ({"change": "nan"}, 422),
        ({"chance": 1}, 422),
        ({"chance": 0.2}, 422),
        ({"tests": 3}, 422),
    ],
)
def test_a_plan_that_makes_no_sense_is_refused(client, person, query, status):
    answer = client.get(f"/v1/subjects/{person['id']}/trends/{QUANTITY}/planning", params=query)
    assert answer.status_code == status


def test_planning_of_no_quantity_is_not_found(client, person):
    assert client.get(f"/v1/subjects/{person['id']}/trends/luck/planning").status_code == 404
