"""Means over windows: exact, over the covered time, wherever a window begins."""

import time

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.windows import covered_mean, highest_window

ENDS = np.array([10.0, 20.0, 30.0])
STARTS = ENDS - 10
ALL = np.ones(3, bool)


@pytest.mark.parametrize(
    ("values", "counts", "window", "mean", "covered"),
    [
        ([1.0, 2.0, 3.0], [True, True, True], (0, 30), 2.0, 1.0),
        ([1.0, 2.0, 3.0], [True, True, True], (5, 15), 1.5, 1.0),
        ([1.0, 2.0, 3.0], [True, False, True], (0, 30), 2.0, 2 / 3),
        ([1.0, np.nan, 3.0], [True, True, True], (5, 30), 35 / 15, 0.6),
        ([1.0, 2.0, 3.0], [True, True, True], (25, 35), 3.0, 0.5),
        ([1.0, 2.0, 3.0], [False, False, False], (0, 30), np.nan, 0.0),
        ([1.0, 2.0, 3.0], [True, True, True], (40, 50), np.nan, 0.0),
        ([1.0, 2.0, 3.0], [True, True, True], (10, 10), np.nan, 0.0),
    ],
)
def test_the_mean_is_over_the_covered_time(values, counts, window, mean, covered):
    found = covered_mean(STARTS, ENDS, np.array(values), np.array(counts), *window)
    assert found == pytest.approx((mean, covered), nan_ok=True)


def test_a_second_covered_twice_counts_once():
    starts, ends = np.array([0.0, 0.0]), np.array([10.0, 20.0])
    found = covered_mean(starts, ends, np.array([1.0, 3.0]), np.ones(2, bool), 0, 20)
    assert found == (2.0, 1.0)


def test_no_rows_and_no_length():
    empty = np.empty(0)
    assert highest_window(empty, empty, empty, empty.astype(bool), from_s=0, to_s=100, window_s=30) is None
    with pytest.raises(ValueError, match="no length"):
        highest_window(STARTS, ENDS, ENDS, ALL, from_s=0, to_s=30, window_s=0)


@pytest.mark.parametrize(("from_s", "to_s"), [(0.0, 29.0), (5.0, 20.0)])
def test_a_window_longer_than_the_allowed_stretch_does_not_exist(from_s, to_s):
    assert highest_window(STARTS, ENDS, ENDS, ALL, from_s=from_s, to_s=to_s, window_s=30) is None


def test_a_window_is_as_long_as_the_whole_stretch():
    found = highest_window(STARTS, ENDS, ENDS, ALL, from_s=0, to_s=30, window_s=30)
    assert found is not None
    assert (found.start_s, found.end_s, found.value) == (0.0, 30.0, 20.0)


def test_the_best_coverage_may_be_just_enough():
    """The highest row lies behind a gap: as much of the gap is taken in as 80 % coverage allows."""
    starts, ends = np.array([0.0, 10.0, 28.0, 36.0]), np.array([10.0, 20.0, 36.0, 60.0])
    values = np.array([1.0, 1.0, 9.0, 2.0])
    found = highest_window(starts, ends, values, np.ones(4, bool), from_s=0, to_s=60, window_s=10)
    assert found is not None
    assert (found.start_s, found.value) == (pytest.approx(26.0), pytest.approx(9.0))
    assert found.covered_fraction == pytest.approx(0.8)


def test_equal_windows_give_the_earliest():
    ends = np.arange(10.0, 310.0, 10.0)
    found = highest_window(
        ends - 10, ends, np.full(30, 3333.3), np.ones(30, bool), from_s=7, to_s=300, window_s=30
    )
    assert found is not None
    assert found.start_s == 7.0


def test_weights_give_a_ratio_of_means():
    uptake, output = np.array([1.0, 2.0, 4.0]), np.array([1.0, 2.2, 4.6])
    found = highest_window(STARTS, ENDS, output / uptake, ALL, from_s=0, to_s=30, window_s=20, weights=uptake)
    assert found is not None
    assert found.value == pytest.approx((2.2 + 4.6) / (2 + 4))


_rows = st.lists(
    st.tuples(
        st.floats(0.3, 12),
        st.floats(100, 5000),
        st.sampled_from([True, True, True, True, False]),
        st.booleans(),
    ),
    min_size=4,
    max_size=60,
)


@settings(max_examples=150, deadline=None)
@given(rows=_rows, window_s=st.floats(1, 40), from_s=st.floats(0, 10))
def test_no_position_on_a_fine_grid_beats_the_exact_maximum(rows, window_s, from_s):
    lengths = np.array([row[0] for row in rows])
    gaps = np.array([2.5 if row[3] and i % 5 == 4 else 0.0 for i, row in enumerate(rows)])
    ends = np.cumsum(lengths + gaps)
    starts = ends - lengths
    values, counts = np.array([row[1] for row in rows]), np.array([row[2] for row in rows])
    to_s = float(ends[-1])
    found = highest_window(starts, ends, values, counts, from_s=from_s, to_s=to_s, window_s=window_s)
    grid = np.arange(from_s, to_s - window_s, 0.173)
    means = [covered_mean(starts, ends, values, counts, a, a + window_s) for a in grid]
    allowed = [mean for mean, covered in means if covered >= 0.8]
    if found is None:
        assert not allowed
        return
    assert found.covered_fraction >= 0.8 - 1e-6
    assert from_s <= found.start_s <= to_s - window_s + 1e-9
    mean, covered = covered_mean(starts, ends, values, counts, found.start_s, found.end_s)
    assert (found.value, found.covered_fraction) == (pytest.approx(mean), pytest.approx(covered))
    assert all(mean <= found.value * (1 + 1e-9) for mean in allowed)


@settings(max_examples=100, deadline=None)
@given(
    values=st.lists(st.floats(100, 5000), min_size=12, max_size=120),
    row_s=st.sampled_from([1.0, 5.0, 10.0]),
    n=st.integers(1, 12),
)
def test_on_even_rows_it_is_the_rolling_mean_of_pandas(values, row_s, n):
    """Oracle: pandas.Series.rolling, a general library; on even rows the best window begins with a row."""
    ends = row_s * np.arange(1, len(values) + 1)
    found = highest_window(
        ends - row_s,
        ends,
        np.array(values),
        np.ones(len(values), bool),
        from_s=0,
        to_s=float(ends[-1]),
        window_s=n * row_s,
    )
    assert found is not None
    assert found.value == pytest.approx(pd.Series(values).rolling(n).mean().max(), rel=1e-9)


def test_fifteen_hundred_breaths_take_milliseconds():
    noise = np.random.default_rng(1)
    ends = np.cumsum(noise.uniform(0.8, 2.0, 1500))
    starts, values = np.concatenate(([0.0], ends[:-1])), noise.normal(3000, 300, 1500)
    counts = noise.random(1500) > 0.05
    taken = []
    for _ in range(5):
        begun = time.perf_counter()
        highest_window(starts, ends, values, counts, from_s=0, to_s=float(ends[-1]), window_s=30)
        taken.append(time.perf_counter() - begun)
    assert min(taken) < 0.02
