"""Quantities that are a ratio of two measured ones."""

from service.methods.metabolic_equations import RESTING_ML_KG_MIN
from service.methods.method import COMMON_PRACTICE, Method, Number, number


def metabolic_equivalents(vo2_ml_kg_min: Number) -> Number:
    """Oxygen uptake in metabolic equivalents.

    Parameters
    ----------
    vo2_ml_kg_min : float or ndarray
        mL/kg/min.

    Returns
    -------
    float or ndarray
        MET; 1 MET is 3.5 mL/kg/min by convention (acsm_2021), whatever a person's own resting uptake is.
    """
    return vo2_ml_kg_min / RESTING_ML_KG_MIN


def o2_pulse(vo2_ml_min: Number, heart_rate_bpm: Number) -> Number:
    """Oxygen uptake per heart beat.

    Parameters
    ----------
    vo2_ml_min, heart_rate_bpm : float or ndarray
        mL/min; beats/min, above 0.

    Returns
    -------
    float or ndarray
        mL/beat.
    """
    return vo2_ml_min / heart_rate_bpm


def respiratory_exchange_ratio(vo2_ml_min: Number, vco2_ml_min: Number) -> Number:
    """Carbon dioxide output over oxygen uptake.

    Parameters
    ----------
    vo2_ml_min, vco2_ml_min : float or ndarray
        mL/min STPD, above 0. Of a window: the ratio of the means, not the mean of the ratios.

    Returns
    -------
    float or ndarray
        Dimensionless.
    """
    return vco2_ml_min / vo2_ml_min


def vo2_per_body_mass(vo2_ml_min: Number, body_mass_kg: float) -> Number:
    """Oxygen uptake per kilogram of body mass.

    Parameters
    ----------
    vo2_ml_min : float or ndarray
        mL/min.
    body_mass_kg : float
        kg.

    Returns
    -------
    float or ndarray
        mL/kg/min.
    """
    return vo2_ml_min / body_mass_kg


METHODS: tuple[Method, ...] = (
    Method(
        "metabolic_equivalents",
        "Metabolic equivalents",
        "mets",
        "MET",
        (number("vo2_ml_kg_min"),),
        metabolic_equivalents,
        "acsm_2021",
        "published",
        "A convention: 3.5 mL/kg/min is nobody's measured resting uptake.",
    ),
    Method(
        "o2_pulse",
        "Oxygen pulse",
        "o2_pulse_ml_beat",
        "mL/beat",
        (number("vo2_ml_min"), number("heart_rate_bpm")),
        o2_pulse,
        COMMON_PRACTICE,
        "common practice",
        "A definition.",
    ),
    Method(
        "respiratory_exchange_ratio",
        "Respiratory exchange ratio",
        "rer",
        "",
        (number("vo2_ml_min"), number("vco2_ml_min")),
        respiratory_exchange_ratio,
        COMMON_PRACTICE,
        "common practice",
        "A definition; both flows under the same conditions.",
    ),
    Method(
        "vo2_per_body_mass",
        "Oxygen uptake per body mass",
        "vo2_ml_kg_min",
        "mL/kg/min",
        (number("vo2_ml_min"), number("body_mass_kg")),
        vo2_per_body_mass,
        COMMON_PRACTICE,
        "common practice",
        "A definition.",
    ),
)
