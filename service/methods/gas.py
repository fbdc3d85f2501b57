"""Gas volumes and gas exchange: vapour pressure, volume conversions, the Haldane transformation.

Constants: 0 °C is 273.15 K and body temperature 310.15 K; water vapour at 37 °C is taken as 47.08 mmHg, the
usual handbook figure; inspired gas is dry room air of 20.93 % O2, 0.03 % CO2 and 79.04 % N2 with the inert gases.
"""

import numpy as np

from service.methods.method import Method, Number, number
from service.quantities import QUANTITIES

ZERO_CELSIUS_K = 273.15
BODY_TEMPERATURE_K = 310.15
STANDARD_PRESSURE_MMHG = 760.0
VAPOUR_PRESSURE_37_MMHG = 47.08
MMHG_PER_MPA = 1e6 / 133.322387415

FIO2_FRACTION = 0.2093
FICO2_FRACTION = 0.0003
FIN2_FRACTION = 0.7904

_CRITICAL_TEMPERATURE_K = 647.096
_CRITICAL_PRESSURE_MPA = 22.064
_COEFFICIENTS = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)
_EXPONENTS = (1.0, 1.5, 3.0, 3.5, 4.0, 7.5)


def water_vapour_pressure_mmhg(temperature_c: Number) -> Number:
    """Saturation pressure of water vapour over liquid water.

    Parameters
    ----------
    temperature_c : float or ndarray
        °C, 0.01 to 373.9.

    Returns
    -------
    float or ndarray
        mmHg, of the same shape.

    Notes
    -----
    ln(p/pc) = (Tc/T) (a1 v + a2 v^1.5 + a3 v^3 + a4 v^3.5 + a5 v^4 + a6 v^7.5), v = 1 - T/Tc: the saturation
    line of Wagner and Pruss, adopted by IAPWS (wagner_2002).
    """
    kelvin = temperature_c + ZERO_CELSIUS_K
    v = 1.0 - kelvin / _CRITICAL_TEMPERATURE_K
    terms = sum(a * v**n for a, n in zip(_COEFFICIENTS, _EXPONENTS, strict=True))
    pressure: Number = (
        _CRITICAL_PRESSURE_MPA * MMHG_PER_MPA * np.exp(_CRITICAL_TEMPERATURE_K / kelvin * terms)
    )
    return pressure


def stpd_factor(barometric_pressure_mmhg: Number, temperature_c: Number) -> Number:
    """Factor from a volume at ambient temperature and pressure, saturated (ATPS), to STPD.

    Parameters
    ----------
    barometric_pressure_mmhg, temperature_c : float or ndarray
        Station pressure, mmHg; gas temperature, °C.

    Returns
    -------
    float or ndarray
        Dimensionless.

    Notes
    -----
    273.15 / (273.15 + t) x (PB - PH2O(t)) / 760.
    """
    return (
        ZERO_CELSIUS_K
        / (ZERO_CELSIUS_K + temperature_c)
        * (barometric_pressure_mmhg - water_vapour_pressure_mmhg(temperature_c))
        / STANDARD_PRESSURE_MMHG
    )


def btps_factor(
    barometric_pressure_mmhg: Number, temperature_c: Number, relative_humidity_percent: float = 100.0
) -> Number:
    """Factor from a volume at ambient temperature and pressure to BTPS.

    Parameters
    ----------
    barometric_pressure_mmhg, temperature_c : float or ndarray
        Station pressure, mmHg; gas temperature, °C.
    relative_humidity_percent : float, default 100
        Of the gas; 100 is a saturated volume (ATPS), as expired gas in a bag or spirometer is.

    Returns
    -------
    float or ndarray
        Dimensionless.

    Notes
    -----
    310.15 / (273.15 + t) x (PB - RH PH2O(t)) / (PB - 47.08).
    """
    vapour = water_vapour_pressure_mmhg(temperature_c) * (relative_humidity_percent / 100.0)
    return (
        BODY_TEMPERATURE_K
        / (ZERO_CELSIUS_K + temperature_c)
        * (barometric_pressure_mmhg - vapour)
        / (barometric_pressure_mmhg - VAPOUR_PRESSURE_37_MMHG)
    )


