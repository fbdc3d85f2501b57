"""Two tests of a person beside each other, over HTTP."""

import csv
import io

import pytest

from tests.api.conftest import step_test


def cycle(heart_rate_less=0.0, *, stages=4, stage_s=180, wattage=50.0):
    """Steps of 50 W in 15-s rows, settled from their beginning: 450 mL/min and 10 mL/min/W, 80 beats and 0.4 a watt."""
    rows = []
    for stage in range(1, stages + 1):
        watts = wattage * stage
        for place in range(stage_s // 15):
            uptake = 450.0 + 10.0 * watts
            rows.append(
                {
                    "end_s": 15.0 * (len(rows) + 1),
                    "duration_s": 15.0,
                    "phase": "exercise",
                    "stage": stage,
                    "work_rate_w": watts,
                    "vo2_ml_min": uptake + (place % 2),
                    "vco2_ml_min": uptake * (0.8 + 0.0012 * watts) + place % 3,
                    "ve_l_min": uptake / 40.0,
                    "heart_rate_bpm": 80.0 + 0.4 * watts - heart_rate_less,
                }
            )
    return rows


@pytest.fixture
def person(laboratory):
    return laboratory.subject()


@pytest.fixture
def add(laboratory, person):
    """Adds a complete test of a day; answers its id."""

    def add_one(day, rows=None, visit=None, **fields):
        made = laboratory.visit(person["id"], started_at=f"{day}T09:30:00+01:00", **(visit or {}))
        return laboratory.complete(made["id"], rows or cycle(), **({"mode": "cycle"} | fields))["id"]

    return add_one


@pytest.fixture
def compared(client, person):
    def ask(first, second, **query):
        return client.get(
            f"/v1/subjects/{person['id']}/comparison", params={"first": first, "second": second, **query}
        )

    return ask


def of(curves, channel):
    return next(one for one in curves["channels"] if one["channel"] == channel)


def test_a_lower_heart_rate_at_the_same_work_rate(add, compared):
    first, second = add("2026-01-10"), add("2026-04-10", cycle(16.0, stages=5))
    found = compared(first, second).json()
    assert (found["first"]["test_id"], found["second"]["date"]) == (first, "2026-04-10")
    heart = of(found["work_rate"], "heart_rate_bpm")
    assert [(one["along"], one["first"], one["second"]) for one in heart["points"]] == [
        (50, 100, 84),
        (100, 120, 104),
        (150, 140, 124),
        (200, 160, 144),
    ]
    assert {one["beyond_error"] for one in heart["points"]} == {True}
    assert heart["typical_error"]["value"] == 3
    # What each test read goes as far as it went.
    assert heart["second"]["along"] == [50, 100, 150, 200, 250]
    percent = of(found["percent_of_peak"], "work_rate_w")
    assert percent["points"][-1]["along"] == 100
    assert percent["points"][-1]["ci_low"] is None
    assert percent["error_reason"]
    assert found["method"]["version"]
    assert any("wilmore_2001" in source for source in found["method"]["sources"])


def test_results_are_judged_as_in_the_trend(add, compared, laboratory, person):
    first, second = add("2026-01-10"), add("2026-04-10", cycle(16.0, stages=6))
    results = {one["quantity"]: one for one in compared(first, second).json()["results"]}
    for key in ("vo2_peak_ml_min", "vo2_peak_ml_kg_min", "heart_rate_max_bpm"):
        series = laboratory.trend(person["id"], key)["series"][0]
        change = series["points"][-1]["change_from_previous"]
        one = results[key]
        assert (one["first"], one["second"]) == tuple(point["value"] for point in series["points"])
        for ours, theirs in (
            ("difference", "absolute"),
            ("percent", "percent"),
            ("ci_low", "ci_low"),
            ("verdict", "verdict"),
        ):
            assert one[ours] == change[theirs]
    assert results["vo2_peak_ml_min"]["verdict"] == "improved"


def test_the_earlier_test_is_the_first(add, compared):
    early, late = add("2026-01-10"), add("2026-04-10")
    found = compared(late, early).json()
    assert (found["first"]["test_id"], found["second"]["test_id"]) == (early, late)
    assert "The tests were put in the order of time: the first is the earlier one." in found["notes"]


def test_what_a_trend_would_not_count_is_unclear(add, compared):
    first = add("2026-01-10")
    second = add("2026-04-10", cycle(16.0, stages=6), stop_reason="target_reached")
    one = next(
        one for one in compared(first, second).json()["results"] if one["quantity"] == "vo2_peak_ml_min"
    )
    assert one["verdict"] == "unclear"
    assert "The second test: The effort was submaximal." in one["notes"]


def test_what_was_not_the_same_is_told_once(add, compared):
    first, second = add("2026-01-10", analyser="cart A"), add("2026-04-10", analyser="cart B")
    found = compared(first, second).json()
    assert "Another analyser was used." in found["differences"]
    assert not any("Another analyser was used." in one["notes"] for one in found["results"])


def test_other_modes_leave_the_percent_of_peak(add, compared):
    found = compared(add("2026-01-10"), add("2026-04-10", step_test(), mode="treadmill")).json()
    assert "different modes (cycle and treadmill)" in found["work_rate"]["reason"]
    assert found["work_rate"]["channels"] == []
    assert of(found["percent_of_peak"], "heart_rate_bpm")["points"]
    assert {one["verdict"] for one in found["results"] if one["difference"] is not None} == {"unclear"}


def test_results_without_intervals_have_no_curves(add, compared, client, laboratory, person):
    first = add("2026-01-10")
    visit = laboratory.visit(person["id"], started_at="2026-04-10T09:30:00+01:00")
    reported = laboratory.planned(visit["id"], mode="cycle")["id"]
    client.put(
        f"/v1/tests/{reported}/reported-results",
        json=[{"quantity": "vo2_peak_ml_min", "value": 2900.0, "source": "a letter"}],
    )
    found = compared(first, reported).json()
    assert "it has no intervals, only results" in found["work_rate"]["reason"]
    one = next(one for one in found["results"] if one["quantity"] == "vo2_peak_ml_min")
    assert one["second"] == 2900
    assert one["verdict"] == "unclear"


def test_a_test_being_recorded_is_provisional(add, compared, client, laboratory, person):
    first = add("2026-01-10")
    visit = laboratory.visit(person["id"], started_at="2026-04-10T09:30:00+01:00")
    running = laboratory.planned(visit["id"], mode="cycle")["id"]
    assert (
        client.post(f"/v1/tests/{running}/intervals", json={"intervals": cycle(5.0, stages=2)}).status_code
        == 200
    )
    found = compared(first, running).json()
    assert found["second"]["provisional"]
    assert any("2026-04-10 is not complete" in note for note in found["notes"])
    assert [one["along"] for one in of(found["work_rate"], "heart_rate_bpm")["points"]] == [50, 100]


@pytest.mark.parametrize("case", ["unknown", "the same", "void", "of another"])
def test_tests_that_cannot_be_compared(add, compared, client, laboratory, case):
    first = add("2026-01-10")
    second = {"unknown": "nothing", "the same": first}.get(case)
    if case == "void":
        second = add("2026-02-10")
        client.patch(f"/v1/tests/{second}", json={"status": "void"})
    if case == "of another":
        visit = laboratory.visit(laboratory.subject()["id"])
        second = laboratory.complete(visit["id"], cycle(), mode="cycle")["id"]
    answer = compared(first, second)
    assert answer.status_code == 422
    assert [place["location"] for place in answer.json()["errors"]] == ["query.second"]


def test_both_tests_must_be_named(client, person):
    answer = client.get(f"/v1/subjects/{person['id']}/comparison")
    assert answer.status_code == 422
    assert {place["location"] for place in answer.json()["errors"]} == {"query.first", "query.second"}


def test_flat_rows(add, compared):
    first, second = add("2026-01-10"), add("2026-04-10", cycle(16.0))
    answer = compared(first, second, format="csv")
    assert answer.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert rows == [
        {name: "" if value is None else str(value) for name, value in row.items()}
        for row in compared(first, second, format="rows").json()
    ]
    heart = [row for row in rows if row["against"] == "work_rate" and row["quantity"] == "heart_rate_bpm"]
    assert [(row["along"], row["along_unit"], row["difference"]) for row in heart] == [
        ("50.0", "W", "-16.0"),
        ("100.0", "W", "-16.0"),
        ("150.0", "W", "-16.0"),
        ("200.0", "W", "-16.0"),
    ]
    assert {row["against"] for row in rows} == {"result", "work_rate", "percent_of_peak"}


def test_charts(add, compared):
    first, second = add("2026-01-10"), add("2026-04-10", cycle(16.0))
    svg = compared(first, second, format="svg")
    assert svg.headers["content-type"] == "image/svg+xml"
    assert "Heart rate at the same work rate" in svg.text
    assert compared(first, second, format="png", channel="rer").content.startswith(b"\x89PNG")
    spec = compared(first, second, format="vega", channel="work_rate_w", against="percent_of_peak").json()
    assert spec["title"]["text"] == "Work rate at the same percent of peak"
    refused = compared(first, second, format="svg", channel="grip_strength_kg")
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["location"] == "query.channel"


def test_another_state_of_the_record_has_another_tag(add, compared, client):
    first, second = add("2026-01-10"), add("2026-04-10")
    answer = compared(first, second)
    again = client.get(str(answer.request.url), headers={"If-None-Match": answer.headers["etag"]})
    assert again.status_code == 304
    client.patch(f"/v1/tests/{second}", json={"notes": "seen"})
    assert (
        client.get(str(answer.request.url), headers={"If-None-Match": answer.headers["etag"]}).status_code
        == 200
    )
