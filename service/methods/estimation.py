"""VO2max estimated from work: maximal and submaximal cycle and treadmill tests without gas exchange.

What is estimated is never mixed with what was measured.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from service.methods.heart_rate import heart_rate_max_fox, heart_rate_max_tanaka
from service.methods.metabolic_equations import KGM_MIN_PER_W, KM_H_PER_MPH, acsm_leg_cycling
from service.methods.method import SEX, Input, Method, Sex, number

#: Ages and factors by which the estimate of Astrand and Ryhming is multiplied (astrand_1960, values from memory).
ASTRAND_AGES_YEARS = (15.0, 25.0, 35.0, 40.0, 45.0, 50.0, 55.0, 60.0, 65.0)
ASTRAND_FACTORS = (1.10, 1.00, 0.87, 0.83, 0.78, 0.75, 0.71, 0.68, 0.65)


def storer_cycle(work_rate_w: float, body_mass_kg: float, age_years: float, sex: Sex) -> float:
    """VO2max from the maximal work rate of a cycle test of 15 W/min.

    Parameters
    ----------
    work_rate_w : float
        Highest work rate, W.
    body_mass_kg, age_years : float
    sex : {"female", "male"}

    Returns
    -------
    float
        mL/min.

    Notes
    -----
    Men 10.51 W + 6.35 mass - 10.49 age + 519.3 (SEE 212); women 9.39 W + 7.7 mass - 5.88 age + 136.7 (SEE 147)
    (storer_1990).
    """
    if sex == "male":
        return 10.51 * work_rate_w + 6.35 * body_mass_kg - 10.49 * age_years + 519.3
    return 9.39 * work_rate_w + 7.7 * body_mass_kg - 5.88 * age_years + 136.7


def kokkinos_cycle(work_rate_w: float, body_mass_kg: float) -> float:
    """VO2max from the maximal work rate of a cycle test.

    Parameters
    ----------
    work_rate_w, body_mass_kg : float
        W, kg.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    1.74 (6.12 W / mass) + 3.5 (kokkinos_2018), with 6.12 as printed.
    """
    return 1.74 * (work_rate_w * 6.12 / body_mass_kg) + 3.5


def astrand_age_factor(age_years: float) -> float:
    """Age factor of the cycle test of Astrand and Ryhming, linear between the tabulated ages.

    Parameters
    ----------
    age_years : float
        15 to 65.

    Returns
    -------
    float
        Dimensionless; 1 at 25 years.
    """
    return float(np.interp(age_years, ASTRAND_AGES_YEARS, ASTRAND_FACTORS))


def astrand_ryhming_cycle(work_rate_w: float, heart_rate_bpm: float, sex: Sex, age_years: float) -> float:
    """VO2max from the steady heart rate at one submaximal cycle load.

    Parameters
    ----------
    work_rate_w, heart_rate_bpm : float
        Load, W, and heart rate of minutes 5 to 6.
    sex : {"female", "male"}
    age_years : float
        15 to 65.

    Returns
    -------
    float
        mL/min.

    Notes
    -----
    The nomogram (astrand_1954) as a regression, L/min with the work rate in kgm/min, times the age factor: men 100
    (0.00212 WR + 0.299)/(0.769 HR - 48.5), women 100 (0.00193 WR + 0.326)/(0.769 HR - 56.1). A factor of 1000 circulates
    beside the 100 and is wrong.
    """
    work = work_rate_w * KGM_MIN_PER_W
    if sex == "male":
        litres = 100 * (0.00212 * work + 0.299) / (0.769 * heart_rate_bpm - 48.5)
    else:
        litres = 100 * (0.00193 * work + 0.326) / (0.769 * heart_rate_bpm - 56.1)
    return 1000 * litres * astrand_age_factor(age_years)


def astrand_ryhming_from_uptake(
    vo2_ml_min: float, heart_rate_bpm: float, sex: Sex, age_years: float
) -> float:
    """VO2max from the steady heart rate at one submaximal uptake.

    Parameters
    ----------
    vo2_ml_min, heart_rate_bpm : float
        Uptake of the load, mL/min, and heart rate.
    sex : {"female", "male"}
    age_years : float
        15 to 65.

    Returns
    -------
    float
        mL/min.

    Notes
    -----
    Men VO2 (195 - 61)/(HR - 61), women VO2 (198 - 72)/(HR - 72) (astrand_1954), times the age factor.
    """
    top, rest = (195.0, 61.0) if sex == "male" else (198.0, 72.0)
    return vo2_ml_min * (top - rest) / (heart_rate_bpm - rest) * astrand_age_factor(age_years)


def ymca_stages(
    stages: Sequence[Mapping[str, float]], heart_rate_max_bpm: float
) -> tuple[Mapping[str, float], Mapping[str, float]]:
    """The two stages the line is drawn through: the last two with a heart rate of 110 to 85 % of the maximum.

    Parameters
    ----------
    stages : sequence of mapping
        In order, each with ``work_rate_w`` and ``heart_rate_bpm``; at least two.
    heart_rate_max_bpm : float

    Returns
    -------
    tuple of two mappings
        The last two of all where fewer than two lie in that range.
    """
    inside = [row for row in stages if 110 <= row["heart_rate_bpm"] <= 0.85 * heart_rate_max_bpm]
    chosen = inside if len(inside) >= 2 else stages
    return chosen[-2], chosen[-1]


def ymca_cycle(
    stages: Sequence[Mapping[str, float]],
    body_mass_kg: float,
    age_years: float,
    heart_rate_max_bpm: float | None = None,
) -> float:
    """VO2max from the heart rates of a multistage submaximal cycle test.

    Parameters
    ----------
    stages : sequence of mapping
        In order, each with ``work_rate_w`` and the steady ``heart_rate_bpm``; at least two.
    body_mass_kg, age_years : float
    heart_rate_max_bpm : float, optional
        208 - 0.7 age where it is not known.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    A line through two stages (`ymca_stages`) extrapolated to the maximal heart rate, Wmax = W2 + (W2 - W1)/(HR2 - HR1)
    (HRmax - HR2), and the ACSM leg cycling equation at Wmax (golding_1989, value from memory).
    """
    maximum = heart_rate_max_tanaka(age_years) if heart_rate_max_bpm is None else heart_rate_max_bpm
    first, second = ymca_stages(stages, maximum)
    per_beat = (second["work_rate_w"] - first["work_rate_w"]) / (
        second["heart_rate_bpm"] - first["heart_rate_bpm"]
    )
    highest = second["work_rate_w"] + per_beat * (maximum - second["heart_rate_bpm"])
    return acsm_leg_cycling(highest, body_mass_kg)


def two_stage_treadmill(
    vo2_1_ml_kg_min: float,
    heart_rate_1_bpm: float,
    vo2_2_ml_kg_min: float,
    heart_rate_2_bpm: float,
    age_years: float,
) -> float:
    """VO2max from two submaximal treadmill stages.

    Parameters
    ----------
    vo2_1_ml_kg_min, vo2_2_ml_kg_min : float
        Estimated uptake of the stages.
    heart_rate_1_bpm, heart_rate_2_bpm : float
        Heart rate at the end of the stages.
    age_years : float

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    The line through both stages, extrapolated to 220 - age; none where heart rate rises by 5 or less (nchs_2002).
    """
    per_beat = (vo2_2_ml_kg_min - vo2_1_ml_kg_min) / (heart_rate_2_bpm - heart_rate_1_bpm)
    return vo2_2_ml_kg_min + per_beat * (heart_rate_max_fox(age_years) - heart_rate_2_bpm)


def ebbeling_treadmill(speed_km_h: float, heart_rate_bpm: float, age_years: float, sex: Sex) -> float:
    """VO2max from four minutes of walking at 5 % grade.

    Parameters
    ----------
    speed_km_h, heart_rate_bpm : float
        Speed of the 5 % stage, km/h; heart rate at its end.
    age_years : float
    sex : {"female", "male"}

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    15.1 + 21.8 v - 0.327 HR - 0.263 v age + 0.00504 HR age + 5.98 sex (1 male), v in mph; SEE 4.85 (ebbeling_1991).
    """
    mph = speed_km_h / KM_H_PER_MPH
    return (
        15.1
        + 21.8 * mph
        - 0.327 * heart_rate_bpm
        - 0.263 * mph * age_years
        + 0.00504 * heart_rate_bpm * age_years
        + 5.98 * (sex == "male")
    )


def bruce_foster_men(time_min: float) -> float:
    """VO2max of men from the time on the Bruce protocol.

    Parameters
    ----------
    time_min : float
        Minutes, handrail not held.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    14.8 - 1.379 t + 0.451 t^2 - 0.012 t^3 (foster_1984); 14.76 also circulates.
    """
    return 14.8 - 1.379 * time_min + 0.451 * time_min**2 - 0.012 * time_min**3


def bruce_pollock_women(time_min: float) -> float:
    """VO2max of women from the time on the Bruce protocol.

    Parameters
    ----------
    time_min : float
        Minutes, handrail not held.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    4.38 t - 3.9 (pollock_1982).
    """
    return 4.38 * time_min - 3.9


def balke_pollock_men(time_min: float) -> float:
    """VO2max of men from the time on the Balke-Ware protocol.

    Parameters
    ----------
    time_min : float
        Minutes.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    1.444 t + 14.99 (pollock_1976, value from memory).
    """
    return 1.444 * time_min + 14.99


def balke_pollock_women(time_min: float) -> float:
    """VO2max of women from the time on the Balke protocol.

    Parameters
    ----------
    time_min : float
        Minutes.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    1.38 t + 5.22 (pollock_1982, value from memory).
    """
    return 1.38 * time_min + 5.22


def naughton_foster_men(time_min: float) -> float:
    """VO2max of men from the time on the Naughton protocol of 3-min stages.

    Parameters
    ----------
    time_min : float
        Minutes.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    1.61 t + 3.60 (foster_1983, value from memory).
    """
    return 1.61 * time_min + 3.60


_MASS = number("body_mass_kg")
_STAGES = Input(
    "stages",
    "Stages",
    "",
    "list",
    fields=(number("work_rate_w"), number("heart_rate_bpm")),
    least=2,
)
_ASTRAND_AGE = number("age_years", valid=(15, 65))
_ASTRAND_HEART_RATE = number("heart_rate_bpm", hard=(90, 230), valid=(125, 170))


def _time(low: float, high: float) -> Input:
    return number("time_min", label="Time", unit="min", hard=(0, 60), valid=(low, high))


def _no_age_factor(given: Mapping[str, Any]) -> str | None:
    if ASTRAND_AGES_YEARS[0] <= given["age_years"] <= ASTRAND_AGES_YEARS[-1]:
        return None
    return "the age factor is tabulated from 15 to 65 years and is not extrapolated."


def _ymca_maximum(given: Mapping[str, Any]) -> float:
    maximum = given.get("heart_rate_max_bpm")
    return float(heart_rate_max_tanaka(given["age_years"]) if maximum is None else maximum)


def _ymca_refusal(given: Mapping[str, Any]) -> str | None:
    maximum = _ymca_maximum(given)
    first, second = ymca_stages(given["stages"], maximum)
    if second["work_rate_w"] <= first["work_rate_w"]:
        return "work rate does not rise between the two stages used."
    if second["heart_rate_bpm"] <= first["heart_rate_bpm"]:
        return "heart rate does not rise between the two stages used."
    if second["heart_rate_bpm"] >= maximum:
        return f"the heart rate of the last stage is not below the maximum of {maximum:.0f}."
    return None


def _ymca_doubts(given: Mapping[str, Any]) -> tuple[str, ...]:
    limit = 0.85 * _ymca_maximum(given)
    inside = [row for row in given["stages"] if 110 <= row["heart_rate_bpm"] <= limit]
    if len(inside) >= 2:
        return ()
    remark = (
        f"Fewer than two stages have a heart rate from 110 to {limit:.0f} beats/min (85 % of the maximum); the last two "
        "of all were used."
    )
    return (remark,)


def _two_stage_refusal(given: Mapping[str, Any]) -> str | None:
    if given["heart_rate_2_bpm"] - given["heart_rate_1_bpm"] <= 5:
        return "heart rate rises by 5 beats/min or less between the stages."
    if given["vo2_2_ml_kg_min"] <= given["vo2_1_ml_kg_min"]:
        return "the uptake of the second stage is not above that of the first."
    return None


_TREADMILL = ("treadmill",)
_CYCLE = ("cycle",)

METHODS: tuple[Method, ...] = (
    Method(
        "storer_cycle",
        "VO2max from the maximal work rate, cycle 15 W/min",
        "vo2_peak_ml_min",
        "mL/min",
        (number("work_rate_w"), _MASS, number("age_years", valid=(20, 70)), SEX),
        storer_cycle,
        "storer_1990",
        "published",
        "115 men and 116 women, healthy and sedentary, 20 to 70 years, cycle ramp of 15 W/min.",
        {"male": 212.0, "female": 147.0},
        modes=_CYCLE,
    ),
    Method(
        "kokkinos_cycle",
        "VO2max from the maximal work rate, cycle",
        "vo2_peak_ml_kg_min",
        "mL/kg/min",
        (number("work_rate_w"), _MASS),
        kokkinos_cycle,
        "kokkinos_2018",
        "published",
        "5100 adults (3378 men, 1722 women), maximal cycle tests.",
        modes=_CYCLE,
    ),
    Method(
        "astrand_ryhming_cycle",
        "VO2max from one submaximal load, Astrand and Ryhming",
        "vo2_peak_ml_min",
        "mL/min",
        (number("work_rate_w", valid=(25, 250)), _ASTRAND_HEART_RATE, SEX, _ASTRAND_AGE),
        astrand_ryhming_cycle,
        "astrand_1954",
        "value from memory",
        "Steady heart rate of 125 to 170 beats/min in minutes 5 to 6 at 50 turns a minute, 15 to 65 years, no "
        "medication that limits heart rate.",
        480.0,
        modes=_CYCLE,
        refusal=_no_age_factor,
        notes="Regression form of the nomogram; age factors of astrand_1960 from memory. The standard error is that of "
        "a later comparison with measured values.",
    ),
    Method(
        "astrand_ryhming_from_uptake",
        "VO2max from one submaximal uptake, Astrand and Ryhming",
        "vo2_peak_ml_min",
        "mL/min",
        (number("vo2_ml_min"), _ASTRAND_HEART_RATE, SEX, _ASTRAND_AGE),
        astrand_ryhming_from_uptake,
        "astrand_1954",
        "value from memory",
        "Steady heart rate of 125 to 170 beats/min, 15 to 65 years, no medication that limits heart rate.",
        480.0,
        modes=_CYCLE,
        refusal=_no_age_factor,
        notes="Age factors of astrand_1960 from memory.",
    ),
    Method(
        "ymca_cycle",
        "VO2max from several submaximal loads, cycle",
        "vo2_peak_ml_kg_min",
        "mL/kg/min",
        (
            _STAGES,
            _MASS,
            number("age_years", valid=(18, 70)),
            number("heart_rate_max_bpm", optional=True),
        ),
        ymca_cycle,
        "golding_1989",
        "value from memory",
        "Stages of 3 min at 50 turns a minute with steady heart rates from 110 to 85 % of the maximum.",
        modes=_CYCLE,
        doubts=_ymca_doubts,
        refusal=_ymca_refusal,
        notes="208 - 0.7 age where no maximal heart rate is given, the default of this project; the original uses 220 - "
        "age. The age range is this project's.",
    ),
    Method(
        "two_stage_treadmill",
        "VO2max from two submaximal treadmill stages",
        "vo2_peak_ml_kg_min",
        "mL/kg/min",
        (
            number("vo2_1_ml_kg_min", label="Uptake, stage 1", unit="mL/kg/min", hard=(1, 100)),
            number("heart_rate_1_bpm", label="Heart rate, stage 1", unit="beats/min", hard=(25, 250)),
            number("vo2_2_ml_kg_min", label="Uptake, stage 2", unit="mL/kg/min", hard=(1, 100)),
            number("heart_rate_2_bpm", label="Heart rate, stage 2", unit="beats/min", hard=(25, 250)),
            number("age_years", valid=(12, 49)),
        ),
        two_stage_treadmill,
        "nchs_2002",
        "published",
        "National survey of 12 to 49 years; no medication that limits heart rate.",
        modes=_TREADMILL,
        refusal=_two_stage_refusal,
        notes="Extrapolated to 220 - age. Single estimates run up to 132 mL/kg/min in the survey itself.",
    ),
    Method(
        "ebbeling_treadmill",
        "VO2max from one walking stage at 5 %",
        "vo2_peak_ml_kg_min",
        "mL/kg/min",
        (
            number("speed_km_h", valid=(3.2, 7.3)),
            number("heart_rate_bpm"),
            number("age_years", valid=(20, 59)),
            SEX,
        ),
        ebbeling_treadmill,
        "ebbeling_1991",
        "published",
        "Healthy adults, 20 to 59 years, 4 min at 5 % grade, 2.0 to 4.5 mph (ranges from memory).",
        4.85,
        modes=_TREADMILL,
    ),
    Method(
        "bruce_foster_men",
        "VO2max of men from the time on the Bruce protocol",
        "vo2_peak_ml_kg_min",
        "mL/kg/min",
        (_time(3, 21),),
        bruce_foster_men,
        "foster_1984",
        "published",
        "Men, Bruce protocol without holding the handrail. The range of time is this project's: the cubic falls at both "
        "ends.",
        modes=_TREADMILL,
        sexes=("male",),
        notes="14.8 as the first constant; 14.76 also circulates (0.04 lower).",
    ),
    Method(
        "bruce_pollock_women",
        "VO2max of women from the time on the Bruce protocol",
        "vo2_peak_ml_kg_min",
        "mL/kg/min",
        (_time(3, 18),),
        bruce_pollock_women,
        "pollock_1982",
        "published",
        "Healthy women, Bruce protocol without holding the handrail. The range of time is this project's.",
        modes=_TREADMILL,
        sexes=("female",),
    ),
    Method(
        "balke_pollock_men",
        "VO2max of men from the time on the Balke-Ware protocol",
        "vo2_peak_ml_kg_min",
        "mL/kg/min",
        (_time(3, 30),),
        balke_pollock_men,
        "pollock_1976",
        "value from memory",
        "Men, Balke-Ware protocol. The range of time is this project's.",
        modes=_TREADMILL,
        sexes=("male",),
    ),
    Method(
        "balke_pollock_women",
        "VO2max of women from the time on the Balke protocol",
        "vo2_peak_ml_kg_min",
        "mL/kg/min",
        (_time(3, 30),),
        balke_pollock_women,
        "pollock_1982",
        "value from memory",
        "Healthy women, Balke protocol. The range of time is this project's.",
        modes=_TREADMILL,
        sexes=("female",),
    ),
    Method(
        "naughton_foster_men",
        "VO2max of men from the time on the Naughton protocol",
        "vo2_peak_ml_kg_min",
        "mL/kg/min",
        (_time(3, 30),),
        naughton_foster_men,
        "foster_1983",
        "value from memory",
        "Men, Naughton protocol of 3-min stages. The range of time is this project's.",
        modes=_TREADMILL,
        sexes=("male",),
        notes="Medium confidence.",
    ),
)
