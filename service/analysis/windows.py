"""Means over windows of time, where every row counts for as long as it lasts.

A row is an interval [start, end) with one value, already a mean over that interval. A window need not begin
or end where a row does: a row that it cuts counts for the part inside. Rows that do not count (missing,
excluded, impossible) and gaps leave a window less covered, and its mean is over the covered time.
"""

from dataclasses import dataclass

import numpy as np

from service.analysis.series import Bools, Floats, Series, known_of_series

#: A window counts when at least this part of it is covered by rows that count (project default).
LEAST_COVERED_FRACTION = 0.8

# Slack for floating-point comparison of fractions and seconds, far below any recorded resolution.
_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of time and the mean over the covered part of it.

    Attributes
    ----------
    start_s, end_s : float
        On the clock of the rows.
    value : float
        Weighted mean, in the unit of the values.
    covered_fraction : float
        Covered part of the window, 0 to 1.
    """

    start_s: float
    end_s: float
    value: float
    covered_fraction: float


def starts_without_overlap(start_s: Floats, end_s: Floats) -> Floats:
    """Starts moved to the end of the row before, where rows overlap, so that no second counts twice.

    Parameters
    ----------
    start_s, end_s : ndarray of float, shape (n,)
        Seconds; `end_s` strictly rises.

    Returns
    -------
    ndarray of float, shape (n,)
    """
    starts = np.array(start_s, dtype=np.float64)
    np.maximum(starts[1:], end_s[:-1], out=starts[1:])
    return starts


def overlap_s(start_s: Floats, end_s: Floats, window_start_s: float, window_end_s: float) -> Floats:
    """How long each row lies inside a window, seconds; overlapping rows share no second.

    Parameters
    ----------
    start_s, end_s : ndarray of float, shape (n,)
    window_start_s, window_end_s : float

    Returns
    -------
    ndarray of float, shape (n,)
    """
    starts = starts_without_overlap(start_s, end_s)
    inside = np.minimum(end_s, window_end_s) - np.maximum(starts, window_start_s)
    answer: Floats = np.maximum(inside, 0.0)
    return answer


def covered_mean(
    start_s: Floats,
    end_s: Floats,
    values: Floats,
    counts: Bools,
    window_start_s: float,
    window_end_s: float,
) -> tuple[float, float]:
    """Time-weighted mean over the covered part of a window.

    mean = sum(v_i d_i) / sum(d_i), d_i the time for which counting row i lies inside the window.

    Parameters
    ----------
    start_s, end_s : ndarray of float, shape (n,)
        Start and end of each row, seconds; `end_s` strictly rises.
    values : ndarray of float, shape (n,)
        Mean of each row; NaN never counts.
    counts : ndarray of bool, shape (n,)
        Rows that count.
    window_start_s, window_end_s : float

    Returns
    -------
    mean : float
        In the unit of `values`; NaN where nothing is covered.
    covered_fraction : float
        0 to 1.
    """
    length = window_end_s - window_start_s
    if length <= 0 or not len(end_s):
        return float("nan"), 0.0
    return _mean_over(overlap_s(start_s, end_s, window_start_s, window_end_s), length, values, counts)


def _mean_over(inside_s: Floats, length_s: float, values: Floats, counts: Bools) -> tuple[float, float]:
    """Mean over the covered part of a window of which each row fills some, and that part of it."""
    used = counts & np.isfinite(values)
    time = np.where(used, inside_s, 0.0)
    covered = float(np.add.reduce(time))
    if covered <= _SLACK:
        return float("nan"), 0.0
    return float(np.dot(time, np.where(used, values, 0.0)) / covered), min(1.0, covered / length_s)


@known_of_series
def seconds_inside(series: Series, window_start_s: float, window_end_s: float) -> Floats:
    """`overlap_s` of the rows of a series: several channels are read over one window."""
    return overlap_s(series.start_s, series.end_s, window_start_s, window_end_s)


def mean_of_rows(
    series: Series, values: Floats, counts: Bools, window_start_s: float, window_end_s: float
) -> tuple[float, float]:
    """`covered_mean` of the rows of a series.

    Parameters
    ----------
    series : Series
    values : ndarray of float, shape (n,)
    counts : ndarray of bool, shape (n,)
    window_start_s, window_end_s : float

    Returns
    -------
    mean : float
    covered_fraction : float
    """
    length = window_end_s - window_start_s
    if length <= 0 or not len(series):
        return float("nan"), 0.0
    return _mean_over(seconds_inside(series, window_start_s, window_end_s), length, values, counts)


class Running:
    """Running integrals over the rows of a test, linear between row edges: of the time that counts, the weight, the values.

    Parameters
    ----------
    start_s, end_s, values, counts, weights
        As of `highest_window`.
    """

    def __init__(
        self, start_s: Floats, end_s: Floats, values: Floats, counts: Bools, weights: Floats | None = None
    ) -> None:
        self.used = counts & np.isfinite(values)
        if weights is not None:
            self.used &= np.isfinite(weights)
        self.start_s, self.end_s = starts_without_overlap(start_s, end_s), end_s
        self.value = np.where(self.used, values, 0.0)
        self.weight = None if weights is None else np.where(self.used, weights, 0.0)
        self._edges = np.empty(2 * end_s.size)
        self._edges[0::2], self._edges[1::2] = self.start_s, end_s
        length = end_s - self.start_s
        self._covered = self._integral(self.used * length)
        self._heavy = self._covered if self.weight is None else self._integral(self.weight * length)
        each = self.value if self.weight is None else self.weight * self.value
        self._full = self._integral(each * length)

    def _integral(self, parts: Floats) -> Floats:
        between = np.zeros(self._edges.size)
        between[1::2] = parts
        answer: Floats = np.add.accumulate(between)
        return answer

    def _over(self, integral: Floats, moments: Floats, window_s: float) -> Floats:
        ends: Floats = np.interp(moments + window_s, self._edges, integral)
        return ends - np.interp(moments, self._edges, integral)

    def means(self, window_starts_s: Floats, window_s: float) -> tuple[Floats, Floats]:
        """Means and covered fractions of windows of one length; see `means_from`."""
        time = self._over(self._covered, window_starts_s, window_s)
        total = self._over(self._full, window_starts_s, window_s)
        means: Floats = np.divide(total, time, out=np.full(time.shape, np.nan), where=time > _SLACK)
        return means, np.minimum(np.maximum(time / window_s, 0.0), 1.0)

    def highest(
        self,
        *,
        from_s: float,
        to_s: float,
        window_s: float,
        least_covered_fraction: float = LEAST_COVERED_FRACTION,
    ) -> Window | None:
        """The window of highest mean; see `highest_window`."""
        if window_s <= 0:
            raise ValueError(f"A window of {window_s} s has no length; give more than 0 s.")
        latest = to_s - window_s
        if not len(self.end_s) or latest < from_s - _SLACK:
            return None
        latest = max(latest, from_s)
        positions = np.concatenate((self._edges, self._edges - window_s, [from_s, latest]))
        positions = _sorted_once(positions[(positions >= from_s) & (positions <= latest)])
        least_s = least_covered_fraction * window_s
        time = self._over(self._covered, positions, window_s)
        # Where coverage passes the least allowed between two positions, that moment is a candidate too.
        short = time - least_s
        (passes,) = (short[:-1] * short[1:] < 0).nonzero()
        if passes.size:
            part = short[passes] / (short[passes] - short[passes + 1])
            between = positions[passes] + part * (positions[passes + 1] - positions[passes])
            positions = _sorted_once(np.concatenate((positions, between)))
            time = self._over(self._covered, positions, window_s)
        allowed = time >= least_s - _SLACK * window_s
        if not allowed.any():
            return None
        positions = positions[allowed]
        mass = time[allowed] if self.weight is None else self._over(self._heavy, positions, window_s)
        total = self._over(self._full, positions, window_s)
        means = np.divide(total, mass, out=np.full(mass.shape, -np.inf), where=mass > 0)
        highest = float(means.max())
        if not np.isfinite(highest):
            return None
        # Equal windows differ by rounding only: take the earliest.
        start = float(positions[int(np.argmax(means >= highest - 1e-12 * abs(highest)))])
        inside = np.minimum(self.end_s, start + window_s) - np.maximum(self.start_s, start)
        inside = np.where(self.used, np.maximum(inside, 0.0), 0.0)
        pull = inside if self.weight is None else inside * self.weight
        mean = float(np.dot(pull, self.value) / np.add.reduce(pull))
        return Window(start, start + window_s, mean, min(1.0, float(np.add.reduce(inside)) / window_s))


def means_from(
    start_s: Floats,
    end_s: Floats,
    values: Floats,
    counts: Bools,
    window_starts_s: Floats,
    window_s: float,
) -> tuple[Floats, Floats]:
    """Time-weighted means of many windows of one length; `covered_mean` for each of them.

    Parameters
    ----------
    start_s, end_s : ndarray of float, shape (n,)
    values : ndarray of float, shape (n,)
    counts : ndarray of bool, shape (n,)
    window_starts_s : ndarray of float, shape (m,)
    window_s : float
        Above 0.

    Returns
    -------
    means : ndarray of float, shape (m,)
        NaN where nothing is covered.
    covered_fraction : ndarray of float, shape (m,)
    """
    return Running(start_s, end_s, values, counts).means(window_starts_s, window_s)


def highest_window(
    start_s: Floats,
    end_s: Floats,
    values: Floats,
    counts: Bools,
    *,
    from_s: float,
    to_s: float,
    window_s: float,
    weights: Floats | None = None,
    least_covered_fraction: float = LEAST_COVERED_FRACTION,
) -> Window | None:
    """Highest weighted mean over any window of a fixed length: the exact maximum, not one on a grid.

    With V(t) the running integral of weight times value, W(t) that of the weight and C(t) the covered time,
    the mean over [a, a + w] is (V(a+w) - V(a)) / (W(a+w) - W(a)). Between two positions at which a window edge
    meets a row edge both differences are linear in a, so the mean is monotone there and its maximum lies at
    such a position, at an end of the allowed stretch, or where the coverage just reaches the least allowed.

    Parameters
    ----------
    start_s, end_s : ndarray of float, shape (n,)
        Start and end of each row, seconds; `end_s` strictly rises.
    values : ndarray of float, shape (n,)
        Mean of each row.
    counts : ndarray of bool, shape (n,)
        Rows that count; a row with NaN never does.
    from_s, to_s : float
        The window lies wholly between these.
    window_s : float
        Length, above 0.
    weights : ndarray of float, shape (n,), optional
        Weight per second, above 0 where a row counts; 1 if left out. With values = VCO2/VO2 and weights = VO2
        the mean is the ratio of the means.
    least_covered_fraction : float
        Windows covered less do not count.

    Returns
    -------
    Window or None
        The earliest of the highest windows; None where no window is covered well enough.

    Raises
    ------
    ValueError
        `window_s` is not above 0.
    """
    return Running(start_s, end_s, values, counts, weights).highest(
        from_s=from_s, to_s=to_s, window_s=window_s, least_covered_fraction=least_covered_fraction
    )


def _sorted_once(values: Floats) -> Floats:
    """Values in order, each once."""
    ordered = np.sort(values)
    new = np.ones(ordered.size, dtype=np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=new[1:])
    answer: Floats = ordered[new]
    return answer
