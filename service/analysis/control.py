"""Statistical control of measurements that come one at a time: whether a device has shifted.

A chart of individual values: the mean of a baseline, and limits from how far neighbouring values lie apart, so that a
slow drift does not widen them.
"""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import date
from types import MappingProxyType
from typing import Any, Literal

Rule = Literal["beyond_limit", "two_of_three", "four_of_five", "eight_on_one_side"]

#: Expected range of two values of a normal distribution in standard deviations (d2, as tabulated).
D2 = 1.128
#: Upper limit of a moving range in mean moving ranges (D4 of two values, as tabulated).
D4 = 3.267
#: Values of the baseline where none is stated, and the fewest that make limits (five: revill_2000).
BASELINE_COUNT = 10
LEAST_BASELINE = 5
#: Fewer than so many make provisional limits (common practice, no one source).
SETTLED_BASELINE = 20
#: So many in a row without a signal end a shift (project's choice).
IN_CONTROL_RUN = 3

#: How many standard deviations from the mean, how many of how many values on one side, in words.
RULES: Mapping[Rule, tuple[float, int, int, str]] = MappingProxyType(
    {
        "beyond_limit": (3.0, 1, 1, "one value beyond a limit, 3 standard deviations from the mean"),
        "two_of_three": (2.0, 2, 3, "two of three in a row beyond 2 standard deviations on one side"),
        "four_of_five": (1.0, 4, 5, "four of five in a row beyond 1 standard deviation on one side"),
        "eight_on_one_side": (0.0, 8, 8, "eight in a row on one side of the mean"),
    }
)
_LONGEST_RUN = max(among for _, _, among, _ in RULES.values())
SOURCE = "individuals chart as in nist_2012 (6.3.2.2), run rules of western_electric_1956"

#: What statements on exercise laboratories name for a biological control.
PUBLISHED_PERCENT_LOW, PUBLISHED_PERCENT_HIGH = 5.0, 7.0
PUBLISHED_SOURCE = (
    "ats_accp_2003 (value from memory): look at the system where a known person is more than 5 to 7 % off; "
    "porszasz_2016 accepted a coefficient of variation within 10 %"
)


@dataclass(frozen=True, slots=True)
class ControlPoint:
    """One measurement of a control.

    Attributes
    ----------
    id : str
        What it is called on the wire.
    on : date
    value : float
    """

    id: str
    on: date
    value: float


