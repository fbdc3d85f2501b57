"""The analysis of one test, in process, held against the least that must be done with its numbers.

The tests are simulated, so invented: see `tests.analysis.threshold_tests`. Ventilatory thresholds are never told without
resampling, so "without" is the same recording of a bout in which no threshold is sought.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from service.analysis.series import Person, Series, TestInput
from service.analysis.summary import analyse_test
from tests.analysis.threshold_tests import Athlete, simulate

INTERVALS = 60
BREATHS = 1_500
#: Whose tests these are: with all that predictions ask for.
PERSON = Person(
    sex="female",
    age_years=40.0,
    age_low_years=40.0,
    age_high_years=40.0,
    age_basis="birth_date",
    body_mass_kg=75.0,
    height_cm=170.0,
)

Case = tuple[str, Callable[[], object], Callable[[], object], float]


def intervals_of_15_s() -> TestInput:
    """A ramp of ten minutes with rest, warm-up and recovery, in intervals of 15 s."""
    return _first(simulate(Athlete(exercise_s=615.0), 1, rows=15.0).test, INTERVALS)


def single_breaths() -> TestInput:
    """A long ramp, breath by breath."""
    return _first(simulate(Athlete(exercise_s=3150.0), 1).test, BREATHS)


def _first(test: TestInput, rows: int) -> TestInput:
    """The first rows of a test, of the known person."""
    series = test.series
    if len(series) < rows:
        raise ValueError(f"The simulated test has {len(series)} rows; {rows} are wanted.")
    return replace(
        test,
        person=PERSON,
        series=Series(
            end_s=series.end_s[:rows],
            duration_s=series.duration_s[:rows],
            channels={key: values[:rows] for key, values in series.channels.items()},
            phase=series.phase[:rows],
            stage=series.stage[:rows],
            excluded=series.excluded[:rows],
        ),
    )


def analysed(test: TestInput) -> Callable[[], object]:
    """The work: the analysis from rows that nobody has looked at yet, as it is stored."""

    def work() -> object:
        # A series keeps what was asked of it; a new one begins without.
        return analyse_test(replace(test, series=replace(test.series))).as_dict()

    return work


def summed(test: TestInput) -> Callable[[], object]:
    """The floor: a cumulative sum of every channel, and where one of them is highest."""
    channels = list(test.series.channels.values())

    def floor() -> object:
        running = [np.cumsum(values) for values in channels]
        return running, int(np.argmax(running[0]))

    return floor


def cases() -> list[Case]:
    """What is measured: its name, the work, the floor, and the goal in milliseconds."""
    intervals, breaths = intervals_of_15_s(), single_breaths()
    bout = replace(breaths, purpose="verification")
    return [
        (
            f"analysis of {INTERVALS} intervals of 15 s, with thresholds and their resampling",
            analysed(intervals),
            summed(intervals),
            5.0,
        ),
        (
            f"analysis of {BREATHS:,} breaths in which no threshold is sought, without resampling",
            analysed(bout),
            summed(bout),
            25.0,
        ),
        (
            f"analysis of {BREATHS:,} breaths, with thresholds and their resampling",
            analysed(breaths),
            summed(breaths),
            150.0,
        ),
    ]
