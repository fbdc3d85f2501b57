"""Median, mean and SD: bit by bit those of numpy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from service.analysis.moments import mean, median, standard_deviation

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
