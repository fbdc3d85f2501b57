import copy
import re

import pytest

from service.charts.render import render_svg
from service.charts.uptake import uptake_spec


def marks_of(spec):
    return [layer for panel in spec["vconcat"] for layer in panel.get("layer", [panel])]


def values(spec):
    return [value for layer in marks_of(spec) for value in layer["data"]["values"]]


def of_kind(spec, kind):
    return [value for value in values(spec) if value.get("kind") == kind]


@pytest.mark.parametrize("case", ["steps", "breaths", "faulty"])
def test_the_specification_is_valid_and_draws_without_network(case, request, valid_vega_lite, no_network):
    analysis, rows, marks = request.getfixturevalue(case)
    spec = uptake_spec(analysis, rows, title="A test", **marks)
    valid_vega_lite(spec)
    svg = render_svg(spec)
    assert f"{analysis['peak']['vo2_ml_min']:,.0f} mL/min" in svg
    assert "Time from the start of the recording (min)" in svg
    assert "(mL/min)" in svg
    assert "NaN" not in svg
    assert "undefined" not in svg


def test_each_axis_says_what_it_is_and_its_unit(steps, faulty):
    analysis, rows, marks = steps
    svg = render_svg(uptake_spec(analysis, rows, title="A test", **marks))
    for words in ("VO2 and VCO2 (mL/min)", "Work rate", "(W)", "exercise", "warm-up", "recovery"):
        assert words in svg
    analysis, rows, marks = faulty
    svg = render_svg(uptake_spec(analysis, rows, title="A test", **marks))
    assert "Oxygen uptake, VO2 (mL/min)" in svg
    assert "Work rate" not in svg
    assert "VCO2" not in svg


def test_the_peak_window_is_shaded_where_it_lies(steps):
    analysis, rows, marks = steps
    spec = uptake_spec(analysis, rows, title="A test", **marks)
    shade = next(layer for layer in spec["vconcat"][0]["layer"] if layer["mark"]["type"] == "rect")
    assert shade["data"]["values"] == [{"t": 1515 / 60, "until": 1545 / 60}]


def test_the_alternative_text_says_what_the_picture_says(steps):
    analysis, rows, marks = steps
    words = uptake_spec(analysis, rows, title="Cycle, 2 March", **marks)["description"]
    for part in (
        "Cycle, 2 March",
        "VO2max",
        "25:15-25:45",
        "Plateau seen",
        "a rise of 408 was expected",
        "shown by a plateau",
        "120 intervals",
    ):
        assert part in words


def test_rows_that_do_not_count_are_hollow_and_do_not_stretch_the_axis(faulty):
    analysis, rows, _ = faulty
    spec = uptake_spec(analysis, rows, title="A test")
    assert len(of_kind(spec, "not counted")) == 7
    assert len(of_kind(spec, "not counted, beyond the axis")) == 1
    assert max(value["value"] for value in values(spec) if value.get("value")) < 4500
    assert "8 rows do not count" in spec["description"]
    points = next(layer for layer in marks_of(spec) if "shape" in layer["encoding"])
    fill = points["encoding"]["fill"]["scale"]
    hollow = dict(zip(fill["domain"], fill["range"], strict=True))
    assert hollow["not counted"] == "#ffffff" != hollow["VO2"]


def test_the_line_breaks_where_rows_do_not_count(faulty):
    analysis, rows, _ = faulty
    line = next(
        layer
        for layer in marks_of(uptake_spec(analysis, rows, title="A test"))
        if layer["mark"]["type"] == "line"
    )
    assert [value["value"] for value in line["data"]["values"]].count(
        None
    ) == 9  # 7 excluded, 1 impossible, 1 missing


def test_the_plateau_fit_is_that_of_the_analysis(steps):
    analysis, rows, marks = steps
    spec = uptake_spec(analysis, rows, title="A test", **marks)
    compared = [value for value in values(spec) if value.get("line") == "compared"]
    expected = next(value for value in values(spec) if value.get("line") == "expected")
    assert [(value["t"], value["t2"]) for value in compared] == [(22.0, 23.0), (25.0, 26.0)]
    assert expected["y2"] - expected["y"] == pytest.approx(408.0)
    assert expected["y"] == compared[0]["y"]
    assert len([value for value in values(spec) if value.get("line") == "submaximal"]) == 2


def test_a_ramp_without_a_stored_fit_is_drawn_from_the_rule(breaths):
    analysis, rows, marks = breaths
    spec = uptake_spec(analysis, rows, title="A test", **marks)
    first, last = (value for value in values(spec) if value.get("line") == "compared")
    assert (first["t"], last["t2"]) == (17.0, 19.0)
    observed = analysis["plateau"]["rules"][0]["observed"]
    assert last["y"] - first["y"] == pytest.approx(observed)


def test_a_fall_is_called_a_fall(steps):
    analysis, rows, marks = steps
    analysis["plateau"]["rules"][0]["observed"] = -118.4
    words = uptake_spec(analysis, rows, title="A test", **marks)["description"]
    assert "uptake fell 118 mL/min where a rise of 408 was expected." in words


def test_a_plateau_that_cannot_be_assessed_is_not_drawn_and_says_why(steps, faulty):
    analysis, rows, _ = faulty
    spec = uptake_spec(analysis, rows, title="A test")
    assert not [value for value in values(spec) if "line" in value]
    assert "Plateau not assessable: the load is not known." in spec["description"]
    analysis, rows, marks = steps
    without = analysis | {"plateau": {"verdict": "not_seen", "rules": []}}
    assert "No plateau seen." in uptake_spec(without, rows, title="A test", **marks)["description"]


