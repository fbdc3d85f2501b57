"""Median, mean and SD of the numbers of one test.

On the few numbers of a test most of the time of the general functions of numpy is spent before they begin to add. These
take one series of finite or missing values and nothing else, and equal those bit by bit.
"""

from collections.abc import Sequence
from math import isnan
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.analysis.series import Floats


def median(values: NDArray[Any] | Sequence[float]) -> float:
    """Median of some numbers.

    Parameters
    ----------
    values : ndarray of float, shape (n,), or sequence of float
        At least one; a sequence without NaN.

    Returns
    -------
    float
        NaN where an array holds one.
    """
    ordered = np.sort(values) if isinstance(values, np.ndarray) else sorted(values)
    # What is missing is sorted to the end.
    last = float(ordered[-1])
    if isnan(last):
        return last
    half = len(ordered) // 2
    upper = float(ordered[half])
    return upper if len(ordered) % 2 else (float(ordered[half - 1]) + upper) / 2.0


def mean(values: Floats) -> float:
    """Mean of some numbers.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        At least one.

    Returns
    -------
    float
    """
    return float(np.add.reduce(values) / values.size)


def standard_deviation(values: Floats) -> float:
    """SD of some numbers about their mean, over n.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        At least one.

    Returns
    -------
    float
    """
    apart = values - np.add.reduce(values) / values.size
    return float(np.sqrt(np.add.reduce(apart * apart) / values.size))


def moments_of_columns(table: Floats) -> tuple[Floats, Floats]:
    """Mean and SD of each column.

    Parameters
    ----------
    table : ndarray of float, shape (n, p)
        At least one row.

    Returns
    -------
    mean, sd : ndarray of float, shape (p,)
    """
    n = len(table)
    level = np.add.reduce(table, axis=0) / n
    apart = table - level
    return level, np.sqrt(np.add.reduce(apart * apart, axis=0) / n)


def quantiles(values: Floats, parts: Sequence[float]) -> tuple[float, ...]:
    """Quantiles of some numbers, by straight lines between them (the usual definition of numpy).

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        Finite; at least one.
    parts : sequence of float
        0 to 1.

    Returns
    -------
    tuple of float
    """
    ordered = np.sort(values).tolist()
    answer = []
    for part in parts:
        place = (len(ordered) - 1) * part
        below = int(place)
        beyond = place - below
        low, high = ordered[below], ordered[min(below + 1, len(ordered) - 1)]
        # From the nearer end, as there.
        answer.append(low + (high - low) * beyond if beyond < 0.5 else high - (high - low) * (1 - beyond))
    return tuple(answer)


def line_through(x: Floats, y: Floats, weights: Floats | None = None) -> tuple[float, float]:
    """Slope and intercept of the least-squares line, step by step as `numpy.polyfit` finds them.

    Parameters
    ----------
    x, y : ndarray of float, shape (n,)
        Finite; x not all the same.
    weights : ndarray of float, shape (n,), optional
        Of the misses, not of their squares.

    Returns
    -------
    slope, intercept : float
    """
    columns = np.ones((x.size, 2))
    columns[:, 0] = x
    wanted = y
    if weights is not None:
        columns *= weights[:, None]
        wanted = y * weights
    length = np.sqrt(np.add.reduce(columns * columns, axis=0))
    found, *_ = np.linalg.lstsq(columns / length, wanted, x.size * np.finfo(np.float64).eps)
    slope, intercept = (found / length).tolist()
    return slope, intercept
