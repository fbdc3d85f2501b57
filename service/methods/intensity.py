"""Oxygen uptake of an intensity of training."""

from service.methods.metabolic_equations import RESTING_ML_KG_MIN
from service.methods.method import Method, Number, number


def vo2_at_reserve(vo2_max_ml_kg_min: float, intensity_percent: Number) -> Number:
    """Oxygen uptake at a share of the uptake reserve.

    Parameters
    ----------
    vo2_max_ml_kg_min : float
        mL/kg/min.
    intensity_percent : float or ndarray
        Per cent of the reserve.

    Returns
    -------
    float or ndarray
        mL/kg/min.

    Notes
    -----
    3.5 + intensity/100 (VO2max - 3.5) (acsm_2021); 3.5 mL/kg/min stands for the resting uptake.
    """
    return RESTING_ML_KG_MIN + intensity_percent / 100 * (vo2_max_ml_kg_min - RESTING_ML_KG_MIN)


METHODS: tuple[Method, ...] = (
    Method(
        "vo2_at_reserve",
        "Oxygen uptake at a share of the uptake reserve",
        "vo2_ml_kg_min",
        "mL/kg/min",
        (
            number("vo2_max_ml_kg_min", label="Maximal oxygen uptake", unit="mL/kg/min", hard=(3.6, 100)),
            number("intensity_percent", label="Intensity", unit="%", hard=(0, 150), valid=(0, 100)),
        ),
        vo2_at_reserve,
        "acsm_2021",
        "value from memory",
        "3.5 mL/kg/min stands for the resting uptake, whatever a person's own is.",
    ),
)
