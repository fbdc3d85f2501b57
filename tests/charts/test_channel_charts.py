"""Charts of heart rate, exchange ratio, equivalents, V-slope, lactate and fuel: valid, readable, honest about what is missing."""

import math

import numpy as np
import pytest

from service.analysis.energy import find_energy
from service.analysis.lactate import lactate_thresholds
from service.analysis.loads import find_loads
from service.analysis.marks import find_marks
from service.analysis.reserves import find_reserves
from service.analysis.summary import analyse_test
from service.charts.all_curves import all_curves_spec
from service.charts.heart_rate import heart_rate_spec
from service.charts.lactate import lactate_spec
from service.charts.render import render_svg
from service.charts.rer import rer_spec
from service.charts.substrate import substrate_spec
from service.charts.traces import read_rows, running_mean
from service.charts.uptake import columns_of
from service.charts.v_slope import v_slope_spec
from service.charts.ventilatory_equivalents import threshold_places, ventilatory_equivalents_spec
from tests.analysis.conftest import simulate
from tests.analysis.stage_tests import ride
from tests.analysis.test_energy import fat_test

OF_TIME = {
    "heart_rate": heart_rate_spec,
    "rer": rer_spec,
    "ventilatory_equivalents": ventilatory_equivalents_spec,
    "v_slope": v_slope_spec,
    "all_curves": all_curves_spec,
}


def threshold(name, method, vo2, time_s, **more):
    return {
        "threshold": name,
        "method": method,
        "basis": "computed",
        "vo2_ml_min": vo2,
        "time_s": time_s,
        "reason": None,
    } | more


THRESHOLDS = [
    threshold("vt1", "v_slope", 2250.0, 600.0, ci_low_ml_min=2100.0, ci_high_ml_min=2400.0),
    threshold("vt1", "consensus", 2300.0, 610.0),
    threshold("vt2", "consensus", None, None, reason="The methods do not agree."),
    threshold("vt2", "ve_vco2", 3200.0, 800.0),
]


@pytest.fixture(scope="module")
def analysed():
    """A test in rows of 15 s and one in breaths, each with its analysis and columns."""
    answer = {}
    for name, row_s in (("rows", 15.0), ("breaths", None)):
        test = simulate(row_s=row_s, noise=0.02)
        found = analyse_test(test)
        told = found.as_dict() | {"thresholds": THRESHOLDS}
        told["reserves"] = find_reserves(test, found.peak, found.maxima).as_dict()
        answer[name] = told, columns_of(test.series)
    return answer


@pytest.mark.parametrize(
    ("above_the_highest", "baselines"),
    [(5.0, {"top", "bottom"}), (-5.0, {"top", "bottom"}), (40.0, {"bottom"}), (-40.0, {"bottom"})],
)
def test_a_line_does_not_run_through_the_words_of_another(above_the_highest, baselines, analysed):
    analysis, columns = analysed["rows"]
    predicted = analysis["maxima"]["heart_rate_bpm"] + above_the_highest
    reserves = analysis["reserves"] | {"heart_rate_max_predicted_bpm": predicted}
    layers = heart_rate_spec(analysis | {"reserves": reserves}, columns)["layer"]
    marks = [one["mark"] for one in layers if isinstance(one["mark"], dict) and "text" in one["mark"]]
    of_the_lines = [one for one in marks if str(one["text"]).startswith(("highest", "predicted"))]
    assert len(of_the_lines) == 2
    assert {one["baseline"] for one in of_the_lines} == baselines


@pytest.mark.parametrize("chart", OF_TIME)
@pytest.mark.parametrize("which", ["rows", "breaths"])
def test_a_chart_is_valid_and_draws_without_network(chart, which, analysed, valid_vega_lite, no_network):
    spec = OF_TIME[chart](*analysed[which], title="Cycle, 2 March")
    valid_vega_lite(spec)
    svg = render_svg(spec)
    assert "Cycle, 2 March" in svg
    assert spec["description"].startswith("Cycle, 2 March")
    assert "NaN" not in svg
    assert "undefined" not in svg


@pytest.mark.parametrize(
    ("chart", "words"),
    [
        (
            "heart_rate",
            [
                "Heart rate, HR (beats/min)",
                "highest 164 beats/min",
                "predicted from age",
                "in 60 s",
                "exercise ends",
            ],
        ),
        ("rer", ["Respiratory exchange ratio, RER", "highest 1.04", "1.00", "exercise begins"]),
        (
            "ventilatory_equivalents",
            ["VE/VO2 and VE/VCO2 (L BTPS per L STPD)", "VT1 (consensus)", "VT2 (VE on VCO2)", "2,300 mL/min"],
        ),
        (
            "v_slope",
            [
                "Oxygen uptake, VO2 (mL/min)",
                "Carbon dioxide output, VCO2 (mL/min)",
                "slope of 1",
                "2,250 mL/min (95 % interval 2,100 to 2,400)",
            ],
        ),
    ],
)
def test_axes_and_words(chart, words, analysed):
    svg = render_svg(OF_TIME[chart](*analysed["rows"]))
    for one in words:
        assert one in svg


