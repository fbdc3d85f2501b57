"""How far two tests of one person lie apart when nothing but chance has changed: a site's own error of measurement.

Everything is worked out from pairs of repeated tests, the later less the earlier.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from service.analysis.change import LEVEL, PAIRS_FOR_OWN_TYPICAL_ERROR

Scale = Literal["log", "linear"]
Array = npt.NDArray[np.float64]

#: Fewest pairs from which a spread of differences can be told.
LEAST_PAIRS = 2
#: Fewest pairs in which outlying ones and growth with the mean are looked for (project's choice).
LEAST_PAIRS_FOR_SHAPE = 8
#: Tukey's fences: so many interquartile ranges beyond the quartiles.
_FENCE = 1.5
OUTLYING_RULE = (
    "Tukey's fences: a difference more than 1.5 interquartile ranges outside the quartiles (tukey_1977)"
)


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its 95 % interval.

    Attributes
    ----------
    value, ci_low, ci_high : float or None
        None where it cannot be had.
    reason : str or None
        Why not.
    """

    value: float | None
    ci_low: float | None = None
    ci_high: float | None = None
    reason: str | None = None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {one.name: getattr(self, one.name) for one in fields(self)}


@dataclass(frozen=True, slots=True)
class RepeatPair:
    """Two tests of one person, close enough for nothing to have changed.

    Attributes
    ----------
    first, second : float
        The earlier and the later value, in the unit of the quantity.
    subject : object
        Whose they are.
    first_ever : bool
        Whether the earlier one is the person's first test: the second may be better for having learned.
    order : int
        Which of the person's tests the earlier one is, from 1.
    shares : bool
        Whether the earlier test is the later one of the pair before.
    """

    first: float
    second: float
    subject: object = None
    first_ever: bool = False
    order: int = 1
    shares: bool = False


@dataclass(frozen=True, slots=True)
class Learning:
    """The mean difference in a part of the pairs.

    Attributes
    ----------
    which : str
        ``"first_ever"``, ``"later"`` or ``"order_1"`` and so on: the first test against the second, and so on.
    n : int
    mean_difference : Estimate
        Later less earlier, in the unit of the quantity, with Student's t.
    """

    which: str
    n: int
    mean_difference: Estimate

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        mean = self.mean_difference
        return {
            "which": self.which,
            "n": self.n,
            "mean_difference": mean.value,
            "mean_difference_ci_low": mean.ci_low,
            "mean_difference_ci_high": mean.ci_high,
            "reason": mean.reason,
        }


