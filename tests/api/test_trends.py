"""One quantity over time: series kept apart, standing at the age of each test, change from first and previous."""

import csv
import io
import json

import pytest


@pytest.fixture
def years(client, laboratory, rows):
    """A man tested three times on the treadmill, the second time submaximally, and once on the cycle."""
    subject = laboratory.subject()
    tests = []
    for started_at, peak, mass, fields in (
        ("2024-03-14T09:30:00+01:00", 3300.0, 80.0, {}),
        ("2025-03-14T09:30:00+01:00", 2600.0, 79.0, {"stop_reason": "tester"}),
        ("2026-03-14T09:30:00+01:00", 3800.0, 76.0, {}),
    ):
        visit = laboratory.visit(subject["id"], started_at=started_at, body_mass_kg=mass)
        tests.append(laboratory.complete(visit["id"], rows(peak), **fields))
    visit = laboratory.visit(subject["id"], started_at="2026-04-01T09:30:00+02:00", body_mass_kg=76.0)
    watts = [
        {name: value for name, value in row.items() if name not in {"speed_km_h", "grade_percent"}}
        | {"work_rate_w": max(20.0, (row["vo2_ml_min"] - 600) / 10.5)}
        for row in rows(3400.0)
    ]
    tests.append(laboratory.complete(visit["id"], watts, mode="cycle"))
    return subject, tests


def test_series_are_kept_apart(laboratory, years):
    subject, tests = years
    trend = laboratory.trend(subject["id"])
    assert (trend["subject_id"], trend["quantity"], trend["unit"]) == (
        subject["id"],
        "vo2_peak_ml_kg_min",
        "mL/kg/min",
    )
    assert [(series["mode"], len(series["points"])) for series in trend["series"]] == [
        ("treadmill", 3),
        ("cycle", 1),
    ]
    assert [point["test_id"] for point in trend["series"][0]["points"]] == [test["id"] for test in tests[:3]]
    assert [point["date"] for point in trend["series"][0]["points"]] == [
        "2024-03-14",
        "2025-03-14",
        "2026-03-14",
    ]
    assert trend["series"][1]["points"][0]["percentile"] is None
    assert trend["series"][1]["points"][0]["percent_of_median"] is not None
    assert any("median" in note for note in trend["series"][1]["points"][0]["notes"])


def test_changes_from_first_and_previous(laboratory, years):
    subject, _ = years
    first, hollow, last = laboratory.trend(subject["id"])["series"][0]["points"]
    assert (first["change_from_first"], first["change_from_previous"]) == (None, None)
    assert (hollow["effort"], hollow["counted"], hollow["change_from_first"]) == ("submaximal", False, None)
    change = last["change_from_first"]
    assert change["absolute"] == pytest.approx(last["value"] - first["value"])
    assert change["percent"] == pytest.approx(100 * (last["value"] / first["value"] - 1))
    assert change["ci_low"] < change["absolute"] < change["ci_high"]
    assert change["verdict"] == "improved"
    # The hollow point is neither the first nor the previous of another.
    assert last["change_from_previous"]["absolute"] == pytest.approx(change["absolute"])
    everything = laboratory.trend(subject["id"], include="all")["series"][0]["points"]
    assert all(point["counted"] for point in everything)
    assert everything[2]["change_from_previous"]["absolute"] == pytest.approx(last["value"] - hollow["value"])
    assert everything[1]["change_from_first"]["verdict"] == "unclear"


def test_standing_at_the_age_of_each_test(laboratory, client, years):
    subject, _ = years
    client.patch(f"/v1/subjects/{subject['id']}", json={"birth_date": "1985-03-14"})
    points = laboratory.trend(subject["id"])["series"][0]["points"]
    assert [point["age_years"] for point in points] == pytest.approx([39, 40, 41])
    for point, age in zip(points, (39, 40, 41), strict=True):
        rank = client.get(
            "/v1/norms/friend_2015_treadmill/rank",
            params={"sex": "male", "age_years": age, "value": point["value"]},
        ).json()
        if point["percentile"] is not None:
            assert point["percentile"] == pytest.approx(rank["percentile"])
    assert points[0]["percentile"] is not None
    assert points[2]["percentile"] is not None


def test_filters(laboratory, years):
    subject, _ = years
    assert [series["mode"] for series in laboratory.trend(subject["id"], mode="cycle")["series"]] == ["cycle"]
    assert laboratory.trend(subject["id"], basis="reported")["series"] == []
    inside = laboratory.trend(subject["id"], **{"from": "2025-03-14", "to": "2026-03-14"})["series"]
    assert [point["date"] for point in inside[0]["points"]] == ["2025-03-14", "2026-03-14"]
    assert inside[0]["points"][1]["change_from_first"] is None
    other = laboratory.trend(subject["id"], norm="friend_2022_treadmill", mode="treadmill")["series"][0][
        "points"
    ][0]
    assert (other["norm_id"], other["percentile"]) == ("friend_2022_treadmill", None)
    assert other["percent_of_median"] is not None


