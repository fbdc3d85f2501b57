"""What a group of subjects shows: each round, paired change within an arm, and differences between arms.

A change is always that of members measured in both rounds; means of different members are never subtracted. Estimates
come with 95 % intervals and without tests of significance. Whether members differ in their response to an intervention
is asked only against a comparator arm (`individual_response_sd`).
"""

import datetime as dt
import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.analysis.change import (
    Change,
    SmallestWorthwhileChange,
    TrendPoint,
    TypicalErrorUsed,
    change_between,
    quantile_95,
)
from service.quantities import Quantity

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Scale = Literal["log", "linear"]

#: Name and description of the rule of the quartiles (numpy calls it "linear").
QUANTILE_RULE = "hyndman_fan_7"
#: An arm of this name is the reference where none is named.
REFERENCE_NAMES: tuple[str, ...] = ("control", "controls", "comparator", "control group", "control arm")
#: Spread, relative to the size of the values, below which all are the same but for the last digits of arithmetic.
_NO_SPREAD = 1e-12
#: Two windows in seconds are the same within half a second, as for one person's change.
_SAME_WINDOW_S = 0.5
#: Members of an arm from which the interval of the individual-response SD can leave out 0: 1.96 sqrt(2/(n - 1)) < 1.
_LEAST_FOR_RESPONSE = 9
#: A day after every other.
_NEVER = dt.date.max.toordinal()
_NOBODY: Integers = np.empty(0, dtype=np.int64)
#: Results per body mass, whose change has two parts.
PER_BODY_MASS = frozenset({"vo2_peak_ml_kg_min", "mets_peak"})


class Member(NamedTuple):
    """A subject of the cohort.

    Attributes
    ----------
    id, code : str
    arm : str or None
    joined_on, left_on : date or None
        First and last day whose visits count, both inclusive; None is no limit.
    """

    id: str
    code: str
    arm: str | None = None
    joined_on: dt.date | None = None
    left_on: dt.date | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Members:
    """The subjects of a cohort, column by column: what tens of thousands of them are counted by.

    Attributes
    ----------
    id, code, arm, joined_on, left_on : sequence
        As of `Member`; a code is given once.
    """

    id: Sequence[str]
    code: Sequence[str]
    arm: Sequence[str | None]
    joined_on: Sequence[dt.date | None]
    left_on: Sequence[dt.date | None]

    def __len__(self) -> int:
        return len(self.id)

    def __getitem__(self, place: int) -> Member:
        return Member(
            self.id[place], self.code[place], self.arm[place], self.joined_on[place], self.left_on[place]
        )

    @property
    def limited(self) -> bool:
        """Whether any membership has a first or last day."""
        return any(self.joined_on) or any(self.left_on)


@dataclass(frozen=True, slots=True)
class Observation:
    """One result of a member.

    Attributes
    ----------
    member_id : str
    round : str or None
        As its visit names it.
    value : float
        In the unit of the quantity.
    at : tuple
        Orders the results of a member: the instant of the visit, then the order of its tests.
    date : date
        In the visit's own offset.
    test_id, visit_id : str or None
    mode, basis, method, protocol_family, effort, convention : str or None
    effective_window_s : float or None
    has_error : bool
        Whether an error finding stands on the result.
    uptake_ml_min, body_mass_kg : float or None
        The same peak in mL/min and the mass of the visit, for results per body mass.
    """

    member_id: str
    round: str | None
    value: float
    at: tuple[float, int]
    date: dt.date
    test_id: str | None = None
    visit_id: str = ""
    mode: str | None = None
    basis: str = "measured"
    method: str | None = None
    protocol_family: str | None = None
    effort: str | None = None
    convention: str | None = None
    effective_window_s: float | None = None
    has_error: bool = False
    uptake_ml_min: float | None = None
    body_mass_kg: float | None = None


class Kind(NamedTuple):
    """What many results of a cohort have in common; the attributes are those of `Observation`.

    Attributes
    ----------
    of_test : bool
        Whether it is of a test, and not of a visit alone.
    """

    round: str | None
    mode: str | None
    basis: str
    method: str | None
    protocol_family: str | None
    effort: str | None
    convention: str | None
    has_error: bool
    of_test: bool


