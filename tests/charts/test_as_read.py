"""The chart of a file that is looked at: what it holds, and the sheet over it."""

import pytest

from service.charts.as_read import as_read_spec
from service.charts.render import render_svg
from tests.charts.conftest import breath_ramp, step_test

NOTES = [
    {"time_s": 470.0, "heart_rate_bpm": 120.0, "words": "stage 1"},
    {"time_s": 650.0, "heart_rate_bpm": 138.0, "words": "stage 2"},
    {"time_s": 655.0, "heart_rate_bpm": None, "words": "a note close by"},
    {"time_s": None, "heart_rate_bpm": 150.0, "words": "without a time"},
]
MARKS = [(300.0, "exercise begins, by the file"), (340.0, "exercise begins, by the sheet")]


def with_heart_rate(rows):
    return rows | {"heart_rate_bpm": [90.0 + 0.05 * end for end in rows["end_s"]]}


def titles(spec):
    return [panel["title"]["text"] for panel in spec["vconcat"] if "title" in panel]


@pytest.mark.parametrize("rows", [step_test(), breath_ramp()], ids=["rows", "breaths"])
def test_uptake_heart_rate_and_load_over_one_time(rows):
    spec = as_read_spec(with_heart_rate(rows), marks=MARKS, notes=NOTES)
    assert titles(spec) == [
        "Oxygen uptake, mL/min",
        "Heart rate, beats/min; diamonds: noted on the sheet",
        "Work rate, W",
    ]
    svg = render_svg(spec)
    for _, words in MARKS:
        assert words in svg
    assert "stage 1" in svg
    # What would lie on the words before it is left out of the strip, its rule is not.
    assert "a note close by" not in svg
    assert "without a time" not in svg


def test_a_diamond_for_each_heart_rate_of_the_sheet_at_its_time():
    spec = as_read_spec(with_heart_rate(step_test()), notes=NOTES)
    (drawn,) = (
        layer["data"]["values"]
        for panel in spec["vconcat"]
        for layer in panel["layer"]
        if layer["mark"].get("shape") == "diamond"
    )
    assert drawn == [{"t": 7.8333, "value": 120.0}, {"t": 10.8333, "value": 138.0}]


def test_the_time_axis_reaches_the_notes_that_lie_beyond_the_file():
    late = [{"time_s": 3600.0, "heart_rate_bpm": 120.0, "words": "stage 9"}]
    spec = as_read_spec(with_heart_rate(step_test()), notes=late)
    domains = {
        tuple(layer["encoding"]["x"]["scale"]["domain"])
        for panel in spec["vconcat"]
        for layer in panel["layer"]
    }
    assert domains == {(0.0, 60.0)}


def test_a_file_of_heart_rate_alone_is_drawn_and_one_of_nothing_says_so():
    rows = {"end_s": [10.0, 20.0, 30.0], "heart_rate_bpm": [90.0, None, 110.0]}
    assert titles(as_read_spec(rows)) == ["Heart rate, beats/min"]
    empty = as_read_spec({"end_s": [10.0, 20.0], "ve_l_min": [10.0, 11.0]})
    assert "nothing to draw" in empty["description"]
    render_svg(empty)


def test_words_of_a_sheet_are_words_and_no_markup():
    notes = [{"time_s": 470.0, "heart_rate_bpm": 120.0, "words": "<script>alert(1)</script>"}]
    svg = render_svg(as_read_spec(with_heart_rate(step_test()), notes=notes))
    assert "<script" not in svg
