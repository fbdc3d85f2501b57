"""Recovery of heart rate: how far it falls in the first and second minute after exercise."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from service.analysis.marks import Marks, counted_rows
from service.analysis.peaks import Maxima, find_maxima
from service.analysis.plain import record_dict
from service.analysis.series import TestInput
from service.findings import Finding, finding

#: Fall in the first minute, beats/min, at or below which mortality was higher (cole_1999).
PUBLISHED_LIMIT_BPM = 12.0
PUBLISHED_LIMIT_SOURCE = "cole_1999 (protocol of the cool-down: value from memory)"
_APPLIES_TO = (
    "adults after a symptom-limited treadmill test with an active upright cool-down, heart rate not limited by a "
    "medication"
)
_SYMPTOM_LIMITED = frozenset({"exhaustion", "legs", "breath", "symptom"})
_UPRIGHT = frozenset({"upright", "standing"})
_ADULT_YEARS = 18.0
# A longer interval is a mean over heart rates that fall fast (project default).
_LONGEST_INTERVAL_S = 20.0
_NOTE_WITHIN_S = 5.0
_SLACK_S = 1e-6


@dataclass(frozen=True, slots=True)
class PublishedLimit:
    """A published limit, where its conditions match.

    Attributes
    ----------
    limit_bpm : float
        Beats/min.
    at_or_below : bool
        Whether the fall is at or below it.
    statement : str
        For a person, with whom the limit applies to.
    source : str
    """

    limit_bpm: float
    at_or_below: bool
    statement: str
    source: str


@dataclass(frozen=True, slots=True)
class Recovery:
    """Heart rate after exercise, beats/min.

    None has its reason in `reasons` under the field's name.

    Attributes
    ----------
    heart_rate_end_bpm : float or None
        The highest 5-s mean of exercise, or one interval where that is longer.
    heart_rate_60s_bpm, heart_rate_120s_bpm : float or None
        Of the interval that holds the moment, or of a stage note there.
    drop_60s_bpm, drop_120s_bpm : float or None
        Heart rate at the end minus the later one; negative where it rose.
    published_limit : PublishedLimit or None
        Only where its conditions match.
    active : bool or None
    posture : str or None
        As recorded.
    reasons : mapping of str to str
    findings : tuple of Finding
        That the later heart rate is a mean over a long interval.
    """

    heart_rate_end_bpm: float | None
    heart_rate_60s_bpm: float | None
    heart_rate_120s_bpm: float | None
    drop_60s_bpm: float | None
    drop_120s_bpm: float | None
    published_limit: PublishedLimit | None
    active: bool | None
    posture: str | None
    reasons: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        answer = record_dict(self, without="findings")
        answer["published_limit"] = (
            None if self.published_limit is None else record_dict(self.published_limit)
        )
        answer["reasons"] = dict(self.reasons)
        answer["reason"] = self.reasons.get("drop_60s_bpm")
        return answer


def heart_rate_recovery(test: TestInput, marks: Marks, maxima: Maxima | None = None) -> Recovery:
    """Fall of heart rate 60 and 120 s after the end of exercise.

    Parameters
    ----------
    test : TestInput
    marks : Marks
    maxima : Maxima, optional
        Of the same test, where they are at hand.

    Returns
    -------
    Recovery

    Notes
    -----
    drop = heart rate at the end (5-s maximum) - heart rate of the interval [start, end) that holds the end of exercise
    plus 60 or 120 s. Stage notes of the recovery within 5 s of the moment stand in where the series has no heart rate
    there. Published limit: cole_1999.
    """
    maxima = find_maxima(test, marks) if maxima is None else maxima
    reasons: dict[str, str] = {}
    at_end = maxima.heart_rate_bpm
    if at_end is None:
        reasons["heart_rate_end_bpm"] = maxima.reasons.get("heart_rate_bpm", "The test has no heart rate.")
    later: dict[int, float | None] = {}
    drops: dict[int, float | None] = {}
    interval_s = 0.0
    for seconds in (60, 120):
        value, length, reason = _heart_rate_at(test, marks.exercise_end_s + seconds)
        later[seconds] = value
        if seconds == 60:
            interval_s = length
        if reason is not None:
            reasons[f"heart_rate_{seconds}s_bpm"] = reason
        drops[seconds] = None if value is None or at_end is None else at_end - value
        if drops[seconds] is None:
            reasons[f"drop_{seconds}s_bpm"] = reason or reasons["heart_rate_end_bpm"]
    limit, why_no_limit = _limit(test, drops[60], interval_s)
    if why_no_limit is not None:
        reasons["published_limit"] = why_no_limit
    return Recovery(
        at_end,
        later[60],
        later[120],
        drops[60],
        drops[120],
        limit,
        test.recovery_active,
        test.recovery_posture,
        reasons,
        _long_interval(interval_s) if drops[60] is not None else (),
    )


def _long_interval(interval_s: float) -> tuple[Finding, ...]:
    if interval_s <= _LONGEST_INTERVAL_S:
        return ()
    return (
        finding(
            "recovery_averaged_long",
            f"The heart rate 60 s after exercise is a mean over {interval_s:.0f} s in which it fell.",
        ),
    )


def _heart_rate_at(test: TestInput, moment_s: float) -> tuple[float | None, float, str | None]:
    """Heart rate at a moment, the length of its interval, and why there is none."""
    series = test.series
    (holding,) = np.nonzero((series.start_s <= moment_s) & (moment_s < series.end_s))
    if not holding.size:  # the recording stops at that very moment
        (holding,) = np.nonzero(np.abs(series.end_s - moment_s) <= _SLACK_S)
    counted = counted_rows(series, "heart_rate_bpm")
    for row in holding:
        if counted[row]:
            return float(series.channel("heart_rate_bpm")[row]), float(series.duration_s[row]), None
    noted = [
        (abs(note.time_s - moment_s), note.heart_rate_bpm)
        for note in test.notes
        if note.phase == "recovery" and note.time_s is not None and note.heart_rate_bpm is not None
    ]
    if noted and min(noted)[0] <= _NOTE_WITHIN_S:
        return float(min(noted)[1]), 0.0, None
    if not series.has("heart_rate_bpm"):
        return None, 0.0, "The test has no heart rate at that time."
    if not holding.size:
        return None, 0.0, f"No interval holds {moment_s:.0f} s; the recording ends before or has a gap there."
    return None, 0.0, f"The interval that holds {moment_s:.0f} s has no heart rate that counts."


def _limit(
    test: TestInput, drop: float | None, interval_s: float
) -> tuple[PublishedLimit | None, str | None]:
    if drop is None:
        return None, "There is no fall to compare."
    wrong = _unmatched(test)
    if interval_s > _LONGEST_INTERVAL_S:
        wrong.append(f"heart rate was averaged over {interval_s:.0f} s")
    if wrong:
        return None, f"The published limit applies to {_APPLIES_TO}; here {'; '.join(wrong)}."
    at_or_below = drop <= PUBLISHED_LIMIT_BPM
    where = "at or below" if at_or_below else "above"
    return (
        PublishedLimit(
            PUBLISHED_LIMIT_BPM,
            at_or_below,
            f"The fall of {drop:.0f} beats/min in the first minute is {where} the published limit of "
            f"{PUBLISHED_LIMIT_BPM:.0f} beats/min, which applies to {_APPLIES_TO}.",
            PUBLISHED_LIMIT_SOURCE,
        ),
        None,
    )


def _unmatched(test: TestInput) -> list[str]:
    """Which conditions of the published limit do not match, or are not known to."""
    person = test.person
    wrong = []
    if test.mode != "treadmill":
        wrong.append("the test was not on a treadmill")
    if test.purpose != "maximal" or test.stop_reason not in _SYMPTOM_LIMITED:
        wrong.append("the test is not recorded as symptom-limited")
    if test.recovery_active is not True:
        wrong.append("the cool-down is not recorded as active")
    if (test.recovery_posture or "").strip().lower() not in _UPRIGHT:
        wrong.append("the posture is not recorded as upright")
    if person.limits_heart_rate:
        wrong.append("a medication limits heart rate")
    if person.age_years is None or person.age_years < _ADULT_YEARS:
        wrong.append("the person is not known to be an adult")
    return wrong
