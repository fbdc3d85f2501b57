"""Whether a test was maximal.

Several published criteria become one verdict, in a fixed order: a verification bout, a plateau, secondary criteria,
positive evidence of submaximal effort, or undetermined. Missing a criterion is no evidence of submaximal effort: most
exhaustive tests miss a ratio of 1.10.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

from service.analysis.loads import ERGOMETERS, SAME_LOAD
from service.analysis.marks import Marks, exercise_load
from service.analysis.peaks import Maxima, Peak
from service.analysis.plain import record_dict
from service.analysis.plateau import Plateau
from service.analysis.rule_sets import (
    DEFAULT_RULES,
    RULE_SETS,
    ChosenBy,
    CriterionRule,
    Cut,
    RuleSet,
    cut_for,
    heart_rate_methods,
)
from service.analysis.series import Person, StopReason, TestInput, VerificationBout
from service.errors import InvalidContent, Place
from service.findings import Finding, finding
from service.methods.catalogue import METHODS

EffortVerdict = Literal["verified", "plateau", "secondary_criteria", "submaximal", "undetermined"]
VerificationVerdict = Literal["confirmed", "above", "uninformative", "not_assessable"]

#: The person could not go on.
OWN_EXHAUSTION: frozenset[StopReason] = frozenset({"exhaustion", "legs", "breath"})
#: Something else than exhaustion ended the test.
STOPPED_SHORT: Mapping[StopReason, str] = MappingProxyType(
    {
        "target_reached": "the test was stopped at a target",
        "symptom": "the test was stopped by a symptom",
        "tester": "the test was stopped by the tester",
        "equipment": "the test was stopped by the equipment",
    }
)

# Positive evidence of submaximal effort (project default).
_LOW_RER = 1.00
_LOW_RPE = 15.0
_LOW_HEART_RATE_PART = 0.85

VERIFICATION_TOLERANCE_PERCENT = 3.0
VERIFICATION_LEAST_S = 90.0
VERIFICATION_WITHIN_DAYS = 7.0

_SLACK = 1e-9
_HEART_RATE_REMARK = "shown only: predicted maxima have an SD of 10 to 12 beats/min"
_NOT_COUNTED_REMARK = "shown only: the rule set does not count it"
#: Field of the maxima and unit of each criterion of a value.
_OBSERVED: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "respiratory_exchange_ratio": ("rer", ""),
        "perceived_exertion": ("rpe", ""),
        "blood_lactate": ("lactate_mmol_l", "mmol/L"),
    }
)
_IN_WORDS = ("no", "one", "two", "three", "four")


@dataclass(frozen=True, slots=True)
class Criterion:
    """One secondary criterion.

    Attributes
    ----------
    criterion : str
        ``respiratory_exchange_ratio``, ``perceived_exertion``, ``blood_lactate`` or ``heart_rate_near_predicted``.
    observed, threshold : float or None
        Met where the observed value is at least the threshold.
    unit : str
        The scale for a rating.
    met : bool or None
        None where it cannot be assessed.
    counts : bool
        Whether it may be one of those that are needed.
    reason : str or None
        Why it cannot be assessed or does not count.
    source : str
    """

    criterion: str
    observed: float | None
    threshold: float | None
    unit: str
    met: bool | None
    counts: bool
    reason: str | None
    source: str


@dataclass(frozen=True, slots=True)
class Verification:
    """What a verification bout says of the main test.

    Attributes
    ----------
    verdict : {"confirmed", "above", "uninformative", "not_assessable"}
    test_id : str
        Of the bout.
    main_peak_ml_min, verification_peak_ml_min : float or None
    difference_percent : float or None
        Bout minus main test, in per cent of the main test.
    tolerance_percent : float
    duration_s : float or None
        Length of the bout.
    session_peak_ml_min : float or None
        The one value of the session for a trend.
    reason : str
        The verdict as a sentence, or why there is none.
    source : str
    """

    verdict: VerificationVerdict
    test_id: str
    main_peak_ml_min: float | None
    verification_peak_ml_min: float | None
    difference_percent: float | None
    tolerance_percent: float
    duration_s: float | None
    session_peak_ml_min: float | None
    reason: str
    source: str = "costa_2021; tolerance and conditions are defaults of this project (value from memory)"


@dataclass(frozen=True, slots=True)
class Effort:
    """The verdict on effort, and what it rests on.

    Attributes
    ----------
    verdict : {"verified", "plateau", "secondary_criteria", "submaximal", "undetermined"}
    rule_set : RuleSet
    chosen_by : {"request", "cohort", "site", "default"}
        Where the choice of the rule set came from.
    criteria : tuple of Criterion
    verification : Verification or None
        None where no bout belongs to the test.
    reason : str
        What decided, as a sentence.
    findings : tuple of Finding
    """

    verdict: EffortVerdict
    rule_set: RuleSet
    criteria: tuple[Criterion, ...]
    verification: Verification | None
    reason: str
    findings: tuple[Finding, ...] = ()
    chosen_by: ChosenBy = "default"

    @property
    def label(self) -> Literal["VO2max", "VO2peak"]:
        """What the peak may be called."""
        return "VO2max" if self.verdict in {"verified", "plateau"} else "VO2peak"

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "verdict": self.verdict,
            "rule_set": self.rule_set.id,
            "rule_set_name": self.rule_set.name,
            "rule_set_source": self.rule_set.source,
            "rule_set_chosen_by": self.chosen_by,
            "criteria_needed": self.rule_set.criteria_needed,
            "criteria": [record_dict(one) for one in self.criteria],
            "verification": None if self.verification is None else record_dict(self.verification),
            "reason": self.reason,
        }


def judge_effort(
    test: TestInput,
    marks: Marks | None,
    peak: Peak,
    maxima: Maxima,
    plateau: Plateau,
    rule_set: RuleSet = RULE_SETS[DEFAULT_RULES],
    heart_rate_max_method: str = "heart_rate_max_tanaka",
    chosen_by: ChosenBy = "default",
) -> Effort:
    """Judge effort, in the order verified, plateau, secondary criteria, submaximal, undetermined.

    Parameters
    ----------
    test : TestInput
    marks : Marks or None
        None for a test without intervals.
    peak : Peak
    maxima : Maxima
        Their highest values are what the criteria look at.
    plateau : Plateau
        Only the primary rule's verdict is used.
    rule_set : RuleSet
        The secondary criteria.
    heart_rate_max_method : str
        Id of a method that predicts maximal heart rate; a rule set that names one keeps its own.
    chosen_by : {"request", "cohort", "site", "default"}
        Where the choice of the rule set came from; stored with the verdict.

    Returns
    -------
    Effort

    Raises
    ------
    InvalidContent
        There is no such method.

    Notes
    -----
    Secondary: at least as many assessable criteria of different kinds met as the rule set needs (two or more), and
    stopped by own exhaustion or no reason recorded. Submaximal: stopped at a target, by a symptom, the tester or the
    equipment; verification more than 3 % above; or maximal ratio below 1.00 with a rating of at most 15 (6-20) and, where
    no medication limits it, heart rate below 85 % of predicted. A test planned to be submaximal with no stop reason was
    stopped at its target.
    """
    predicted, _ = _predicted_heart_rate(test.person, heart_rate_max_method)
    criteria = tuple(_criterion(rule, test, maxima, heart_rate_max_method) for rule in rule_set.criteria)
    verification = None if test.verification is None else judge_verification(test, marks, peak, maxima)
    verdict, reason = _verdict(
        test, maxima, plateau, criteria, rule_set.criteria_needed, verification, predicted
    )
    findings: tuple[Finding, ...] = ()
    if verification is not None and verification.verdict == "above":
        findings = (finding("verification_not_confirming", verification.reason),)
    return Effort(verdict, rule_set, criteria, verification, reason, findings, chosen_by)


def _verdict(
    test: TestInput,
    maxima: Maxima,
    plateau: Plateau,
    criteria: tuple[Criterion, ...],
    criteria_needed: int,
    verification: Verification | None,
    predicted: float | None,
) -> tuple[EffortVerdict, str]:
    if verification is not None and verification.verdict == "confirmed":
        return "verified", verification.reason
    if plateau.verdict == "seen":
        return "plateau", "Oxygen uptake levelled off while the load still rose."
    stopped = test.stop_reason
    if stopped is None and test.purpose == "submaximal":
        stopped = "target_reached"
    met = [one.criterion for one in criteria if one.counts and one.met]
    if len(met) >= criteria_needed and (stopped is None or stopped in OWN_EXHAUSTION):
        return "secondary_criteria", f"Met: {', '.join(name.replace('_', ' ') for name in met)}."
    if stopped is not None and stopped in STOPPED_SHORT:
        return "submaximal", f"Positive evidence: {STOPPED_SHORT[stopped]}."
    if verification is not None and verification.verdict == "above":
        return "submaximal", verification.reason
    if (evidence := _low_effort(test.person, maxima, predicted)) is not None:
        return "submaximal", evidence
    return "undetermined", (
        f"Neither a plateau, a verification nor {_IN_WORDS[criteria_needed]} secondary criteria show a maximal effort, and "
        "nothing shows a submaximal one. That is common in exhaustive tests."
    )


def _low_effort(person: Person, maxima: Maxima, predicted: float | None) -> str | None:
    if maxima.rer is None or maxima.rer >= _LOW_RER:
        return None
    if maxima.rpe is None or maxima.rpe_scale != "6-20" or maxima.rpe > _LOW_RPE:
        return None
    seen = f"maximal RER {maxima.rer:.2f} and RPE {maxima.rpe:g}"
    if person.limits_heart_rate:
        return f"Positive evidence: {seen}; a medication limits heart rate, so it does not speak."
    if maxima.heart_rate_bpm is None or predicted is None:
        return None
    if maxima.heart_rate_bpm >= _LOW_HEART_RATE_PART * predicted:
        return None
    return (
        f"Positive evidence: {seen}, and a heart rate of {maxima.heart_rate_bpm:.0f} beats/min, below 85 % of the predicted "
        f"{predicted:.0f}."
    )


# -- Criteria ----------------------------------------------------------------------------------------------------


def _criterion(rule: CriterionRule, test: TestInput, maxima: Maxima, heart_rate_max_method: str) -> Criterion:
    person = test.person
    low, high = person.age_low_years, person.age_high_years
    age = person.age_years
    cut, reason = cut_for(
        rule,
        mode=test.mode,
        sex=person.sex,
        ages=None if age is None else (age if low is None else low, age if high is None else high),
        scale=maxima.rpe_scale,
    )
    if rule.criterion == "heart_rate_near_predicted":
        return _heart_rate_criterion(rule, cut, reason, person, maxima, heart_rate_max_method)
    name, unit = _OBSERVED[rule.criterion]
    observed: float | None = getattr(maxima, name)
    threshold = None if cut is None else cut.threshold
    if rule.criterion == "perceived_exertion":
        unit = maxima.rpe_scale or ""
    met = None
    if observed is None:
        reason = maxima.reasons.get(name)
    elif threshold is not None:
        met = observed >= threshold - _SLACK
        reason = None if rule.counts else _NOT_COUNTED_REMARK
    return Criterion(
        rule.criterion, observed, threshold, unit, met, counts=rule.counts, reason=reason, source=rule.source
    )


def _predicted_heart_rate(person: Person, method_id: str) -> tuple[float | None, str | None]:
    method = METHODS.get(method_id)
    if method is None or not method.predicts or method.quantity != "heart_rate_max_bpm":
        known = ", ".join(heart_rate_methods())
        raise InvalidContent(
            f"{method_id!r} does not predict maximal heart rate; use one of {known}.",
            (Place("heart_rate_max_method", f"one of {known}", method_id),),
        )
    if person.age_years is None:
        return None, "The age is not known, so no maximum can be predicted."
    inputs: dict[str, Any] = {"age_years": person.age_years}
    if any(one.name == "sex" for one in method.inputs):
        if person.sex is None:
            return None, "The sex is not known, and the method needs it."
        inputs["sex"] = person.sex
    if person.sex is not None and person.sex not in method.sexes:
        return None, f"{method.label} is not for {'women' if person.sex == 'female' else 'men'}."
    answer = method.answer(inputs)
    return answer.value, " ".join(remark.message for remark in answer.findings) or None


def _heart_rate_criterion(
    rule: CriterionRule,
    cut: Cut | None,
    reason: str | None,
    person: Person,
    maxima: Maxima,
    heart_rate_max_method: str,
) -> Criterion:
    method = rule.method or heart_rate_max_method
    threshold = None
    if cut is not None:
        predicted, reason = _predicted_heart_rate(person, method)
        if predicted is not None:
            threshold = (
                predicted - cut.threshold
                if rule.compared_as == "bpm_below_predicted"
                else cut.threshold / 100 * predicted
            )
    observed, met = maxima.heart_rate_bpm, None
    if person.limits_heart_rate:
        reason = "A medication limits heart rate."
    elif observed is None:
        reason = maxima.reasons.get("heart_rate_bpm")
    elif threshold is not None:
        met = observed >= threshold - _SLACK
        reason = f"{_HEART_RATE_REMARK}. {reason}" if reason else _HEART_RATE_REMARK
    return Criterion(
        rule.criterion,
        observed,
        threshold,
        "beats/min",
        met,
        counts=rule.counts,
        reason=reason,
        source=f"{rule.source}; {METHODS[method].source}",
    )


# -- Verification ------------------------------------------------------------------------------------------------


def judge_verification(test: TestInput, marks: Marks | None, peak: Peak, maxima: Maxima) -> Verification:
    """Compare a verification bout with the main test.

    Parameters
    ----------
    test : TestInput
        With `verification`.
    marks : Marks or None
    peak : Peak
        Of the main test, by the same convention.
    maxima : Maxima
        Of the main test.

    Returns
    -------
    Verification

    Raises
    ------
    ValueError
        The test has no verification bout.

    Notes
    -----
    Within 3 % either way: confirmed; more than 3 % above: the main test was not maximal and the higher value is the
    session's peak; more than 3 % below: uninformative.
    """
    bout = test.verification
    if bout is None:
        raise ValueError("The test has no verification bout to judge.")
    main, other = peak.vo2_ml_min, bout.peak_vo2_ml_min
    percent = None if not main or other is None else 100 * (other - main) / main
    verdict: VerificationVerdict = "not_assessable"
    session = main
    reason = _why_not_verified(test, marks, maxima, bout, main)
    if reason is None and percent is not None:
        if abs(percent) <= VERIFICATION_TOLERANCE_PERCENT + _SLACK:
            verdict = "confirmed"
            reason = f"The verification bout reached {percent:+.1f} % of the main test's peak, within 3 %."
        elif percent > 0:
            verdict, session = "above", other
            reason = (
                f"The verification bout reached {percent:.1f} % more than the main test, so the main test was not maximal; "
                "the higher value is the session's peak."
            )
        else:
            verdict = "uninformative"
            reason = (
                f"The verification bout stayed {-percent:.1f} % below the main test, which says nothing against the main "
                "test."
            )
    return Verification(
        verdict,
        bout.test_id,
        main,
        other,
        percent,
        VERIFICATION_TOLERANCE_PERCENT,
        bout.duration_s,
        session,
        reason or "The difference cannot be computed.",
    )


def _why_not_verified(
    test: TestInput, marks: Marks | None, maxima: Maxima, bout: VerificationBout, main: float | None
) -> str | None:
    if main is None or main <= 0:
        return "The main test has no peak."
    if bout.peak_vo2_ml_min is None:
        return "The verification bout has no peak."
    if bout.duration_s is None:
        return "The length of the verification bout is not known."
    if bout.duration_s < VERIFICATION_LEAST_S - _SLACK:
        return f"The verification bout lasted {bout.duration_s:.0f} s; it needs at least {VERIFICATION_LEAST_S:.0f} s."
    if not bout.same_visit and not 0 <= bout.days_after <= VERIFICATION_WITHIN_DAYS:
        return (
            f"The verification bout came {bout.days_after:.0f} days after the main test; it must be in the same visit or "
            f"within {VERIFICATION_WITHIN_DAYS:.0f} days after it."
        )
    return _why_same_load(test, marks, maxima, bout)


def _why_same_load(
    test: TestInput, marks: Marks | None, maxima: Maxima, bout: VerificationBout
) -> str | None:
    if test.mode in ERGOMETERS:
        loads = {"work_rate_w": (maxima.work_rate_w, bout.work_rate_w)}
    else:
        speed = maxima.speed_km_h
        loads = {"speed_km_h": (speed, bout.speed_km_h)}
        if marks is not None and speed is not None and test.series.has("grade_percent"):
            loads["grade_percent"] = (_grade_at(test, marks, speed), bout.grade_percent)
    if any(None in pair for pair in loads.values()):
        return (
            "The highest load of the main test or of the bout is not known, so they cannot be told to differ."
        )
    for key, (mine, others) in loads.items():
        if mine is not None and others is not None and abs(mine - others) > SAME_LOAD[key]:
            return None
    return "The verification bout was done at the main test's highest load; it needs another load."


def _grade_at(test: TestInput, marks: Marks, speed_km_h: float) -> float | None:
    """Highest grade at the highest speed."""
    speed = exercise_load(test.series, marks, "speed_km_h")
    grade = exercise_load(test.series, marks, "grade_percent")
    at_top = grade[np.abs(speed - speed_km_h) <= SAME_LOAD["speed_km_h"]]
    at_top = at_top[np.isfinite(at_top)]
    return float(at_top.max()) if at_top.size else None