@dataclass(frozen=True, slots=True, eq=False)
class Results:
    """Results of one quantity, column by column: what tens of thousands of them are counted by.

    Attributes
    ----------
    kinds : sequence of Kind
        By where each first comes.
    kind : array, shape (n,)
        Of each result the place in `kinds`.
    member : array, shape (n,)
        Of each result the place of its member in the members that it is given with.
    value : array, shape (n,)
        In the unit of the quantity.
    id : array, shape (n,)
        What `find` finds a result by.
    find : callable
        Gives the results of some ids, with everything that is known of each.
    day : array, shape (n,), optional
        Ordinal of the date; may be absent where no membership has a first or last day.
    more : mapping of str to array
        What a change is looked at by: ``effective_window_s``, and for results per body mass ``uptake_ml_min`` and
        ``body_mass_kg``. NaN where it is not known.
    """

    kinds: Sequence[Kind]
    kind: Integers
    member: Integers
    value: Floats
    id: Integers
    find: Callable[[Sequence[int]], list[Observation]]
    day: Integers | None = None
    more: Mapping[str, Floats] = field(default_factory=dict)

    def only(self, wanted: Flags) -> "Results":
        """Some of the results."""
        if wanted.all():
            return self
        (places,) = np.nonzero(wanted)
        return replace(
            self,
            kind=self.kind[places],
            member=self.member[places],
            value=self.value[places],
            id=self.id[places],
            day=None if self.day is None else self.day[places],
            more={name: values[places] for name, values in self.more.items()},
        )

    def whole(self, places: Integers) -> list[Observation]:
        """Some of the results, by their places, with everything that is known of each."""
        return self.find(self.id[places].tolist())

    def where(self, holds: Callable[[Kind], bool]) -> Flags:
        """For each result whether something holds of its kind."""
        return np.array([holds(kind) for kind in self.kinds], dtype=bool)[self.kind]

    def numbers(self, rows: Integers) -> list[tuple[Kind, int]]:
        """How many there are of each kind among some results, by where each first comes."""
        found, first, counts = np.unique(self.kind[rows], return_index=True, return_counts=True)
        return [(self.kinds[found[place]], int(counts[place])) for place in np.argsort(first).tolist()]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A result that counts for nothing here, and why."""

    member: Member
    observation: Observation
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """At most one counted result for each member and round.

    Attributes
    ----------
    known : Members
        In the order in which they were given.
    order : array, shape (members,)
        Their places there, by arm and code.
    rounds : tuple of str
        In their order.
    results : Results
    rows : array, shape (members, rounds)
        Which of the results is counted, by arm and code; -1 where none is.
    spans : mapping of str or None to slice
        Where the members of each arm are, by arm and code.
    left_out : tuple of LeftOut
        By member and time.
    notes : tuple of str
    """

    known: Members
    order: Integers
    rounds: tuple[str, ...]
    results: Results
    rows: Integers
    spans: Mapping[str | None, slice]
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]

    @property
    def arms(self) -> tuple[str | None, ...]:
        """Arms by name; members without one come last, as the arm None."""
        return tuple(self.spans)

    def of_arm(self, arm: str | None) -> tuple[Member, ...]:
        """The members of one arm, by code."""
        return self.members_at(self.order[self.spans[arm]])

    @property
    def members(self) -> tuple[Member, ...]:
        """All members, by arm and code."""
        return self.members_at(self.order)

    def members_at(self, places: Integers) -> tuple[Member, ...]:
        """Some members, by their places in `known`."""
        return tuple(self.known[place] for place in places.tolist())

    def rows_of_arm(self, arm: str | None, rounds: Iterable[str]) -> Integers:
        """Which results are counted of the members of one arm, in some rounds."""
        return self.rows[self.spans[arm]][:, [self.rounds.index(name) for name in rounds]]

    @property
    def counted(self) -> dict[tuple[str, str], Observation]:
        """Every counted result as a whole, by member id and round."""
        places, rounds = np.nonzero(self.rows >= 0)
        whole = self.results.whole(self.rows[places, rounds])
        return {
            (self.known.id[place], self.rounds[name]): one
            for place, name, one in zip(self.order[places].tolist(), rounds.tolist(), whole, strict=True)
        }

    def why_missing(self, wanted: Iterable[tuple[str, str]]) -> dict[tuple[str, str], str]:
        """The reason in words for each (member id, round), all of which have no counted result."""
        reasons: dict[tuple[str, str], list[str]] = defaultdict(list)
        for one in self.left_out:
            if one.observation.round is not None:
                reasons[one.observation.member_id, one.observation.round].append(one.reason)
        return {
            key: f"Round {key[1]}: {' '.join(dict.fromkeys(reasons[key]))}"
            if reasons.get(key)
            else f"No result in round {key[1]}."
            for key in wanted
        }


def in_order(rounds: Mapping[str, float]) -> tuple[str, ...]:
    """Rounds in their order: by number where all are whole numbers, else by when each first took place.

    Parameters
    ----------
    rounds : mapping of str to float
        Each round with the instant of its first visit, in seconds.
    """
    if all(name.isascii() and name.isdigit() for name in rounds):
        return tuple(sorted(rounds, key=lambda name: (int(name), name)))
    return tuple(sorted(rounds, key=lambda name: (rounds[name], name)))


def membership_fault(member: Member, day: dt.date) -> str | None:
    """Why a visit of that day does not count for the cohort, or None where it does."""
    if member.joined_on is not None and day < member.joined_on:
        return f"The visit of {day} lies before the member joined on {member.joined_on}."
    if member.left_on is not None and day > member.left_on:
        return f"The visit of {day} lies after the member left on {member.left_on}."
    return None


def outside_membership(members: Members, results: Results) -> Flags:
    """For each result whether its date does not count for the cohort; `membership_fault` has the words."""
    if results.day is None:
        return np.zeros(len(results.value), dtype=bool)
    first = np.array([0 if day is None else day.toordinal() for day in members.joined_on])
    last = np.array([_NEVER if day is None else day.toordinal() for day in members.left_on])
    outside: Flags = (results.day < first[results.member]) | (results.day > last[results.member])
    return outside


def place(members: Members, results: Results, rounds: Sequence[str], *, include_all: bool = False) -> Placed:
    """Give each member at most one counted result in each round.

    Parameters
    ----------
    members : Members
    results : Results
        Of these members, one quantity, one mode and one basis; in any order.
    rounds : sequence of str
        All rounds there are, in their order.
    include_all : bool
        Count submaximal efforts and results with an error finding too.

    Returns
    -------
    Placed

    Notes
    -----
    Of several results that could be counted the last is taken. The best of several would be biased upward, and the
    more so the more tests a member has.
    """
    order, spans = _by_arm_and_code(members)
    position = np.empty(len(members), dtype=np.int64)
    position[order] = np.arange(len(members))
    column = {name: place for place, name in enumerate(rounds)}
    of_kind = np.array(
        [0 if kind.round is None else column[kind.round] for kind in results.kinds], dtype=np.int64
    )
    cell = position[results.member] * len(rounds) + of_kind[results.kind]
    counts = results.where(lambda kind: _why_kind_not_counted(kind, include_all=include_all) is None)
    counts &= ~outside_membership(members, results)
    # The only one that could be counted in its round is; of the rest one must know more.
    alone = counts.copy()
    alone[counts] = np.bincount(cell[counts])[cell[counts]] == 1
    rows = np.full(len(members) * len(rounds), -1, dtype=np.int64)
    (plain,) = np.nonzero(alone)
    rows[cell[plain]] = plain
    (others,) = np.nonzero(~alone)
    left_out: list[LeftOut] = []
    gave_way = 0
    known: dict[int, Observation] = {}
    rest = zip(others.tolist(), results.whole(others), strict=True) if len(others) else ()
    for row, one in sorted(rest, key=lambda each: each[1].at):
        member, kind = members[results.member[row]], results.kinds[results.kind[row]]
        reason = _why_not_counted(member, kind, one.date, include_all=include_all)
        if reason is not None:
            left_out.append(LeftOut(member, one, reason))
            continue
        if (earlier := known.get(int(cell[row]))) is not None:
            gave_way += 1
            left_out.append(
                LeftOut(member, earlier, f"A later result of the same round counts ({one.date}).")
            )
        known[int(cell[row])] = one
        rows[cell[row]] = row
    place_of = {members.id[place]: row for row, place in enumerate(order.tolist())} if left_out else {}
    left_out.sort(key=lambda one: (place_of[one.observation.member_id], one.observation.at))
    counted = rows[rows >= 0]
    notes = _placing_notes(gave_way, include_all=include_all) + _comparability_notes(results, counted)
    table = rows.reshape(len(members), len(rounds))
    return Placed(members, order, tuple(rounds), results, table, spans, tuple(left_out), tuple(notes))


def _by_arm_and_code(members: Members) -> tuple[Integers, dict[str | None, slice]]:
    """Places of the members by arm (those without one last) and code, and where each arm is among them."""
    of_arm: dict[str | None, list[int]] = defaultdict(list)
    for place, arm in enumerate(members.arm):
        of_arm[arm].append(place)
    order: list[int] = []
    spans: dict[str | None, slice] = {}
    for arm in sorted(of_arm, key=lambda name: (name is None, name or "")):
        spans[arm] = slice(len(order), len(order) + len(of_arm[arm]))
        order += sorted(of_arm[arm], key=members.code.__getitem__)
    return np.array(order, dtype=np.int64), spans


def _why_not_counted(member: Member, kind: Kind, day: dt.date, *, include_all: bool) -> str | None:
    return membership_fault(member, day) or _why_kind_not_counted(kind, include_all=include_all)


def _why_kind_not_counted(kind: Kind, *, include_all: bool) -> str | None:
    if kind.round is None:
        return "Its visit names no round."
    if include_all:
        return None
    reasons = ["The effort was submaximal."] if kind.effort == "submaximal" else []
    if kind.has_error:
        reasons.append("An error finding stands on this result.")
    return " ".join(reasons) or None


def _placing_notes(gave_way: int, *, include_all: bool) -> list[str]:
    notes = []
    if gave_way:
        notes.append(
            f"{_results(gave_way)} gave way to a later one of the same member and round: of several the last counts."
        )
    if include_all:
        notes.append("Submaximal efforts and results with an error finding are counted too, as asked.")
    return notes


def _results(number: int) -> str:
    return "1 result" if number == 1 else f"{number:,} results"


def _comparability_notes(results: Results, counted: Integers) -> list[str]:
    notes = []
    families = _numbers(results, counted, "protocol_family", lambda kind: kind.of_test)
    if len(families) > 1:
        told = ", ".join(
            f"{(name or 'none recorded').replace('_', ' ')} ({number:,})" for name, number in families
        )
        notes.append(f"Results of several protocol families are counted together: {told}.")
    conventions = _numbers(results, counted, "convention", lambda kind: kind.convention is not None)
    if len(conventions) > 1:
        told = ", ".join(f"{(name or '').replace('_', ' ')} ({number:,})" for name, number in conventions)
        notes.append(f"Peaks were averaged by several conventions: {told}.")
    return notes


def _numbers(
    results: Results, counted: Integers, attribute: str, holds: Callable[[Kind], bool]
) -> list[tuple[str | None, int]]:
    """How many results have each value of an attribute, the most common first; of as many, the earliest."""
    rows = counted[results.where(holds)[counted]]
    found: Counter[str | None] = Counter()
    for kind, number in results.numbers(rows):
        found[getattr(kind, attribute)] += number
    if len(set(found.values())) < len(found):
        in_time = sorted(results.whole(rows), key=lambda one: one.at)
        found = Counter({getattr(one, attribute): found[getattr(one, attribute)] for one in in_time})
    return found.most_common()


# --- one round -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RoundSummary:
    """What the members of one arm had in one round.

    Attributes
    ----------
    round : str
    arm : str or None
    n : int
        Members with a counted value.
    mean, sd, median, q1, q3 : float or None
        Unit of the quantity; `sd` with n - 1; quartiles by the rule `QUANTILE_RULE`.
    ci_low, ci_high : float or None
        95 % interval of the mean, by Student's t.
    missing : int
        Members of the arm without a counted value in this round.
    reason : str or None
        Why something is None.
    """

    round: str
    arm: str | None
    n: int
    mean: float | None
    sd: float | None
    ci_low: float | None
    ci_high: float | None
    median: float | None
    q1: float | None
    q3: float | None
    missing: int
    reason: str | None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {name: getattr(self, name) for name in self.__slots__}


def summarise(placed: Placed) -> tuple[RoundSummary, ...]:
    """Each round and arm by itself.

    Returns
    -------
    tuple of RoundSummary
        By round, then arm; a round in which nobody has a counted value is there with n = 0.

    Notes
    -----
    The quartile at p is the value at the place 1 + (n - 1) p of the sorted values, linear between neighbours: type 7
    of hyndman_1996.
    """
    answer = []
    for name in placed.rounds:
        for arm in placed.arms:
            rows = placed.rows_of_arm(arm, [name])[:, 0]
            answer.append(_summary_of(name, arm, placed.results.value[rows[rows >= 0]], len(rows)))
    return tuple(answer)


def _summary_of(name: str, arm: str | None, values: Floats, members: int) -> RoundSummary:
    n = len(values)
    if n == 0:
        reason = "No member of the arm has a counted value in this round."
        return RoundSummary(name, arm, 0, None, None, None, None, None, None, None, members, reason)
    mean = mean_and_interval(values)
    q1, median, q3 = (float(one) for one in np.quantile(values, (0.25, 0.5, 0.75), method="linear"))
    return RoundSummary(
        name,
        arm,
        n,
        mean.value,
        mean.sd,
        mean.ci_low,
        mean.ci_high,
        median,
        q1,
        q3,
        members - n,
        mean.reason,
    )


def complete_means(placed: Placed, arm: str | None, rounds: Sequence[str]) -> tuple[RoundSummary, ...]:
    """Each of some rounds, of the members of one arm who have a counted value in all of them.

    So the means of two rounds are of the same members, and a line may join them.
    """
    rows = placed.rows_of_arm(arm, rounds)
    values = placed.results.value[rows[(rows >= 0).all(axis=1)]]
    return tuple(
        _summary_of(name, arm, np.ascontiguousarray(values[:, place]), len(rows))
        for place, name in enumerate(rounds)
    )


# --- estimates -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its 95 % interval.

    Attributes
    ----------
    value : float or None
    ci_low, ci_high : float or None
    df : float or None
        Degrees of freedom of the interval; None where it is by the normal distribution, or not to be had.
    reason : str or None
        Why the value or its interval is None.
    sd : float or None
        Of the single values, where the estimate is a mean.
    """

    value: float | None
    ci_low: float | None = None
    ci_high: float | None = None
    df: float | None = None
    reason: str | None = None
    sd: float | None = None

    def through(self, scale: Callable[[float], float]) -> "Estimate":
        """The same on another scale: each of its numbers through a rising function."""

        def each(number: float | None) -> float | None:
            return None if number is None else scale(number)

        return replace(
            self, value=each(self.value), ci_low=each(self.ci_low), ci_high=each(self.ci_high), sd=None
        )

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "value": self.value,
            "ci_low": self.ci_low,
            "ci_high": self.ci_high,
            "df": self.df,
            "reason": self.reason,
        }


