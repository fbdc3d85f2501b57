"""Median, mean, SD, quantiles and lines: bit by bit those of numpy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from service.analysis.moments import (
    line_through,
    mean,
    median,
    moments_of_columns,
    quantiles,
    standard_deviation,
)

FINITE = st.floats(-1e6, 1e6)


@given(arrays(np.float64, st.integers(1, 300), elements=FINITE))
def test_arrays_have_the_moments_that_numpy_gives(values):
    assert mean(values) == values.mean()
    assert standard_deviation(values) == values.std()
    assert median(values) == np.median(values)


@given(st.lists(FINITE, min_size=1, max_size=50))
def test_a_list_has_the_median_that_numpy_gives(values):
    assert median(values) == np.median(values)


def test_every_other_value_of_a_table_has_the_same_moments():
    column = np.random.default_rng(1).normal(size=(400, 3))[::2, 1]
    assert mean(column) == column.mean()
    assert standard_deviation(column) == column.std()
    assert median(column) == np.median(column)


def test_whole_numbers_have_a_median():
    assert median(np.array([3, 1, 2, 4])) == 2.5


@pytest.mark.parametrize("place", range(3))
def test_a_missing_value_leaves_no_median(place):
    values = np.arange(3.0)
    values[place] = np.nan
    assert np.isnan(median(values))


@given(arrays(np.float64, st.integers(1, 300), elements=FINITE), st.lists(st.floats(0, 1), max_size=5))
def test_quantiles_are_those_that_numpy_gives(values, parts):
    assert list(quantiles(values, parts)) == [np.quantile(values, part) for part in parts]


@given(arrays(np.float64, st.tuples(st.integers(1, 100), st.integers(0, 4)), elements=FINITE))
def test_each_column_has_the_moments_that_numpy_gives(table):
    level, width = moments_of_columns(table)
    assert level.tolist() == table.mean(axis=0).tolist()
    assert width.tolist() == table.std(axis=0).tolist()


@pytest.mark.parametrize("seed", range(20))
def test_a_line_is_the_one_that_numpy_gives(seed):
    random = np.random.default_rng(seed)
    n = int(random.integers(2, 400))
    x, y, weights = random.normal(200, 80, n), random.normal(2000, 300, n), random.uniform(0.5, 2.0, n)
    assert line_through(x, y) == tuple(np.polyfit(x, y, 1))
    assert line_through(x, y, weights) == tuple(np.polyfit(x, y, 1, w=weights))