@pytest.mark.parametrize("chart", OF_TIME)
def test_nothing_to_draw_is_said(chart, valid_vega_lite):
    spec = OF_TIME[chart]({}, {"end_s": [15.0, 30.0], "work_rate_w": [50, 60]})
    valid_vega_lite(spec)
    if chart != "all_curves":  # which draws the work rate
        assert "nothing to draw" in spec["description"] or "no ratio to draw" in spec["description"]
    valid_vega_lite(OF_TIME[chart]({}, {"end_s": []}))


def panels_of(spec):
    return [one["title"]["text"] for one in spec["vconcat"] if "title" in one]


def test_all_curves_are_those_the_test_has_over_one_time_axis(analysed, valid_vega_lite):
    analysis, columns = analysed["rows"]
    spec = all_curves_spec(analysis, columns)
    assert panels_of(spec) == [
        "Oxygen uptake (VO2), mL/min: solid; Carbon dioxide output (VCO2), mL/min: dashed",
        "Respiratory exchange ratio (RER)",
        "Ventilation (BTPS), L/min",
        "Respiratory rate (RR), /min",
        "Heart rate (HR), beats/min",
        "Work rate, W",
    ]
    scales = [
        layer["encoding"]["x"]["scale"]["domain"]
        for panel in spec["vconcat"]
        for layer in panel["layer"]
        if "x" in layer["encoding"]
    ]
    assert all(one == scales[0] for one in scales)
    bare = all_curves_spec({}, {"end_s": [15.0, 30.0], "speed_km_h": [8, 9], "vo2_ml_min": [900, None]})
    valid_vega_lite(bare)
    assert panels_of(bare) == ["Oxygen uptake (VO2), mL/min", "Speed (v), km/h"]
    only_load = all_curves_spec({}, {"end_s": [15.0, 30.0], "work_rate_w": [0, 0]})
    valid_vega_lite(only_load)
    nothing = all_curves_spec({}, {"end_s": [15.0, 30.0], "heart_rate_bpm": [None, 9999]})
    assert "nothing to draw" in nothing["description"]


def test_all_curves_say_where_the_peak_and_the_thresholds_are(analysed):
    analysis, columns = analysed["breaths"]
    spec = all_curves_spec(analysis, columns)
    peak = analysis["peak"]
    bands = [
        layer["data"]["values"][0]
        for panel in spec["vconcat"]
        for layer in panel["layer"]
        if isinstance(layer["mark"], dict) and layer["mark"]["type"] == "rect"
    ]
    assert len(bands) == len(panels_of(spec))
    assert all(
        (one["t"], one["until"]) == pytest.approx((peak["start_s"] / 60, peak["end_s"] / 60)) for one in bands
    )
    assert f"{peak['start_s']:.0f} to {peak['end_s']:.0f} s" in spec["description"]
    assert "VT1 (consensus) at 10.2 min, VT2 (VE on VCO2) at 13.3 min" in spec["description"]
    columns = columns | {"excluded": [place < 3 for place in range(len(columns["end_s"]))]}
    assert "3 rows that were taken out are not drawn" in all_curves_spec(analysis, columns)["description"]


@pytest.mark.parametrize("chart", OF_TIME)
def test_rows_that_do_not_count_are_not_drawn(chart, analysed):
    # Longer rows have lines and no points in the panels of all curves.
    analysis, columns = analysed["breaths" if chart == "all_curves" else "rows"]
    spoilt = {key: list(values) for key, values in columns.items()}
    for key in ("vo2_ml_min", "vco2_ml_min", "heart_rate_bpm", "ve_l_min"):
        spoilt[key][30] = 99_999.0
        spoilt[key][31] = None
    spoilt["excluded"][32] = True

    def drawn(spec):
        panels = spec.get("vconcat", [spec])
        return sum(
            len(layer["data"]["values"])
            for panel in panels
            for layer in panel["layer"]
            if layer["mark"]["type"] == "point"
        )

    before, after = (drawn(OF_TIME[chart](analysis, one)) for one in (columns, spoilt))
    # Equivalents hold two points a row; all curves five, and one of the respiratory rate, which was not spoilt.
    assert before - after == {"ventilatory_equivalents": 6, "all_curves": 16}.get(chart, 3)


def test_columns_of_different_lengths_are_refused():
    with pytest.raises(ValueError, match="vo2_ml_min"):
        heart_rate_spec({}, {"end_s": [1.0, 2.0], "vo2_ml_min": [1.0]})