def _no_spread(values: Floats) -> bool:
    return bool(np.ptp(values) <= _NO_SPREAD * max(1.0, float(np.abs(values).max())))


def mean_and_interval(values: Floats) -> Estimate:
    """The mean with its 95 % interval by Student's t: mean +- t(n - 1) sd / sqrt(n).

    Parameters
    ----------
    values : array, shape (n,)

    Returns
    -------
    Estimate
        Its `sd` has n - 1 below. No interval with fewer than two values, nor where all are the same: an interval of
        no width would claim certainty.
    """
    n = len(values)
    if n == 0:
        return Estimate(None, reason="There is no value.")
    mean = float(values.mean())
    if n == 1:
        return Estimate(mean, reason="One value has no spread, so there is no SD and no interval.")
    if _no_spread(values):
        return Estimate(
            mean,
            reason="All values are the same, so no interval can be had; look whether they were copied.",
            sd=0.0,
        )
    sd = float(values.std(ddof=1))
    half = quantile_95(n - 1) * sd / math.sqrt(n)
    return Estimate(mean, mean - half, mean + half, float(n - 1), None, sd)


def welch_difference(values: Floats, reference: Floats) -> Estimate:
    """Difference of two means that does not take their variances for equal.

    Parameters
    ----------
    values, reference : array, shape (n,) and (m,)

    Returns
    -------
    Estimate
        Mean of `values` minus mean of `reference`.

    Notes
    -----
    SE^2 = a + b with a = s1^2/n1, b = s2^2/n2; degrees of freedom (a + b)^2 / (a^2/(n1 - 1) + b^2/(n2 - 1))
    (welch_1947).
    """
    if min(len(values), len(reference)) == 0:
        return Estimate(None, reason="An arm has no member with both rounds.")
    difference = float(values.mean() - reference.mean())
    if min(len(values), len(reference)) < 2:
        return Estimate(difference, reason="No interval: an arm has only one member with both rounds.")
    if _no_spread(values) and _no_spread(reference):
        return Estimate(difference, reason="No interval: within each arm all changes are the same.")
    a = float(values.var(ddof=1)) / len(values)
    b = float(reference.var(ddof=1)) / len(reference)
    df = (a + b) ** 2 / (a**2 / (len(values) - 1) + b**2 / (len(reference) - 1))
    half = quantile_95(df) * math.sqrt(a + b)
    return Estimate(difference, difference - half, difference + half, df)