def btps_to_stpd_factor(barometric_pressure_mmhg: Number) -> Number:
    """Factor from BTPS to STPD; its inverse goes back.

    Parameters
    ----------
    barometric_pressure_mmhg : float or ndarray
        Station pressure, mmHg.

    Returns
    -------
    float or ndarray
        Dimensionless; 0.826 at 760 mmHg.

    Notes
    -----
    273.15 / 310.15 x (PB - 47.08) / 760.
    """
    return (
        ZERO_CELSIUS_K
        / BODY_TEMPERATURE_K
        * (barometric_pressure_mmhg - VAPOUR_PRESSURE_37_MMHG)
        / STANDARD_PRESSURE_MMHG
    )


def haldane_inspired_l_min(ve_stpd_l_min: Number, feo2_fraction: Number, feco2_fraction: Number) -> Number:
    """Inspired ventilation from the expired one, nitrogen being neither taken up nor given off.

    Parameters
    ----------
    ve_stpd_l_min : float or ndarray
        Expired ventilation, L/min STPD.
    feo2_fraction, feco2_fraction : float or ndarray
        Mixed expired fractions of dry gas.

    Returns
    -------
    float or ndarray
        L/min STPD.

    Notes
    -----
    VI = VE (1 - FEO2 - FECO2) / 0.7904 (Haldane transformation). For room air only.
    """
    return ve_stpd_l_min * (1.0 - feo2_fraction - feco2_fraction) / FIN2_FRACTION


def haldane_vo2_ml_min(ve_stpd_l_min: Number, feo2_fraction: Number, feco2_fraction: Number) -> Number:
    """Oxygen uptake from expired ventilation and mixed expired fractions.

    Parameters
    ----------
    ve_stpd_l_min : float or ndarray
        Expired ventilation, L/min STPD.
    feo2_fraction, feco2_fraction : float or ndarray
        Mixed expired fractions of dry gas.

    Returns
    -------
    float or ndarray
        mL/min STPD.

    Notes
    -----
    VO2 = VI 0.2093 - VE FEO2, VI by the Haldane transformation. For room air only: it becomes unstable as the
    inspired fraction nears 1.
    """
    inspired = haldane_inspired_l_min(ve_stpd_l_min, feo2_fraction, feco2_fraction)
    return 1000.0 * (inspired * FIO2_FRACTION - ve_stpd_l_min * feo2_fraction)


def haldane_vco2_ml_min(ve_stpd_l_min: Number, feo2_fraction: Number, feco2_fraction: Number) -> Number:
    """Carbon dioxide output from expired ventilation and mixed expired fractions.

    Parameters
    ----------
    ve_stpd_l_min : float or ndarray
        Expired ventilation, L/min STPD.
    feo2_fraction, feco2_fraction : float or ndarray
        Mixed expired fractions of dry gas.

    Returns
    -------
    float or ndarray
        mL/min STPD.

    Notes
    -----
    VCO2 = VE FECO2 - VI 0.0003.
    """
    inspired = haldane_inspired_l_min(ve_stpd_l_min, feo2_fraction, feco2_fraction)
    return 1000.0 * (ve_stpd_l_min * feco2_fraction - inspired * FICO2_FRACTION)


