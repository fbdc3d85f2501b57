"""Straight lines through the points of a test, with intervals that allow for neighbours being alike."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.analysis.marks import counted_rows
from service.analysis.moments import mean, median
from service.analysis.series import Floats, Series
from service.analysis.windows import LEAST_COVERED_FRACTION, means_from

#: Rows shorter than this are averaged before a line is drawn: scatter of single breaths along x would flatten it.
SHORT_ROW_S = 8.0
AVERAGED_S = 10.0
#: Errors further apart than this are taken as unrelated (project default).
MEMORY_S = 30.0
#: A channel that varies by less than this part of its mean is constant.
_CONSTANT = 1e-9


@dataclass(frozen=True, slots=True)
class Points:
    """Means of short times, all channels known.

    Attributes
    ----------
    middle_s : ndarray of float, shape (n,)
        On the clock of the series.
    values : mapping of str to ndarray of float, shape (n,)
        By channel.
    length_s : float
        Length of each, or the median row; 0 without points.
    averaged : bool
        Whether rows were averaged.
    """

    middle_s: Floats
    values: Mapping[str, Floats]
    length_s: float
    averaged: bool

    def __len__(self) -> int:
        return int(self.middle_s.size)


def points_between(series: Series, keys: Sequence[str], from_s: float, to_s: float) -> Points:
    """Values of several channels between two times.

    Parameters
    ----------
    series : Series
    keys : sequence of str
        Channels.
    from_s, to_s : float

    Returns
    -------
    Points
        The rows that lie wholly between, as recorded, where they last 8 s or more; else means of 10 s, laid end to end,
        each covered to 80 %. A time in which any of the channels does not count is left out.
    """
    counts = np.ones(len(series), dtype=np.bool_)
    for key in keys:
        counts &= counted_rows(series, key)
    inside = counts & (series.start_s >= from_s - 1e-6) & (series.end_s <= to_s + 1e-6)
    if not inside.any():
        return Points(np.empty(0), {key: np.empty(0) for key in keys}, 0.0, averaged=False)
    typical = median(series.duration_s[inside])
    if typical >= SHORT_ROW_S:
        middle = 0.5 * (series.start_s[inside] + series.end_s[inside])
        return Points(middle, {key: series.channel(key)[inside] for key in keys}, typical, averaged=False)
    starts = np.asarray(
        from_s + AVERAGED_S * np.arange(int((to_s - from_s + 1e-6) // AVERAGED_S)), dtype=np.float64
    )
    values, kept = {}, np.ones(starts.size, dtype=np.bool_)
    for key in keys:
        means, covered = means_from(
            series.start_s, series.end_s, series.channel(key), counts, starts, AVERAGED_S
        )
        values[key] = means
        kept &= (covered >= LEAST_COVERED_FRACTION) & np.isfinite(means)
    return Points(
        (starts + 0.5 * AVERAGED_S)[kept],
        {key: value[kept] for key, value in values.items()},
        AVERAGED_S,
        averaged=True,
    )


@dataclass(frozen=True, slots=True)
class Line:
    """A least-squares line y = intercept + slope x.

    Attributes
    ----------
    slope, intercept : float
    standard_error : float
        Of the slope, allowing for autocorrelation.
    ci_low, ci_high : float
        95 % interval of the slope, Student's t.
    r_squared : float
    residual_sd : float
        About the line, n - 2 degrees of freedom.
    n : int
    lags : int
        Over how many points errors were taken to be related; 0 is independence.
    autocorrelation : float or None
        Of neighbouring residuals; None where the points lie on the line.
    x_low, x_high : float
        Range of x.
    """

    slope: float
    intercept: float
    standard_error: float
    ci_low: float
    ci_high: float
    r_squared: float
    residual_sd: float
    n: int
    lags: int
    autocorrelation: float | None
    x_low: float
    x_high: float

    def at(self, x: float) -> float:
        """Height of the line."""
        return self.intercept + self.slope * x


def is_constant(values: Floats) -> bool:
    """Whether values do not vary beyond rounding."""
    return values.size == 0 or float(np.ptp(values)) <= _CONSTANT * max(float(np.abs(values).max()), 1e-300)


def lags_for(n: int, length_s: float) -> int:
    """How many points 30 s hold, at most a quarter of them.

    Parameters
    ----------
    n : int
    length_s : float
        Time between points; 0 where they are independent.

    Returns
    -------
    int
    """
    return 0 if length_s <= 0 else min(int(MEMORY_S / length_s), n // 4)


def fit_line(x: Floats, y: Floats, lags: int = 0) -> Line | None:
    """A least-squares line with an interval that allows for autocorrelation.

    Parameters
    ----------
    x, y : ndarray of float, shape (n,)
        In order of time.
    lags : int
        See `lags_for`.

    Returns
    -------
    Line or None
        None for fewer than three points, or where x does not vary.

    Notes
    -----
    Variance of the slope with the Bartlett weights of newey_1987 and n/(n - 2) for the two parameters; never below that
    of independent errors. Student's t with n - 2 degrees of freedom.
    """
    n = int(x.size)
    if n < 3 or is_constant(x):
        return None
    from scipy.special import stdtrit

    middle, height = mean(x), mean(y)
    centred = x - middle
    spread = float(np.dot(centred, centred))
    if spread <= 0.0:
        return None
    slope = float(np.dot(centred, y) / spread)
    intercept = height - slope * middle
    raised = y - height
    misses = raised - slope * centred
    left = float(np.dot(misses, misses))
    # Sums of squares lose what is 1e-15 of the values: points on the line have no residuals.
    floor = 1e-24 * float(np.dot(y, y)) * n
    exact = left <= floor
    independent = left / (n - 2) / spread
    pulls = centred * misses
    together = float(np.dot(pulls, pulls))
    for lag in range(1, lags + 1):
        together += 2.0 * (1.0 - lag / (lags + 1)) * float(np.dot(pulls[:-lag], pulls[lag:]))
    together *= n / (n - 2) / spread**2
    error = float(np.sqrt(max(independent, together))) if lags else float(np.sqrt(independent))
    reach = float(stdtrit(n - 2, 0.975)) * error
    whole = float(np.dot(raised, raised))
    return Line(
        slope,
        intercept,
        error,
        slope - reach,
        slope + reach,
        1.0 - left / whole if whole > floor else 1.0,
        float(np.sqrt(left / (n - 2))),
        n,
        lags,
        None if exact else float(np.dot(misses[:-1], misses[1:]) / left),
        float(x.min()),
        float(x.max()),
    )