@dataclass(frozen=True, slots=True)
class BaselineAdjusted:
    """Difference between arms at the same baseline.

    Attributes
    ----------
    difference : Estimate
    slope : Estimate
        Of the later value on the earlier one, common to both arms.
    slope_difference : Estimate
        Slope of the arm minus that of the reference; the adjusted difference speaks for every baseline only where
        there is none.
    """

    difference: Estimate
    slope: Estimate
    slope_difference: Estimate


def baseline_adjusted_difference(
    before: Floats, after: Floats, reference_before: Floats, reference_after: Floats
) -> BaselineAdjusted:
    """Analysis of covariance: the later value on arm and earlier value, with one slope.

    Parameters
    ----------
    before, after : array, shape (n,)
        Of one arm, paired.
    reference_before, reference_after : array, shape (m,)
        Of the reference arm, paired.

    Returns
    -------
    BaselineAdjusted

    Notes
    -----
    Least squares of after = a + d arm + b before. With sums within arms, b = Sxy/Sxx, d = (difference of the means of
    after) - b (difference of the means of before), s^2 = residual sum of squares / (n + m - 3) and
    SE(d)^2 = s^2 (1/n + 1/m + (difference of the means of before)^2 / Sxx). With the change as outcome d is the same.
    """
    n, m = len(before), len(reference_before)
    if min(n, m) == 0:
        none = Estimate(None, reason="An arm has no member with both rounds.")
        return BaselineAdjusted(none, none, none)
    x = [before - before.mean(), reference_before - reference_before.mean()]
    y = [after - after.mean(), reference_after - reference_after.mean()]
    sxx = [float(each @ each) for each in x]
    sxy = [float(a @ b) for a, b in zip(x, y, strict=True)]
    if _no_spread(before) and _no_spread(reference_before):
        none = Estimate(
            None, reason="Within each arm all baselines are the same, so there is nothing to adjust by."
        )
        return BaselineAdjusted(none, none, none)
    slope = sum(sxy) / sum(sxx)
    apart = float(before.mean() - reference_before.mean())
    difference = float(after.mean() - reference_after.mean()) - slope * apart
    df = n + m - 3
    if df < 1:
        reason = "No interval: it needs at least four members with both rounds."
        return BaselineAdjusted(
            Estimate(difference, reason=reason),
            Estimate(slope, reason=reason),
            Estimate(None, reason=reason),
        )
    residual = np.concatenate([b - slope * a for a, b in zip(x, y, strict=True)])
    everything = np.concatenate([after, reference_after])
    if float(np.abs(residual).max()) <= _NO_SPREAD * max(1.0, float(np.abs(everything).max())):
        reason = "No interval: all values lie on parallel lines without any scatter."
        return BaselineAdjusted(
            Estimate(difference, reason=reason), Estimate(slope, reason=reason), Estimate(0.0, reason=reason)
        )
    variance = float(residual @ residual) / df
    t = quantile_95(df)
    half = t * math.sqrt(variance * (1 / n + 1 / m + apart**2 / sum(sxx)))
    half_slope = t * math.sqrt(variance / sum(sxx))
    return BaselineAdjusted(
        Estimate(difference, difference - half, difference + half, float(df)),
        Estimate(slope, slope - half_slope, slope + half_slope, float(df)),
        _slope_difference(x, y, sxx, sxy),
    )


