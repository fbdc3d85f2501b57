"""What is kept with a series: worked out once, and never changed or handed on to another series."""

import copy
import pickle
from dataclasses import replace

import numpy as np
import pytest

from service.analysis.marks import counted_rows
from service.analysis.series import known_of_series


def test_an_answer_is_worked_out_once_for_each_argument(make_series):
    asked = []

    @known_of_series
    def length_and(series, more):
        asked.append(more)
        return len(series) + more

    series = make_series([15.0, 30.0, 45.0], vo2_ml_min=[900.0, 1000.0, 1100.0])
    answers = [length_and(series, more) for more in (1, 2, 1)]
    assert answers == [len(series) + 1, len(series) + 2, len(series) + 1]
    assert asked == [1, 2]


def test_a_kept_array_cannot_be_changed(make_series):
    counts = counted_rows(make_series([15.0, 30.0, 45.0], vo2_ml_min=[900.0, 1000.0, 1100.0]))
    with pytest.raises(ValueError, match="read-only"):
        counts[0] = False


def _sent(series):
    return pickle.loads(pickle.dumps(series))  # noqa: S301 made in the line itself


@pytest.mark.parametrize("another", [copy.copy, copy.deepcopy, _sent])
def test_a_copy_holds_what_was_recorded_and_asks_anew(make_series, another):
    series = make_series([15.0, 30.0, 45.0], vo2_ml_min=[900.0, np.nan, 1100.0])
    counts = counted_rows(series)
    copied = another(series)
    assert not copied.known
    assert counted_rows(copied).tolist() == counts.tolist()
    assert copied.end_s.tolist() == series.end_s.tolist()


def test_a_series_made_from_another_one_asks_anew(make_series):
    series = make_series([15.0, 30.0, 45.0], vo2_ml_min=[900.0, 1000.0, 1100.0])
    before = counted_rows(series)
    assert before.all()
    without = replace(series, excluded=np.ones(len(series), dtype=np.bool_))
    assert not counted_rows(without).any()
    assert counted_rows(series) is before