@dataclass(frozen=True, slots=True)
class JudgedPoint:
    """One measurement against the limits.

    Attributes
    ----------
    id, on, value
        As given.
    moving_range : float or None
        Distance to the value before.
    percent_from_mean : float or None
    in_baseline : bool
    beyond_published : bool or None
        Whether it lies more than the lower published per cent from the mean; None where that rule does not apply.
    signals : tuple of str
        Rules that are met with this value as the last; never within the baseline but `beyond_limit`.
    """

    id: str
    on: date
    value: float
    moving_range: float | None
    percent_from_mean: float | None
    in_baseline: bool
    beyond_published: bool | None
    signals: tuple[Rule, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {**asdict(self), "on": self.on.isoformat(), "signals": list(self.signals)}


@dataclass(frozen=True, slots=True)
class Shift:
    """A time in which a device was out of control.

    Attributes
    ----------
    signal_on : date
    rules : tuple of str
        Met at the first signal.
    direction : {"above", "below"}
    last_in_control_on : date or None
        The last measurement before it without a signal: the shift may have begun from then on.
    ended_on : date or None
        The event of the device, or the last of three measurements in a row without a signal; None while it lasts.
    ended_by : {"event", "in_control"} or None
    """

    signal_on: date
    rules: tuple[Rule, ...]
    direction: Literal["above", "below"]
    last_in_control_on: date | None
    ended_on: date | None = None
    ended_by: Literal["event", "in_control"] | None = None

    def covers(self, day: date) -> bool:
        """Whether a test on `day` came with or after the signal and before the day of the end."""
        return self.signal_on <= day and (self.ended_on is None or day < self.ended_on)

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        answer = asdict(self) | {"rules": list(self.rules)}
        for name in ("signal_on", "last_in_control_on", "ended_on"):
            day = answer[name]
            answer[name] = None if day is None else day.isoformat()
        return answer


@dataclass(frozen=True, slots=True)
class ControlChart:
    """A chart of individual values.

    Attributes
    ----------
    n, n_baseline : int
    baseline_from, baseline_to : date or None
    mean, sd, lower_limit, upper_limit : float or None
        `sd` is mean moving range / 1.128; None without limits.
    moving_range_mean, moving_range_limit : float or None
    published_low, published_high : float or None
        The narrower published limits about the mean; None where that rule does not apply.
    in_control : bool or None
        Whether no shift lasts at the last measurement; None without limits.
    points : tuple of JudgedPoint
    shifts : tuple of Shift
    reason : str or None
        Why there are no limits.
    notes : tuple of str
    """

    n: int
    n_baseline: int
    baseline_from: date | None = None
    baseline_to: date | None = None
    mean: float | None = None
    sd: float | None = None
    lower_limit: float | None = None
    upper_limit: float | None = None
    moving_range_mean: float | None = None
    moving_range_limit: float | None = None
    published_low: float | None = None
    published_high: float | None = None
    in_control: bool | None = None
    points: tuple[JudgedPoint, ...] = ()
    shifts: tuple[Shift, ...] = ()
    reason: str | None = None
    notes: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        answer = {one.name: getattr(self, one.name) for one in fields(self)}
        for name in ("baseline_from", "baseline_to"):
            answer[name] = None if answer[name] is None else answer[name].isoformat()
        return answer | {
            "points": [one.as_dict() for one in self.points],
            "shifts": [one.as_dict() for one in self.shifts],
            "notes": list(self.notes),
            "rules": {rule: words for rule, (*_, words) in RULES.items()},
            "source": SOURCE,
            "published_rule": None if self.published_low is None else PUBLISHED_SOURCE,
        }


def control_chart(
    points: Sequence[ControlPoint],
    *,
    baseline_count: int = BASELINE_COUNT,
    baseline_from: date | None = None,
    baseline_to: date | None = None,
    events: Sequence[date] = (),
    biological: bool = True,
) -> ControlChart:
    """Judge measurements of a control against limits from a baseline.

    Parameters
    ----------
    points : sequence of ControlPoint
        In the order of time.
    baseline_count : int
        How many make the baseline, from the first one (on or after `baseline_from`) on; not used with `baseline_to`.
    baseline_from, baseline_to : date, optional
        The days of the baseline, both included.
    events : sequence of date
        When something was done to the device: it ends a shift, and no run goes on across it.
    biological : bool
        Whether the value is that of a person, for which per cent limits are published.

    Returns
    -------
    ControlChart

    Notes
    -----
    Mean m of the baseline and mean r of its moving ranges |x_i - x_(i-1)|; limits m ± 3 r / 1.128 = m ± 2.66 r; the moving
    range has an upper limit of 3.267 r (nist_2012, 6.3.2.2). The four run rules are those of western_electric_1956; all four
    together give about one false signal in 92 values with known limits (champ_1987), more with limits from few.
    A baseline of five tests in a row is that of revill_2000. A shift lasts from its first signal to an event of the
    device, or to the third measurement in a row without a signal.
    """
    if baseline_count < LEAST_BASELINE:
        raise ValueError(f"baseline_count {baseline_count}: at least {LEAST_BASELINE}")
    chosen = [
        place
        for place, point in enumerate(points)
        if (baseline_from is None or point.on >= baseline_from)
        and (baseline_to is None or point.on <= baseline_to)
    ]
    if baseline_to is None:
        chosen = chosen[:baseline_count]
    values = [point.value for point in points]
    ranges: list[float | None] = [abs(b - a) for a, b in itertools.pairwise(values)]
    if values:
        ranges.insert(0, None)
    base = [values[place] for place in chosen]
    days = [points[place].on for place in chosen]
    reason = None
    mean = spread = None
    if len(base) < LEAST_BASELINE:
        reason = f"Limits need at least {LEAST_BASELINE} measurements in the baseline; there are {len(base)}."
    else:
        mean = sum(base) / len(base)
        spread = sum(abs(b - a) for a, b in itertools.pairwise(base)) / (len(base) - 1)
        if not spread > 1e-12 * max(1.0, abs(mean)):
            reason = "All measurements of the baseline are equal, so there are no limits; enter the values as measured."
    if reason is not None or mean is None or spread is None:
        bare = tuple(
            JudgedPoint(point.id, point.on, point.value, ranges[place], None, place in chosen, None, ())
            for place, point in enumerate(points)
        )
        return ControlChart(
            n=len(points),
            n_baseline=len(base),
            baseline_from=days[0] if days else None,
            baseline_to=days[-1] if days else None,
            points=bare,
            reason=reason,
        )
    sd = spread / D2
    tests = biological and mean > 0
    within = set(chosen)
    begins = _runs_from([point.on for point in points], events)
    judged = tuple(
        JudgedPoint(
            id=point.id,
            on=point.on,
            value=point.value,
            moving_range=ranges[place],
            percent_from_mean=100 * (point.value / mean - 1) if mean > 0 else None,
            in_baseline=place in within,
            beyond_published=abs(100 * (point.value / mean - 1)) > PUBLISHED_PERCENT_LOW if tests else None,
            signals=_signals(
                [(value - mean) / sd for value in values[begins[place] : place + 1]], place in within
            ),
        )
        for place, point in enumerate(points)
    )
    shifts = _shifts(judged, mean, sorted(events))
    notes = []
    if len(base) < SETTLED_BASELINE:
        notes.append(
            f"Limits from {len(base)} measurements are provisional; from {SETTLED_BASELINE} on they are steady "
            "(common practice)."
        )
    if outside := sum(bool(one.signals) for one in judged if one.in_baseline):
        notes.append(
            f"{outside} measurements of the baseline lie beyond its own limits: look for the cause and choose another baseline."
        )
    return ControlChart(
        n=len(points),
        n_baseline=len(base),
        baseline_from=days[0],
        baseline_to=days[-1],
        mean=mean,
        sd=sd,
        lower_limit=mean - 3 * sd,
        upper_limit=mean + 3 * sd,
        moving_range_mean=spread,
        moving_range_limit=D4 * spread,
        published_low=mean * (1 - PUBLISHED_PERCENT_LOW / 100) if tests else None,
        published_high=mean * (1 + PUBLISHED_PERCENT_LOW / 100) if tests else None,
        in_control=not shifts or shifts[-1].ended_on is not None,
        points=judged,
        shifts=shifts,
        notes=tuple(notes),
    )


def _runs_from(days: Sequence[date], events: Sequence[date]) -> list[int]:
    """For each value, the first one that may be in a run with it: none from before an event of the device."""
    answer = []
    for place, day in enumerate(days):
        last = max((event for event in events if event <= day), default=None)
        begin = 0 if last is None else next(i for i, one in enumerate(days) if one >= last)
        answer.append(max(begin, place + 1 - _LONGEST_RUN))
    return answer


def _signals(z: Sequence[float], in_baseline: bool) -> tuple[Rule, ...]:
    """The rules met at the last of the standardized values."""
    last = z[-1]
    met: list[Rule] = []
    for rule, (least, of, among, _) in RULES.items():
        window = z[-among:]
        if len(window) < of or (in_baseline and rule != "beyond_limit"):
            continue
        side = 1.0 if last > 0 else -1.0
        # The last one takes part itself: otherwise an old signal would be told again.
        if side * last > least and sum(side * one > least for one in window) >= of:
            met.append(rule)
    return tuple(met)


def _shifts(points: Sequence[JudgedPoint], mean: float, events: Sequence[date]) -> tuple[Shift, ...]:
    found: list[Shift] = []
    current: Shift | None = None
    last_good: date | None = None
    quiet = 0
    for point in points:
        if current is not None:
            done = next((day for day in events if current.signal_on < day <= point.on), None)
            if done is not None:
                found.append(_ended(current, done, "event"))
                current, quiet = None, 0
        if point.signals and not point.in_baseline:
            quiet = 0
            if current is None:
                direction: Literal["above", "below"] = "above" if point.value > mean else "below"
                current = Shift(point.on, point.signals, direction, last_good)
        elif not point.signals:
            last_good = point.on
            quiet += 1
            if current is not None and quiet >= IN_CONTROL_RUN:
                found.append(_ended(current, point.on, "in_control"))
                current = None
    if current is not None:
        done = next((day for day in events if day > current.signal_on), None)
        found.append(current if done is None else _ended(current, done, "event"))
    return tuple(found)


def _ended(shift: Shift, on: date, by: Literal["event", "in_control"]) -> Shift:
    return Shift(shift.signal_on, shift.rules, shift.direction, shift.last_in_control_on, on, by)
