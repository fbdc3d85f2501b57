"""Breath-by-breath care: breaths that are out of line, and the ways to smooth the rest.

A breath is never deleted: a mask says which ones a calculation leaves out, and a reason says why. Every way of smoothing
has a name, so that an analysis can say which one it used.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from service.analysis.marks import Marks, counted_rows
from service.analysis.moments import mean, median
from service.analysis.peaks import is_breath_by_breath
from service.analysis.series import Bools, Floats, Series
from service.analysis.windows import means_from

SmoothingName = Literal["none", "time", "breaths", "trimmed_breaths", "seconds", "trend"]

LOCAL_SD_RULE = "local_4_sd"
LOCAL_SD_SOURCE = (
    "more than 4 SD from the local mean; widely attributed to Lamarra, Whipp, Ward and Wasserman, J Appl Physiol 1987 "
    "(value from memory); the window of 60 s and leaving the breath itself out of its mean are project defaults"
)
MOST_SD = 4.0
LOCAL_WINDOW_S = 60.0
# Fewer neighbours than this tell no SD worth the name (project default).
_FEWEST_NEIGHBOURS = 8
# A breath far out widens the SD around it and may hide its neighbour, so the rule is asked again without it.
_PASSES = 3
# Time constant of the settling after the onset in a trend (a common value of uptake, from memory).
_SETTLING_S = 40.0
_CHANNELS: Mapping[str, str] = {"vo2_ml_min": "VO2", "vco2_ml_min": "VCO2", "ve_l_min": "ventilation"}


@dataclass(frozen=True, slots=True)
class Aberrant:
    """Breaths that are out of line with their neighbours.

    Attributes
    ----------
    mask : ndarray of bool, shape (n,)
        True where a breath is to be left out of a calculation. The rows themselves stay as they are.
    reasons : mapping of int to str
        Why, by row counted from 0.
    rule : str
        Name of the rule; "none" where the rows are not single breaths.
    source : str
    """

    mask: Bools
    reasons: Mapping[int, str] = field(default_factory=dict)
    rule: str = LOCAL_SD_RULE
    source: str = LOCAL_SD_SOURCE


@dataclass(frozen=True, slots=True)
class Smoothing:
    """A named way of smoothing.

    Attributes
    ----------
    name : {"none", "time", "breaths", "trimmed_breaths", "seconds", "trend"}
    width : float
        Seconds for "time", rows for the two of breaths, highest order tried for "trend"; not used otherwise.
    """

    name: SmoothingName
    width: float = 0.0

    @property
    def text(self) -> str:
        """For a person."""
        return {
            "none": "rows as recorded",
            "time": f"centred mean over {self.width:g} s",
            "breaths": f"centred mean of {self.width:g} breaths",
            "trimmed_breaths": f"centred mean of {self.width:g} breaths without the highest and the lowest",
            "seconds": "straight lines to whole seconds",
            "trend": f"polynomial in time of at most order {self.width:g}, the order by the Bayesian information criterion",
        }[self.name]

    def of(self, series: Series, values: Floats, counts: Bools) -> Floats:
        """Smoothed values at the rows.

        Parameters
        ----------
        series : Series
        values : ndarray of float, shape (n,)
        counts : ndarray of bool, shape (n,)
            Rows that count.

        Returns
        -------
        ndarray of float, shape (n,)
            NaN where nothing counts.

        Raises
        ------
        ValueError
            "seconds" gives no values at the rows; use `to_seconds`.
        """
        if self.name == "none":
            return np.where(counts, values, np.nan)
        if self.name == "time":
            return smooth_by_time(series, values, counts, self.width)
        if self.name == "breaths":
            return smooth_by_breaths(values, counts, int(self.width))
        if self.name == "trimmed_breaths":
            return smooth_trimmed(values, counts, int(self.width))
        if self.name == "trend":
            answer = np.full(len(series), np.nan)
            if counts.any():
                middle = series.end_s - 0.5 * series.duration_s
                answer[counts] = trend(middle[counts], values[counts], int(self.width))
            return answer
        raise ValueError("Interpolation to whole seconds has values at seconds, not at rows; use to_seconds.")


def aberrant_breaths(series: Series, marks: Marks) -> Aberrant:
    """Breaths whose VO2, VCO2 or ventilation is more than 4 SD from the mean of the minute around them.

    Mean and SD are of the other breaths that count within 30 s either side. The window does not reach across the start or
    the end of exercise, where values really change.

    Parameters
    ----------
    series : Series
    marks : Marks

    Returns
    -------
    Aberrant
        Nothing is marked where rows are means of several breaths: the rule speaks of single ones.

    Notes
    -----
    Local SD rule, widely attributed to Lamarra et al. 1987 (value from memory).
    """
    mask = np.zeros(len(series), dtype=np.bool_)
    if not is_breath_by_breath(series):
        return Aberrant(mask, {}, "none", "rows are not single breaths")
    middle = series.end_s - 0.5 * series.duration_s
    part = np.searchsorted([marks.exercise_start_s, marks.exercise_end_s], middle, side="right").astype(
        np.float64
    )
    # The window does not reach into another part of the test.
    first = np.maximum(
        np.searchsorted(middle, middle - LOCAL_WINDOW_S / 2), np.searchsorted(part, part, side="left")
    )
    after = np.minimum(
        np.searchsorted(middle, middle + LOCAL_WINDOW_S / 2, side="right"),
        np.searchsorted(part, part, side="right"),
    )
    reasons: dict[int, list[str]] = {}
    for key, name in _CHANNELS.items():
        if not series.has(key):
            continue
        values, counts = series.channel(key), counted_rows(series, key)
        flagged = np.zeros_like(mask)
        for _ in range(_PASSES):
            mean, spread = _neighbours(first, after, values, counts & ~flagged)
            distance = np.abs(np.where(counts, values, np.nan) - mean)
            # Rounded values may repeat exactly, and a tiny SD then condemns the last digit.
            far = distance > np.maximum(MOST_SD * spread, 1e-6 * np.abs(mean))
            new = far & ~flagged
            for row in np.flatnonzero(new):
                reasons.setdefault(int(row), []).append(
                    f"{name} {values[row]:.4g} is {distance[row] / spread[row]:.1f} SD from the mean "
                    f"{mean[row]:.4g} of the {LOCAL_WINDOW_S:.0f} s around it"
                    if spread[row] > 0
                    else f"{name} {values[row]:.4g} differs from all its neighbours, which are {mean[row]:.4g}"
                )
            if not new.any():
                break
            flagged |= new
        mask |= flagged
    return Aberrant(mask, {row: "; ".join(texts) for row, texts in sorted(reasons.items())})


def _neighbours(
    first: NDArray[np.intp], after: NDArray[np.intp], values: Floats, counts: Bools
) -> tuple[Floats, Floats]:
    """Mean and SD of the other counting rows from the first to before the last one of each window."""
    # Sums about a common centre keep the difference of squares exact enough.
    centre = median(values[counts]) if counts.any() else 0.0
    used = np.where(counts, values - centre, 0.0)

    def others(each: Floats) -> Floats:
        running = np.concatenate(([0.0], np.cumsum(each)))
        answer: Floats = running[after] - running[first] - each
        return answer

    number = others(counts.astype(np.float64))
    enough = number >= _FEWEST_NEIGHBOURS
    total, squares = others(used), others(used**2)
    safe = np.where(enough, number, 1.0)
    mean = total / safe
    variance = np.maximum(squares - number * mean**2, 0.0) / np.maximum(safe - 1.0, 1.0)
    return np.where(enough, mean + centre, np.nan), np.where(enough, np.sqrt(variance), np.nan)


def smooth_by_time(series: Series, values: Floats, counts: Bools, window_s: float) -> Floats:
    """Time-weighted mean of the window centred on the middle of each row.

    At the ends of the series the window reaches over what is there.

    Parameters
    ----------
    series : Series
    values : ndarray of float, shape (n,)
    counts : ndarray of bool, shape (n,)
    window_s : float
        Above 0.

    Returns
    -------
    ndarray of float, shape (n,)
        NaN where nothing in the window counts.
    """
    if not len(series):
        return np.empty(0)
    middle = series.end_s - 0.5 * series.duration_s
    means, _ = means_from(
        series.start_s, series.end_s, values, counts, middle - 0.5 * window_s, float(window_s)
    )
    return means


def smooth_by_breaths(values: Floats, counts: Bools, breaths: int) -> Floats:
    """Mean of an odd number of consecutive counting rows centred on each; fewer at both ends, evenly cut.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
    counts : ndarray of bool, shape (n,)
    breaths : int
        Odd, at least 1.

    Returns
    -------
    ndarray of float, shape (n,)
        NaN at rows that do not count.

    Raises
    ------
    ValueError
        `breaths` is not odd or below 1.
    """
    _odd(breaths, 1)
    used = counts & np.isfinite(values)
    answer = np.full(len(values), np.nan)
    kept = values[used]
    if not kept.size:
        return answer
    place = np.arange(kept.size)
    reach = np.minimum(np.minimum(place, place[::-1]), breaths // 2)
    centre = float(kept.mean())
    running = np.concatenate(([0.0], np.cumsum(kept - centre)))
    answer[used] = centre + (running[place + reach + 1] - running[place - reach]) / (2 * reach + 1)
    return answer


def smooth_trimmed(values: Floats, counts: Bools, breaths: int = 7) -> Floats:
    """Mean of consecutive counting rows centred on each, without the highest and the lowest of them.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
    counts : ndarray of bool, shape (n,)
    breaths : int
        Odd, at least 3.

    Returns
    -------
    ndarray of float, shape (n,)
        NaN at rows that do not count, and at both ends, where the window is not full.

    Raises
    ------
    ValueError
        `breaths` is not odd or below 3.
    """
    _odd(breaths, 3)
    used = counts & np.isfinite(values)
    answer = np.full(len(values), np.nan)
    (rows,) = np.nonzero(used)
    if rows.size >= breaths:
        windows = np.lib.stride_tricks.sliding_window_view(values[rows], breaths)
        half = breaths // 2
        answer[rows[half : rows.size - half]] = np.sort(windows, axis=1)[:, 1:-1].mean(axis=1)
    return answer


def trend(time_s: Floats, values: Floats, highest_order: int = 6) -> Floats:
    """Polynomial in time through noisy values, of the order that the Bayesian information criterion prefers.

    Beside the powers of time stands exp(-t/40 s), t from the first value: the end of the response to the onset of work.

    Parameters
    ----------
    time_s, values : ndarray of float, shape (n,)
        Finite; times in order.
    highest_order : int
        Orders 1 to this are tried, as far as there are three values a term.

    Returns
    -------
    ndarray of float, shape (n,)

    Notes
    -----
    BIC = n ln(SSE/n) + terms ln n (Schwarz 1978, from memory). Breaths that remember each other make it prefer higher orders.
    """
    return trends(time_s, [values], highest_order)[0]


def trends(time_s: Floats, several: Sequence[Floats], highest_order: int = 6) -> list[Floats]:
    """`trend` through several series of values at the same times.

    Parameters
    ----------
    time_s : ndarray of float, shape (n,)
    several : sequence of ndarray of float, shape (n,)
    highest_order : int

    Returns
    -------
    list of ndarray of float, shape (n,)
    """
    n = time_s.size
    if n < 6:
        return [values.astype(np.float64) for values in several]
    span = float(time_s[-1] - time_s[0])
    if span <= 0:
        return [np.full(n, mean(values)) for values in several]
    place = 2.0 * (time_s - time_s[0]) / span - 1.0
    orders = min(highest_order, n // 3 - 2)
    powers = np.polynomial.legendre.legvander(place, max(orders, 1))
    settling = np.exp(-(time_s - time_s[0]) / _SETTLING_S)[:, None]
    columns, _ = np.linalg.qr(np.hstack((powers[:, :2], settling, powers[:, 2:])))
    return [_trend_of(columns, values) for values in several]


def _trend_of(columns: Floats, values: Floats) -> Floats:
    """Of the first 3, 4 ... orthonormal columns as many as the criterion prefers: orders 1, 2 ..."""
    n = values.size
    centre = mean(values)
    apart = values - centre
    pull = columns.T @ apart
    left = float(np.add.reduce(apart**2)) - np.cumsum(pull**2)
    terms = np.arange(3, columns.shape[1] + 1)
    smallest = 1e-12 * max(float(np.add.reduce(values**2)), 1e-300)
    criterion = n * np.log(np.maximum(left[terms - 1], smallest) / n) + terms * np.log(n)
    chosen = int(terms[int(np.argmin(criterion))])
    answer: Floats = centre + columns[:, :chosen] @ pull[:chosen]
    return answer


def to_seconds(
    series: Series, values: Floats, counts: Bools, from_s: float, to_s: float, longest_gap_s: float = 15.0
) -> tuple[Floats, Floats]:
    """Values at whole seconds by straight lines between the middles of counting rows.

    Parameters
    ----------
    series : Series
    values : ndarray of float, shape (n,)
    counts : ndarray of bool, shape (n,)
    from_s, to_s : float
    longest_gap_s : float
        Between counting rows further apart than this nothing is filled in; rows longer than it bridge their own length.

    Returns
    -------
    seconds, values : ndarray of float, shape (m,)
        Whole seconds from `from_s` to `to_s`, and the values there: NaN in gaps and beyond the first and last row.
    """
    seconds = np.arange(np.ceil(from_s), np.floor(to_s) + 1.0)
    used = counts & np.isfinite(values)
    answer = np.full(seconds.shape, np.nan)
    if not used.any():
        return seconds, answer
    middle = (series.end_s - 0.5 * series.duration_s)[used]
    length = series.duration_s[used]
    inside = (seconds >= middle[0]) & (seconds <= middle[-1])
    answer[inside] = np.interp(seconds[inside], middle, values[used])
    if middle.size > 1:
        after = np.clip(np.searchsorted(middle, seconds, side="left"), 1, middle.size - 1)
        bridged = np.maximum(longest_gap_s, 0.5 * (length[after] + length[after - 1]) * (1 + 1e-9))
        exact = np.isin(seconds, middle)
        answer[(middle[after] - middle[after - 1] > bridged) & ~exact] = np.nan
    return seconds, answer


def _odd(breaths: int, least: int) -> None:
    if breaths < least or breaths % 2 == 0:
        raise ValueError(f"A centred mean needs an odd number of breaths, at least {least}; got {breaths}.")
