"""Efficiency and economy, from stages in which oxygen uptake had settled."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from service.analysis.formulas import applied
from service.analysis.lines import fit_line, is_constant
from service.analysis.loads import ERGOMETERS, Loads
from service.analysis.series import TestInput
from service.analysis.stage_values import LAST_S, STEADY_STAGE_S, StageValues, stage_values
from service.findings import Finding
from service.methods.catalogue import METHODS
from service.methods.efficiency import stage_energy_w

#: Steady stages a slope of work on energy is drawn through; two leave no interval.
LEAST_STAGES = 3
RULE = (
    f"Stages of at least {STEADY_STAGE_S:.0f} s, means of the last {LAST_S:.0f} s, exchange ratio below 1.00, and no trend "
    "of uptake over the last 2 min that differs from 0."
)


@dataclass(frozen=True, slots=True)
class Economy:
    """Oxygen cost of one steady stage of running or walking.

    Attributes
    ----------
    stage : int
    gait : {"walking", "running"} or None
        As the speed tells it.
    speed_km_h, grade_percent : float
    vo2_ml_kg_min : float
    economy_ml_kg_km : float
        Gross oxygen cost of a kilometre.
    """

    stage: int
    gait: str | None
    speed_km_h: float
    grade_percent: float | None
    vo2_ml_kg_min: float
    economy_ml_kg_km: float


@dataclass(frozen=True, slots=True)
class Efficiency:
    """Gross efficiency of one steady stage.

    Attributes
    ----------
    stage : int
    work_rate_w : float
    energy_kcal_min : float
        By Weir.
    gross_efficiency_percent : float
    """

    stage: int
    work_rate_w: float
    energy_kcal_min: float
    gross_efficiency_percent: float


@dataclass(frozen=True, slots=True)
class SteadyState:
    """What needs steady stages, but for substrates.

    Attributes
    ----------
    stages : tuple of StageValues
        All stages with why each is steady or not.
    gross_efficiency : tuple of Efficiency
        Of the steady stages with work.
    delta_efficiency_percent : float or None
        Over the steady stages.
    delta_ci_low_percent, delta_ci_high_percent : float or None
        95 % interval, Student's t; stages are taken as independent.
    economy : tuple of Economy
    reasons : mapping of str to str
        Why one of `gross_efficiency_percent`, `delta_efficiency_percent`, `economy_ml_kg_km` is missing.
    findings : tuple of Finding
        What the formulas had to say.
    """

    stages: tuple[StageValues, ...]
    gross_efficiency: tuple[Efficiency, ...] = ()
    delta_efficiency_percent: float | None = None
    delta_ci_low_percent: float | None = None
    delta_ci_high_percent: float | None = None
    economy: tuple[Economy, ...] = ()
    reasons: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form; the flat values are those of the highest steady load."""
        rider, runner = (self.gross_efficiency or (None,))[-1], (self.economy or (None,))[-1]
        return {
            "rule": RULE,
            "gross_efficiency_percent": None if rider is None else rider.gross_efficiency_percent,
            "gross_efficiency_work_rate_w": None if rider is None else rider.work_rate_w,
            "gross_efficiency": [_fields(one) for one in self.gross_efficiency],
            "delta_efficiency_percent": self.delta_efficiency_percent,
            "delta_ci_low_percent": self.delta_ci_low_percent,
            "delta_ci_high_percent": self.delta_ci_high_percent,
            "economy_ml_kg_km": None if runner is None else runner.economy_ml_kg_km,
            "economy_speed_km_h": None if runner is None else runner.speed_km_h,
            "economy": [_fields(one) for one in self.economy],
            "stages": [one.as_dict() for one in self.stages],
            "energy_equation": "weir_kcal_min",
            "sources": {
                name: METHODS[name].source
                for name in (
                    "gross_efficiency_percent",
                    "delta_efficiency_percent",
                    "locomotion_economy_ml_kg_km",
                )
            },
            "reasons": dict(self.reasons),
            "reason": " ".join(dict.fromkeys(self.reasons.values())) or None,
        }


def _fields(record: Any) -> dict[str, Any]:
    return {one.name: getattr(record, one.name) for one in fields(record)}


def find_steady_state(
    test: TestInput, loads: Loads, stages: tuple[StageValues, ...] | None = None
) -> SteadyState:
    """Efficiency on an ergometer, economy on foot.

    Parameters
    ----------
    test : TestInput
    loads : Loads
    stages : tuple of StageValues, optional
        Of the same test, where they are at hand.

    Returns
    -------
    SteadyState
        Empty with reasons where no stage is steady.

    Notes
    -----
    Formulas: `gross_efficiency_percent`, `delta_efficiency_percent`, `locomotion_economy_ml_kg_km` of the catalogue.
    """
    values = stage_values(test.series, loads) if stages is None else stages
    steady = [one for one in values if one.steady]
    why = _why_none(values, loads)
    reasons: dict[str, str] = {}
    findings: list[Finding] = []
    efficiencies: tuple[Efficiency, ...] = ()
    delta: tuple[float | None, float | None, float | None] = (None, None, None)
    if test.mode in ERGOMETERS:
        reasons["economy_ml_kg_km"] = "Economy is of running and walking; this test was on an ergometer."
        efficiencies, delta = _efficiency(steady, why, reasons, findings)
    else:
        on_foot = "On foot the work done is not known, so there is no efficiency."
        reasons["gross_efficiency_percent"] = reasons["delta_efficiency_percent"] = on_foot
    return SteadyState(
        values,
        efficiencies,
        *delta,
        () if test.mode in ERGOMETERS else _economy(test, steady, why, reasons, findings),
        reasons,
        tuple(dict.fromkeys(findings)),
    )