def test_breaths_are_light_under_a_line_of_means_through_the_peak(breaths):
    analysis, rows, marks = breaths
    spec = uptake_spec(analysis, rows, title="A test", **marks)
    line = next(layer for layer in marks_of(spec) if layer["mark"]["type"] == "line")
    at_peak = min(
        (value for value in line["data"]["values"] if value["value"] is not None),
        key=lambda value: abs(value["t"] - 1110 / 60),
    )
    # The nearest grid time is up to 1.4 s from the middle of the window.
    assert at_peak["value"] == pytest.approx(analysis["peak"]["vo2_ml_min"], rel=0.01)
    points = next(layer for layer in marks_of(spec) if layer["mark"]["type"] == "point")
    assert points["mark"]["opacity"] < 0.5


def test_very_many_rows_are_thinned_but_none_that_does_not_count(breaths):
    analysis, rows, marks = breaths
    longer = {key: list(column) * 12 for key, column in rows.items()}
    n = len(rows["end_s"])
    longer["end_s"] = [end + 1400 * (i // n) for i, end in enumerate(longer["end_s"])]
    longer["excluded"] = [{"by": "x", "reason": "y"} if i % 1000 == 7 else None for i in range(12 * n)]
    spec = uptake_spec(analysis, longer, title="A test", **marks)
    assert len(of_kind(spec, "VO2")) <= 3000
    assert len(of_kind(spec, "not counted")) == sum(bool(one) for one in longer["excluded"])


def test_marks_decide_where_exercise_is(steps):
    analysis, rows, _ = steps
    spec = uptake_spec(analysis, rows, title="A test", exercise_start_s=307.0, exercise_end_s=1500.0)
    strip = [value for value in values(spec) if "phase" in value and "t" in value]
    assert [(value["phase"], round(value["t"] * 60), round(value["until"] * 60)) for value in strip] == [
        ("rest", 0, 120),
        ("warm-up", 120, 300),
        ("before exercise", 300, 307),
        ("exercise", 307, 1500),
        ("recovery", 1500, 1800),
    ]


def test_the_marks_of_the_analysis_serve_where_none_are_given(steps):
    analysis, rows, marks = steps
    given = uptake_spec(analysis, rows, **marks)
    assert uptake_spec(analysis | {"marks": {**marks, "basis": "given"}}, rows) == given
    assert uptake_spec(analysis, rows) != given


def test_speed_and_grade_stand_where_there_is_no_work_rate(steps):
    analysis, rows, marks = steps
    treadmill = {key: column for key, column in rows.items() if key != "work_rate_w"}
    treadmill["speed_km_h"] = [0.0 if load == 0 else 4 + load / 40 for load in rows["work_rate_w"]]
    treadmill["grade_percent"] = [0.0 if load < 100 else 5.0 for load in rows["work_rate_w"]]
    svg = render_svg(uptake_spec(analysis, treadmill, title="A test", **marks))
    for words in ("Speed", "(km/h)", "Grade", "(%)"):
        assert words in svg


def test_each_stage_carries_its_load(steps):
    analysis, rows, marks = steps
    svg = render_svg(uptake_spec(analysis, rows, title="A test", **marks))
    for load in (100, 140, 180, 220, 260, 300, 340):
        assert re.search(rf">{load}</text>", svg)


@pytest.mark.parametrize("rows", [{"end_s": []}, {"end_s": [15.0, 30.0], "vo2_ml_min": [None, None]}])
def test_nothing_to_draw_is_said(rows, valid_vega_lite):
    spec = uptake_spec({"peak": None}, rows, title="A test")
    valid_vega_lite(spec)
    assert "No interval of this test holds an oxygen uptake" in render_svg(spec)


def test_no_peak_is_said_with_its_reason(steps):
    analysis, rows, marks = steps
    spec = uptake_spec(
        analysis | {"peak": {"vo2_ml_min": None, "reason": "no window is covered"}},
        rows,
        title="A test",
        **marks,
    )
    assert "No peak: no window is covered." in spec["description"]
    assert "VO2max" not in render_svg(spec)


def test_one_row_alone_can_be_drawn(valid_vega_lite):
    spec = uptake_spec({}, {"end_s": [15.0], "vo2_ml_min": [900.0]}, title="A test")
    valid_vega_lite(spec)
    assert "<svg" in render_svg(spec)


def test_all_rows_excluded_can_be_drawn(steps):
    analysis, rows, marks = steps
    out = rows | {"excluded": [{"by": "x", "reason": "y"}] * 120}
    spec = uptake_spec(analysis | {"peak": {}}, out, title="A test", **marks)
    assert len(of_kind(spec, "not counted")) == 120
    assert "<svg" in render_svg(spec)


def test_columns_of_different_lengths_are_refused():
    with pytest.raises(ValueError, match="'vo2_ml_min' has 1 rows, end_s has 2"):
        uptake_spec({}, {"end_s": [15.0, 30.0], "vo2_ml_min": [900.0]}, title="A test")


def test_the_arguments_stay_as_they_were(steps):
    analysis, rows, marks = steps
    before = copy.deepcopy((analysis, rows))
    uptake_spec(analysis, rows, title="A test", **marks)
    assert (analysis, rows) == before


def test_a_lost_co2_channel_is_said_and_not_drawn_as_zero(steps, valid_vega_lite):
    _, rows, marks = steps
    rows = copy.deepcopy(rows)
    rows["vco2_ml_min"][60:] = [0.0] * len(rows["vco2_ml_min"][60:])
    spec = uptake_spec({"findings": [{"code": "ratio_channel_lost"}]}, rows, **marks)
    valid_vega_lite(spec)
    assert "CO2 channel is lost" in spec["description"]
    assert of_kind(spec, "VCO2")
    assert all(value["value"] > 0 for value in of_kind(spec, "VCO2"))
