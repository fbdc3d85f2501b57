"""How much breathing alone moves a comparison: real ramps, their odd breaths against their even ones.

Source: Nolte, Rein, Quittmann, Sports Med 2023, doi 10.1007/s40279-023-01903-3 (CC-BY 4.0, not kept here): 36 treadmill ramps to
exhaustion, breath by breath, one of each athlete. The two halves of one test share everything but the breaths, so nothing
between them may be called more than chance, and both must lie where pandas finds the mean of a minute.
"""

import io

import numpy as np
import pandas as pd
import pytest

from service.analysis.breath_care import with_breaths_left_out
from service.analysis.comparison import ComparedTest, compare, course_of, errors_at_one_work_rate
from service.analysis.loads import find_loads
from service.analysis.marks import Marks
from tests.analysis.conftest import build_series, build_test


def half(table, first):
    """Every other breath; each lasts until the next one of its half begins."""
    part = table.iloc[first::2]
    series = build_series(
        part["time_s"],
        {
            "vo2_ml_min": 1000 * part["vo2_l_min"],
            "speed_km_h": part["speed_kmh"],
            "grade_percent": part["grade_pct"],
        },
        duration_s=part["time_s"].diff().fillna(part["time_s"].iloc[0]).to_numpy(),
    )
    test = build_test(series, mode="treadmill", shape="ramp")
    # From the first running speed on; before it the belt stood or walked.
    start = float(part.loc[part["speed_kmh"] > 0, "time_s"].iloc[0])
    marks = Marks(start, float(series.end_s[-1]), "given")
    test, _ = with_breaths_left_out(test, marks)
    return ComparedTest(test, marks, find_loads(test, marks), 4000.0)


@pytest.fixture(scope="module")
def halves(ramp_lines):
    header, by_test = ramp_lines
    answer = []
    for lines in by_test.values():
        table = pd.read_csv(io.StringIO("\n".join([header, *lines])))
        table = table[table["time_s"].diff().fillna(1) > 0].reset_index(drop=True)
        answer.append((table, half(table, 0), half(table, 1)))
    return answer


def test_odd_and_even_breaths_of_a_test_do_not_differ(halves):
    errors = errors_at_one_work_rate({}, watts=False)
    points = []
    for _, odd, even in halves:
        curves = compare(odd, even, errors).work_rate
        assert curves.along == "speed_km_h", curves.reason
        found = next(one for one in curves.channels if one.channel == "vo2_ml_min").points
        assert found
        points += found
    assert len(points) > 200
    assert np.mean([point.beyond_error for point in points]) < 0.01
    assert np.median([abs(point.percent) for point in points]) < 2.0


def test_the_trend_lies_where_a_mean_of_a_minute_lies(halves):
    misses = []
    for table, odd, _ in halves:
        course = course_of(odd)
        series, marks = odd.test.series, odd.marks
        seconds = np.arange(np.ceil(marks.exercise_start_s), np.floor(marks.exercise_end_s) + 1)[::5]
        smooth = pd.Series(
            1000 * table["vo2_l_min"].to_numpy(), index=pd.to_timedelta(table["time_s"], unit="s")
        )
        minute = smooth.rolling("60s", center=True).median()
        at = np.interp(seconds, table["time_s"], minute)
        # Uptake of the first minute and a half rises too fast for a mean of a minute.
        settled = (seconds > marks.exercise_start_s + 90) & (seconds < marks.exercise_end_s - 30)
        own = course.values["vo2_ml_min"]  # noqa: PD011 no table of pandas
        assert own.size == seconds.size
        assert len(series)
        misses.append(np.nanmedian(np.abs(own[settled] / at[settled] - 1)))
    assert np.median(misses) < 0.015
    assert np.max(misses) < 0.05