def _slope_difference(
    x: Sequence[Floats], y: Sequence[Floats], sxx: Sequence[float], sxy: Sequence[float]
) -> Estimate:
    """Slope in the first group minus slope in the second, each with its own line."""
    if min(len(each) for each in x) < 2 or any(_no_spread(each) for each in x):
        return Estimate(
            None, reason="An arm has no slope of its own: it needs two members with different baselines."
        )
    slopes = [a / b for a, b in zip(sxy, sxx, strict=True)]
    difference = slopes[0] - slopes[1]
    df = sum(len(each) for each in x) - 4
    if df < 1:
        return Estimate(difference, reason="No interval: it needs at least five members with both rounds.")
    residual = np.concatenate([b - slope * a for slope, a, b in zip(slopes, x, y, strict=True)])
    half = quantile_95(df) * math.sqrt(float(residual @ residual) / df * (1 / sxx[0] + 1 / sxx[1]))
    if half == 0:
        return Estimate(
            difference, reason="No interval: all values lie on the two lines without any scatter."
        )
    return Estimate(difference, difference - half, difference + half, float(df))


def individual_response_sd(changes: Floats, reference_changes: Floats) -> Estimate:
    """How much members differ in their response, beyond what the reference arm varies anyway.

    Parameters
    ----------
    changes : array, shape (n,)
        Changes in the arm with the intervention.
    reference_changes : array, shape (m,)
        Changes in the reference arm.

    Returns
    -------
    Estimate
        Signed: below zero where the reference arm varies more, in which case no differences in response are shown.

    Notes
    -----
    V = s1^2 - s2^2, SD = sign(V) sqrt(|V|) (atkinson_2015). Interval: V +- 1.96 sqrt(2 (s1^4/(n - 1) + s2^4/(m - 1))),
    each limit then through the same signed root (hopkins_2015). It is an approximation by the normal distribution,
    and it takes for granted that without the intervention the arm would vary as the reference arm does.
    """
    n, m = len(changes), len(reference_changes)
    if min(n, m) < 2:
        return Estimate(
            None, reason="It needs at least two members with both rounds in each of the two arms."
        )
    first = 0.0 if _no_spread(changes) else float(changes.var(ddof=1))
    second = 0.0 if _no_spread(reference_changes) else float(reference_changes.var(ddof=1))
    variance = first - second
    error = math.sqrt(2 * (first**2 / (n - 1) + second**2 / (m - 1)))
    if error == 0:
        return Estimate(None, reason="Within each arm all changes are the same.")
    half = quantile_95(None) * error
    return Estimate(_signed_root(variance), _signed_root(variance - half), _signed_root(variance + half))


def _signed_root(value: float) -> float:
    return math.copysign(math.sqrt(abs(value)), value)


def _percent(log_ratio: float) -> float:
    """A difference of logarithms as per cent."""
    return 100 * math.expm1(log_ratio)


def _percent_sd(log_sd: float) -> float:
    """An SD of logarithms as a coefficient of variation, its sign kept."""
    return math.copysign(100 * math.expm1(abs(log_sd)), log_sd)


# --- change between two rounds ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Missing:
    """A member who is not in a paired change, and why."""

    member: Member
    reason: str


@dataclass(frozen=True, slots=True)
class Pair:
    """A member with a counted result in both rounds, as a whole."""

    member: Member
    earlier: Observation
    later: Observation

    @property
    def change(self) -> float:
        """Later minus earlier, unit of the quantity."""
        return self.later.value - self.earlier.value


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Members with a counted result in both rounds.

    Attributes
    ----------
    members : array, shape (n,)
        Their places in `Placed.known`.
    earlier, later : array, shape (n,)
        Places of their results.
    """

    members: Integers
    earlier: Integers
    later: Integers

    def __len__(self) -> int:
        return len(self.members)


@dataclass(frozen=True, slots=True)
class ArmChange:
    """Paired change within one arm.

    Attributes
    ----------
    arm : str or None
    pairs : Pairs
    change : Estimate
        Mean change with its SD.
    percent : Estimate or None
        Mean change of the logarithm, back-transformed to per cent; None where the answer has no per cent.
    from_mean, to_mean : float or None
        Of these members alone.
    parts : mapping of str to Estimate, or None
        For results per body mass: mean change of ``uptake_ml_min`` and of ``body_mass_kg`` in the same members.
    missing : tuple of Missing
    """

    arm: str | None
    pairs: Pairs
    change: Estimate
    percent: Estimate | None
    from_mean: float | None
    to_mean: float | None
    parts: Mapping[str, Estimate] | None
    missing: tuple[Missing, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON form, without the single members."""
        return {
            "arm": self.arm,
            "n": len(self.pairs),
            "mean": self.change.value,
            "sd": self.change.sd,
            "ci_low": self.change.ci_low,
            "ci_high": self.change.ci_high,
            "df": self.change.df,
            **_percent_fields(self.percent),
            "from_mean": self.from_mean,
            "to_mean": self.to_mean,
            "parts": None
            if self.parts is None
            else {name: estimate.as_dict() for name, estimate in self.parts.items()},
            "missing": [
                {"subject_id": one.member.id, "code": one.member.code, "reason": one.reason}
                for one in self.missing
            ],
            "reason": self.change.reason,
        }