def test_the_mean_of_a_ratio_is_the_ratio_of_the_means():
    rows = read_rows(
        {"end_s": [10.0, 20.0, 40.0], "vo2_ml_min": [1000, 2000, 3000], "vco2_ml_min": [900, 2000, 3300]}
    )
    vo2, vco2 = rows.known("vo2_ml_min"), rows.known("vco2_ml_min")
    grid, means = running_mean(rows, vco2 / vo2, 40.0, weights=vo2)
    assert grid.tolist() == [20.0]
    # Arithmetic: (900 + 2000 + 2 x 3300)/(1000 + 2000 + 2 x 3000).
    assert means.tolist() == pytest.approx([9500 / 9000])
    _, hollow = running_mean(rows, np.array([np.nan, np.nan, 1.0]), 40.0)
    assert hollow.tolist() == [1.0]
    _, gone = running_mean(rows, np.array([1.0, np.nan, np.nan]), 40.0)
    assert math.isnan(gone[0])


def test_a_testers_own_threshold_stands_before_the_consensus():
    own = threshold("vt1", "tester", 2100.0, 570.0, basis="tester")
    assert threshold_places({"thresholds": [*THRESHOLDS, own]}, "time_s") == [
        (570.0, "VT1 (tester)"),
        (800.0, "VT2 (VE on VCO2)"),
    ]


def test_the_line_of_the_v_slope_is_drawn_with_its_break(analysed, valid_vega_lite):
    analysis, columns = analysed["rows"]
    ends = [[800.0, 700.0], [2250.0, 2000.0], [3000.0, 2900.0]]
    fits = {
        "threshold_fits": [{"method": "v_slope", "line": ends}, {"method": "excess_co2", "line": [[0, 0]]}]
    }
    spec = v_slope_spec(analysis | fits, columns)
    valid_vega_lite(spec)
    drawn = [[list(one.values()) for one in layer["data"]["values"]] for layer in spec["layer"]]
    assert ends in drawn
    assert "line fitted" in render_svg(spec)
    # A break that was not accepted is not drawn.
    refused = analysis | fits | {"thresholds": [threshold("vt1", "v_slope", None, None, reason="No break.")]}
    spec = v_slope_spec(refused, columns)
    assert ends not in [[list(one.values()) for one in layer["data"]["values"]] for layer in spec["layer"]]
    assert "line fitted" not in render_svg(spec)


def test_a_lost_ratio_is_told(analysed):
    analysis, columns = analysed["rows"]
    lost = analysis | {"findings": [{"code": "ratio_channel_lost"}]}
    assert "CO2 channel is lost" in rer_spec(lost, columns)["description"]


def lactate_of(test):
    marks = find_marks(test)
    return lactate_thresholds(test, marks, find_loads(test, marks)).as_dict()


def test_lactate_with_curve_and_thresholds(valid_vega_lite, no_network):
    spec = lactate_spec(
        lactate_of(
            ride(
                [100, 140, 180, 220, 260, 300],
                lactates=[1.2, 1.0, 1.4, 2.2, 4.6, 8.0],
                lactate_sample_site="venous",
            )
        )
    )
    valid_vega_lite(spec)
    svg = render_svg(spec)
    for words in (
        "Blood lactate (mmol/L)",
        "Work rate (W)",
        "Heart rate",
        "4 mmol/L: 250 W",
        "Modified maximal distance: 242 W",
        "Log-log: 164 W",
        "cubic curve",
        "Blood taken from: a vein; measured with: not recorded.",
    ):
        assert words in svg
    assert "NaN" not in svg


@pytest.mark.parametrize(
    ("lactates", "said"),
    [
        ([1.0, 1.8, 4.5], "two lines need at least 5"),
        (None, "No lactate was noted."),
        ([3.0, 2.0, 1.0], "Not found"),
    ],
)
def test_lactate_that_gives_little_says_so(lactates, said, valid_vega_lite):
    spec = lactate_spec(lactate_of(ride([100, 150, 200], lactates=lactates)))
    valid_vega_lite(spec)
    assert said in spec["description"]


def fuel_of(test):
    marks = find_marks(test)
    return find_energy(test, marks, find_loads(test, marks), vo2_peak_ml_min=3900.0).as_dict()


def test_fuel_over_the_stages(valid_vega_lite, no_network):
    spec = substrate_spec(fuel_of(fat_test()))
    valid_vega_lite(spec)
    svg = render_svg(spec)
    for words in (
        "Fat (g/min)",
        "Carbohydrate (g/min)",
        "Work rate (W)",
        "highest fat 0.42 g/min",
        "Frayn",
        "stage 5",
    ):
        assert words in svg
    assert "at 50 % of peak uptake" in spec["description"]


def test_fuel_that_cannot_be_told_says_so(valid_vega_lite):
    spec = substrate_spec(fuel_of(simulate()))
    valid_vega_lite(spec)
    assert "need a steady state" in spec["description"]
    one = substrate_spec(fuel_of(ride([100])))
    valid_vega_lite(one)
    assert "No highest fat oxidation" in one["description"]
