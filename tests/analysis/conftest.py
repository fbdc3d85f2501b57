"""Builders of series and tests for the checks of the analysis.

The simulated tests are invented; they follow common physiology (first-order uptake kinetics, RER rising with
intensity) closely enough that a check of quality has nothing to complain of, and nothing is published about them.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from service.analysis.series import PHASES, Person, Series, TestInput

PERSON = Person(
    sex="male",
    age_years=34.5,
    age_low_years=34.5,
    age_high_years=34.5,
    age_basis="birth_date",
    body_mass_kg=75.0,
    body_mass_source="measured",
    height_cm=180.0,
)


def build_series(
    end_s: Any,
    channels: Mapping[str, Any] | None = None,
    *,
    duration_s: Any = None,
    phase: Any = None,
    stage: Any = None,
    excluded: Any = None,
    **more: Any,
) -> Series:
    """A series from plain lists; without durations each row lasts from the previous end, the first from 0."""
    ends = np.asarray(end_s, dtype=np.float64)
    n = ends.size
    lengths = np.diff(ends, prepend=0.0) if duration_s is None else np.broadcast_to(duration_s, (n,))
    given = {**(channels or {}), **more}
    return Series(
        end_s=ends,
        duration_s=np.asarray(lengths, dtype=np.float64).copy(),
        channels={key: np.asarray(value, dtype=np.float64).copy() for key, value in given.items()},
        phase=np.full(n, -1, np.int8)
        if phase is None
        else np.array([PHASES.index(one) if one else -1 for one in phase], dtype=np.int8),
        stage=np.full(n, -1, np.int64) if stage is None else np.asarray(stage, dtype=np.int64),
        excluded=np.zeros(n, np.bool_) if excluded is None else np.asarray(excluded, dtype=np.bool_),
    )


def build_test(series: Series, **fields: Any) -> TestInput:
    """A test of a known person on a cycle, changed by `fields`."""
    return TestInput(series=series, **{"mode": "cycle", "person": PERSON, **fields})


def empty_series() -> Series:
    """No intervals."""
    return build_series([], {})


@dataclass(frozen=True)
class Simulation:
    """What a simulated cycle test is made of; times in seconds."""

    rest_s: int = 120
    warm_up_s: int = 180
    exercise_s: int = 660
    recovery_s: int = 240
    warm_up_w: float = 20.0
    ramp_w_per_min: float = 25.0
    stage_s: int | None = None  # length of a step; None is a ramp
    slope_ml_min_w: float = 10.0
    time_constant_s: float = 35.0
    vo2_ceiling_ml_min: float = 4000.0
    heart_rate_max_bpm: float = 186.0
    row_s: float | None = 15.0  # None is breath by breath
    noise: float = 0.01
    seed: int = 7


def simulate(**settings: Any) -> TestInput:
    """A clean simulated cycle test with phases, 15-s rows unless said otherwise."""
    how = Simulation(**settings)
    noise = np.random.default_rng(how.seed)
    start = how.rest_s + how.warm_up_s
    end = start + how.exercise_s
    second = np.arange(end + how.recovery_s)
    since = second - start
    in_ramp = (since >= 0) & (second < end)
    if how.stage_s is None:
        load = how.warm_up_w + how.ramp_w_per_min * since / 60
    else:
        load = how.warm_up_w + how.ramp_w_per_min * how.stage_s / 60 * (1 + since // how.stage_s)
    watts = np.where(second < how.rest_s, 0.0, how.warm_up_w)
    watts = np.where(in_ramp, load, watts)
    demand = np.where(second < how.rest_s, 330.0, 500.0 + how.slope_ml_min_w * watts)
    uptake = np.empty(second.size)
    level = 330.0
    for i, wanted in enumerate(demand):
        level += (min(wanted, how.vo2_ceiling_ml_min) - level) / how.time_constant_s
        uptake[i] = level
    share = (uptake - 330) / (how.vo2_ceiling_ml_min - 330)
    ratio = 0.84 + 0.08 * share + 0.24 * np.clip(share - 0.5, 0, None) * 2
    after = np.clip(second - end, 0, None)
    ratio = np.where(after > 0, ratio[end - 1] + 0.12 * (1 - np.exp(-after / 60)), ratio)
    output = uptake * ratio
    ventilation = output / 1000 * (25 + 8 * np.clip(share - 0.7, 0, None)) + 2.5
    heart = 62 + (how.heart_rate_max_bpm - 62) * np.clip(share, 0, 1) ** 0.9
    breathing = 14 + 30 * np.clip(share, 0, 1)
    if how.row_s is None:
        ends = np.cumsum(60 / (14 + 30 * np.linspace(0, 1, 3000)) * noise.uniform(0.8, 1.2, 3000))
        ends = ends[ends <= second.size]
    else:
        ends = np.arange(how.row_s, second.size + 1e-9, how.row_s)
    starts = np.concatenate(([0.0], ends[:-1]))

    def rows(values: Any) -> Any:
        running = np.concatenate(([0.0], np.cumsum(values)))
        at = np.interp(np.concatenate((starts, ends)), np.arange(running.size), running)
        return (at[len(ends) :] - at[: len(ends)]) / (ends - starts)

    spread = 1 + how.noise * noise.standard_normal(len(ends))
    own = 1 + how.noise / 3 * noise.standard_normal((3, len(ends)))
    middle = (starts + ends) / 2
    phase = np.where(
        middle < how.rest_s, 0, np.where(middle < start, 1, np.where(middle < end, 2, 3))
    ).astype(np.int8)
    series = Series(
        end_s=ends,
        duration_s=ends - starts,
        channels={
            "vo2_ml_min": rows(uptake) * spread,
            "vco2_ml_min": rows(output) * spread * own[0],
            "ve_l_min": rows(ventilation) * spread * own[1],
            "heart_rate_bpm": np.round(rows(heart), 0 if how.row_s else 1),
            "respiratory_rate_per_min": rows(breathing) * own[2],
            "work_rate_w": rows(watts),
        },
        phase=phase,
        stage=np.full(len(ends), -1, np.int64),
        excluded=np.zeros(len(ends), np.bool_),
    )
    return build_test(series, shape="ramp" if how.stage_s is None else "step", stop_reason="legs")


def change_series(test: TestInput, **fields: Any) -> TestInput:
    """The test with parts of its series replaced; `channels` are merged."""
    series = test.series
    if "channels" in fields:
        fields["channels"] = {**series.channels, **fields["channels"]}
    return replace(test, series=replace(series, **fields))


@pytest.fixture(scope="session")
def make_series() -> Callable[..., Series]:
    """`build_series`: end_s, channels, duration_s=, phase=, stage=, excluded=."""
    return build_series


@pytest.fixture(scope="session")
def make_test() -> Callable[..., TestInput]:
    """`build_test`: series and fields of TestInput."""
    return build_test


@pytest.fixture(scope="session")
def no_intervals() -> Series:
    """An empty series."""
    return empty_series()


@pytest.fixture(scope="session")
def simulated_test() -> Callable[..., TestInput]:
    """`simulate`: a clean simulated cycle test; see `Simulation` for the settings."""
    return simulate


@pytest.fixture(scope="session")
def with_series() -> Callable[..., TestInput]:
    """`change_series`: a test with parts of its series replaced."""
    return change_series