def haldane_fractions(
    ve_stpd_l_min: Number, vo2_ml_min: Number, vco2_ml_min: Number
) -> tuple[Number, Number]:
    """Mixed expired fractions that give an uptake and output by the Haldane transformation.

    Parameters
    ----------
    ve_stpd_l_min : float or ndarray
        Expired ventilation, L/min STPD, above 0.
    vo2_ml_min, vco2_ml_min : float or ndarray
        mL/min STPD.

    Returns
    -------
    feo2_fraction, feco2_fraction : float or ndarray
        Of dry gas.

    Notes
    -----
    The two equations of `haldane_vo2_ml_min` and `haldane_vco2_ml_min` solved for the fractions. For room air only.
    """
    taken = vo2_ml_min / (1000.0 * ve_stpd_l_min)
    given = vco2_ml_min / (1000.0 * ve_stpd_l_min)
    # Nitrogen in equals nitrogen out: VI/VE = r, with FEO2 = r FIO2 - taken, FECO2 = given + r FICO2, and
    # 1 - FEO2 - FECO2 = r FIN2.
    inspired = (1.0 + taken - given) / (FIN2_FRACTION + FIO2_FRACTION + FICO2_FRACTION)
    return inspired * FIO2_FRACTION - taken, given + inspired * FICO2_FRACTION


_PRESSURE = number("barometric_pressure_mmhg")
_TEMPERATURE = number("temperature_c", valid=(0.01, 50))
_VE = number("ve_stpd_l_min", label="Ventilation (STPD)", unit="L/min", hard=(0.5, 280))
_FEO2 = number("feo2_fraction", valid=QUANTITIES["feo2_fraction"].soft)
_FECO2 = number("feco2_fraction", valid=QUANTITIES["feco2_fraction"].soft)

METHODS: tuple[Method, ...] = (
    Method(
        "water_vapour_pressure_mmhg",
        "Saturation vapour pressure of water",
        "vapour_pressure_mmhg",
        "mmHg",
        (
            number(
                "temperature_c",
                label="Temperature",
                unit="°C",
                hard=(-20, 100),
                valid=(0.01, 100),
            ),
        ),
        water_vapour_pressure_mmhg,
        "wagner_2002",
        "published",
        "Over liquid water; below 0.01 °C the line is extrapolated.",
    ),
    Method(
        "stpd_factor",
        "Factor from ATPS to STPD",
        "volume_factor",
        "",
        (_PRESSURE, _TEMPERATURE),
        stpd_factor,
        "consolazio_1963",
        "published",
        "Saturated gas at room temperature; station pressure, not reduced to sea level.",
    ),
    Method(
        "btps_factor",
        "Factor from ATPS to BTPS",
        "volume_factor",
        "",
        (_PRESSURE, _TEMPERATURE, number("relative_humidity_percent", optional=True, default=100.0)),
        btps_factor,
        "consolazio_1963",
        "published",
        "Room gas, saturated unless its humidity is given; station pressure, not reduced to sea level.",
        notes="47.08 mmHg stands for water vapour at 37 °C.",
    ),
    Method(
        "btps_to_stpd_factor",
        "Factor from BTPS to STPD",
        "volume_factor",
        "",
        (_PRESSURE,),
        btps_to_stpd_factor,
        "consolazio_1963",
        "published",
        "Station pressure, not reduced to sea level.",
        notes="47.08 mmHg stands for water vapour at 37 °C.",
    ),
    Method(
        "haldane_vo2_ml_min",
        "Oxygen uptake by the Haldane transformation",
        "vo2_ml_min",
        "mL/min",
        (_VE, _FEO2, _FECO2),
        haldane_vo2_ml_min,
        "consolazio_1963",
        "published",
        "Steady breathing of room air (20.93 % O2, 0.03 % CO2); not for oxygen-enriched gas.",
    ),
    Method(
        "haldane_vco2_ml_min",
        "Carbon dioxide output by the Haldane transformation",
        "vco2_ml_min",
        "mL/min",
        (_VE, _FEO2, _FECO2),
        haldane_vco2_ml_min,
        "consolazio_1963",
        "published",
        "Steady breathing of room air (20.93 % O2, 0.03 % CO2); not for oxygen-enriched gas.",
    ),
)
