import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.ageing import AGEING_MODELS
from service.analysis.change import SmallestWorthwhileChange, TypicalErrorUsed
from service.analysis.regression_to_mean import Spread
from service.analysis.trends import (
    AgeingAsked,
    Reference,
    TrendPoint,
    build_trend,
    slope_per_year,
    theil_sen_per_year,
)
from service.quantities import QUANTITIES

PER_MASS = QUANTITIES["vo2_peak_ml_kg_min"]
FIVE_PERCENT = TypicalErrorUsed(5.0, "log", "%", None, "stated in the test")
YEAR_S = 365.25 * 86400


def point(number, value, *, years=None, **more):
    at = number if years is None else years
    facts = {"mode": "cycle", "effort": "plateau", "convention": "time_weighted", "effective_window_s": 30.0}
    date = f"{2000 + int(at)}-06-01"
    return TrendPoint(f"t{number}", f"v{number}", date, at * YEAR_S, value, **(facts | more))


def trend(*points, quantity=PER_MASS, error=FIVE_PERCENT, **more):
    return build_trend(quantity, points, typical_error=error, **more)


def test_series_are_one_per_mode_basis_and_protocol_family_and_unknown_families_are_one():
    found = trend(
        point(0, 40.0),
        point(1, 41.0),
        point(2, 42.0, protocol_family="ramp_15"),
        point(3, 43.0, mode="treadmill"),
        point(4, 43.0, basis="reported"),
    )
    keys = [(each.mode, each.basis, each.protocol_family, len(each.points)) for each in found.series]
    assert keys == [
        ("cycle", "measured", None, 2),
        ("cycle", "reported", None, 1),  # the others by their latest point
        ("treadmill", "measured", None, 1),
        ("cycle", "measured", "ramp_15", 1),
    ]


def test_points_stand_by_instant_whatever_their_order():
    found = trend(point(2, 42.0), point(0, 40.0), point(1, 41.0)).series[0]
    assert [each.point.test_id for each in found.points] == ["t0", "t1", "t2"]
    assert found.points[0].change_from_first is None
    assert found.points[0].change_from_previous is None
    assert found.points[2].change_from_first.absolute == pytest.approx(2.0)
    assert found.points[2].change_from_previous.absolute == pytest.approx(1.0)
    assert found.points[2].change_from_previous.from_test_id == "t1"


@pytest.mark.parametrize("fault", [{"effort": "submaximal"}, {"has_error": True}])
def test_a_point_that_does_not_count_is_kept_and_left_out_of_everything(fault):
    points = (point(0, 40.0), point(1, 90.0, **fault), point(2, 41.0))
    found = trend(*points).series[0]
    assert [each.counted for each in found.points] == [True, False, True]
    assert found.points[1].change_from_first is None
    assert "left out" in " ".join(found.points[1].notes)
    assert found.points[2].change_from_previous.from_test_id == "t0"
    assert found.best.point.value == 41.0
    assert found.slope.per_year == pytest.approx(0.5)
    everything = trend(*points, include_all=True).series[0]
    assert all(each.counted for each in everything.points)
    assert everything.best.point.value == 90.0
    assert everything.points[1].notes  # still says what is wrong with it


def test_the_first_point_of_the_changes_is_the_first_that_counts():
    found = trend(point(0, 20.0, effort="submaximal"), point(1, 40.0), point(2, 41.0)).series[0]
    assert found.points[1].change_from_first is None
    assert found.points[2].change_from_first.from_test_id == "t1"
    assert found.detectable_low < 40.0 < found.detectable_high


def test_the_error_of_the_slope_is_the_typical_error_below_4_points():
    found = trend(point(0, 40.0), point(1, 60.0), point(2, 40.0)).series[0]
    assert found.slope.error_from == "typical_error"
    assert any("typical error" in note for note in found.notes)


def test_from_4_points_the_larger_of_scatter_and_typical_error_counts():
    scattered = trend(*(point(i, v) for i, v in enumerate((40.0, 60.0, 40.0, 60.0)))).series[0]
    smooth = trend(*(point(i, v) for i, v in enumerate((40.0, 41.0, 42.0, 43.0)))).series[0]
    assert (scattered.slope.error_from, scattered.slope.df) == ("residual_sd", 2.0)
    assert (smooth.slope.error_from, smooth.slope.df) == ("typical_error", None)
    assert any("scatter" in note for note in scattered.notes)
    assert smooth.slope.ci_low < 1.0 < smooth.slope.ci_high


