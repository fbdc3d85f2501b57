"""What is found out about a test beyond its peak and effort: gas, thresholds, slopes, energy, pressure, ranges.

Each part knows its own rules and reasons; here they are put in the order in which one needs another.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from service.analysis.blood_pressure import BloodPressure, find_blood_pressure
from service.analysis.effort import Effort
from service.analysis.energy import Energy, find_energy
from service.analysis.gas import CalibrationReport, GasExchange, find_gas_exchange, judge_calibrations
from service.analysis.lactate import LABELS, LactateAnalysis, LactateMethod, lactate_thresholds
from service.analysis.loads import Loads
from service.analysis.marks import Marks
from service.analysis.peaks import Maxima, Peak
from service.analysis.plateau import Plateau
from service.analysis.reserves import Reserves, find_reserves
from service.analysis.screening import Caution, cautions_of_test
from service.analysis.series import TestInput
from service.analysis.slopes import Slopes, find_slopes
from service.analysis.stage_values import stage_values
from service.analysis.steady_state import SteadyState, find_steady_state
from service.analysis.thresholds import Threshold, Thresholds, find_thresholds
from service.analysis.training_ranges import ThresholdPoint, TrainingRanges, find_training_ranges
from service.findings import Finding

MAXIMAL = frozenset({"verified", "plateau", "secondary_criteria"})


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts of one analysis; those that need intervals are None for a test without any.

    Attributes
    ----------
    gas_exchange, thresholds, slopes, steady_state, energy
        Of the series.
    lactate, blood_pressure, reserves, training_ranges, calibrations
        Of the stage notes and the visit too.
    cautions : tuple of Caution
        What in the record of the test published lists name as a reason to stop.
    """

    gas_exchange: GasExchange | None
    thresholds: Thresholds | None
    slopes: Slopes | None
    steady_state: SteadyState | None
    energy: Energy | None
    lactate: LactateAnalysis
    blood_pressure: BloodPressure
    reserves: Reserves
    training_ranges: TrainingRanges
    calibrations: CalibrationReport
    cautions: tuple[Caution, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Of all parts."""
        parts = (
            self.gas_exchange,
            self.thresholds,
            self.steady_state,
            self.energy,
            self.lactate,
            self.blood_pressure,
            self.reserves,
            self.calibrations,
        )
        return tuple(remark for part in parts if part is not None for remark in part.findings)

    def results(self) -> dict[str, tuple[float, str]]:
        """Value and method of the quantities of the index of results that these parts give."""
        answer: dict[str, tuple[float, str]] = {}
        if self.thresholds is not None:
            for name in ("vt1", "vt2"):
                agreed = self.thresholds.of(name, "consensus")
                if agreed is None:
                    continue
                if agreed.vo2_ml_min is not None:
                    answer[f"{name}_vo2_ml_min"] = (agreed.vo2_ml_min, "consensus")
                if agreed.work_rate_lag_corrected_w is not None:
                    answer[f"{name}_work_rate_w"] = (
                        agreed.work_rate_lag_corrected_w,
                        "consensus, lag-corrected",
                    )
        if self.slopes is not None:
            for slope in (self.slopes.ve_vco2, self.slopes.oues, self.slopes.vo2_work_rate):
                if slope.value is not None:
                    answer[slope.name] = (slope.value, slope.method)
            if self.slopes.vo2_at_100_w_ml_min is not None:
                method = "on the line of uptake on work rate"
                answer["vo2_at_100_w_ml_min"] = (self.slopes.vo2_at_100_w_ml_min, method)
        return answer


def find_parts(
    test: TestInput,
    marks: Marks | None,
    loads: Loads | None,
    peak: Peak,
    maxima: Maxima,
    plateau: Plateau,
    effort: Effort,
    *,
    heart_rate_max_method: str,
) -> Parts:
    """Find every part of one analysis.

    Parameters
    ----------
    test : TestInput
    marks, loads : Marks and Loads, or None
        None for a test without intervals.
    peak, maxima, plateau, effort
        Of the same test.
    heart_rate_max_method : str
        Prediction of maximal heart rate.
    """
    series = None if marks is None or loads is None else (marks, loads)
    stages = None if loads is None else stage_values(test.series, loads)
    thresholds = (
        None
        if series is None
        else find_thresholds(test, *series[:1], peak, tester=test.tester_thresholds, loads=loads)
    )
    vt1 = None if thresholds is None else _chosen(thresholds, "vt1")
    vt2 = None if thresholds is None else _chosen(thresholds, "vt2")
    lactate = lactate_thresholds(test, marks, loads, vo2_peak_ml_min=peak.vo2_ml_min, stages=stages)
    cautions = cautions_of_test(test)
    return Parts(
        gas_exchange=None if marks is None else find_gas_exchange(test, marks, peak),
        thresholds=thresholds,
        slopes=None
        if series is None
        else find_slopes(
            test,
            *series,
            vt2_time_s=None if vt2 is None else vt2.time_s,
            vt2_reason=None if vt2 is None else vt2.reason,
            plateau_from_s=_plateau_begins(plateau, loads),
            stages=stages,
        ),
        steady_state=None if loads is None else find_steady_state(test, loads, stages),
        energy=None
        if series is None
        else find_energy(
            test,
            *series,
            vo2_peak_ml_min=peak.vo2_ml_min,
            threshold_vo2_ml_min=None if vt1 is None else vt1.vo2_ml_min,
            stages=stages,
        ),
        lactate=lactate,
        blood_pressure=find_blood_pressure(test, marks, loads, stages),
        reserves=find_reserves(
            test,
            peak,
            maxima,
            heart_rate_max_method=heart_rate_max_method,
            vt1_vo2_ml_min=None if vt1 is None else vt1.vo2_ml_min,
        ),
        training_ranges=find_training_ranges(
            test,
            peak,
            maxima,
            _points((vt1, vt2), lactate),
            maximal=effort.verdict in MAXIMAL,
            warning_sign=next((one.text for one in cautions if one.listed == "absolute"), None),
        ),
        calibrations=judge_calibrations(
            test.calibrations,
            ve_l_min=peak.ve_l_min,
            vo2_ml_min=peak.vo2_ml_min,
            vco2_ml_min=None if peak.rer is None or peak.vo2_ml_min is None else peak.rer * peak.vo2_ml_min,
            barometric_pressure_mmhg=test.conditions.barometric_pressure_mmhg,
        ),
        cautions=cautions,
    )


def _plateau_begins(plateau: Plateau, loads: Loads | None) -> float | None:
    """Where a plateau that was seen begins; what is found from its rows would be too low.

    In steps the load of the stage before was still met: the plateau is what follows it. On a ramp a rise of less than half
    the expected one between two windows means that uptake levelled off in the first of them, or before.
    """
    if plateau.verdict != "seen" or plateau.fit is None:
        return None
    start, end, _ = plateau.fit.earlier
    return end if loads is not None and loads.shape == "step" else start


def _chosen(thresholds: Thresholds, name: Literal["vt1", "vt2"]) -> Threshold | None:
    """The tester's own threshold where there is one, else what the methods agree on."""
    return thresholds.of(name, "tester") or thresholds.of(name, "consensus")


#: Lactate thresholds as a first and a second one, the first pair that gives any: 2 and 4 mmol/L parted three domains first
#: (kindermann_1979), a rise above the baseline is a first threshold alone.
_LACTATE_PAIRS: tuple[tuple[tuple[Literal["vt1", "vt2"], LactateMethod], ...], ...] = (
    (("vt1", "lactate_2"), ("vt2", "lactate_4")),
    (("vt1", "lactate_baseline_1_0"),),
)


def _points(chosen: Sequence[Threshold | None], lactate: LactateAnalysis) -> Sequence[ThresholdPoint]:
    """Thresholds as the ranges take them: of ventilation or of lactate, whichever gives more, never one of each."""
    by_gas = _by_gas(chosen)
    by_lactate = next((found for pair in _LACTATE_PAIRS if (found := _by_lactate(pair, lactate))), [])
    return by_gas if len(by_gas) >= len(by_lactate) else by_lactate


def _by_gas(chosen: Sequence[Threshold | None]) -> list[ThresholdPoint]:
    """The work rate is the one corrected for the lag of uptake."""
    return [
        ThresholdPoint(
            one.threshold,
            one.method,
            vo2_ml_min=one.vo2_ml_min,
            heart_rate_bpm=one.heart_rate_bpm,
            work_rate_w=one.work_rate_lag_corrected_w
            if one.work_rate_lag_corrected_w is not None
            else one.work_rate_w,
            speed_km_h=one.speed_km_h,
        )
        for one in chosen
        if one is not None and one.vo2_ml_min is not None
    ]


def _by_lactate(
    pair: Sequence[tuple[Literal["vt1", "vt2"], LactateMethod]], lactate: LactateAnalysis
) -> list[ThresholdPoint]:
    found = {one.method: one for one in lactate.thresholds if one.load is not None}
    # On a treadmill whose grade changes a speed alone is no load.
    level = lactate.load_key == "speed_km_h"
    return [
        ThresholdPoint(
            place,
            method,
            vo2_ml_min=found[method].vo2_ml_min,
            heart_rate_bpm=found[method].heart_rate_bpm,
            work_rate_w=found[method].work_rate_w,
            speed_km_h=found[method].speed_km_h if level else None,
            words=f"lactate, {LABELS[method][:1].lower()}{LABELS[method][1:]}",
            source=found[method].source,
            remark=" ".join(lactate.remarks),
        )
        for place, method in pair
        if method in found
    ]


def parts_dict(parts: Parts, absent: dict[str, Any]) -> dict[str, Any]:
    """JSON form of the parts; `absent` stands for one that needs intervals where there are none."""

    def shown(part: Any) -> Any:
        return absent if part is None else part.as_dict()

    return {
        "gas_exchange": shown(parts.gas_exchange),
        "thresholds": [
            *([] if parts.thresholds is None else parts.thresholds.as_dict()),
            *_of_lactate(parts.lactate),
        ],
        "threshold_fits": []
        if parts.thresholds is None
        else [one.as_dict() for one in parts.thresholds.fits.values() if one.fit is not None],
        "lactate": parts.lactate.as_dict(),
        "slopes": shown(parts.slopes),
        "steady_state": shown(parts.steady_state),
        "energy": shown(parts.energy),
        "blood_pressure": parts.blood_pressure.as_dict(),
        "reserves": parts.reserves.as_dict(),
        "training_ranges": parts.training_ranges.as_list(),
        "calibrations": parts.calibrations.as_dict(),
        "cautions_of_test": [one.as_dict() for one in parts.cautions],
    }


def _of_lactate(lactate: LactateAnalysis) -> list[dict[str, Any]]:
    """Lactate thresholds among the others; none where no lactate was noted."""
    return [one.as_dict() for one in lactate.thresholds] if lactate.stages else []