@dataclass(frozen=True, slots=True)
class Reliability:
    """What repeat pairs say about the error of measurement. Values are in the unit of the quantity unless said.

    Attributes
    ----------
    n_pairs, n_subjects : int
    df : int or None
        n_pairs - 1.
    df_effective : float or None
        Degrees of freedom that the intervals use: fewer where pairs share a test.
    mean_difference, mean_difference_percent : Estimate
        Later less earlier, also as a ratio of geometric means.
    learning : tuple of Learning
    typical_error : Estimate
    cv_percent : Estimate
        Typical error as a coefficient of variation.
    minimal_detectable_change_95, minimal_detectable_change_95_t : Estimate
        The least difference of two tests beyond error, by the normal distribution and by Student's t.
    minimal_detectable_change_95_percent : Estimate
        The same rise in per cent, from the coefficient of variation.
    icc_2_1, icc_3_1 : Estimate
    agreement_low, agreement_high : Estimate
        Limits of agreement.
    growth_with_mean : Estimate
        Rank correlation of the size of the differences with the mean of the pair.
    grows_with_mean : bool or None
    outlying : tuple of bool
        For each pair.
    outlying_rule : str
    notes : tuple of str
    """

    n_pairs: int
    n_subjects: int
    df: int | None
    df_effective: float | None
    mean_difference: Estimate
    mean_difference_percent: Estimate
    learning: tuple[Learning, ...]
    typical_error: Estimate
    cv_percent: Estimate
    minimal_detectable_change_95: Estimate
    minimal_detectable_change_95_t: Estimate
    minimal_detectable_change_95_percent: Estimate
    icc_2_1: Estimate
    icc_3_1: Estimate
    agreement_low: Estimate
    agreement_high: Estimate
    growth_with_mean: Estimate
    grows_with_mean: bool | None
    outlying: tuple[bool, ...]
    outlying_rule: str
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON form, flat: each estimate with ``_ci_low``, ``_ci_high`` and the reasons by name."""
        answer: dict[str, Any] = {}
        reasons: dict[str, str] = {}
        for one in fields(self):
            value = getattr(self, one.name)
            if isinstance(value, Estimate):
                answer |= {
                    one.name: value.value,
                    f"{one.name}_ci_low": value.ci_low,
                    f"{one.name}_ci_high": value.ci_high,
                }
                if value.reason is not None:
                    reasons[one.name] = value.reason
            elif one.name not in {"learning", "outlying"}:
                answer[one.name] = value
        answer["notes"] = list(self.notes)
        answer["learning"] = [one.as_dict() for one in self.learning]
        answer["reasons"] = reasons
        return answer


def reliability_of(pairs: Sequence[RepeatPair], *, scale: Scale = "linear") -> Reliability:
    """The error of measurement from repeat pairs.

    Parameters
    ----------
    pairs : sequence of RepeatPair
        In the order of time within a person.
    scale : {"log", "linear"}
        On which outlying pairs are looked for: that of the quantity's typical error.

    Returns
    -------
    Reliability
        What cannot be had from so few pairs is None, with the reason.

    Notes
    -----
    Typical error: the SD of the differences divided by sqrt(2) (hopkins_2000), so that a shift common to all, such as
    learning, is no part of it; interval from chi-square. Coefficient of variation:
    100 (exp(SD of ln differences / sqrt(2)) - 1). Least change beyond error: 1.96 sqrt(2) TE, and t instead of 1.96.
    Intraclass correlations with intervals by F: `intraclass`. Limits of agreement: mean difference and 1.96 SD either side,
    each with a standard error of sqrt(3/n) SD (bland_1986). Growth: Spearman's correlation of the size of the differences
    with the mean of the pair, interval by Fisher's transformation with the variance of bonett_2000.
    Where pairs share a test their differences are correlated by -1/2, and the degrees of freedom are those that
    match mean and variance of the sum of squares (satterthwaite_1946).
    """
    first = np.array([pair.first for pair in pairs], dtype=float)
    second = np.array([pair.second for pair in pairs], dtype=float)
    if not (np.isfinite(first).all() and np.isfinite(second).all()):
        raise ValueError("pairs: every value has to be a finite number")
    n = len(pairs)
    difference = second - first
    subjects = len({id(pair) if pair.subject is None else pair.subject for pair in pairs})
    df_effective = _effective_df([pair.shares for pair in pairs])
    few = None if n >= LEAST_PAIRS else f"It needs at least {LEAST_PAIRS} repeat pairs; there are {n}."
    positive = bool((first > 0).all() and (second > 0).all()) and n > 0
    ratio = np.log(second / first) if positive else np.empty(0)
    no_log = few or (
        None if positive else "A value is not above zero, so there is no coefficient of variation."
    )
    typical = _typical_error(difference, df_effective, few)
    log_error = _typical_error(ratio, df_effective, no_log)
    growth = _growth(difference, (first + second) / 2)
    tables = np.column_stack([first, second]) if n else np.empty((0, 2))
    low, high = _agreement(difference, few)
    return Reliability(
        n_pairs=n,
        n_subjects=subjects,
        df=n - 1 if n >= LEAST_PAIRS else None,
        df_effective=None if few else df_effective,
        mean_difference=mean_with_interval(difference),
        mean_difference_percent=_transformed(mean_with_interval(ratio), 1.0, no_log),
        learning=_learning(pairs, difference),
        typical_error=typical,
        cv_percent=_transformed(log_error, 1.0, no_log),
        minimal_detectable_change_95=_scaled(typical, math.sqrt(2) * _normal_quantile()),
        minimal_detectable_change_95_t=_scaled(
            typical, math.sqrt(2) * (_t_quantile(df_effective) if not few else math.nan)
        ),
        minimal_detectable_change_95_percent=_transformed(
            log_error, math.sqrt(2) * _normal_quantile(), no_log
        ),
        icc_2_1=intraclass(tables, "2,1"),
        icc_3_1=intraclass(tables, "3,1"),
        agreement_low=low,
        agreement_high=high,
        growth_with_mean=growth,
        grows_with_mean=None if growth.ci_low is None else growth.ci_low > 0,
        outlying=_outlying(ratio if scale == "log" and positive else difference),
        outlying_rule=OUTLYING_RULE,
        notes=_notes(pairs, difference, subjects, growth, df_effective),
    )


def _notes(
    pairs: Sequence[RepeatPair], difference: Array, subjects: int, growth: Estimate, df: float
) -> tuple[str, ...]:
    n = len(pairs)
    notes = []
    if n < PAIRS_FOR_OWN_TYPICAL_ERROR:
        notes.append(
            f"{n} repeat pairs; from {PAIRS_FOR_OWN_TYPICAL_ERROR} on a site may take its own typical error instead of a "
            "published one."
        )
    if n > subjects:
        notes.append(
            f"{n} pairs come from {subjects} people: the correlations count each pair as a person, so read them with care."
        )
    sharing = sum(pair.shares for pair in pairs)
    if sharing and n >= LEAST_PAIRS:
        notes.append(
            f"{sharing} of the pairs share a test with the pair before; the intervals use {df:.1f} degrees of freedom, "
            f"not {n - 1}."
        )
    ever = sum(pair.first_ever for pair in pairs)
    if ever:
        notes.append(
            f"{ever} of {n} pairs begin with the person's first test; they count, and their mean difference stands apart."
        )
    if growth.ci_low is not None and growth.ci_low > 0:
        notes.append(
            "The differences grow with the value: read the coefficient of variation, not the typical error."
        )
    if n >= LEAST_PAIRS and _no_spread(difference):
        notes.append(
            "All differences are equal. Repeated measurements always differ: look for copied values."
        )
    return tuple(notes)


# --- spread ----------------------------------------------------------------------------------------------------


def _normal_quantile() -> float:
    from scipy.special import ndtri

    return float(ndtri(0.5 + LEVEL / 2))


def _t_quantile(df: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(df, 0.5 + LEVEL / 2))


def _no_spread(values: Array) -> bool:
    size = max(1.0, float(np.abs(values).max(initial=0.0)))
    return bool(np.ptp(values) <= 1e-12 * size)


def mean_with_interval(values: Array) -> Estimate:
    """Mean with its 95 % interval by Student's t.

    Parameters
    ----------
    values : ndarray, shape (n,)
    """
    n = len(values)
    if n == 0:
        return Estimate(None, reason="There is no repeat pair.")
    mean = float(values.mean())
    if n < LEAST_PAIRS:
        return Estimate(mean, reason="One pair has no interval.")
    half = _t_quantile(n - 1) * float(values.std(ddof=1)) / math.sqrt(n)
    return Estimate(mean, mean - half, mean + half)


def _effective_df(shares: Sequence[bool]) -> float:
    """Degrees of freedom of the sum of squares of differences about their mean.

    Differences have twice the error variance; neighbours that share a test have a covariance of minus it.
    Without sharing this is n - 1.
    """
    n = len(shares)
    if n < LEAST_PAIRS or not any(shares):
        return float(max(n - 1, 0))
    covariance = 2 * np.eye(n)
    for place, shared in enumerate(shares):
        if shared and place > 0:
            covariance[place, place - 1] = covariance[place - 1, place] = -1
    centred = covariance - covariance.mean(axis=0, keepdims=True)
    return float(np.trace(centred) ** 2 / np.trace(centred @ centred))


def _typical_error(difference: Array, df: float, reason: str | None) -> Estimate:
    """SD of differences over sqrt(2); interval: value sqrt(df / chi-square)."""
    if reason is not None:
        return Estimate(None, reason=reason)
    from scipy.special import chdtri

    value = float(difference.std(ddof=1)) / math.sqrt(2)
    tail = (1 - LEVEL) / 2
    # chdtri takes the upper tail.
    return Estimate(
        value, value * math.sqrt(df / chdtri(df, tail)), value * math.sqrt(df / chdtri(df, 1 - tail))
    )


def _scaled(estimate: Estimate, factor: float) -> Estimate:
    value, low, high = estimate.value, estimate.ci_low, estimate.ci_high
    if value is None or low is None or high is None:
        return estimate
    return Estimate(factor * value, factor * low, factor * high)


def _transformed(estimate: Estimate, factor: float, reason: str | None) -> Estimate:
    """100 (exp(factor x) - 1) of an estimate on the log scale, in per cent."""
    if reason is not None and estimate.value is None:
        return Estimate(None, reason=reason)

    def one(x: float | None) -> float | None:
        return None if x is None else 100 * math.expm1(factor * x)

    return Estimate(one(estimate.value), one(estimate.ci_low), one(estimate.ci_high), estimate.reason)


# --- agreement -------------------------------------------------------------------------------------------------


def _agreement(difference: Array, reason: str | None) -> tuple[Estimate, Estimate]:
    if reason is not None:
        return Estimate(None, reason=reason), Estimate(None, reason=reason)
    n = len(difference)
    mean, sd = float(difference.mean()), float(difference.std(ddof=1))
    half = _t_quantile(n - 1) * sd * math.sqrt(3 / n)
    low, high = mean - _normal_quantile() * sd, mean + _normal_quantile() * sd
    return Estimate(low, low - half, low + half), Estimate(high, high - half, high + half)


def _growth(difference: Array, mean: Array) -> Estimate:
    """Spearman's correlation of the size of the differences, their mean taken off, with the mean of the pair."""
    n = len(difference)
    if n < LEAST_PAIRS_FOR_SHAPE:
        return Estimate(
            None,
            reason=f"Whether differences grow with the value needs at least {LEAST_PAIRS_FOR_SHAPE} pairs; there are {n}.",
        )
    size = np.abs(difference - difference.mean())
    if _no_spread(size) or _no_spread(mean):
        return Estimate(None, reason="All pairs are alike, so nothing can grow.")
    rho = float(np.corrcoef(_ranks(size), _ranks(mean))[0, 1])
    if abs(rho) >= 1 - 1e-12:
        return Estimate(rho, rho, rho)
    half = _normal_quantile() * math.sqrt((1 + rho**2 / 2) / (n - 3))
    centre = math.atanh(rho)
    return Estimate(rho, math.tanh(centre - half), math.tanh(centre + half))