def test_what_is_not_there(client, years):
    subject, _ = years
    assert client.get(f"/v1/subjects/{subject['id']}/trends/luck").status_code == 404
    address = f"/v1/subjects/{subject['id']}/trends/vo2_peak_ml_kg_min"
    assert client.get(address, params={"norm": "none"}).status_code == 404
    assert client.get(address, params={"format": "pdf"}).status_code == 422


def test_the_list_of_trends(client, years):
    subject, _ = years
    answer = client.get(f"/v1/subjects/{subject['id']}/trends").json()
    listed = {item["quantity"]: item for item in answer["items"]}
    assert listed["vo2_peak_ml_kg_min"] == {
        "quantity": "vo2_peak_ml_kg_min",
        "n": 4,
        "first_date": "2024-03-14",
        "last_date": "2026-04-01",
        "modes": ["cycle", "treadmill"],
    }
    assert listed["body_mass_kg"]["modes"] == []
    assert listed["work_rate_peak_w"]["n"] == 1


def test_forms(client, laboratory, years):
    subject, _ = years
    address = f"/v1/subjects/{subject['id']}/trends/vo2_peak_ml_kg_min"
    points = [point for series in laboratory.trend(subject["id"])["series"] for point in series["points"]]
    table = client.get(address, headers={"Accept": "text/csv"})
    flat = list(csv.DictReader(io.StringIO(table.text)))
    assert [float(row["value"]) for row in flat] == pytest.approx([point["value"] for point in points])
    assert {row["mode"] for row in flat} == {"treadmill", "cycle"}
    rows = client.get(address, params={"format": "rows"}).json()
    # The same rows in both forms: a CSV has texts, and an empty cell for null.
    assert [
        {name: "" if value is None else str(value) for name, value in row.items()} for row in rows
    ] == flat
    assert [row["test_id"] for row in rows] == [point["test_id"] for point in points]
    assert client.get(address, params={"format": "rows", "mode": "cycle"}).json() == rows[-1:]
    picture = client.get(address, params={"format": "svg"})
    assert picture.headers["content-type"] == "image/svg+xml"
    assert picture.text.startswith("<svg")
    assert client.get(address, params={"format": "png"}).content.startswith(b"\x89PNG\r\n\x1a\n")
    chart = client.get(address, params={"format": "vega"}).json()
    assert chart["$schema"].startswith("https://vega.github.io/schema/vega-lite/")
    assert client.get(address, headers={"Accept": "application/pdf"}).status_code == 406


def test_the_chart_of_a_test(client, years):
    _, tests = years
    address = f"/v1/tests/{tests[0]['id']}/charts/uptake"
    chart = client.get(address).json()
    assert chart["$schema"].startswith("https://vega.github.io/schema/vega-lite/")
    assert "data" in json.dumps(chart)
    assert client.get(address, headers={"Accept": "image/svg+xml"}).text.startswith("<svg")
    assert client.get(f"/v1/tests/{tests[0]['id']}/charts/none").status_code in {404, 422}


def test_measurements_of_a_visit_have_trends(client, laboratory, years):
    subject, _ = years
    for started_at, grip in (("2024-05-01T10:00:00Z", 41.0), ("2025-05-01T10:00:00Z", 44.0)):
        visit = laboratory.visit(subject["id"], started_at=started_at, resting_heart_rate_bpm=60)
        put = client.put(
            f"/v1/visits/{visit['id']}/measurements", json=[{"quantity": "grip_strength_kg", "value": grip}]
        )
        assert put.json()["measurements"] == [
            {"quantity": "grip_strength_kg", "value": grip, "unit": "kg", "note": None}
        ]
    (series,) = laboratory.trend(subject["id"], "grip_strength_kg")["series"]
    assert [point["value"] for point in series["points"]] == [41.0, 44.0]
    assert {point["test_id"] for point in series["points"]} == {None}
    client.put(f"/v1/visits/{visit['id']}/measurements", json=[])
    assert len(laboratory.trend(subject["id"], "grip_strength_kg")["series"][0]["points"]) == 1
    assert len(laboratory.trend(subject["id"], "resting_heart_rate_bpm")["series"][0]["points"]) == 2


def test_a_low_ratio_is_said_beside_the_point(laboratory, rows):
    """The table ranks tests with a peak ratio of at least 1.0 alone."""
    subject = laboratory.subject()
    test = laboratory.complete(laboratory.visit(subject["id"])["id"], rows(top_rer=0.93, recovery=False))
    (point,) = laboratory.trend(subject["id"])["series"][0]["points"]
    assert point["percentile"] is None
    reasons = [
        rank["reason"]
        for rank in laboratory.analysis(test["id"])["ranks"]
        if rank["norm_id"] == point["norm_id"]
    ]
    assert reasons[0] in point["notes"]
