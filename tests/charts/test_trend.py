import datetime as dt

import pytest

from service.analysis.ageing import AGEING_MODELS
from service.analysis.change import TrendPoint, typical_error_for
from service.analysis.trends import AgeingAsked, build_trend
from service.charts.look import SERIES_SHAPES
from service.charts.render import render_svg
from service.charts.trend import trend_spec
from service.quantities import QUANTITIES

NORM = {
    "title": "a table of percentiles",
    "bands": [
        {"from": "2014-06-01", "to": "2024-06-01", "percentiles": [[25, 34.0], [50, 40.0], [75, 45.5]]},
        {"from": "2024-06-01", "to": "2034-06-01", "percentiles": [[25, 31.0], [50, 37.0], [75, 42.0]]},
    ],
}


def point(number, date, value, **more):
    facts = {"mode": "cycle", "effort": "plateau", "convention": "time_weighted", "effective_window_s": 30.0}
    instant = dt.date.fromisoformat(date).toordinal() * 86400.0
    return TrendPoint(f"t{number}", f"v{number}", date, instant, value, **(facts | more))


def trend(*points, key="vo2_peak_ml_kg_min"):
    quantity = QUANTITIES[key]
    return build_trend(quantity, points, typical_error=typical_error_for(quantity)).as_dict()


def drawn(spec):
    layer = next(layer for layer in spec["layer"] if "shape" in layer.get("encoding", {}))
    return layer["data"]["values"], layer["encoding"]


CASES = {
    "one": trend(point(0, "2024-03-01", 41.2)),
    "two": trend(point(0, "2024-03-01", 41.2), point(1, "2024-09-10", 48.9)),
    "eight": trend(
        *(
            point(
                i,
                f"{2021 + i // 2}-0{2 + 6 * (i % 2)}-11",
                38.0 + i,
                effort="submaximal" if i == 3 else "plateau",
            )
            for i in range(8)
        )
    ),
    "series": trend(
        *(point(i, f"{2018 + i}-01-12", 40.0 + i % 3) for i in range(6)),
        *(
            point(9 + i, f"{2019 + i}-05-02", 45.0, mode="treadmill", protocol_family="bruce")
            for i in range(3)
        ),
    ),
    "no_typical_error": trend(
        *(point(i, f"2024-0{1 + i}-01", 92.0 - i, mode=None) for i in range(3)), key="waist_cm"
    ),
    "below_zero": trend(
        *(point(i, f"2024-0{1 + i}-01", -4.0 + 3 * i, mode=None) for i in range(3)), key="sit_and_reach_cm"
    ),
}


@pytest.mark.parametrize("bands", [None, NORM], ids=["plain", "with_norm"])
@pytest.mark.parametrize("case", CASES)
def test_the_specification_is_valid_and_draws_without_network(case, bands, valid_vega_lite, no_network):
    spec = trend_spec(CASES[case], norm_bands=bands)
    valid_vega_lite(spec)
    svg = render_svg(spec)
    quantity = QUANTITIES[CASES[case]["quantity"]]
    assert f"({quantity.unit})" in svg
    assert quantity.label in svg
    assert "Date of the test" in svg
    assert "NaN" not in svg
    assert "undefined" not in svg


def test_points_not_counted_are_hollow():
    values, encoding = drawn(trend_spec(CASES["eight"]))
    assert [value["kind"] for value in values].count("cycle, not counted") == 1
    fill = dict(zip(*(encoding["fill"]["scale"][key] for key in ("domain", "range")), strict=True))
    stroke = dict(zip(*(encoding["stroke"]["scale"][key] for key in ("domain", "range")), strict=True))
    assert fill["cycle, not counted"] == "#ffffff"
    assert stroke["cycle, not counted"] == stroke["cycle"] == fill["cycle"]
    assert "1 test is not counted (hollow)." in trend_spec(CASES["eight"])["description"]


def test_series_differ_in_shape_and_colour_and_are_named():
    _, encoding = drawn(trend_spec(CASES["series"]))
    assert encoding["shape"]["scale"]["domain"] == ["cycle, no protocol family", "treadmill, bruce"]
    assert encoding["shape"]["scale"]["range"] == list(SERIES_SHAPES[:2])
    assert len(set(encoding["fill"]["scale"]["range"])) == 2


def test_the_band_of_error_begins_at_the_first_counted_point():
    found = trend(
        point(0, "2023-03-01", 20.0, effort="submaximal"),
        point(1, "2024-03-01", 41.2),
        point(2, "2024-09-10", 48.9),
    )
    spec = trend_spec(found)
    band = next(layer for layer in spec["layer"] if layer["mark"]["type"] == "rect")["data"]["values"][0]
    assert band["at"] == dt.datetime(2024, 3, 1, tzinfo=dt.UTC).timestamp() * 1000
    series = found["series"][0]
    assert (band["value"], band["high"]) == (series["detectable_low"], series["detectable_high"])
    assert band["high"] < 48.9  # what is judged improved lies outside the band