def _ranks(values: Array) -> Array:
    """Rank of each value, the mean of their ranks where several are equal."""
    _, group, counts = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    ranks: Array = (2 * last - counts + 1)[group] / 2.0
    return ranks


def _outlying(difference: Array) -> tuple[bool, ...]:
    if len(difference) < LEAST_PAIRS_FOR_SHAPE:
        return (False,) * len(difference)
    low, high = np.quantile(difference, [0.25, 0.75])
    reach = _FENCE * (high - low)
    return tuple(bool(one < low - reach or one > high + reach) for one in difference)


def _learning(pairs: Sequence[RepeatPair], difference: Array) -> tuple[Learning, ...]:
    def part(which: str, chosen: list[bool]) -> Learning:
        return Learning(which, sum(chosen), mean_with_interval(difference[np.array(chosen, dtype=bool)]))

    parts = [
        part("first_ever", [pair.first_ever for pair in pairs]),
        part("later", [not pair.first_ever for pair in pairs]),
        *(
            part(f"order_{order}", [pair.order == order for pair in pairs])
            for order in sorted({pair.order for pair in pairs})
        ),
    ]
    return tuple(one for one in parts if one.n)


# --- intraclass correlation ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Of a table of n people by k trials.

    Attributes
    ----------
    between, trials, error, within : float
        Mean squares between people, between trials, of what is left, and within people.
    n, k : int
    """

    between: float
    trials: float
    error: float
    within: float
    n: int
    k: int


def mean_squares(table: npt.ArrayLike) -> MeanSquares:
    """Two-way analysis of variance without replication.

    Parameters
    ----------
    table : array_like, shape (n, k)
        A row a person, a column a trial; n and k at least 2.
    """
    x = np.asarray(table, dtype=float)
    n, k = x.shape
    if n < 2 or k < 2:
        raise ValueError("table: it has to have at least 2 rows and 2 columns")
    rows, columns, mean = x.mean(axis=1), x.mean(axis=0), x.mean()
    left = x - rows[:, None] - columns[None, :] + mean
    return MeanSquares(
        between=float(k * ((rows - mean) ** 2).sum() / (n - 1)),
        trials=float(n * ((columns - mean) ** 2).sum() / (k - 1)),
        error=float((left**2).sum() / ((n - 1) * (k - 1))),
        within=float(((x - rows[:, None]) ** 2).sum() / (n * (k - 1))),
        n=n,
        k=k,
    )


def intraclass(table: npt.ArrayLike, form: Literal["2,1", "3,1"]) -> Estimate:
    """Intraclass correlation of single measurements, with its 95 % interval.

    Parameters
    ----------
    table : array_like, shape (n, k)
        A row a person, a column a trial.
    form : {"2,1", "3,1"}
        2,1: trials are a sample and their means count (absolute agreement); 3,1: they are those there are, and a
        shift common to all does not count (consistency).

    Notes
    -----
    With the mean squares B between people, J between trials and E of error (shrout_1979):
    ICC(2,1) = (B - E) / (B + (k - 1) E + k (J - E) / n), ICC(3,1) = (B - E) / (B + (k - 1) E).
    Intervals by F as in mcgraw_1996: exact for 3,1, with Satterthwaite's degrees of freedom for 2,1.
    """
    x = np.asarray(table, dtype=float)
    if len(x) < LEAST_PAIRS:
        return Estimate(None, reason=f"It needs at least {LEAST_PAIRS} repeat pairs; there are {len(x)}.")
    squares = mean_squares(x)
    n, k = squares.n, squares.k
    b, j, e = squares.between, squares.trials, squares.error
    if _no_spread(x.mean(axis=1)) and _no_spread(x - x.mean(axis=0)):
        return Estimate(None, reason="All people have the same value, so there is no correlation.")
    denominator = b + (k - 1) * e + (k * (j - e) / n if form == "2,1" else 0.0)
    if not denominator > 0:
        return Estimate(
            None, reason="The variation between people is too small against the rest for a correlation."
        )
    value = (b - e) / denominator
    if not e > 1e-24 * (b + j):
        return Estimate(value, reason="There is no error in these pairs, so there is no interval.")
    low, high = _exact_interval(squares) if form == "3,1" else _satterthwaite_interval(squares, value)
    return Estimate(value, low, high)


def _f_quantile(numerator: float, denominator: float) -> float:
    from scipy.special import fdtri

    return float(fdtri(numerator, denominator, 0.5 + LEVEL / 2))


def _exact_interval(squares: MeanSquares) -> tuple[float, float]:
    n, k = squares.n, squares.k
    observed = squares.between / squares.error
    free, left = n - 1, (n - 1) * (k - 1)
    low, high = observed / _f_quantile(free, left), observed * _f_quantile(left, free)
    return (low - 1) / (low + k - 1), (high - 1) / (high + k - 1)


def _satterthwaite_interval(squares: MeanSquares, value: float) -> tuple[float | None, float | None]:
    n, k = squares.n, squares.k
    b, j, e = squares.between, squares.trials, squares.error
    if not value < 1:
        return None, None
    x = k * value / (n * (1 - value))
    y = 1 + k * value * (n - 1) / (n * (1 - value))
    spread = (x * j) ** 2 / (k - 1) + (y * e) ** 2 / ((n - 1) * (k - 1))
    v = (x * j + y * e) ** 2 / spread if spread > 0 else math.inf
    if not (math.isfinite(v) and v > 0):
        return None, None
    rest = k * j + (k * n - k - n) * e
    lower, upper = _f_quantile(n - 1, v), _f_quantile(v, n - 1)
    return (
        n * (b - lower * e) / (lower * rest + n * b),
        n * (upper * b - e) / (rest + n * upper * b),
    )