def _percent_fields(percent: Estimate | None) -> dict[str, float | None]:
    return {
        "percent": None if percent is None else percent.value,
        "percent_ci_low": None if percent is None else percent.ci_low,
        "percent_ci_high": None if percent is None else percent.ci_high,
    }


@dataclass(frozen=True, slots=True)
class Comparison:
    """One arm against the reference.

    Attributes
    ----------
    arm, reference_arm : str or None
    difference, baseline_adjusted, response_sd : Estimate
        Arm minus reference, in the unit of the quantity.
    difference_percent, baseline_adjusted_percent, response_sd_percent : Estimate or None
        The same from logarithms.
    slope, slope_difference : Estimate
        Of the adjustment.
    sentence : str or None
        What the individual-response SD says.
    """

    arm: str | None
    reference_arm: str | None
    difference: Estimate
    difference_percent: Estimate | None
    baseline_adjusted: Estimate
    baseline_adjusted_percent: Estimate | None
    slope: Estimate
    slope_difference: Estimate
    response_sd: Estimate
    response_sd_percent: Estimate | None
    sentence: str | None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        whose = {"arm": self.arm, "reference_arm": self.reference_arm}
        return {
            "difference": {
                **whose,
                **self.difference.as_dict(),
                **_percent_fields(self.difference_percent),
            },
            "baseline_adjusted": {
                **whose,
                **self.baseline_adjusted.as_dict(),
                **_percent_fields(self.baseline_adjusted_percent),
                "slope": self.slope.as_dict(),
                "slope_difference": self.slope_difference.as_dict(),
            },
            "individual_response_sd": {
                **whose,
                **self.response_sd.as_dict(),
                **_percent_fields(self.response_sd_percent),
                "shown": None if self.response_sd.ci_low is None else self.response_sd.ci_low > 0,
                "sentence": self.sentence,
            },
        }


def no_comparison(reason: str) -> Comparison:
    """A comparison that cannot be had."""
    none = Estimate(None, reason=reason)
    return Comparison(None, None, none, None, none, None, none, none, none, None, None)


@dataclass(frozen=True, slots=True)
class CohortChange:
    """What became of the members between two rounds.

    Attributes
    ----------
    placed : Placed
        What it was worked out from.
    arms : tuple of ArmChange
    reference_arm : str or None
    comparisons : tuple of Comparison
        Every other named arm against the reference.
    percent_reason : str or None
        Why nothing is given in per cent.
    notes : tuple of str
    """

    placed: Placed
    arms: tuple[ArmChange, ...]
    reference_arm: str | None
    comparisons: tuple[Comparison, ...]
    percent_reason: str | None
    notes: tuple[str, ...]

    def comparison(self, arm: str | None = None) -> Comparison:
        """The one of `arm`, or the only one; else one that says why there is none."""
        if not self.comparisons:
            named = [one.arm for one in self.arms if one.arm is not None]
            return no_comparison(
                "There is no second arm to compare with. A change without a comparator holds the error of measurement, "
                "regression to the mean and everything else that happened; it is no response."
                if len(named) < 2
                else "No arm is left to compare with the reference."
            )
        if arm is None and len(self.comparisons) == 1:
            return self.comparisons[0]
        for one in self.comparisons:
            if arm is not None and one.arm == arm:
                return one
        names = ", ".join(str(one.arm) for one in self.comparisons)
        return no_comparison(f"There are several arms: name the one to compare ({names}).")


def reference_of(arms: Sequence[str | None], asked: str | None = None) -> tuple[str | None, str | None]:
    """The reference arm, and the sentence that says how it came to be.

    Parameters
    ----------
    arms : sequence of str or None
    asked : str, optional
        An arm of the cohort.

    Returns
    -------
    tuple
        (arm, sentence); the arm is None where fewer than two arms have a name.
    """
    named = [arm for arm in arms if arm is not None]
    if len(named) < 2:
        return None, None
    if asked is not None:
        return asked, f"Differences are against the arm {asked}, as asked."
    for arm in named:
        if arm.strip().casefold() in REFERENCE_NAMES:
            return (
                arm,
                f"Differences are against the arm {arm}, by its name; another can be chosen.",
            )
    return named[0], (
        f"Differences are against the arm {named[0]}, the first by name, since none is called control; "
        "another can be chosen."
    )


def change_between_rounds(
    placed: Placed, quantity: Quantity, earlier: str, later: str, *, reference_arm: str | None = None
) -> CohortChange:
    """Paired change within each arm, and each arm against the reference.

    Parameters
    ----------
    placed : Placed
    quantity : Quantity
        Per cent, from logarithms, are given beside where its typical error is in per cent.
    earlier, later : str
        Rounds.
    reference_arm : str, optional
        An arm of the cohort; see `reference_of` for what is taken without it.

    Returns
    -------
    CohortChange
    """
    pairs: dict[str | None, Pairs] = {}
    missing: dict[str | None, tuple[Missing, ...]] = {}
    for arm, span in placed.spans.items():
        rows = placed.rows_of_arm(arm, (earlier, later))
        both = (rows >= 0).all(axis=1)
        pairs[arm] = Pairs(placed.order[span][both], rows[both, 0], rows[both, 1])
        missing[arm] = _missing(placed, placed.order[span], rows, (earlier, later))
    everyone = Pairs(
        *(
            np.concatenate([getattr(several, name) for several in pairs.values()] or [_NOBODY])
            for name in ("members", "earlier", "later")
        )
    )
    results = placed.results
    percent_reason = _no_percent(quantity, *_values(results, everyone))
    log = percent_reason is None
    arms = tuple(
        _arm_change(results, quantity, arm, pairs[arm], missing[arm], percent=log) for arm in placed.arms
    )
    reference, said = reference_of(placed.arms, reference_arm)
    comparisons: tuple[Comparison, ...] = ()
    if reference is not None:
        comparisons = tuple(
            _compare(results, quantity, arm, pairs[arm], reference, pairs[reference], percent=log)
            for arm in placed.arms
            if arm not in {None, reference}
        )
    notes = [said] if said is not None else []
    notes += _change_notes(placed, arms, comparisons)
    notes += _pair_notes(results, everyone)
    return CohortChange(placed, arms, reference, comparisons, percent_reason, tuple(notes))


