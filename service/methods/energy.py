"""Energy and substrates from gas exchange.

All take VO2 and VCO2 in mL/min STPD. Urinary nitrogen is not known in an exercise test and is left out. Published
equations differ by up to 5 % on the same data, so the name of the equation stands with its value.
"""

from collections.abc import Callable, Mapping
from typing import Any, Literal

from service.methods.method import Method, Number, Trust, number
from service.quantities import QUANTITIES

#: Joules of a thermochemical calorie.
J_PER_CAL = 4.184


def weir_kcal_min(vo2_ml_min: Number, vco2_ml_min: Number) -> Number:
    """Energy expenditure by Weir's abbreviated equation, the default of this project.

    Parameters
    ----------
    vo2_ml_min, vco2_ml_min : float or ndarray
        mL/min STPD.

    Returns
    -------
    float or ndarray
        kcal/min.

    Notes
    -----
    3.941 VO2 + 1.106 VCO2, L/min (weir_1949).
    """
    return (3.941 * vo2_ml_min + 1.106 * vco2_ml_min) / 1000


def lusk_kcal_min(vo2_ml_min: Number, vco2_ml_min: Number) -> Number:
    """Energy expenditure from the table of Zuntz, Schumburg and Lusk, which is linear in the ratio.

    Parameters
    ----------
    vo2_ml_min, vco2_ml_min : float or ndarray
        mL/min STPD.

    Returns
    -------
    float or ndarray
        kcal/min.

    Notes
    -----
    VO2 (4.686 + 0.361 (RER - 0.707)/0.293), L/min; for RER 0.707 to 1.0 (lusk_1928).
    """
    ratio = vco2_ml_min / vo2_ml_min
    return vo2_ml_min / 1000 * (4.686 + 0.361 * (ratio - 0.707) / 0.293)


def brockway_kj_min(vo2_ml_min: Number, vco2_ml_min: Number) -> Number:
    """Energy expenditure by Brockway's equation.

    Parameters
    ----------
    vo2_ml_min, vco2_ml_min : float or ndarray
        mL/min STPD.

    Returns
    -------
    float or ndarray
        kJ/min.

    Notes
    -----
    16.58 VO2 + 4.51 VCO2, L/min (brockway_1987).
    """
    return (16.58 * vo2_ml_min + 4.51 * vco2_ml_min) / 1000


def frayn_fat_g_min(vo2_ml_min: Number, vco2_ml_min: Number) -> Number:
    """Fat oxidation by Frayn's equation.

    Parameters
    ----------
    vo2_ml_min, vco2_ml_min : float or ndarray
        mL/min STPD.

    Returns
    -------
    float or ndarray
        g/min; negative above a ratio of 1.

    Notes
    -----
    1.67 VO2 - 1.67 VCO2, L/min (frayn_1983).
    """
    return (1.67 * vo2_ml_min - 1.67 * vco2_ml_min) / 1000


def frayn_carbohydrate_g_min(vo2_ml_min: Number, vco2_ml_min: Number) -> Number:
    """Carbohydrate oxidation by Frayn's equation.

    Parameters
    ----------
    vo2_ml_min, vco2_ml_min : float or ndarray
        mL/min STPD.

    Returns
    -------
    float or ndarray
        g/min; negative below a ratio of 0.7055.

    Notes
    -----
    4.55 VCO2 - 3.21 VO2, L/min (frayn_1983).
    """
    return (4.55 * vco2_ml_min - 3.21 * vo2_ml_min) / 1000


def peronnet_fat_g_min(vo2_ml_min: Number, vco2_ml_min: Number) -> Number:
    """Fat oxidation by the equation of Peronnet and Massicotte.

    Parameters
    ----------
    vo2_ml_min, vco2_ml_min : float or ndarray
        mL/min STPD.

    Returns
    -------
    float or ndarray
        g/min; negative above a ratio of 0.9965.

    Notes
    -----
    1.695 VO2 - 1.701 VCO2, L/min (peronnet_1991).
    """
    return (1.695 * vo2_ml_min - 1.701 * vco2_ml_min) / 1000


def peronnet_carbohydrate_g_min(vo2_ml_min: Number, vco2_ml_min: Number) -> Number:
    """Carbohydrate oxidation by the equation of Peronnet and Massicotte.

    Parameters
    ----------
    vo2_ml_min, vco2_ml_min : float or ndarray
        mL/min STPD.

    Returns
    -------
    float or ndarray
        g/min; negative below a ratio of 0.7036.

    Notes
    -----
    4.585 VCO2 - 3.226 VO2, L/min (peronnet_1991).
    """
    return (4.585 * vco2_ml_min - 3.226 * vo2_ml_min) / 1000


def jeukendrup_carbohydrate_low_g_min(vo2_ml_min: Number, vco2_ml_min: Number) -> Number:
    """Carbohydrate oxidation at low intensity, 40 to 50 % of the maximum.

    Parameters
    ----------
    vo2_ml_min, vco2_ml_min : float or ndarray
        mL/min STPD.

    Returns
    -------
    float or ndarray
        g/min.

    Notes
    -----
    4.344 VCO2 - 3.061 VO2, L/min (jeukendrup_2005).
    """
    return (4.344 * vco2_ml_min - 3.061 * vo2_ml_min) / 1000


