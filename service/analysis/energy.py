"""Energy spent in exercise, and the fat and carbohydrate burnt where gas exchange can tell them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from service.analysis.formulas import applied
from service.analysis.gas import without_lost_carbon_dioxide
from service.analysis.lines import points_between
from service.analysis.loads import Loads
from service.analysis.marks import Marks, counted_rows
from service.analysis.plain import record_dict
from service.analysis.series import Bools, Floats, Series, TestInput
from service.analysis.stage_values import StageValues, stage_values
from service.analysis.windows import LEAST_COVERED_FRACTION, highest_window, overlap_s
from service.findings import Finding
from service.methods.catalogue import METHODS
from service.methods.energy import weir_kcal_min

ENERGY_EQUATION = "weir_kcal_min"
#: Fat and carbohydrate by the equations whose numbers were read in a published text.
FAT_EQUATION, CARBOHYDRATE_EQUATION = "frayn_fat_g_min", "frayn_carbohydrate_g_min"
HIGHEST_WINDOW_S = 30.0
#: Stages compared before one is called that of the highest fat oxidation (project default).
LEAST_STAGES = 3
#: Hours without food that count as fasted (project default; an overnight fast of 10 to 12 h is common practice).
FASTED_HOURS = 10.0

_ABOVE_ONE = (
    "Where the exchange ratio is 1.0 or more, carbon dioxide from bicarbonate counts as if it came from fuel, and energy "
    "from lactate is not counted; the total is of oxygen alone."
)


@dataclass(frozen=True, slots=True)
class Substrates:
    """Fuel of one stage.

    Attributes
    ----------
    stage : int
    work_rate_w, speed_km_h, grade_percent, heart_rate_bpm, vo2_ml_min, rer : float or None
        Means of its last minute, loads as set.
    percent_of_peak : float or None
        Share of peak uptake.
    fat_g_min, carbohydrate_g_min : float or None
    energy_kcal_min : float or None
    reason : str or None
        Why fuel is not told.
    """

    stage: int
    work_rate_w: float | None
    speed_km_h: float | None
    grade_percent: float | None
    heart_rate_bpm: float | None
    vo2_ml_min: float | None
    rer: float | None
    percent_of_peak: float | None
    fat_g_min: float | None
    carbohydrate_g_min: float | None
    energy_kcal_min: float | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class HighestFat:
    """The stage in which most fat was burnt.

    Attributes
    ----------
    stage : int
    fat_g_min : float
    work_rate_w, speed_km_h, heart_rate_bpm, vo2_ml_min, percent_of_peak : float or None
    edge : {"first", "last"} or None
        Where it is the lowest or highest stage that counts, the highest may lie beyond.
    hours_since_meal : float or None
    fasted : bool or None
        At least 10 h without food; None where not recorded.
    remark : str or None
    """

    stage: int
    fat_g_min: float
    work_rate_w: float | None
    speed_km_h: float | None
    heart_rate_bpm: float | None
    vo2_ml_min: float | None
    percent_of_peak: float | None
    edge: Literal["first", "last"] | None
    hours_since_meal: float | None
    fasted: bool | None
    remark: str | None


@dataclass(frozen=True, slots=True)
class Energy:
    """Energy and fuel of one test.

    Attributes
    ----------
    total_kcal : float or None
        Over exercise.
    mean_kcal_min, highest_kcal_min : float or None
        Over exercise; highest mean of 30 s.
    covered_fraction : float
        Part of exercise with uptake and output.
    equation : str
        Method of the catalogue.
    remark : str or None
        What the total leaves out.
    substrates : tuple of Substrates
        Every stage, each with its fuel or the reason.
    highest_fat : HighestFat or None
    fat_equation, carbohydrate_equation : str
    reasons : mapping of str to str
    findings : tuple of Finding
    """

    total_kcal: float | None
    mean_kcal_min: float | None
    highest_kcal_min: float | None
    covered_fraction: float
    equation: str = ENERGY_EQUATION
    remark: str | None = None
    substrates: tuple[Substrates, ...] = ()
    highest_fat: HighestFat | None = None
    fat_equation: str = FAT_EQUATION
    carbohydrate_equation: str = CARBOHYDRATE_EQUATION
    reasons: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        plain = record_dict(self, without="findings")
        return {
            **plain,
            "substrates": [record_dict(one) for one in self.substrates],
            "highest_fat": None if self.highest_fat is None else record_dict(self.highest_fat),
            "sources": {
                name: METHODS[name].source
                for name in (self.equation, self.fat_equation, self.carbohydrate_equation)
            },
            "reasons": dict(self.reasons),
            "reason": self.reasons.get("total_kcal"),
        }


def find_energy(
    test: TestInput,
    marks: Marks,
    loads: Loads,
    *,
    vo2_peak_ml_min: float | None = None,
    threshold_vo2_ml_min: float | None = None,
    stages: tuple[StageValues, ...] | None = None,
) -> Energy:
    """Energy over exercise, fuel of the steady stages, and where most fat was burnt.

    Parameters
    ----------
    test : TestInput
    marks : Marks
    loads : Loads
    vo2_peak_ml_min : float, optional
        For shares of the peak.
    threshold_vo2_ml_min : float, optional
        Uptake at the first ventilatory threshold; fuel is not told above it.
    stages : tuple of StageValues, optional
        Of the same test, where they are at hand.

    Returns
    -------
    Energy

    Notes
    -----
    Energy by weir_1949 in every row, weighted by its time, over the covered time; the total is the mean times the length of
    exercise. Fuel by frayn_1983 in steady stages at an exchange ratio below 1.0. The stage with the most fat as in a test by
    stages (achten_2002); it is one of the stages, nothing is drawn between them.
    """
    series = without_lost_carbon_dioxide(test, marks).series
    reasons: dict[str, str] = {}
    findings: list[Finding] = []
    spent, counts = _spent(series)
    time = np.where(
        counts, overlap_s(series.start_s, series.end_s, marks.exercise_start_s, marks.exercise_end_s), 0.0
    )
    covered = float(time.sum()) / marks.duration_s if marks.duration_s > 0 else 0.0
    mean = total = highest = None
    why = _why_no_energy(series, counts, covered)
    if why is None:
        mean = float(np.dot(time, np.where(counts, spent, 0.0)) / time.sum())
        total = mean * marks.duration_s / 60.0
        window = highest_window(
            series.start_s,
            series.end_s,
            spent,
            counts,
            from_s=marks.exercise_start_s,
            to_s=marks.exercise_end_s,
            window_s=HIGHEST_WINDOW_S,
        )
        highest = None if window is None else window.value
        if highest is None:
            reasons["highest_kcal_min"] = (
                f"No window of {HIGHEST_WINDOW_S:.0f} s in exercise is covered well enough."
            )
    else:
        reasons |= dict.fromkeys(("total_kcal", "mean_kcal_min", "highest_kcal_min"), why)
    values = stage_values(series, loads) if stages is None else stages
    fuels = tuple(_fuel(one, vo2_peak_ml_min, threshold_vo2_ml_min, findings) for one in values)
    fat = _highest_fat(test, fuels, values, loads, reasons)
    return Energy(
        total,
        mean,
        highest,
        min(covered, 1.0),
        remark=_ABOVE_ONE if why is None and _passes_one(series, marks) else None,
        substrates=fuels,
        highest_fat=fat,
        reasons=reasons,
        findings=tuple(dict.fromkeys(findings)),
    )


def _spent(series: Series) -> tuple[Floats, Bools]:
    counts = counted_rows(series, "vo2_ml_min") & counted_rows(series, "vco2_ml_min")
    vo2 = np.where(counts, series.channel("vo2_ml_min"), np.nan)
    vco2 = np.where(counts, series.channel("vco2_ml_min"), np.nan)
    return weir_kcal_min(vo2, vco2), counts


def _why_no_energy(series: Series, counts: Bools, covered: float) -> str | None:
    missing = [word for key, word in (("vo2_ml_min", "VO2"), ("vco2_ml_min", "VCO2")) if not series.has(key)]
    if missing:
        return f"The test has no {' and no '.join(missing)}."
    if not counts.any() or covered < LEAST_COVERED_FRACTION - 1e-9:
        return f"Only {100 * covered:.0f} % of exercise has both VO2 and VCO2; a total needs 80 %."
    return None


def _passes_one(series: Series, marks: Marks) -> bool:
    points = points_between(
        series, ("vo2_ml_min", "vco2_ml_min"), marks.exercise_start_s, marks.exercise_end_s
    )
    return bool((points.values["vco2_ml_min"] >= points.values["vo2_ml_min"]).any())


def _fuel(
    one: StageValues, peak: float | None, threshold: float | None, findings: list[Finding]
) -> Substrates:
    share = None if peak is None or one.vo2_ml_min is None else 100.0 * one.vo2_ml_min / peak
    reason = None if one.steady else f"Not told: {one.reason}."
    if one.steady and threshold is not None and (one.vo2_ml_min or 0.0) > threshold:
        reason = (
            f"Not told: uptake lies above the first threshold ({threshold:.0f} mL/min), where bicarbonate gives off carbon "
            "dioxide too."
        )
    values: dict[str, float | None] = dict.fromkeys((FAT_EQUATION, CARBOHYDRATE_EQUATION, ENERGY_EQUATION))
    if reason is None:
        flows = {"vo2_ml_min": one.vo2_ml_min, "vco2_ml_min": one.vco2_ml_min}
        for method in values:
            answer = applied(method, flows)
            values[method] = answer.value
            reason = reason or answer.reason
            findings += answer.findings
    return Substrates(
        one.number,
        one.work_rate_w,
        one.speed_km_h,
        one.grade_percent,
        one.heart_rate_bpm,
        one.vo2_ml_min,
        one.rer,
        share,
        values[FAT_EQUATION],
        values[CARBOHYDRATE_EQUATION],
        values[ENERGY_EQUATION],
        reason,
    )


def _highest_fat(
    test: TestInput,
    fuels: Sequence[Substrates],
    values: Sequence[StageValues],
    loads: Loads,
    reasons: dict[str, str],
) -> HighestFat | None:
    known = [(one, one.fat_g_min) for one in fuels if one.fat_g_min is not None]
    if not values:
        shape = "" if loads.shape is None else f" ({loads.shape})"
        why = f"The test has no stages of constant load{shape}; fat and carbohydrate need a steady state."
        reasons["substrates"] = reasons["highest_fat"] = why
        return None
    if not known:
        reasons["substrates"] = "In no stage can fuel be told; each stage says why."
    if len(known) < LEAST_STAGES:
        told = "; ".join(f"stage {one.stage}: {one.reason}" for one in fuels if one.reason is not None)
        reasons["highest_fat"] = (
            f"Fuel can be told in {len(known)} stages; the highest fat oxidation needs at least {LEAST_STAGES}."
            + (f" {told}" if told else "")
        )
        return None
    best, fat = max(known, key=lambda pair: pair[1])
    if fat <= 0.0:
        reasons["highest_fat"] = "No fat was burnt in the stages that count."
        return None
    edge: Literal["first", "last"] | None = None
    if best is known[0][0]:
        edge = "first"
    elif best is known[-1][0]:
        edge = "last"
    hours = test.person.hours_since_meal
    remarks = []
    if edge is not None:
        remarks.append(f"It is the {edge} stage that counts; the highest may lie beyond.")
    if hours is None:
        remarks.append("Hours since the last meal are not recorded; a meal lowers fat oxidation.")
    elif hours < FASTED_HOURS:
        remarks.append(f"{hours:g} h after a meal, which lowers fat oxidation.")
    return HighestFat(
        best.stage,
        fat,
        best.work_rate_w,
        best.speed_km_h,
        best.heart_rate_bpm,
        best.vo2_ml_min,
        best.percent_of_peak,
        edge,
        hours,
        None if hours is None else hours >= FASTED_HOURS,
        " ".join(remarks) or None,
    )