def test_without_a_typical_error_the_slope_needs_4_points_for_an_interval():
    three = trend(*(point(i, 40.0 + i) for i in range(3)), error=None).series[0]
    four = trend(*(point(i, 40.0 + i * i) for i in range(4)), error=None).series[0]
    assert (three.slope.per_year, three.slope.ci_low) == (pytest.approx(1.0), None)
    assert four.slope.error_from == "residual_sd"
    assert three.minimal_detectable_change_95 is None
    assert three.points[1].change_from_first.verdict == "unclear"


def test_one_point_or_one_instant_has_no_slope():
    assert trend(point(0, 40.0)).series[0].slope is None
    assert slope_per_year([1.0, 1.0], [40.0, 41.0], typical_error=FIVE_PERCENT) is None


def test_no_points_give_no_series():
    assert trend().as_dict()["series"] == []


def test_the_bias_of_the_best_is_said_once():
    found = trend(*(point(i, 40.0 + i, mode=mode) for mode in ("cycle", "treadmill") for i in range(3)))
    assert sum("biased upward" in note for note in found.notes) == 1
    assert not trend(point(0, 40.0)).notes


def test_best_is_the_lowest_where_lower_is_better_and_nothing_where_neither_is():
    found = trend(point(0, 60.0), point(1, 52.0), quantity=QUANTITIES["resting_heart_rate_bpm"])
    assert found.series[0].best.point.value == 52.0
    assert "biased upward" not in " ".join(found.notes)
    assert trend(point(0, 60.0), quantity=QUANTITIES["hip_cm"]).series[0].best is None


def test_a_typical_error_of_a_mode_serves_that_mode_and_the_others_have_the_published_one():
    own = TypicalErrorUsed(2.0, "log", "%", 19.0, "this site, cycle")
    found = trend(point(0, 40.0), point(1, 40.0, mode="treadmill"), error={"cycle": own})
    by_mode = {each.mode: each.typical_error for each in found.series}
    assert by_mode["cycle"] == own
    assert by_mode["treadmill"].value == 5.0


def test_a_smallest_worthwhile_change_serves_its_mode_alone():
    worthwhile = SmallestWorthwhileChange(1.5, "linear", "mL/kg/min", "a band")
    found = trend(
        *(point(i, 40.0 + i, mode=mode) for mode in ("cycle", "treadmill") for i in range(2)),
        smallest_worthwhile_change={"cycle": worthwhile},
    )
    by_mode = {each.mode: each.points[1].change_from_first.chance_improved for each in found.series}
    assert by_mode["cycle"] is not None
    assert by_mode["treadmill"] is None
    assert sum("flat prior" in note for note in found.notes) == 1


def test_the_json_form_has_the_contracts_names():
    found = trend(
        point(0, 40.0, value_absolute=3200.0, body_mass_kg=80.0),
        point(1, 45.0, value_absolute=3500.0, body_mass_kg=77.0),
        subject_id="s1",
    ).as_dict()
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert found.keys() >= {"subject_id", "quantity", "unit", "series"}
    series = found["series"][0]
    assert series.keys() >= {
        "mode", "basis", "protocol_family", "points", "typical_error", "smallest_worthwhile_change",
        "minimal_detectable_change_95", "slope_per_year", "slope_ci_low", "slope_ci_high", "best",
    }  # fmt: skip
    assert series["typical_error"].keys() >= {"value", "unit", "df", "source"}
    last = series["points"][1]
    assert last.keys() >= {
        "test_id", "visit_id", "date", "age_years", "value", "value_absolute", "body_mass_kg", "method", "effort",
        "counted", "percentile", "percentile_low", "percentile_high", "norm_id", "percent_of_median",
        "percent_of_predicted", "change_from_first", "change_from_previous", "notes",
    }  # fmt: skip
    assert last["change_from_first"].keys() >= {
        "absolute", "percent", "ci_low", "ci_high", "chance_improved", "chance_declined", "verdict", "notes",
    }  # fmt: skip


@settings(max_examples=50)
@given(
    st.lists(
        st.tuples(st.integers(0, 40), st.floats(min_value=20, max_value=70)),
        min_size=2,
        max_size=9,
        unique_by=lambda pair: pair[0],
    ),
    st.floats(min_value=-5, max_value=5),
    st.randoms(use_true_random=False),
)
def test_the_slope_ignores_order_and_where_time_begins(pairs, shift, random):
    years, values = zip(*pairs, strict=True)
    found = slope_per_year(years, values, typical_error=FIVE_PERCENT)
    shuffled = list(pairs)
    random.shuffle(shuffled)
    moved = slope_per_year(
        [year + shift for year, _ in shuffled], [v for _, v in shuffled], typical_error=FIVE_PERCENT
    )
    assert moved.per_year == pytest.approx(found.per_year, abs=1e-9)
    assert moved.ci_low == pytest.approx(found.ci_low, abs=1e-9)
    assert found.ci_low < found.per_year < found.ci_high