def test_the_words_give_the_change_its_interval_and_the_verdict():
    words = trend_spec(CASES["two"])["description"]
    assert "+7.7 mL/kg/min (+18.7 %), 95 % interval" in words
    assert "improved." in words
    assert "2024-03-01 41.2 mL/kg/min" in words
    assert "within the error" not in words.split("Shaded")[0]
    assert "one test counts so far" in trend_spec(CASES["one"])["description"].lower()


def test_values_stand_beside_the_points():
    svg = render_svg(trend_spec(CASES["two"]))
    assert ">41.2</text>" in svg
    assert ">48.9</text>" in svg


def test_the_table_follows_the_age_and_its_lines_are_named():
    spec = trend_spec(CASES["two"], norm_bands=NORM)
    svg = render_svg(spec)
    assert ">median</text>" in svg
    assert ">75th</text>" in svg
    rules = [value for layer in spec["layer"] for value in layer["data"]["values"] if "median" in value]
    assert {value["value"] for value in rules if value["median"]} == {40.0, 37.0}
    assert "a table of percentiles" in spec["description"]


def test_far_percentiles_do_not_squeeze_the_persons_points():
    far = {
        "title": "far",
        "bands": [
            {"from": "2020-01-01", "to": "2030-01-01", "percentiles": [[5, 5.0], [50, 40.0], [95, 300.0]]}
        ],
    }
    spec = trend_spec(CASES["two"], norm_bands=far)
    y = next(layer for layer in spec["layer"] if "shape" in layer["encoding"])["encoding"]["y"]
    low, high = y["scale"]["domain"]
    assert low > 5
    assert high < 80


@pytest.mark.parametrize(
    "empty",
    [
        {"quantity": "vo2_peak_ml_min", "series": []},
        {"quantity": "vo2_peak_ml_min", "series": [{"mode": "cycle", "basis": "measured", "points": []}]},
    ],
)
def test_no_result_is_said(empty, valid_vega_lite):
    spec = trend_spec(empty)
    valid_vega_lite(spec)
    assert "no result of peak oxygen uptake yet" in spec["description"]
    assert "no result of peak oxygen uptake yet" in render_svg(spec)


def test_only_points_that_do_not_count_can_be_drawn(valid_vega_lite):
    spec = trend_spec(trend(point(0, "2024-03-01", 30.0, has_error=True)))
    valid_vega_lite(spec)
    assert "No test counts." in spec["description"]
    assert "<svg" in render_svg(spec)


def test_the_contract_alone_is_enough():
    bare = {
        "quantity": "vo2_peak_ml_min",
        "unit": "mL/min",
        "series": [
            {
                "mode": "cycle", "basis": "measured", "protocol_family": None, "typical_error": None,
                "points": [
                    {"test_id": "a", "date": "2024-01-01", "value": 3000.0, "counted": True,
                     "change_from_first": None},
                ],
            }
        ],
    }  # fmt: skip
    assert "3,000" in render_svg(trend_spec(bare))


def test_an_absurd_value_that_does_not_count_flattens_nothing_and_is_named_at_the_edge(valid_vega_lite):
    counted = [point(i, f"2024-0{2 + 2 * i}-01", 1.12 + 0.02 * i) for i in range(3)]
    spec = trend_spec(trend(point(9, "2024-01-01", 110.0, has_error=True), *counted, key="rer_max"))
    valid_vega_lite(spec)
    values, encoding = drawn(spec)
    low, high = encoding["y"]["scale"]["domain"]
    assert high < 3
    assert all(low <= value["value"] <= high for value in values)
    assert "110.00, outside this drawing" in render_svg(spec)
    assert "2024-01-01 110.00 (not counted)" in spec["description"]


def test_a_table_that_lies_outside_the_drawing_is_said_to():
    far = {
        "title": "far",
        "bands": [{"from": "2020-01-01", "to": "2030-01-01", "percentiles": [[50, 300.0]]}],
    }
    assert "Grey lines: far, outside this drawing." in trend_spec(CASES["two"], norm_bands=far)["description"]


# --- events and what is expected of age -------------------------------------------------------------------------------


def event(started_on, ended_on=None, of="person", kind="illness", title="a cold", device=None):
    return {
        "event_id": started_on,
        "of": of,
        "kind": kind,
        "started_on": started_on,
        "ended_on": ended_on,
        "title": title,
        "device": device,
    }