def _missing(placed: Placed, members: Integers, rows: Integers, rounds: Sequence[str]) -> tuple[Missing, ...]:
    """Those of some members who have no counted result in one of two rounds, each with the reasons."""
    wanted: dict[int, list[tuple[str, str]]] = defaultdict(list)
    lacking, columns = np.nonzero(rows < 0)
    for place, column in zip(members[lacking].tolist(), columns.tolist(), strict=True):
        wanted[place].append((placed.known.id[place], rounds[column]))
    why = placed.why_missing(key for several in wanted.values() for key in several) if wanted else {}
    return tuple(
        Missing(placed.known[place], " ".join(why[key] for key in several))
        for place, several in wanted.items()
    )


def _no_percent(quantity: Quantity, before: Floats, after: Floats) -> str | None:
    if quantity.typical_error is None or quantity.typical_error.scale != "log":
        return "Nothing is given in per cent: the typical error of this quantity is not one in per cent."
    if (before <= 0).any() or (after <= 0).any():
        return "Nothing is given in per cent: a value is not above zero, so it has no logarithm."
    return None


def _values(results: Results, pairs: Pairs, *, log: bool = False) -> tuple[Floats, Floats]:
    before, after = results.value[pairs.earlier], results.value[pairs.later]
    return (np.log(before), np.log(after)) if log else (before, after)


def _arm_change(
    results: Results,
    quantity: Quantity,
    arm: str | None,
    pairs: Pairs,
    missing: tuple[Missing, ...],
    *,
    percent: bool,
) -> ArmChange:
    before, after = _values(results, pairs)
    change = mean_and_interval(after - before)
    if not len(pairs):
        change = replace(change, reason="No member of the arm has a counted value in both rounds.")
    elif len(pairs) == 1:
        change = replace(change, reason="No SD and no interval: one member has both rounds.")
    elif change.ci_low is None:
        change = replace(
            change, reason="No interval: all changes are the same; look whether values were copied."
        )
    in_percent = None
    if percent and len(pairs):
        log_before, log_after = _values(results, pairs, log=True)
        in_percent = mean_and_interval(log_after - log_before).through(_percent)
    return ArmChange(
        arm,
        pairs,
        change,
        in_percent,
        float(before.mean()) if len(pairs) else None,
        float(after.mean()) if len(pairs) else None,
        _arm_parts(results, pairs) if quantity.key in PER_BODY_MASS else None,
        missing,
    )


def _arm_parts(results: Results, pairs: Pairs) -> dict[str, Estimate]:
    answer = {}
    for name in ("uptake_ml_min", "body_mass_kg"):
        changes = results.more[name][pairs.later] - results.more[name][pairs.earlier]
        unknown = int(np.isnan(changes).sum())
        if unknown:
            answer[name] = Estimate(None, reason=f"It is not known of {unknown} of these members.")
        else:
            answer[name] = mean_and_interval(changes)
    return answer


def _compare(
    results: Results,
    quantity: Quantity,
    arm: str | None,
    pairs: Pairs,
    reference_arm: str | None,
    reference: Pairs,
    *,
    percent: bool,
) -> Comparison:
    def on(*, log: bool) -> tuple[Estimate, BaselineAdjusted, Estimate]:
        before, after = _values(results, pairs, log=log)
        reference_before, reference_after = _values(results, reference, log=log)
        changes, reference_changes = after - before, reference_after - reference_before
        return (
            welch_difference(changes, reference_changes),
            baseline_adjusted_difference(before, after, reference_before, reference_after),
            individual_response_sd(changes, reference_changes),
        )

    difference, adjusted, response = on(log=False)
    in_percent: tuple[Estimate | None, Estimate | None, Estimate | None] = (None, None, None)
    if percent:
        log_difference, log_adjusted, log_response = on(log=True)
        in_percent = (
            log_difference.through(_percent),
            log_adjusted.difference.through(_percent),
            log_response.through(_percent_sd),
        )
    return Comparison(
        arm,
        reference_arm,
        difference,
        in_percent[0],
        adjusted.difference,
        in_percent[1],
        adjusted.slope,
        adjusted.slope_difference,
        response,
        in_percent[2],
        response_sentence(quantity, arm, reference_arm, response, len(pairs)),
    )


def response_sentence(
    quantity: Quantity, arm: str | None, reference_arm: str | None, response: Estimate, members: int
) -> str | None:
    """What an individual-response SD says, or None where there is none.

    Parameters
    ----------
    quantity : Quantity
    arm, reference_arm : str or None
    response : Estimate
    members : int
        In `arm`, with both rounds.
    """
    low, high, value = response.ci_low, response.ci_high, response.value
    if low is None or high is None or value is None:
        return None
    digits = quantity.decimals + 1
    span = (
        f"{value:.{digits}f} (95 % interval {low:.{digits}f} to {high:.{digits}f}) {quantity.unit}".rstrip()
    )
    if low > 0:
        return (
            f"Changes in {arm} vary more than in {reference_arm} by more than chance: members differ in their response "
            f"with an SD of {span}, if without the intervention they would have varied as {reference_arm} did. "
            "Who of them responded more is not said by this."
        )
    if high < 0:
        return (
            f"Changes in {arm} vary less than in {reference_arm}: the individual-response SD is {span}. "
            "Differences in response are not shown."
        )
    few = (
        f" With {members} members in {arm} this interval cannot but hold 0: it needs at least {_LEAST_FOR_RESPONSE}."
        if members < _LEAST_FOR_RESPONSE
        else ""
    )
    return f"The individual-response SD is {span}; the interval holds 0, so differences in response are not shown.{few}"