def test_first_best_and_latest_are_of_the_tests_that_count():
    found = trend(
        point(0, 20.0, effort="submaximal"),
        point(1, 41.0),
        point(2, 45.0),
        point(3, 43.0),
        point(4, 99.0, has_error=True),
    ).as_dict()["series"][0]
    assert [found[name] for name in ("first", "best", "latest")] == [41.0, 45.0, 43.0]
    assert [found[f"{name}_test_id"] for name in ("first", "best", "latest")] == ["t1", "t2", "t3"]
    assert [found[f"{name}_date"] for name in ("first", "best", "latest")] == [
        "2001-06-01",
        "2002-06-01",
        "2003-06-01",
    ]
    nothing = trend(point(0, 20.0, effort="submaximal")).as_dict()["series"][0]
    assert [nothing[name] for name in ("first", "best", "latest", "first_test_id")] == [None] * 4


@pytest.mark.parametrize("n", range(2, 9))
def test_a_theil_sen_interval_needs_five_points(n):
    values = [40.0, 41.5, 40.5, 43.0, 42.0, 44.5, 43.5, 46.0][:n]
    found = theil_sen_per_year([float(i) for i in range(n)], values)
    assert (found.ci_low is not None) == (n >= 5)
    if n >= 5:
        assert found.ci_low <= found.per_year <= found.ci_high
    series = trend(*(point(i, value) for i, value in enumerate(values))).series[0]
    assert any("Theil-Sen" in note for note in series.notes) == (n < 5)


def test_a_theil_sen_slope_of_nothing():
    assert theil_sen_per_year([1.0], [40.0]) is None
    assert theil_sen_per_year([1.0, 1.0], [40.0, 41.0]) is None
    # Equal values are rounded ones: a width of zero would claim too much.
    equal = theil_sen_per_year([float(i) for i in range(6)], [40.0] * 6)
    assert (equal.per_year, equal.ci_low, equal.ci_high) == (0.0, None, None)


def test_a_value_far_off_moves_least_squares_and_not_theil_sen():
    found = trend(*(point(i, value) for i, value in enumerate((50.0, 49.0, 48.0, 47.0, 30.0)))).series[0]
    assert found.theil_sen.per_year == pytest.approx(-1.0, abs=0.5)
    assert found.slope.per_year < -3.5


# --- what age alone would make of it ---------------------------------------------------------------------------------

MYERS = AGEING_MODELS["predicted_vo2max_myers_2017"]


def aged(number, value, age, **more):
    return point(
        number,
        value,
        **({"mode": "treadmill", "age_years": age, "body_mass_kg": 80.0, "height_cm": 180.0} | more),
    )


def against(*points, start="first", sex="male", model=MYERS, error=FIVE_PERCENT):
    return trend(*points, ageing=AgeingAsked(model, sex, start), error=error)


def test_nothing_is_expected_unless_asked_for():
    found = trend(aged(0, 40.0, 40.0), aged(1, 41.0, 41.0)).as_dict()["series"][0]
    assert found["expected"] is None
    assert [each["expected_value"] for each in found["points"]] == [None, None]


def test_the_difference_from_what_age_would_do_has_the_error_of_two_tests():
    found = against(aged(0, 40.0, 40.0), aged(10, 40.0, 50.0)).series[0]
    first, last = found.points
    assert (first.expected_value, first.difference_from_expected) == (40.0, None)
    assert last.expected_value == pytest.approx(36.1)
    assert last.difference_from_expected == pytest.approx(3.9)
    # By hand: 36.1 (exp(ln(40/36.1) -+ 1.95996 sqrt(2) ln 1.05) - 1).
    assert (last.difference_ci_low, last.difference_ci_high) == pytest.approx((-1.160, 9.693), abs=2e-3)
    assert (found.expected.start_point.test_id, found.expected.reason) == ("t0", None)


