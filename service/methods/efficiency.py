"""Efficiency of work on an ergometer, and economy of running and walking."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.methods.energy import J_PER_CAL, weir_kcal_min
from service.methods.method import COMMON_PRACTICE, Input, Method, Number, number

#: Watts of an energy expenditure of 1 kcal/min.
W_PER_KCAL_MIN = 1000 * J_PER_CAL / 60


def gross_efficiency_percent(work_rate_w: Number, vo2_ml_min: Number, vco2_ml_min: Number) -> Number:
    """Work over the energy spent on it and on living.

    Parameters
    ----------
    work_rate_w : float or ndarray
        W, measured at the ergometer.
    vo2_ml_min, vco2_ml_min : float or ndarray
        mL/min STPD, of a steady state.

    Returns
    -------
    float or ndarray
        Per cent.

    Notes
    -----
    100 W / EE (gaesser_1975), EE by `weir_kcal_min` and 4184 J/kcal. It depends on the energy equation.
    """
    return 100 * work_rate_w / (W_PER_KCAL_MIN * weir_kcal_min(vo2_ml_min, vco2_ml_min))


def delta_efficiency_percent(stages: Sequence[Mapping[str, float]]) -> float:
    """How much of each further joule spent becomes work.

    Parameters
    ----------
    stages : sequence of mapping
        Steady stages, each with ``work_rate_w``, ``vo2_ml_min`` and ``vco2_ml_min``; at least two.

    Returns
    -------
    float
        Per cent; NaN where energy expenditure is the same in all stages.

    Notes
    -----
    100 times the slope of the least-squares line of work on energy expenditure, both in W (gaesser_1975); EE by
    `weir_kcal_min` and 4184 J/kcal.
    """
    spent = stage_energy_w(stages)
    if np.ptp(spent) <= 1e-9 * abs(float(spent.mean())):
        return float("nan")
    work = np.array([row["work_rate_w"] for row in stages])
    centred = spent - spent.mean()
    return 100 * float(np.dot(centred, work) / np.dot(centred, centred))


def stage_energy_w(stages: Sequence[Mapping[str, float]]) -> NDArray[np.float64]:
    """Energy expenditure of stages.

    Parameters
    ----------
    stages : sequence of mapping
        Each with ``vo2_ml_min`` and ``vco2_ml_min``.

    Returns
    -------
    ndarray of float, shape (n,)
        W, by `weir_kcal_min` and 4184 J/kcal.
    """
    vo2, vco2 = (np.array([row[key] for row in stages]) for key in ("vo2_ml_min", "vco2_ml_min"))
    return W_PER_KCAL_MIN * weir_kcal_min(vo2, vco2)


def locomotion_economy_ml_kg_km(vo2_ml_kg_min: Number, speed_km_h: Number) -> Number:
    """Oxygen for each kilometre.

    Parameters
    ----------
    vo2_ml_kg_min : float or ndarray
        mL/kg/min, of a steady state.
    speed_km_h : float or ndarray
        km/h, above 0.

    Returns
    -------
    float or ndarray
        mL/kg/km.

    Notes
    -----
    60 VO2 / speed; gross, the resting uptake is not taken off (common practice).
    """
    return 60 * vo2_ml_kg_min / speed_km_h


_VO2, _VCO2 = number("vo2_ml_min"), number("vco2_ml_min")
_WORK = number("work_rate_w")
_STEADY = "Steady state at a ratio of VCO2 to VO2 below 1.0"


def _above_one(given: Mapping[str, Any]) -> tuple[str, ...]:
    rows = given.get("stages") or (given,)
    if all(row["vco2_ml_min"] < row["vo2_ml_min"] for row in rows):
        return ()
    return ("The ratio of VCO2 to VO2 is 1.0 or more: energy is spent that oxygen does not tell.",)


def _flat(given: Mapping[str, Any]) -> str | None:
    spent = stage_energy_w(given["stages"])
    if np.ptp(spent) <= 1e-9 * abs(float(spent.mean())):
        return "energy expenditure is the same in all stages."
    return None


METHODS: tuple[Method, ...] = (
    Method(
        "gross_efficiency_percent",
        "Gross efficiency",
        "gross_efficiency_percent",
        "%",
        (_WORK, _VO2, _VCO2),
        gross_efficiency_percent,
        "gaesser_1975",
        "value from memory",
        f"{_STEADY}, work measured at the ergometer.",
        doubts=_above_one,
        notes="Energy by Weir, 4184 J/kcal. Another energy equation gives another efficiency.",
    ),
    Method(
        "delta_efficiency_percent",
        "Delta efficiency",
        "delta_efficiency_percent",
        "%",
        (Input("stages", "Stages", "", "list", fields=(_WORK, _VO2, _VCO2), least=2),),
        delta_efficiency_percent,
        "gaesser_1975",
        "value from memory",
        f"{_STEADY} in every stage, work measured at the ergometer.",
        doubts=_above_one,
        refusal=_flat,
        notes="The slope of work on energy expenditure. Energy by Weir, 4184 J/kcal.",
    ),
    Method(
        "locomotion_economy_ml_kg_km",
        "Economy of running or walking",
        "economy_ml_kg_km",
        "mL/kg/km",
        (
            number("vo2_ml_kg_min"),
            number("speed_km_h", hard=(0.5, 45)),
        ),
        locomotion_economy_ml_kg_km,
        COMMON_PRACTICE,
        "common practice",
        f"{_STEADY}; comparable at the same grade only.",
    ),
)