def _why_none(values: Sequence[StageValues], loads: Loads) -> str:
    """Why no stage is steady."""
    if not values:
        shape = "" if loads.shape is None else f" ({loads.shape})"
        return f"The test has no stages of constant load{shape}; a steady state cannot be told."
    told = "; ".join(f"stage {one.number}: {one.reason}" for one in values if one.reason is not None)
    return f"No stage was steady ({told})."


def _efficiency(
    steady: Sequence[StageValues], why: str, reasons: dict[str, str], findings: list[Finding]
) -> tuple[tuple[Efficiency, ...], tuple[float | None, float | None, float | None]]:
    none = (None, None, None)
    if not steady:
        reasons["gross_efficiency_percent"] = reasons["delta_efficiency_percent"] = why
        return (), none
    rows: list[tuple[int, dict[str, Any]]] = [
        (
            one.number,
            {"work_rate_w": one.work_rate_w, "vo2_ml_min": one.vo2_ml_min, "vco2_ml_min": one.vco2_ml_min},
        )
        for one in steady
        if one.work_rate_w is not None and one.work_rate_w > 0
    ]
    if not rows:
        reasons["gross_efficiency_percent"] = reasons["delta_efficiency_percent"] = (
            "No steady stage has a work rate above 0."
        )
        return (), none
    efficiencies = []
    refused = []
    for number, row in rows:
        answer = applied("gross_efficiency_percent", row)
        findings += answer.findings
        spent = applied("weir_kcal_min", {key: row[key] for key in ("vo2_ml_min", "vco2_ml_min")})
        if answer.value is not None and spent.value is not None:
            efficiencies.append(Efficiency(number, row["work_rate_w"], spent.value, answer.value))
        else:
            refused.append(answer.reason or spent.reason or "")
    if not efficiencies:
        reasons["gross_efficiency_percent"] = " ".join(dict.fromkeys(refused))
    given = [row for _, row in rows]
    return tuple(efficiencies), _delta(given, reasons, findings)


def _delta(
    rows: Sequence[Mapping[str, float]], reasons: dict[str, str], findings: list[Finding]
) -> tuple[float | None, float | None, float | None]:
    none = (None, None, None)
    if len(rows) < LEAST_STAGES:
        reasons["delta_efficiency_percent"] = (
            f"{len(rows)} steady stages have work; a slope with an interval needs {LEAST_STAGES}."
        )
        return none
    work = np.array([row["work_rate_w"] for row in rows])
    spent = stage_energy_w(rows)
    if is_constant(work) or (np.diff(work) <= 0).all():
        reasons["delta_efficiency_percent"] = "The work rate never rises over the steady stages."
        return none
    line = fit_line(spent, work)
    if line is None or line.ci_low <= 0:
        reasons["delta_efficiency_percent"] = (
            "Work does not rise with energy expenditure beyond chance over the steady stages."
        )
        return none
    answer = applied("delta_efficiency_percent", {"stages": [dict(row) for row in rows]})
    findings += answer.findings
    if answer.value is None:
        reasons["delta_efficiency_percent"] = answer.reason or ""
        return none
    return answer.value, 100 * line.ci_low, 100 * line.ci_high


def _economy(
    test: TestInput,
    steady: Sequence[StageValues],
    why: str,
    reasons: dict[str, str],
    findings: list[Finding],
) -> tuple[Economy, ...]:
    mass = test.person.body_mass_kg
    if not steady:
        reasons["economy_ml_kg_km"] = why
        return ()
    if mass is None:
        reasons["economy_ml_kg_km"] = "The visit has no body mass."
        return ()
    if test.handrail_support:
        reasons["economy_ml_kg_km"] = "The handrail was held, so the oxygen cost is not that of the speed."
        return ()
    found: list[Economy] = []
    refused: list[str] = []
    for one in steady:
        if one.speed_km_h is None or one.speed_km_h <= 0.5 or one.vo2_ml_min is None:
            continue
        relative = applied("vo2_per_body_mass", {"vo2_ml_min": one.vo2_ml_min, "body_mass_kg": mass})
        answer = applied(
            "locomotion_economy_ml_kg_km", {"vo2_ml_kg_min": relative.value, "speed_km_h": one.speed_km_h}
        )
        findings += answer.findings
        if answer.value is None or relative.value is None:
            refused.append(relative.reason or answer.reason or "")
            continue
        found.append(
            Economy(one.number, one.gait, one.speed_km_h, one.grade_percent, relative.value, answer.value)
        )
    if not found:
        reasons["economy_ml_kg_km"] = " ".join(dict.fromkeys(refused)) or "No steady stage has a speed."
    return tuple(found)