def test_the_line_may_start_from_the_best_and_leaves_hollow_points_without_a_difference():
    found = against(
        aged(0, 40.0, 40.0),
        aged(1, 45.0, 41.0),
        aged(2, 30.0, 42.0, effort="submaximal"),
        aged(3, 43.0, 43.0),
        start="best",
    )
    points = found.series[0].points
    assert [each.expected_value for each in points] == pytest.approx([45.39, 45.0, 44.61, 44.22])
    assert points[2].difference_from_expected is None
    assert points[3].difference_from_expected == pytest.approx(-1.22)
    assert sum("no aim" in note for note in found.notes) == 1


@pytest.mark.parametrize(
    ("points", "sex", "said"),
    [
        ((aged(0, 40.0, None), aged(1, 41.0, 41.0)), "male", "not known"),
        ((aged(0, 40.0, 40.0), aged(1, 41.0, 41.0)), None, "needs sex"),
        ((aged(0, 40.0, 40.0, mode="cycle"),), "male", "for treadmill"),
        ((aged(0, 40.0, 40.0, effort="submaximal"),), "male", "no counted test"),
        ((aged(0, 40.0, 19.0), aged(1, 41.0, 20.0)), "male", "20 to 79"),
    ],
)
def test_where_there_is_no_line_the_series_says_why(points, sex, said):
    found = against(*points, sex=sex).series[0]
    assert said in found.expected.reason
    assert any(said in note for note in found.notes)
    assert {each.expected_value for each in found.points} == {None}


def test_a_point_outside_the_ages_of_the_model_says_so_and_the_others_stand():
    found = against(aged(0, 30.0, 78.0), aged(1, 29.0, 79.0), aged(2, 28.0, 80.0)).series[0]
    assert found.points[1].expected_value is not None
    assert found.points[2].expected_value is None
    assert any("20 to 79" in note for note in found.points[2].notes)


def test_without_a_typical_error_a_difference_has_no_interval():
    last = against(aged(0, 40.0, 40.0), aged(1, 41.0, 41.0), error=None).series[0].points[1]
    assert (last.difference_from_expected, last.difference_ci_low) == (pytest.approx(1.39), None)


# --- rank and mean of the band ---------------------------------------------------------------------------------------

BAND = Spread(40.0, 8.0, "a table, male, 40-49 years")


def reference(percentile=58.0, spread=BAND):
    return Reference(lambda _point, age: percentile if age < 50 else None, lambda _point: spread)


def banded(number, age, band, percentile, **more):
    return aged(number, 40.0, age, age_band=band, percentile=percentile, norm_id="a table", **more)


def test_a_change_of_the_age_band_is_said_with_what_it_does_to_the_percentile():
    found = trend(
        banded(0, 49.5, "40-49", 50.0),
        banded(1, 49.9, None, None),
        banded(2, 50.1, "50-59", 70.0),
        banded(3, 51.0, "50-59", 71.0),
        reference=reference(),
    ).series[0]
    assert [each.percentile_in_previous_band for each in found.points] == [None, None, 58.0, None]
    said = (
        "The age band changed from 40-49 to 50-59 years since the test of 2000-06-01: part of the change in percentile is the "
        "band. In the band 40-49 the same value would be at the percentile 58, not 70."
    )
    assert [" ".join(each.notes) for each in found.points] == [
        "",
        "",
        said,
        "",
    ]


def test_another_table_is_no_change_of_band():
    found = trend(
        banded(0, 49.5, "40-49", 50.0), aged(1, 40.0, 50.1, age_band="50-59", norm_id="other")
    ).series[0]
    assert found.points[1].notes == ()


def test_a_band_without_percentiles_is_said_in_short():
    found = trend(banded(0, 49.5, "40-49", None), banded(1, 50.5, "50-59", None)).series[0]
    assert found.points[1].notes[0].endswith("since the test of 2000-06-01.")


@pytest.mark.parametrize(
    ("first", "more", "said"),
    [
        (56.0, {}, True),
        (44.0, {}, False),
        (56.0, {"basis": "estimated"}, False),
        (56.0, {"effort": "submaximal"}, False),
    ],
)
def test_an_extreme_first_test_is_said_to_come_back(first, more, said):
    series = trend(aged(0, first, 45.0, **more), aged(1, 44.0, 46.0), reference=reference()).series
    notes = [note for each in series for note in each.notes if "By chance" in note]
    assert bool(notes) == said
    if said:
        assert series[0].as_dict()["regression_to_mean"]["z"] == pytest.approx(2.0)


def test_without_a_spread_nothing_is_said_of_the_mean():
    assert trend(aged(0, 56.0, 45.0), reference=reference(spread=None)).series[0].regression_to_mean is None
    assert trend(aged(0, 56.0, 45.0)).series[0].as_dict()["regression_to_mean"] is None
