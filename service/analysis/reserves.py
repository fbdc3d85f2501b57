"""What was left at peak exercise, of heart rate and of breathing, and how far oxygen pulse and work rate reached."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from service.analysis.formulas import applied
from service.analysis.norms import Predicted, predict_one
from service.analysis.peaks import Maxima, Peak
from service.analysis.plain import record_dict
from service.analysis.series import Mode, Person, TestInput
from service.findings import Finding
from service.methods.catalogue import METHODS

#: Quantities predicted here; VO2max and maximal heart rate stand among the predictions of the analysis.
_PREDICTED = ("o2_pulse_peak_ml_beat", "work_rate_peak_w", "ve_max_l_min", "vt1_vo2_ml_min")
#: Breathing reserve at peak exercise (ats_accp_2003, values from memory).
RESERVE_LIMIT_PERCENT = 15.0
RESERVE_LIMIT_SOURCE = "ats_accp_2003 (value from memory)"
_APPLIES_TO = "adults at the end of a symptom-limited maximal test"
_SYMPTOM_LIMITED = frozenset({"exhaustion", "legs", "breath", "symptom"})
_ADULT_YEARS = 18.0


@dataclass(frozen=True, slots=True)
class ReserveLimit:
    """A published limit, where its conditions match.

    Attributes
    ----------
    limit_percent : float
    at_or_below : bool
    statement, source : str
    """

    limit_percent: float
    at_or_below: bool
    statement: str
    source: str


@dataclass(frozen=True, slots=True)
class Reserves:
    """Reserves at peak exercise.

    None has its reason in `reasons` under the field's name.

    Attributes
    ----------
    heart_rate_reserve_bpm : float or None
        Highest heart rate less resting heart rate.
    heart_rate_max_predicted_bpm : float or None
        By `heart_rate_max_method`.
    heart_rate_percent_of_predicted : float or None
    heart_rate_left_bpm : float or None
        Predicted less highest heart rate; negative where it was passed.
    heart_rate_max_method : str
    mvv_l_min : float or None
        Maximal voluntary ventilation.
    mvv_basis : {"measured", "from_fev1"} or None
    breathing_reserve_percent, breathing_reserve_l_min : float or None
        What of it was left at the highest ventilation.
    breathing_reserve_limit : ReserveLimit or None
        Only where its conditions match.
    predicted : tuple of Predicted
        Oxygen pulse, work rate, ventilation and the first threshold by every equation for the mode.
    reasons : mapping of str to str
    findings : tuple of Finding
    """

    heart_rate_reserve_bpm: float | None
    heart_rate_max_predicted_bpm: float | None
    heart_rate_percent_of_predicted: float | None
    heart_rate_left_bpm: float | None
    heart_rate_max_method: str
    mvv_l_min: float | None
    mvv_basis: Literal["measured", "from_fev1"] | None
    breathing_reserve_percent: float | None
    breathing_reserve_l_min: float | None
    breathing_reserve_limit: ReserveLimit | None
    predicted: tuple[Predicted, ...]
    reasons: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        answer = record_dict(self, without="findings")
        limit = self.breathing_reserve_limit
        answer["breathing_reserve_limit"] = None if limit is None else record_dict(limit)
        answer["predicted"] = [one.as_dict() for one in self.predicted]
        answer["reasons"] = dict(self.reasons)
        answer["reason"] = (
            " ".join(
                dict.fromkeys(
                    self.reasons[name]
                    for name in ("heart_rate_reserve_bpm", "breathing_reserve_percent")
                    if name in self.reasons
                )
            )
            or None
        )
        return answer


def find_reserves(
    test: TestInput,
    peak: Peak,
    maxima: Maxima,
    *,
    heart_rate_max_method: str = "heart_rate_max_tanaka",
    vt1_vo2_ml_min: float | None = None,
) -> Reserves:
    """Reserves of heart rate and breathing, and percent of predicted.

    Parameters
    ----------
    test : TestInput
    peak : Peak
    maxima : Maxima
    heart_rate_max_method : str
        Method of the catalogue.
    vt1_vo2_ml_min : float, optional
        Uptake at the first threshold.

    Returns
    -------
    Reserves

    Notes
    -----
    Breathing reserve 100 (1 - VEmax / MVV), the MVV measured or else 40 FEV1, and which of them is said (ats_accp_2003).
    Predictions that do not cover the person are listed with the reason and without a value.
    """
    reasons: dict[str, str] = {}
    findings: list[Finding] = []
    heart = _heart_rate(test.person, maxima, heart_rate_max_method, reasons)
    mvv, basis = _mvv(test.person, reasons, findings)
    percent = left = None
    limit = None
    if maxima.ve_l_min is None:
        reasons["breathing_reserve_percent"] = maxima.reasons.get("ve_l_min", "The test has no ventilation.")
    elif mvv is not None:
        answer = applied("breathing_reserve_percent", {"ve_max_l_min": maxima.ve_l_min, "mvv_l_min": mvv})
        percent = answer.value
        left = None if percent is None else mvv - maxima.ve_l_min
        findings += answer.findings
        if answer.reason is not None:
            reasons["breathing_reserve_percent"] = answer.reason
    else:
        reasons["breathing_reserve_percent"] = reasons["mvv_l_min"]
    if percent is None:
        reasons["breathing_reserve_l_min"] = reasons["breathing_reserve_percent"]
        reasons["breathing_reserve_limit"] = "There is no reserve to compare."
    else:
        limit, why = _limit(test, percent)
        if why is not None:
            reasons["breathing_reserve_limit"] = why
    observed = {
        "o2_pulse_peak_ml_beat": peak.o2_pulse_ml_beat,
        "work_rate_peak_w": maxima.work_rate_w,
        "ve_max_l_min": maxima.ve_l_min,
        "vt1_vo2_ml_min": vt1_vo2_ml_min,
    }
    return Reserves(
        *heart,
        heart_rate_max_method,
        mvv,
        basis,
        percent,
        left,
        limit,
        predict_others(test.person, test.mode, observed),
        reasons,
        tuple(dict.fromkeys(findings)),
    )


def predict_others(
    person: Person, mode: Mode | None, observed: Mapping[str, float | None]
) -> tuple[Predicted, ...]:
    """Oxygen pulse, work rate, ventilation and first threshold by the equations of the catalogue.

    Parameters
    ----------
    person : Person
    mode : str or None
        Equations of other modes are left out.
    observed : mapping of str to float or None
        What the test found, by quantity.

    Returns
    -------
    tuple of Predicted
        Every equation for the mode; one that does not cover the person, or lacks an input, says why.
    """
    return tuple(
        predict_one(method, person, mode, observed.get(method.quantity))
        for method in METHODS.values()
        if method.predicts and method.quantity in _PREDICTED and (not method.modes or mode in method.modes)
    )


def _heart_rate(
    person: Person, maxima: Maxima, method: str, reasons: dict[str, str]
) -> tuple[float | None, float | None, float | None, float | None]:
    highest, resting = maxima.heart_rate_bpm, person.resting_heart_rate_bpm
    reserve = predicted = None
    if highest is None:
        reasons["heart_rate_reserve_bpm"] = maxima.reasons.get(
            "heart_rate_bpm", "The test has no heart rate."
        )
    elif resting is None:
        reasons["heart_rate_reserve_bpm"] = "The visit has no resting heart rate."
    elif resting >= highest:
        reasons["heart_rate_reserve_bpm"] = (
            f"The resting heart rate of {resting:.0f} beats/min is not below the highest of {highest:.0f}."
        )
    else:
        reserve = highest - resting
    why = None
    if person.limits_heart_rate:
        why = "A medication limits heart rate, so age does not predict it."
    elif person.age_years is None:
        why = "The age is not known."
    else:
        inputs = {"age_years": person.age_years, "sex": person.sex}
        needed = {one.name: inputs.get(one.name) for one in METHODS[method].inputs}
        if None in needed.values():
            why = "The sex is not known."
        else:
            answer = applied(method, needed)
            predicted, why = answer.value, answer.reason
            if answer.findings:
                # Outside the ages of the equation nothing is extrapolated.
                why, predicted = " ".join(one.message for one in answer.findings), None
    if why is not None:
        reasons |= dict.fromkeys(
            ("heart_rate_max_predicted_bpm", "heart_rate_percent_of_predicted", "heart_rate_left_bpm"), why
        )
    if predicted is None or highest is None:
        for name in ("heart_rate_percent_of_predicted", "heart_rate_left_bpm"):
            reasons.setdefault(name, maxima.reasons.get("heart_rate_bpm", "The test has no heart rate."))
        return reserve, predicted, None, None
    return reserve, predicted, 100 * highest / predicted, predicted - highest


def _mvv(
    person: Person, reasons: dict[str, str], findings: list[Finding]
) -> tuple[float | None, Literal["measured", "from_fev1"] | None]:
    if person.mvv_l_min is not None:
        return person.mvv_l_min, "measured"
    if person.fev1_l is not None:
        answer = applied("mvv_from_fev1_l_min", {"fev1_l": person.fev1_l})
        findings += answer.findings
        if answer.value is not None:
            return answer.value, "from_fev1"
        reasons["mvv_l_min"] = answer.reason or ""
        return None, None
    reasons["mvv_l_min"] = "The visit has neither a maximal voluntary ventilation nor an FEV1."
    return None, None


def _limit(test: TestInput, percent: float) -> tuple[ReserveLimit | None, str | None]:
    wrong = []
    if test.purpose != "maximal" or test.stop_reason not in _SYMPTOM_LIMITED:
        wrong.append("the test is not recorded as maximal and symptom-limited")
    if test.person.age_years is None or test.person.age_years < _ADULT_YEARS:
        wrong.append("the person is not known to be an adult")
    if wrong:
        return None, f"The published limit applies to {_APPLIES_TO}; here {'; '.join(wrong)}."
    at_or_below = percent <= RESERVE_LIMIT_PERCENT
    return (
        ReserveLimit(
            RESERVE_LIMIT_PERCENT,
            at_or_below,
            f"The breathing reserve of {percent:.0f} % is {'at or below' if at_or_below else 'above'} the published limit of "
            f"{RESERVE_LIMIT_PERCENT:.0f} %, which applies to {_APPLIES_TO}. Highly trained people use more of theirs.",
            RESERVE_LIMIT_SOURCE,
        ),
        None,
    )
