"""What a person's next tests could show: the change that would be beyond error, and how many tests a change needs.

Every figure is about one person and the error of measurement alone.
"""

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

from service.analysis.change import TypicalErrorUsed

#: Tests averaged each time, at most (project's choice: nobody is tested more often than that for one answer).
MOST_TESTS = 20
#: Tests before and after that an answer lists.
USUAL_NUMBERS: tuple[tuple[int, int], ...] = ((1, 1), (1, 2), (2, 2), (3, 3))
#: Chance of seeing a true change that is asked for where none is named (common practice, no source).
CHANCE = 0.8
SOURCE = (
    "The error of the difference of two means is the typical error times sqrt(1/before + 1/after) (hopkins_2000); the chance "
    "of a 95 % interval without 0 is that of a normal distribution, or of non-central t for the site's own error."
)


@dataclass(frozen=True, slots=True)
class Detectable:
    """The least change that is beyond error.

    Attributes
    ----------
    tests_before, tests_after : int
        Averaged each time.
    rise, fall : float
        From the value, in the unit of the quantity; `fall` is below zero.
    rise_percent, fall_percent : float or None
        Of the value; None where that is not above zero.
    """

    tests_before: int
    tests_after: int
    rise: float
    fall: float
    rise_percent: float | None
    fall_percent: float | None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "tests_before": self.tests_before,
            "tests_after": self.tests_after,
            "rise": self.rise,
            "fall": self.fall,
            "rise_percent": self.rise_percent,
            "fall_percent": self.fall_percent,
        }


@dataclass(frozen=True, slots=True)
class NeededTests:
    """How many tests a change needs.

    Attributes
    ----------
    tests_each_time : int or None
        The fewest tests before and as many after; None where 20 are too few.
    chance : float or None
        That the interval excludes 0 with so many, where the true change is that one.
    chance_with_one : float
        The same with one test each time.
    """

    tests_each_time: int | None
    chance: float | None
    chance_with_one: float

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "tests_each_time": self.tests_each_time,
            "chance": self.chance,
            "chance_with_one": self.chance_with_one,
        }


def _error(typical_error: TypicalErrorUsed, before: int, after: int) -> float:
    """SD of the difference of two means, on the scale of the typical error."""
    if min(before, after) < 1:
        raise ValueError(f"{before} and {after} tests: at least one each time")
    return typical_error.sd * math.sqrt(1 / before + 1 / after)


def detectable_change(
    value: float, typical_error: TypicalErrorUsed, *, before: int = 1, after: int = 1
) -> Detectable | None:
    """The change from `value` at which the 95 % interval of the change just excludes 0.

    Parameters
    ----------
    value : float
        In the unit of the quantity.
    typical_error : TypicalErrorUsed
    before, after : int
        Tests averaged each time (geometric mean where the typical error is in per cent).

    Returns
    -------
    Detectable or None
        None where the typical error is in per cent and `value` is not above zero.

    Notes
    -----
    q TE sqrt(1/before + 1/after), q 1.96, or Student's t with the degrees of freedom of an own error (hopkins_2000);
    on logarithms value (exp(q sd sqrt(1/before + 1/after)) - 1) up, and with a minus down.
    """
    half = typical_error.quantile * _error(typical_error, before, after)
    if typical_error.scale == "linear":
        rise, fall = half, -half
    elif value > 0:
        rise, fall = value * math.expm1(half), value * math.expm1(-half)
    else:
        return None
    percent = 100 / value if value > 0 else None
    return Detectable(
        before,
        after,
        rise,
        fall,
        None if percent is None else percent * rise,
        None if percent is None else percent * fall,
    )


def chance_of_seeing(
    value: float, change: float, typical_error: TypicalErrorUsed, *, before: int = 1, after: int = 1
) -> float | None:
    """Chance (0-1) that the 95 % interval lies on the side of a true change and excludes 0.

    Parameters
    ----------
    value, change : float
        In the unit of the quantity; the change is not 0.
    typical_error : TypicalErrorUsed
    before, after : int

    Returns
    -------
    float or None
        None where the typical error is in per cent and a value is not above zero.

    Notes
    -----
    F(|d| / s - 1.96), F the normal distribution and s the error of the difference; for an own error with n degrees of
    freedom 1 - G(t; n, |d| / s), G the non-central t distribution and t its 97.5 % quantile at no change.
    """
    if change == 0:
        raise ValueError("a change of 0 cannot be seen")
    if typical_error.scale == "linear":
        shift = abs(change)
    elif value > 0 and value + change > 0:
        shift = abs(math.log1p(change / value))
    else:
        return None
    in_errors = shift / _error(typical_error, before, after)
    if typical_error.df is None:
        return NormalDist().cdf(in_errors - typical_error.quantile)
    from scipy.special import nctdtr

    return 1 - float(nctdtr(typical_error.df, in_errors, typical_error.quantile))


def needed_tests(
    value: float, change: float, typical_error: TypicalErrorUsed, *, chance: float = CHANCE
) -> NeededTests | None:
    """The fewest tests, as many before as after, that leave a true change this chance of being seen.

    Parameters
    ----------
    value, change : float
        In the unit of the quantity.
    typical_error : TypicalErrorUsed
    chance : float
        0.5 up to, not including, 1.

    Returns
    -------
    NeededTests or None
        None where the typical error is in per cent and a value is not above zero.
    """
    if not 0.5 <= chance < 1:
        raise ValueError(f"a chance of {chance!r}: it lies from 0.5 up to, not including, 1")
    one = chance_of_seeing(value, change, typical_error)
    if one is None:
        return None
    for number in range(1, MOST_TESTS + 1):
        reached = chance_of_seeing(value, change, typical_error, before=number, after=number)
        if reached is not None and reached >= chance:
            return NeededTests(number, reached, one)
    return NeededTests(None, None, one)
