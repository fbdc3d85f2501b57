"""Ventilation: equivalents, breath size, and how much of what could be breathed is."""

from service.methods.method import COMMON_PRACTICE, Method, Number, number

#: Maximal voluntary ventilation for each litre of FEV1; 35 to 41 are in use.
MVV_PER_FEV1 = 40.0


def ventilatory_equivalent(ve_l_min: Number, flow_ml_min: Number) -> Number:
    """Ventilation for each litre of a gas taken up or given off.

    Parameters
    ----------
    ve_l_min : float or ndarray
        L/min BTPS.
    flow_ml_min : float or ndarray
        VO2 or VCO2, mL/min STPD, above 0.

    Returns
    -------
    float or ndarray
        Dimensionless by convention (L BTPS over L STPD); the dead space of the valve is not taken off.
    """
    return 1000 * ve_l_min / flow_ml_min


def ve_vo2(ve_l_min: Number, vo2_ml_min: Number) -> Number:
    """Ventilatory equivalent for oxygen; see `ventilatory_equivalent`.

    Parameters
    ----------
    ve_l_min, vo2_ml_min : float or ndarray
        L/min BTPS; mL/min STPD.

    Returns
    -------
    float or ndarray
        Dimensionless.
    """
    return ventilatory_equivalent(ve_l_min, vo2_ml_min)


def ve_vco2(ve_l_min: Number, vco2_ml_min: Number) -> Number:
    """Ventilatory equivalent for carbon dioxide; see `ventilatory_equivalent`.

    Parameters
    ----------
    ve_l_min, vco2_ml_min : float or ndarray
        L/min BTPS; mL/min STPD.

    Returns
    -------
    float or ndarray
        Dimensionless.
    """
    return ventilatory_equivalent(ve_l_min, vco2_ml_min)


def tidal_volume(ve_l_min: Number, respiratory_rate_per_min: Number) -> Number:
    """Volume of a mean breath.

    Parameters
    ----------
    ve_l_min, respiratory_rate_per_min : float or ndarray
        L/min; breaths a minute, above 0.

    Returns
    -------
    float or ndarray
        L, under the conditions of the ventilation.
    """
    return ve_l_min / respiratory_rate_per_min


def mvv_from_fev1(fev1_l: Number) -> Number:
    """Maximal voluntary ventilation estimated from spirometry.

    Parameters
    ----------
    fev1_l : float or ndarray
        Forced expiratory volume in 1 s, L.

    Returns
    -------
    float or ndarray
        L/min.

    Notes
    -----
    40 FEV1 (ats_accp_2003); factors of 35 to 41 are in use.
    """
    return MVV_PER_FEV1 * fev1_l


def breathing_reserve_percent(ve_max_l_min: Number, mvv_l_min: Number) -> Number:
    """What of the maximal voluntary ventilation is left at peak exercise.

    Parameters
    ----------
    ve_max_l_min, mvv_l_min : float or ndarray
        L/min BTPS.

    Returns
    -------
    float or ndarray
        Per cent; negative where ventilation passed the maximal voluntary one.

    Notes
    -----
    100 (1 - VEmax / MVV) (ats_accp_2003).
    """
    return 100 * (1 - ve_max_l_min / mvv_l_min)


_VE = number("ve_l_min")

METHODS: tuple[Method, ...] = (
    Method(
        "ve_vo2",
        "Ventilatory equivalent for O2",
        "ve_vo2",
        "",
        (_VE, number("vo2_ml_min")),
        ve_vo2,
        COMMON_PRACTICE,
        "common practice",
        "A definition; ventilation BTPS, uptake STPD.",
    ),
    Method(
        "ve_vco2",
        "Ventilatory equivalent for CO2",
        "ve_vco2",
        "",
        (_VE, number("vco2_ml_min")),
        ve_vco2,
        COMMON_PRACTICE,
        "common practice",
        "A definition; ventilation BTPS, output STPD.",
    ),
    Method(
        "tidal_volume_l",
        "Tidal volume",
        "tidal_volume_l",
        "L",
        (_VE, number("respiratory_rate_per_min")),
        tidal_volume,
        COMMON_PRACTICE,
        "common practice",
        "A definition.",
    ),
    Method(
        "mvv_from_fev1_l_min",
        "Maximal voluntary ventilation from FEV1",
        "mvv_l_min",
        "L/min",
        (number("fev1_l"),),
        mvv_from_fev1,
        "ats_accp_2003",
        "value from memory",
        "An estimate; a measured maximal voluntary ventilation is better.",
        notes="40 FEV1; 35 to 41 are in use.",
    ),
    Method(
        "breathing_reserve_percent",
        "Breathing reserve",
        "breathing_reserve_percent",
        "%",
        (number("ve_max_l_min"), number("mvv_l_min")),
        breathing_reserve_percent,
        "ats_accp_2003",
        "value from memory",
        "Peak ventilation of a maximal test against the maximal voluntary ventilation of the same person.",
        below_zero="allow",
    ),
)