def _change_notes(placed: Placed, arms: Sequence[ArmChange], comparisons: Sequence[Comparison]) -> list[str]:
    notes = []
    without = sum(len(one.pairs) + len(one.missing) for one in arms if one.arm is None)
    if without and len(placed.arms) > 1:
        notes.append(f"{without:,} of the members are in no arm; they are not compared with any.")
    if len(comparisons) > 1:
        notes.append("Several arms are compared; each interval is 95 % by itself.")
    missing = sum(len(one.missing) for one in arms)
    if missing:
        notes.append(
            f"{missing:,} of {len(placed.known):,} members lack a counted value in one of the rounds and are not in "
            "these numbers. Who stays away is seldom a matter of chance: the others need not stand for them."
        )
    for one in comparisons:
        low, high = one.slope_difference.ci_low, one.slope_difference.ci_high
        if low is not None and high is not None and (low > 0 or high < 0):
            notes.append(
                f"The lines of {one.arm} and {one.reference_arm} are not parallel: how far the arms differ depends on the "
                "baseline, and the adjusted difference holds at the mean baseline."
            )
    return notes


def _pair_notes(results: Results, pairs: Pairs) -> list[str]:
    """In how many pairs the two results are not alike in a way that moves them."""
    kind_before, kind_after = results.kind[pairs.earlier], results.kind[pairs.later]

    def differ(of_kind: Callable[[Kind], str | bool | None]) -> Flags:
        known: dict[str | bool | None, int] = {}
        code = np.array([known.setdefault(of_kind(kind), len(known)) for kind in results.kinds], dtype=int)
        differs: Flags = code[kind_before] != code[kind_after]
        return differs

    windows = results.more["effective_window_s"]
    apart = np.abs(windows[pairs.earlier] - windows[pairs.later]) > _SAME_WINDOW_S
    convention = differ(lambda kind: kind.convention)
    in_breaths = results.where(lambda kind: kind.convention in {"moving_breaths", "trimmed_breaths"})
    found = {
        "protocol family": differ(lambda kind: kind.protocol_family),
        "averaging convention": convention,
        "averaging window": apart & ~convention & ~in_breaths[pairs.earlier],
        "effort, one being submaximal": differ(lambda kind: kind.effort == "submaximal"),
    }
    told = [
        (int(differs.argmax()), what, int(differs.sum())) for what, differs in found.items() if differs.any()
    ]
    # What comes first among the pairs is told first.
    return [
        f"In {number:,} of {len(pairs):,} pairs the two results differ in {what}; part of the change may come from that."
        for _, what, number in sorted(told, key=lambda each: each[0])
    ]


# --- single members --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MemberLine:
    """One member between two rounds.

    Attributes
    ----------
    pair : Pair
    beyond_reference : float or None
        Its change minus the mean change of the reference arm; None for members of that arm and without one.
    true_change : Change
        The change against the error of measurement, with the chances of a true change of this one person.
    """

    pair: Pair
    beyond_reference: float | None
    true_change: Change

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        pair = self.pair
        return {
            "subject_id": pair.member.id,
            "code": pair.member.code,
            "arm": pair.member.arm,
            "from_test_id": pair.earlier.test_id,
            "from_date": pair.earlier.date.isoformat(),
            "from_value": pair.earlier.value,
            "to_test_id": pair.later.test_id,
            "to_date": pair.later.date.isoformat(),
            "to_value": pair.later.value,
            "change": pair.change,
            "change_beyond_reference": self.beyond_reference,
            "true_change": self.true_change.as_dict(),
        }


def member_lines(
    change: CohortChange,
    quantity: Quantity,
    *,
    typical_error: TypicalErrorUsed | None,
    smallest_worthwhile_change: SmallestWorthwhileChange | None = None,
    absolute_typical_error: TypicalErrorUsed | None = None,
) -> tuple[MemberLine, ...]:
    """Every paired member by itself.

    Parameters
    ----------
    change : CohortChange
    quantity : Quantity
    typical_error : TypicalErrorUsed or None
    smallest_worthwhile_change : SmallestWorthwhileChange, optional
        None gives no chances.
    absolute_typical_error : TypicalErrorUsed, optional
        Of uptake in mL/min, for results per body mass; default: the published one.

    Returns
    -------
    tuple of MemberLine
        By arm and code.
    """
    placed = change.placed
    means = {one.arm: one.change.value for one in change.arms}
    reference = change.reference_arm
    answer: list[MemberLine] = []
    for arm in change.arms:
        expected = means[reference] if reference is not None and arm.arm not in {None, reference} else None
        answer.extend(
            MemberLine(
                pair,
                None if expected is None else pair.change - expected,
                change_between(
                    quantity,
                    _point(pair.earlier),
                    _point(pair.later),
                    typical_error=typical_error,
                    smallest_worthwhile_change=smallest_worthwhile_change,
                    absolute_typical_error=absolute_typical_error,
                ),
            )
            for pair in _whole(placed, arm.pairs)
        )
    return tuple(answer)


def _whole(placed: Placed, pairs: Pairs) -> Iterable[Pair]:
    members = placed.members_at(pairs.members)
    return map(Pair, members, placed.results.whole(pairs.earlier), placed.results.whole(pairs.later))


def _point(one: Observation) -> TrendPoint:
    return TrendPoint(
        test_id=one.test_id,
        visit_id=one.visit_id,
        date=one.date.isoformat(),
        instant_s=one.at[0],
        value=one.value,
        mode=one.mode,
        basis=one.basis,
        protocol_family=one.protocol_family,
        value_absolute=one.uptake_ml_min,
        body_mass_kg=one.body_mass_kg,
        method=one.method,
        effort=one.effort,
        convention=one.convention,
        effective_window_s=one.effective_window_s,
        has_error=one.has_error,
    )
