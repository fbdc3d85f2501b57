"""Two tests beside each other: by hand, against numpy's interpolation, as properties, and how often chance alone speaks."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.change import OwnTypicalError
from service.analysis.comparison import (
    CHANNELS,
    SOURCES,
    ComparedTest,
    compare,
    course_of,
    errors_at_one_work_rate,
    rising_curve,
)
from service.analysis.loads import find_loads
from service.analysis.marks import find_marks
from service.analysis.references import REFERENCES, cited_keys
from service.analysis.series import StageNote
from service.quantities import QUANTITIES
from tests.analysis.simulated_tests import RAMP_15, RAMP_25, RUN_RAMP, STEP_25, Body, simulate
from tests.analysis.stage_tests import PERSON, ride, stage_test

WATTS = errors_at_one_work_rate({}, watts=True)


def prepared(test, peak=None, effort="plateau"):
    """A test as it is compared; without a peak given its highest uptake stands for it."""
    marks = find_marks(test)
    if peak is None:
        peak = float(np.nanmax(test.series.channel("vo2_ml_min")))
    return ComparedTest(test, marks, find_loads(test, marks), peak, effort)


def compared(first, second, **errors):
    return compare(prepared(first), prepared(second), errors or WATTS)


def channel(curves, key):
    return next(one for one in curves.channels if one.channel == key)


def told(curves, key):
    """Place, first and second of every point."""
    return [(one.along, one.first, one.second) for one in channel(curves, key).points]


def settled(stages, **more):
    """A cycle test whose stages are (watts, heart rate, VO2)."""
    return stage_test(
        [
            {
                "work_rate_w": w,
                "heart_rate_bpm": hr,
                "vo2_ml_min": vo2,
                "vco2_ml_min": 0.9 * vo2,
                "ve_l_min": vo2 / 40,
            }
            for w, hr, vo2 in stages
        ],
        **more,
    )


BEFORE = settled([(100, 120, 1500), (150, 140, 2000), (200, 160, 2500)])
AFTER = settled([(100, 110, 1500), (150, 129, 2000), (200, 150, 2500), (250, 170, 3000)])


# --- at the same work rate ---------------------------------------------------------------------------------------


def test_the_same_stages_are_set_beside_each_other_as_they_are():
    curves = compared(BEFORE, AFTER).work_rate
    assert curves.along == "work_rate_w"
    assert told(curves, "heart_rate_bpm") == [(100, 120, 110), (150, 140, 129), (200, 160, 150)]
    assert not any(
        one.first_between_stages or one.second_between_stages
        for one in channel(curves, "heart_rate_bpm").points
    )
    # 0.9 is the ratio of every stage; 25 L of ventilation a litre of uptake.
    assert told(curves, "rer")[0] == pytest.approx((100, 0.9, 0.9))
    assert told(curves, "ve_vo2")[0] == pytest.approx((100, 25.0, 25.0))
    assert told(curves, "ve_vco2")[0] == pytest.approx((100, 25.0 / 0.9, 25.0 / 0.9))


def test_a_difference_with_its_interval_by_hand():
    point = channel(compared(BEFORE, AFTER).work_rate, "heart_rate_bpm").points[1]
    assert point.difference == -11
    assert point.percent == pytest.approx(-100 * 11 / 140)
    # ln(129/140) = -0.0818; half-width 1.96 sqrt(2) ln 1.03 = 0.0819: just not beyond error.
    half = 1.959964 * math.sqrt(2) * math.log(1.03)
    assert (point.ci_low, point.ci_high) == pytest.approx(
        (140 * math.exp(math.log(129 / 140) - half) - 140, 140 * math.exp(math.log(129 / 140) + half) - 140),
        abs=1e-4,
    )
    assert point.beyond_error is False
    assert channel(compared(BEFORE, AFTER).work_rate, "heart_rate_bpm").points[0].beyond_error is True


def test_between_stages_the_line_is_straight():
    other = settled([(75, 100, 1200), (125, 125, 1700), (175, 140, 2200)])
    curves = compared(BEFORE, other).work_rate
    points = channel(curves, "heart_rate_bpm").points
    assert [one.along for one in points] == [100, 125, 150, 175]
    assert [one.second for one in points] == pytest.approx(
        np.interp([100, 125, 150, 175], [75, 125, 175], [100, 125, 140]).tolist()
    )
    assert [one.first for one in points] == pytest.approx([120, 130, 140, 150])
    assert [(one.first_between_stages, one.second_between_stages) for one in points] == [
        (False, True),
        (True, False),
        (False, True),
        (True, False),
    ]


def test_nothing_is_drawn_on_beyond_the_common_range():
    low, high = settled([(50, 100, 1000), (100, 120, 1500)]), settled([(100, 115, 1500), (200, 150, 2500)])
    assert told(compared(low, high).work_rate, "heart_rate_bpm") == [(100, 120, 115)]
    apart = compared(low, settled([(150, 130, 2000), (200, 150, 2500)])).work_rate
    assert apart.reason == "The two tests have no work rate in common: 50 W to 100 W and 150 W to 200 W."
    assert not any(one.points for one in apart.channels)
    # What each test read is there all the same.
    assert channel(apart, "heart_rate_bpm").first.along.tolist() == [50, 100]


def test_loads_within_the_resolution_of_the_ergometer_are_one():
    other = settled([(101, 110, 1500), (149, 130, 2000), (201, 150, 2500)])
    assert told(compared(BEFORE, other).work_rate, "heart_rate_bpm") == [
        (100, 120, 110),
        (150, 140, 130),
        (200, 160, 150),
    ]


def test_a_value_that_is_missing_is_not_bridged():
    holed = settled([(100, 110, 1500), (150, np.nan, 2000), (200, 150, 2500), (250, 165, 3000)])
    other = settled(
        [(100, 120, 1500), (125, 130, 1700), (200, 160, 2500), (225, 168, 2700), (250, 175, 3000)]
    )
    assert [at for at, *_ in told(compared(other, holed).work_rate, "heart_rate_bpm")] == [100, 200, 225, 250]


@pytest.mark.parametrize(
    ("first", "second", "reason"),
    [
        (
            ride([100, 150, 200]),
            stage_test([{"speed_km_h": 9.0, "vo2_ml_min": 2000.0}] * 2, mode="treadmill"),
            "different modes (cycle and treadmill)",
        ),
        (stage_test([{"vo2_ml_min": 2000.0}]), ride([100, 150]), "The first test has no work rates."),
    ],
)
def test_where_no_work_is_the_same(first, second, reason):
    curves = compared(first, second).work_rate
    assert curves.channels == ()
    assert reason in curves.reason


def test_without_intervals_there_is_nothing_to_compare():
    nothing = ComparedTest(replace(BEFORE, series=replace(BEFORE.series)), None, None, 3000.0)
    found = compare(nothing, prepared(AFTER), WATTS)
    assert (
        found.work_rate.reason
        == "There is nothing to compare. The first test: it has no intervals, only results."
    )
    assert "it has no intervals, only results" in found.percent_of_peak.reason


def run(stages, **more):
    return stage_test(
        [
            {
                "speed_km_h": speed,
                **({} if grade is None else {"grade_percent": grade}),
                "vo2_ml_min": 200.0 * speed,
                "heart_rate_bpm": hr,
            }
            for speed, grade, hr in stages
        ],
        mode="treadmill",
        **more,
    )


@pytest.mark.parametrize(
    ("first", "second", "along", "places"),
    [
        # One grade in both: speed tells the work.
        (run([(8, 1, 130), (10, 1, 150)]), run([(8, 1, 125), (10, 1, 144)]), "speed_km_h", [8, 10]),
        # No grade was ever recorded: taken as level in both.
        (run([(8, None, 130), (10, None, 150)]), run([(8, 0, 125), (10, 0, 144)]), "speed_km_h", [8, 10]),
        # One speed in both: the grade does.
        (run([(5, 0, 90), (5, 5, 110), (5, 10, 130)]), run([(5, 0, 90), (5, 5, 104)]), "grade_percent", [0, 5]),
        # Both change, in the same stages.
        (run([(2.7, 10, 90), (4, 12, 110), (5.5, 14, 130)]), run([(2.7, 10, 88), (4, 12, 104)]), "stage", [1, 2]),
    ],
)  # fmt: skip
def test_what_tells_the_work_on_a_treadmill(first, second, along, places):
    curves = compared(first, second).work_rate
    assert curves.along == along
    assert [one[0] for one in told(curves, "heart_rate_bpm")] == places


def test_stages_of_the_same_speed_and_grade_are_named():
    curves = compared(
        run([(2.7, 0, 85), (2.7, 5, 90), (2.7, 10, 100), (4, 12, 115)]),
        run([(2.7, 10, 95), (4, 12, 109), (5.5, 14, 130)]),
    ).work_rate
    points = channel(curves, "heart_rate_bpm").points
    assert [(one.label, one.first, one.second) for one in points] == [
        ("2.7 km/h, 10.0 %", 100, 95),
        ("4.0 km/h, 12.0 %", 115, 109),
    ]


@pytest.mark.parametrize(
    ("first", "second", "reason"),
    [
        (
            run([(8, 1, 130), (10, 1, 150)]),
            run([(8, 2, 130), (10, 2, 150)]),
            "No stage of one test had the speed",
        ),
        (run([(8, 1, 130)], handrail_support=True), run([(8, 1, 130)]), "The handrail was held"),
        (
            stage_test([{"vo2_ml_min": 2000.0}], mode="treadmill"),
            run([(8, 1, 130)]),
            "The first test has no speeds.",
        ),
    ],
)
def test_where_speed_does_not_tell_the_work(first, second, reason):
    assert reason in compared(first, second).work_rate.reason


def test_a_ramp_whose_grade_rises_with_its_speed_is_not_set_against_another():
    one = simulate(RUN_RAMP, 1, rows=15.0)
    grade = one.series.channel("speed_km_h") - 5
    other = replace(one, series=replace(one.series, channels={**one.series.channels, "grade_percent": grade}))
    assert "Speed and grade did not rise in the same way" in compared(one, other).work_rate.reason


# --- what is not alike -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        (simulate(RAMP_15, 1, rows=15.0), simulate(STEP_25, 1, rows=15.0), "lag behind the work rate"),
        (
            simulate(RAMP_15, 1, rows=15.0),
            simulate(RAMP_25, 1, rows=15.0),
            "rose by 15.0 and 25.0 W a minute",
        ),
        (ride([100, 150, 200], stage_s=60.0), ride([100, 150, 200], stage_s=180.0), "about 60 s and 180 s"),
    ],
)
def test_unlike_protocols_are_told_and_nothing_is_called_beyond_error(first, second, words):
    curves = compared(first, second).work_rate
    assert any(words in note for note in curves.notes)
    points = channel(curves, "vo2_ml_min").points
    assert points
    assert {one.beyond_error for one in points} == {None}
    assert all(one.ci_low is not None for one in points)


def test_stages_long_enough_to_settle_are_alike():
    curves = compared(ride([100, 150, 200], stage_s=180.0), ride([100, 150, 200], stage_s=300.0)).work_rate
    assert curves.notes == ()


def test_a_medication_at_one_test_leaves_heart_rate_open():
    curves = compared(BEFORE, replace(AFTER, person=replace(PERSON, limits_heart_rate=True))).work_rate
    heart = channel(curves, "heart_rate_bpm")
    assert {one.beyond_error for one in heart.points} == {None}
    assert any("limits heart rate" in note for note in heart.notes)
    assert channel(curves, "vo2_ml_min").points[0].beyond_error is False


def test_another_body_mass_is_told():
    lighter = replace(PERSON, body_mass_kg=70.0)
    assert (
        "uptake per body mass is not" in compared(BEFORE, replace(AFTER, person=lighter)).work_rate.notes[0]
    )
    runs = run([(8, 1, 130), (10, 1, 150)])
    assert "more work for more body mass" in compared(runs, replace(runs, person=lighter)).work_rate.notes[0]
    near = replace(PERSON, body_mass_kg=74.0)
    assert compared(BEFORE, replace(AFTER, person=near)).work_rate.notes == ()


def test_a_channel_that_one_test_lacks_has_a_reason():
    without = replace(
        AFTER,
        series=replace(
            AFTER.series, channels={k: v for k, v in AFTER.series.channels.items() if k != "ve_l_min"}
        ),
    )
    curves = compared(BEFORE, without).work_rate
    assert channel(curves, "ve_l_min").reason == "The second test does not have it."
    assert channel(curves, "ve_vo2").reason == "The second test does not have it."
    assert channel(curves, "lactate_mmol_l").reason == "Neither test has it."
    massless = replace(AFTER, person=replace(PERSON, body_mass_kg=None))
    assert (
        channel(compared(BEFORE, massless).work_rate, "vo2_ml_kg_min").reason
        == "Body mass is not recorded at both visits."
    )


def noted(test, key, values, **more):
    return replace(
        test,
        notes=tuple(
            StageNote(stage=place, phase="exercise", time_s=None, **{key: value}, **more)
            for place, value in enumerate(values, start=1)
        ),
    )


def test_lactate_and_exertion_by_stage():
    first, second = (
        noted(BEFORE, "lactate_mmol_l", [1.2, 2.0, 4.1]),
        noted(AFTER, "lactate_mmol_l", [1.0, 1.5, 2.6, 5.0]),
    )
    assert told(compared(first, second).work_rate, "lactate_mmol_l") == [
        (100, 1.2, 1.0),
        (150, 2.0, 1.5),
        (200, 4.1, 2.6),
    ]
    first, second = (
        noted(BEFORE, "rpe", [9, 13, 17], rpe_scale="6-20"),
        noted(AFTER, "rpe", [8, 11, 14, 18], rpe_scale="6-20"),
    )
    assert told(compared(first, second).work_rate, "rpe")[1] == (150, 13, 11)
    other = noted(AFTER, "rpe", [2, 3, 5, 8], rpe_scale="0-10")
    found = channel(compared(first, other).work_rate, "rpe")
    assert found.points == ()
    assert found.reason == "Exertion was not rated on one scale: 0-10 and 6-20."


def test_exertion_is_not_read_off_a_ramp():
    ramp = simulate(RAMP_15, 1, rows=15.0)
    assert channel(compared(ramp, ramp).work_rate, "rpe").reason.startswith("It is compared by stage")


def test_heart_rate_from_the_notes_says_so():
    silent = {key: values for key, values in AFTER.series.channels.items() if key != "heart_rate_bpm"}
    bare = noted(
        replace(AFTER, series=replace(AFTER.series, channels=silent)), "heart_rate_bpm", [112, 131, 150, 168]
    )
    found = channel(compared(BEFORE, bare).work_rate, "heart_rate_bpm")
    assert [one.second for one in found.points] == [112, 131, 150]
    assert found.notes == ("Heart rate of the second test is what was noted at the end of each stage.",)


def test_an_excluded_row_does_not_count():
    excluded = BEFORE.series.excluded.copy()
    spoilt = {**BEFORE.series.channels, "heart_rate_bpm": BEFORE.series.channel("heart_rate_bpm").copy()}
    spoilt["heart_rate_bpm"][19] = 240.0
    excluded[19] = True
    other = replace(BEFORE, series=replace(BEFORE.series, channels=spoilt, excluded=excluded))
    # Three quarters of the last minute are left, which is too little of it; without the exclusion it would read 150.
    assert [at for at, *_ in told(compared(other, AFTER).work_rate, "heart_rate_bpm")] == [150, 200]


# --- at the same percent of the peak -----------------------------------------------------------------------------


def test_percent_of_each_ones_own_peak():
    # 1500 to 2500 of 2500 is 60 to 100 %; 1500 to 3000 of 3000 is 50 to 100 %.
    curves = compared(BEFORE, AFTER).percent_of_peak
    points = told(curves, "heart_rate_bpm")
    assert [at for at, *_ in points] == [60, 65, 70, 75, 80, 85, 90, 95, 100]
    percents = [at for at, *_ in points]
    assert [first for _, first, _ in points] == pytest.approx(
        np.interp(percents, [60, 80, 100], [120, 140, 160]).tolist()
    )
    assert [second for *_, second in points] == pytest.approx(
        np.interp(percents, [50, 200 / 3, 250 / 3, 100], [110, 129, 150, 170]).tolist()
    )
    assert told(curves, "work_rate_w")[-1] == (100, 200, 250)
    # Uptake at a percent of the peak is the percent itself.
    assert {one.channel for one in curves.channels} == {"work_rate_w", *CHANNELS} - {
        "vo2_ml_min",
        "vo2_ml_kg_min",
    }
    assert all(one.error_reason and one.typical_error is None for one in curves.channels)


def test_percent_of_peak_stays_between_modes():
    found = compared(ride([100, 150, 200]), run([(8, 1, 130), (10, 1, 150), (12, 1, 170)]))
    assert found.work_rate.channels == ()
    assert channel(found.percent_of_peak, "heart_rate_bpm").points
    assert (
        "its own peak" in found.percent_of_peak.notes[0]
        or "test's own peak" in found.percent_of_peak.notes[0]
    )
    # A load of two modes is not one quantity.
    assert "work_rate_w" not in {one.channel for one in found.percent_of_peak.channels}


def test_without_a_peak_there_is_no_percent():
    found = compare(
        prepared(BEFORE),
        ComparedTest(AFTER, find_marks(AFTER), find_loads(AFTER, find_marks(AFTER)), None),
        WATTS,
    )
    assert (
        found.percent_of_peak.reason
        == "There is no percent of peak of the second test: its analysis gives no peak uptake."
    )
    assert channel(found.work_rate, "heart_rate_bpm").points


def test_a_submaximal_peak_is_told():
    found = compare(prepared(BEFORE), prepared(AFTER, effort="submaximal"), WATTS)
    assert "submaximal" in found.percent_of_peak.notes[0]


# --- a ramp ------------------------------------------------------------------------------------------------------


def test_a_ramp_without_noise_reads_what_was_put_in():
    body = replace(Body(), breath_sd_ml_min=0.0, wander_sd_ml_min=0.0)
    ramp = simulate(RAMP_15, 1, rows=5.0, body=body)
    course = course_of(prepared(ramp))
    # Uptake of a ramp in the long run: the demand of the load a mean response time ago (delay 12 s, time constant 28 s).
    curve = rising_curve(course.values["work_rate_w"], course.values["vo2_ml_min"])
    lag_w = 15.0 / 60 * (12 + 28)
    for watts in (100.0, 120.0, 140.0):
        demand = 3.5 * 75 + 250 + 10 * (watts - lag_w)
        assert curve.at(np.array([watts]))[0] == pytest.approx(demand, rel=0.01)
    assert course.rise_per_min["work_rate_w"] == pytest.approx(15.0, rel=0.01)


def test_a_belt_at_rest_is_no_load():
    ramp = simulate(RUN_RAMP, 1, rows=15.0)
    stopped = {key: values.copy() for key, values in ramp.series.channels.items()}
    last = int(np.flatnonzero(ramp.series.end_s <= find_marks(ramp).exercise_end_s)[-1])
    stopped["speed_km_h"][last] = stopped["grade_percent"][last] = 0.0
    curves = compared(ramp, replace(ramp, series=replace(ramp.series, channels=stopped))).work_rate
    assert curves.along == "speed_km_h"
    assert channel(curves, "vo2_ml_min").second.along[0] > 8


def test_chance_alone_is_rarely_beyond_error_on_a_ramp():
    # Two ramps of one simulated body, 12 times: everything that differs is noise of breathing.
    points = [
        point
        for seed in range(12)
        for point in channel(
            compared(
                simulate(RAMP_15, 2 * seed, body=Body()), simulate(RAMP_15, 2 * seed + 1, body=Body())
            ).work_rate,
            "vo2_ml_min",
        ).points
    ]
    assert len(points) > 60
    assert np.mean([point.beyond_error for point in points]) < 0.05


def test_a_fall_of_heart_rate_on_a_ramp_is_found():
    before, after = (
        simulate(RAMP_15, 1, body=Body()),
        simulate(RAMP_15, 2, body=replace(Body(), heart_rate_rest_bpm=50.0)),
    )
    points = channel(compared(before, after).work_rate, "heart_rate_bpm").points
    assert points[0].beyond_error is True
    assert all(one.difference < 0 for one in points[:-1])


# --- errors ------------------------------------------------------------------------------------------------------


def test_where_an_error_is_known():
    assert set(WATTS) == {"vo2_ml_min", "vo2_ml_kg_min", "heart_rate_bpm"}
    assert WATTS["heart_rate_bpm"].value == QUANTITIES["heart_rate_bpm"].typical_error.value
    own = {"vo2_at_100_w_ml_min": OwnTypicalError(2.0, "log", 19.0, 20, "20 pairs of this site")}
    assert errors_at_one_work_rate(own, watts=True)["vo2_ml_min"].value == 2.0
    assert errors_at_one_work_rate(own, watts=True)["vo2_ml_kg_min"].value == 3.0
    # What was found at 100 W says nothing of a treadmill.
    assert errors_at_one_work_rate(own, watts=False)["vo2_ml_min"].value == 3.0
    curves = compared(BEFORE, AFTER).work_rate
    assert "wilmore_1998" in channel(curves, "rer").error_reason
    assert channel(curves, "rer").points[0].ci_low is None


def test_sources_resolve():
    keys = [key for source in SOURCES for key in cited_keys(source)]
    assert keys
    assert set(keys) <= set(REFERENCES)


# --- properties --------------------------------------------------------------------------------------------------

steps = st.lists(st.integers(2, 40), min_size=2, max_size=7, unique=True).map(
    lambda found: [10.0 * w for w in sorted(found)]
)


@settings(max_examples=20, deadline=None)
@given(steps, steps, st.integers(-20, 20))
def test_the_other_way_round_the_difference_has_the_other_sign(first, second, shift):
    before = settled([(w, 80 + 0.4 * w, 450 + 10 * w) for w in first])
    after = settled([(w, 80 + 0.4 * w + shift, 450 + 10 * w) for w in second])
    there = told(compared(before, after).work_rate, "heart_rate_bpm")
    back = told(compared(after, before).work_rate, "heart_rate_bpm")
    assert np.array([(at, a, b) for at, b, a in back]) == pytest.approx(np.array(there))
    # Both are straight lines, so that what lies between stages differs as much as the stages do.
    assert [b - a for _, a, b in there] == pytest.approx([shift] * len(there), abs=1e-6)
    assert all(max(first[0], second[0]) <= at <= min(first[-1], second[-1]) for at, *_ in there)


@given(
    st.lists(
        st.tuples(st.floats(0, 500), st.one_of(st.floats(-100, 100), st.just(math.nan))),
        min_size=1,
        max_size=30,
    ),
    st.lists(st.floats(-10, 600), min_size=1, max_size=20),
)
def test_a_curve_is_never_beyond_what_was_read(pairs, places):
    along, values = (np.array(column) for column in zip(*pairs, strict=True))
    curve = rising_curve(along, values)
    if not np.isfinite(values).any():
        assert curve is None
        return
    assert (np.diff(curve.along) > 0).all()
    found = curve.at(np.array(places))
    known = values[np.isfinite(values)]
    inside = np.isfinite(found)
    assert (found[inside] >= known.min() - 1e-6).all()
    assert (found[inside] <= known.max() + 1e-6).all()
    outside = (np.array(places) < curve.along[0] - 1e-6) | (np.array(places) > curve.along[-1] + 1e-6)
    assert not np.isfinite(found[outside]).any()


@given(
    st.lists(st.floats(0, 500), min_size=2, max_size=30, unique=True),
    st.lists(st.floats(0, 500), min_size=1, max_size=20),
)
def test_where_places_rise_it_is_numpys_interpolation(along, places):
    along = np.array(sorted(along))
    if (np.diff(along) < 1e-6).any():
        return
    values = np.cos(along)
    found = rising_curve(along, values).at(np.array(places))
    oracle = np.interp(places, along, values, left=np.nan, right=np.nan)
    both = np.isfinite(found) & np.isfinite(oracle)
    assert found[both] == pytest.approx(oracle[both], abs=1e-6)
    near_an_end = np.minimum(np.abs(np.array(places) - along[0]), np.abs(np.array(places) - along[-1])) < 1e-6
    assert (np.isfinite(found) == np.isfinite(oracle))[~near_an_end].all()
