"""How the body answered the load: slopes, steady state, energy, gas, reserves, blood pressure, lactate and training ranges."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from service.analysis.blood_pressure import BloodPressure, find_blood_pressure
from service.analysis.effort import Effort
from service.analysis.energy import Energy, find_energy
from service.analysis.gas import GasExchange, find_gas_exchange, without_lost_carbon_dioxide
from service.analysis.lactate import LactateAnalysis, LactateThreshold, lactate_thresholds
from service.analysis.loads import Loads
from service.analysis.marks import Marks
from service.analysis.peaks import Maxima, Peak
from service.analysis.plateau import Plateau
from service.analysis.reserves import Reserves, find_reserves
from service.analysis.series import TestInput
from service.analysis.slopes import Slopes, find_slopes
from service.analysis.stage_values import stage_values
from service.analysis.steady_state import SteadyState, find_steady_state
from service.analysis.training_ranges import ThresholdPoint, TrainingRanges, find_training_ranges
from service.findings import Finding

_MAXIMAL = frozenset({"verified", "plateau", "secondary_criteria"})
#: Fixed lactates that stand for the two thresholds where there are no ventilatory ones (kindermann_1979, from memory).
_FIRST_LACTATE, _SECOND_LACTATE = "lactate_2", "lactate_4"


@dataclass(frozen=True, slots=True)
class Responses:
    """The parts; see their own classes.

    Attributes
    ----------
    slopes, steady_state, energy, gas_exchange, reserves, blood_pressure, lactate, training_ranges
    findings : tuple of Finding
        Of all of them.
    """

    slopes: Slopes
    steady_state: SteadyState
    energy: Energy
    gas_exchange: GasExchange
    reserves: Reserves
    blood_pressure: BloodPressure
    lactate: LactateAnalysis
    training_ranges: TrainingRanges
    findings: tuple[Finding, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON form: the keys of the analysis that these parts fill; lactate thresholds are not repeated here."""
        return {
            "slopes": self.slopes.as_dict(),
            "steady_state": self.steady_state.as_dict(),
            "energy": self.energy.as_dict(),
            "gas_exchange": self.gas_exchange.as_dict(),
            "reserves": self.reserves.as_dict(),
            "blood_pressure": self.blood_pressure.as_dict(),
            "lactate": {key: value for key, value in self.lactate.as_dict().items() if key != "thresholds"},
            "training_ranges": self.training_ranges.as_list(),
        }


def find_responses(
    test: TestInput,
    marks: Marks,
    loads: Loads,
    peak: Peak,
    maxima: Maxima,
    plateau: Plateau,
    effort: Effort,
    *,
    vt1: ThresholdPoint | None = None,
    vt2: ThresholdPoint | None = None,
    vt2_time_s: float | None = None,
    vt2_reason: str | None = None,
    warning_sign: str | None = None,
    heart_rate_max_method: str = "heart_rate_max_tanaka",
    sampling_site: str | None = None,
    lactate_analyser: str | None = None,
) -> Responses:
    """Find all of them for one test with intervals.

    Parameters
    ----------
    test : TestInput
    marks, loads, peak, maxima, plateau, effort
        Of the same test.
    vt1, vt2 : ThresholdPoint, optional
        Ventilatory thresholds to be used, the work rate corrected for lag: a tester's own, else the consensus.
    vt2_time_s : float, optional
        When the second was passed, on the clock of the series.
    vt2_reason : str, optional
        Why it is not known.
    warning_sign : str, optional
        A sign that ended the test.
    heart_rate_max_method : str
    sampling_site, lactate_analyser : str, optional

    Returns
    -------
    Responses
        Rows in which the CO2 channel is lost count for nothing that needs it. A plateau of uptake is left out of slopes of
        uptake. Training ranges rest on the ventilatory thresholds, else on 2 and 4 mmol/L of lactate where both were
        passed, else on published bands.
    """
    sound = without_lost_carbon_dioxide(test, marks)
    stages = stage_values(sound.series, loads)
    plateau_from_s = plateau.fit.earlier[1] if plateau.verdict == "seen" and plateau.fit is not None else None
    slopes = find_slopes(
        sound,
        marks,
        loads,
        vt2_time_s=vt2_time_s,
        vt2_reason=vt2_reason,
        plateau_from_s=plateau_from_s,
        stages=stages,
    )
    steady = find_steady_state(sound, loads, stages)
    energy = find_energy(
        sound,
        marks,
        loads,
        vo2_peak_ml_min=peak.vo2_ml_min,
        threshold_vo2_ml_min=None if vt1 is None else vt1.vo2_ml_min,
        stages=stages,
    )
    gas = find_gas_exchange(sound, marks, peak)
    reserves = find_reserves(
        test,
        peak,
        maxima,
        heart_rate_max_method=heart_rate_max_method,
        vt1_vo2_ml_min=None if vt1 is None else vt1.vo2_ml_min,
    )
    pressure = find_blood_pressure(test, marks, loads, stages)
    lactate = lactate_thresholds(
        test,
        marks,
        loads,
        vo2_peak_ml_min=peak.vo2_ml_min,
        stages=stages,
        sampling_site=sampling_site,
        analyser=lactate_analyser,
    )
    ranges = find_training_ranges(
        test,
        peak,
        maxima,
        _points(vt1, vt2, lactate),
        maximal=effort.verdict in _MAXIMAL,
        warning_sign=warning_sign,
    )
    findings = (*steady.findings, *energy.findings, *gas.findings, *reserves.findings, *pressure.findings)
    return Responses(
        slopes,
        steady,
        energy,
        gas,
        reserves,
        pressure,
        lactate,
        ranges,
        tuple(dict.fromkeys(findings)),
    )


def _points(
    vt1: ThresholdPoint | None, vt2: ThresholdPoint | None, lactate: LactateAnalysis
) -> Sequence[ThresholdPoint]:
    """The thresholds that ranges rest on: all of one kind."""
    if vt1 is not None or vt2 is not None:
        return tuple(one for one in (vt1, vt2) if one is not None)
    found: dict[str, LactateThreshold] = {
        one.method: one for one in lactate.thresholds if one.load is not None
    }
    if _FIRST_LACTATE not in found or _SECOND_LACTATE not in found:
        return ()
    first, second = found[_FIRST_LACTATE], found[_SECOND_LACTATE]
    return _of_lactate("vt1", first), _of_lactate("vt2", second)


def _of_lactate(name: Literal["vt1", "vt2"], one: LactateThreshold) -> ThresholdPoint:
    return ThresholdPoint(
        name, one.method, one.vo2_ml_min, one.heart_rate_bpm, one.work_rate_w, one.speed_km_h
    )