EVENTS = [
    event("2019-03-01", "2019-06-01", kind="training_block", title="hills"),
    event("2020-05-01", title="pneumonia"),
    event("2021-05-01", of="site", kind="device_new", title="new analyser", device="Analyser B"),
    event("2022-01-01", "2022-03-01", of="site", kind="room", title="other room"),
]


def with_events(events):
    return {**CASES["series"], "events": events}


def strip_of(spec):
    return spec["vconcat"][1]


def test_events_stand_in_a_strip_on_the_same_time_line(valid_vega_lite, no_network):
    spec = trend_spec(with_events(EVENTS), norm_bands=NORM)
    valid_vega_lite(spec)
    svg = render_svg(spec)
    for words in (
        "training block: hills",
        "illness: pneumonia",
        "device new: new analyser (Analyser B)",
        "of the site",
    ):
        assert words in svg
    above, strip = spec["vconcat"]
    domains = {
        str(layer["encoding"]["x"]["scale"]["domain"]) for part in (above, strip) for layer in part["layer"]
    }
    assert len(domains) == 1
    # Told from one another in grey: filled and hollow, round and square, plain and dashed.
    marks = next(layer for layer in strip["layer"] if "shape" in layer["encoding"])["encoding"]
    assert marks["shape"]["scale"]["range"] == ["circle", "square"]
    assert len(set(marks["fill"]["scale"]["range"])) == 2
    bars = [layer["mark"] for layer in strip["layer"] if layer["mark"]["type"] == "bar"]
    assert [("strokeDash" in bar) for bar in bars] == [False, True]
    rules = [
        layer["mark"]
        for layer in above["layer"]
        if layer["mark"]["type"] == "rule" and layer["mark"]["opacity"] == 0.75
    ]
    assert sorted("strokeDash" in rule for rule in rules) == [False, True, True, True]
    assert "2020-05-01 illness: pneumonia (of the person)" in spec["description"]


def test_without_events_the_chart_is_one_view():
    assert "layer" in trend_spec(with_events([]))


def test_events_outside_the_drawing_and_too_many_are_counted():
    many = [event(f"2019-{1 + i:02}-01", title=f"cold {i}") for i in range(10)]
    spec = trend_spec(with_events([*many, event("2031-01-01")]))
    assert "3 further events are not drawn." in spec["title"]["subtitle"]
    words = [
        row["words"]
        for layer in strip_of(spec)["layer"]
        if layer["mark"]["type"] == "text"
        for row in layer["data"]["values"]
    ]
    assert sorted(words) == [f"illness: cold {i}" for i in range(2, 10)]
    one = trend_spec(with_events([event("2031-01-01")]))
    assert "1 further event is not drawn." in one["title"]["subtitle"]
    assert "layer" in one


def test_an_event_that_began_before_is_cut_at_the_edge_and_words_stay_inside():
    spec = trend_spec(with_events([event("2000-01-01", "2019-01-01"), event("2023-01-01", title="x" * 200)]))
    rows = [
        row
        for layer in strip_of(spec)["layer"]
        if layer["mark"]["type"] == "text"
        for row in layer["data"]["values"]
    ]
    low, high = strip_of(spec)["layer"][0]["encoding"]["x"]["scale"]["domain"]
    assert all(low <= row["at"] <= high for row in rows)
    assert max(len(row["words"]) for row in rows) <= 70
    aligned = {layer["mark"]["align"] for layer in strip_of(spec)["layer"] if layer["mark"]["type"] == "text"}
    assert aligned == {"left", "right"}


def test_the_expected_line_is_drawn_where_it_was_asked_for(valid_vega_lite):
    quantity = QUANTITIES["vo2_peak_ml_kg_min"]
    points = [
        point(i, f"{2018 + i}-06-01", 44.0, mode="treadmill", age_years=40.0 + i, body_mass_kg=80.0)
        for i in range(4)
    ]
    asked = AgeingAsked(AGEING_MODELS["predicted_vo2max_myers_2017"], "male")
    document = build_trend(quantity, points, typical_error=None, ageing=asked).as_dict()
    spec = trend_spec(document)
    valid_vega_lite(spec)
    (line,) = [layer for layer in spec["layer"] if layer["mark"].get("strokeDash") == [1.5, 3]]
    assert [row["value"] for row in line["data"]["values"]] == pytest.approx(
        [44.0, 43.61, 43.22, 42.83], abs=0.01
    )
    assert "no aim" in " ".join(spec["title"]["subtitle"])
    plain = trend_spec(build_trend(quantity, points, typical_error=None).as_dict())
    assert not [layer for layer in plain["layer"] if layer["mark"].get("strokeDash") == [1.5, 3]]
