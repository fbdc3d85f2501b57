"""The drawings a threshold is set on: which moment lies at which place."""

import itertools

import pytest

from service.charts.threshold_panels import HEIGHT, WIDTH, threshold_panels

MARKS = {"exercise_start_s": 60.0, "exercise_end_s": 660.0}


def rows(step_s):
    """Uptake that rises by 200 mL/min each minute from 1000 at second 60, CO2 output twice as fast from minute 6 on."""
    ends = [step_s * (at + 1) for at in range(int(720 / step_s))]
    minutes = [max(0.0, (end - step_s / 2 - 60) / 60) for end in ends]
    uptake = [1000 + 200 * minute for minute in minutes]
    return {
        "end_s": ends,
        "duration_s": [step_s] * len(ends),
        "excluded": [False] * len(ends),
        "aberrant": [False] * len(ends),
        "phase": ["exercise"] * len(ends),
        "vo2_ml_min": uptake,
        "vco2_ml_min": [900 + 200 * one + 200 * max(0.0, one - 6) for one in minutes],
        "ve_l_min": [0.025 * one for one in uptake],
    }


@pytest.mark.parametrize("step_s", [3.0, 15.0])
@pytest.mark.parametrize(
    ("threshold", "names"), [("vt1", ["v-slope", "equivalents"]), ("vt2", ["ve-vco2", "equivalents"])]
)
def test_a_moment_lies_on_the_points_of_its_time(step_s, threshold, names):
    drawn = threshold_panels(threshold, {"marks": MARKS}, rows(step_s))
    assert [one.name for one in drawn.panels] == names
    for panel in drawn.panels:
        times = [time for time, _ in panel.moments]
        places = [place for _, place in panel.moments]
        assert times == sorted(times)
        assert all(0 <= place <= WIDTH for place in places)
        for cloud in panel.clouds:
            assert all(0 <= x <= WIDTH and 0 <= y <= HEIGHT for x, y in cloud.points)
        # Everything rises with time here, so a later moment lies further to the right.
        assert all(one <= two for one, two in itertools.pairwise(places))
        assert panel.at(None) is None
        assert panel.at(10_000.0) is None
    # 360 s is five minutes into exercise: 2000 mL/min by the way the rows were made.
    assert drawn.time_of(2000.0) == pytest.approx(360.0, abs=8.0)
    assert drawn.time_of(9000.0) is None
    assert drawn.time_of(None) is None


def test_the_axis_of_uptake_reads_the_uptake_of_the_moment():
    drawn = threshold_panels("vt1", {"marks": MARKS}, rows(15.0))
    panel = drawn.panels[0]
    low, high = panel.x_ticks[0], panel.x_ticks[-1]
    place = panel.at(360.0)
    read = low.value + (high.value - low.value) * (place - low.at) / (high.at - low.at)
    assert read == pytest.approx(2000.0, abs=15.0)
    assert [tick.value for tick in panel.x_ticks] == sorted({tick.value for tick in panel.x_ticks})


def test_lactate_lies_at_the_uptake_of_its_stage():
    stages = [{"vo2_ml_min": 1200.0 + 300 * at, "lactate_mmol_l": 1.0 + at**2 / 4} for at in range(5)]
    stages.append({"vo2_ml_min": None, "lactate_mmol_l": 9.0})
    (panel,) = threshold_panels("lt", {"marks": MARKS, "lactate": {"stages": stages}}, rows(15.0)).panels
    assert len(panel.clouds[0].points) == 5


@pytest.mark.parametrize(
    ("analysis", "columns"),
    [
        ({}, rows(15.0)),
        ({"marks": {"exercise_start_s": None, "exercise_end_s": None}}, rows(15.0)),
        ({"marks": MARKS}, {}),
        ({"marks": MARKS}, {**rows(15.0), "vo2_ml_min": [None] * 48}),
        ({"marks": MARKS}, {**rows(15.0), "excluded": [True] * 48}),
    ],
)
@pytest.mark.parametrize("threshold", ["vt1", "vt2", "lt"])
def test_where_nothing_is_known_nothing_is_drawn(threshold, analysis, columns):
    assert threshold_panels(threshold, analysis, columns).panels == ()