def jeukendrup_carbohydrate_moderate_g_min(vo2_ml_min: Number, vco2_ml_min: Number) -> Number:
    """Carbohydrate oxidation at moderate to high intensity, 50 to 75 % of the maximum, mostly glycogen.

    Parameters
    ----------
    vo2_ml_min, vco2_ml_min : float or ndarray
        mL/min STPD.

    Returns
    -------
    float or ndarray
        g/min.

    Notes
    -----
    4.210 VCO2 - 2.962 VO2, L/min (jeukendrup_2005).
    """
    return (4.210 * vco2_ml_min - 2.962 * vo2_ml_min) / 1000


_FLOWS = (number("vo2_ml_min"), number("vco2_ml_min"))


def _ratio(given: Mapping[str, Any]) -> float:
    return float(given["vco2_ml_min"] / given["vo2_ml_min"])


def _impossible_ratio(given: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    ratio = _ratio(given)
    if QUANTITIES["rer"].possible(ratio):
        return ()
    return (("vco2_ml_min", f"a ratio of VCO2 to VO2 of {ratio:.2f} cannot be; check the units of both"),)


def _ratio_outside(low: float, high: float) -> Callable[[Mapping[str, Any]], tuple[str, ...]]:
    def doubts(given: Mapping[str, Any]) -> tuple[str, ...]:
        ratio = _ratio(given)
        if low <= ratio <= high:
            return ()
        return (f"The ratio of VCO2 to VO2 is {ratio:.3f}; the equation is for {low:g} to {high:g}.",)

    return doubts


def _above_one(given: Mapping[str, Any]) -> str | None:
    if (ratio := _ratio(given)) > 1.0:
        return (
            f"the ratio of VCO2 to VO2 is {ratio:.2f}. Above 1.0 carbon dioxide comes from bicarbonate too, "
            "so the gases no longer tell the substrates."
        )
    return None


def _energy(
    method_id: str,
    label: str,
    unit: str,
    function: Callable[..., float],
    source: str,
    trust: Trust,
    ratios: tuple[float, float],
    notes: str = "",
) -> Method:
    return Method(
        method_id,
        label,
        "energy_kcal_min" if unit == "kcal/min" else "energy_kj_min",
        unit,
        _FLOWS,
        function,
        source,
        trust,
        "Steady state; nitrogen left out.",
        doubts=_ratio_outside(*ratios),
        refused=_impossible_ratio,
        notes=notes,
    )


def _substrate(
    method_id: str,
    name: str,
    substrate: Literal["fat", "carbohydrate"],
    function: Callable[..., float],
    source: str,
    trust: Trust,
    low: float,
    validity: str = "Steady state below the first threshold, ratio at most 1.0; nitrogen left out.",
) -> Method:
    return Method(
        method_id,
        f"{substrate.capitalize()} oxidation, {name}",
        f"{substrate}_oxidation_g_min",
        "g/min",
        _FLOWS,
        function,
        source,
        trust,
        validity,
        doubts=_ratio_outside(low, 1.0),
        refusal=_above_one,
        refused=_impossible_ratio,
        below_zero="zero",
        notes="A small negative value at either end of the range is given as zero, and said.",
    )


METHODS: tuple[Method, ...] = (
    _energy(
        "weir_kcal_min",
        "Energy expenditure, Weir",
        "kcal/min",
        weir_kcal_min,
        "weir_1949",
        "published",
        (0.67, 1.3),
        "The default of this project. 3.9 and 1.1 circulate as rounded coefficients.",
    ),
    _energy(
        "lusk_kcal_min",
        "Energy expenditure, Zuntz-Schumburg-Lusk",
        "kcal/min",
        lusk_kcal_min,
        "lusk_1928",
        "value from memory",
        (0.707, 1.0),
    ),
    _energy(
        "brockway_kj_min",
        "Energy expenditure, Brockway",
        "kJ/min",
        brockway_kj_min,
        "brockway_1987",
        "value from memory",
        (0.67, 1.3),
    ),
    _substrate("frayn_fat_g_min", "Frayn", "fat", frayn_fat_g_min, "frayn_1983", "published", 0.7055),
    _substrate(
        "frayn_carbohydrate_g_min",
        "Frayn",
        "carbohydrate",
        frayn_carbohydrate_g_min,
        "frayn_1983",
        "published",
        0.7055,
    ),
    _substrate(
        "peronnet_fat_g_min",
        "Peronnet and Massicotte",
        "fat",
        peronnet_fat_g_min,
        "peronnet_1991",
        "value from memory",
        0.7036,
    ),
    _substrate(
        "peronnet_carbohydrate_g_min",
        "Peronnet and Massicotte",
        "carbohydrate",
        peronnet_carbohydrate_g_min,
        "peronnet_1991",
        "value from memory",
        0.7036,
    ),
    _substrate(
        "jeukendrup_carbohydrate_low_g_min",
        "Jeukendrup and Wallis, low intensity",
        "carbohydrate",
        jeukendrup_carbohydrate_low_g_min,
        "jeukendrup_2005",
        "value from memory",
        0.7047,
        "Steady state at 40 to 50 % of the maximum, ratio at most 1.0; nitrogen left out.",
    ),
    _substrate(
        "jeukendrup_carbohydrate_moderate_g_min",
        "Jeukendrup and Wallis, moderate to high intensity",
        "carbohydrate",
        jeukendrup_carbohydrate_moderate_g_min,
        "jeukendrup_2005",
        "value from memory",
        0.7036,
        "Steady state at 50 to 75 % of the maximum, ratio at most 1.0; nitrogen left out.",
    ),
)
