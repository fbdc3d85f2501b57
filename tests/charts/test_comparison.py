"""The chart of two tests: drawn by the renderer, said in words, empty with a reason."""

import pytest

from service.analysis.comparison import ComparedTest, compare, errors_at_one_work_rate
from service.analysis.loads import find_loads
from service.analysis.marks import find_marks
from service.charts.comparison import comparison_spec
from service.charts.render import render_svg
from tests.analysis.simulated_tests import RAMP_15, simulate
from tests.analysis.stage_tests import ride, stage_test

ERRORS = errors_at_one_work_rate({}, watts=True)


def document(first, second, dates=("2026-01-10", "2026-04-10")):
    sides = []
    for test in (first, second):
        marks = find_marks(test)
        sides.append(ComparedTest(test, marks, find_loads(test, marks), 2500.0, "plateau"))
    return {
        **compare(*sides, ERRORS).as_dict(),
        "first": {"date": dates[0]},
        "second": {"date": dates[1]},
    }


def bruce(stages):
    return stage_test(
        [
            {"speed_km_h": speed, "grade_percent": grade, "vo2_ml_min": 1000.0, "heart_rate_bpm": heart}
            for speed, grade, heart in stages
        ],
        mode="treadmill",
    )


STAGES = document(ride([50, 100, 150]), ride([50, 100, 150, 200]))
CASES = {
    "stages": (STAGES, "heart_rate_bpm", "work_rate"),
    "one stage": (document(ride([50]), ride([50])), "heart_rate_bpm", "work_rate"),
    "ramps": (
        document(simulate(RAMP_15, 1, rows=15.0), simulate(RAMP_15, 2, rows=15.0)),
        "vo2_ml_min",
        "work_rate",
    ),
    "percent": (STAGES, "rer", "percent_of_peak"),
    "one day": (document(ride([50, 100]), ride([50, 100]), ("2026-01-10", "2026-01-10")), "rer", "work_rate"),
    "speed and grade": (
        document(bruce([(2.7, 10, 90), (4, 12, 110)]), bruce([(2.7, 10, 85), (4, 12, 100), (5.5, 14, 120)])),
        "heart_rate_bpm",
        "work_rate",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_it_is_drawn(case):
    told, channel, against = CASES[case]
    spec = comparison_spec(told, channel=channel, against=against)
    svg = render_svg(spec)
    assert spec["title"]["text"] in svg
    for side in ("first", "second"):
        assert told[side]["date"] in svg
        assert told[side]["date"] in spec["description"]
    assert "NaN" not in svg
    assert "undefined" not in svg


def test_what_it_says_is_what_was_found():
    told = comparison_spec(STAGES, channel="heart_rate_bpm", against="work_rate")["title"]["subtitle"]
    assert told[0].startswith(
        "At 100 W: 120 beats/min on 2026-01-10, 120 beats/min on 2026-04-10 (difference 0, "
    )
    assert "typical error 3 %" in told[1]
    without = comparison_spec(STAGES, channel="rer", against="work_rate")["title"]["subtitle"]
    assert "No typical error is known here, so a difference cannot be told from chance." in without


def test_beyond_error_is_told_without_colour():
    less = stage_test(
        [{"work_rate_w": w, "heart_rate_bpm": 60 + 0.4 * w, "vo2_ml_min": 900.0} for w in (50, 100)]
    )
    spec = comparison_spec(document(ride([50, 100]), less), channel="heart_rate_bpm", against="work_rate")
    lower = spec["vconcat"][1]["layer"]
    squares = next(layer for layer in lower if layer["mark"].get("shape") == "square")
    within = comparison_spec(STAGES, channel="heart_rate_bpm", against="work_rate")["vconcat"][1]["layer"][-1]
    assert {one["fill"] for one in squares["data"]["values"]}.isdisjoint(
        one["fill"] for one in within["data"]["values"]
    )


def test_stages_of_speed_and_grade_stand_at_the_axis():
    told, channel, against = CASES["speed and grade"]
    svg = render_svg(comparison_spec(told, channel=channel, against=against))
    assert "4.0 km/h" in svg
    assert "12.0 %" in svg


@pytest.mark.parametrize(
    ("told", "channel", "against", "words"),
    [
        (STAGES, "rpe", "work_rate", "Neither test has it."),
        (STAGES, "vo2_ml_min", "percent_of_peak", "not drawn along this axis"),
        (document(ride([50]), bruce([(4, 12, 110)])), "rer", "work_rate", "different modes"),
    ],
)
def test_an_empty_chart_says_why(told, channel, against, words):
    spec = comparison_spec(told, channel=channel, against=against)
    assert words in spec["description"]
    render_svg(spec)
