"""VO2max estimated from field tests: walking, running, shuttle runs, stepping.

What is estimated is never mixed with what was measured.
"""

from service.methods.method import SEX, Input, Method, Sex, number
from service.methods.prediction import KG_PER_LB


def rockport_walk(
    body_mass_kg: float, age_years: float, sex: Sex, time_min: float, heart_rate_bpm: float
) -> float:
    """VO2max from a brisk one-mile walk.

    Parameters
    ----------
    body_mass_kg, age_years : float
    sex : {"female", "male"}
    time_min, heart_rate_bpm : float
        Time for the mile, minutes; heart rate at its end, beats per minute (not a 10-s count).

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    132.853 - 0.0769 mass in lb - 0.3877 age + 6.315 sex (1 male) - 3.2649 t - 0.1565 HR (kline_1987).
    """
    return (
        132.853
        - 0.0769 * body_mass_kg / KG_PER_LB
        - 0.3877 * age_years
        + 6.315 * (sex == "male")
        - 3.2649 * time_min
        - 0.1565 * heart_rate_bpm
    )


def rockport_walk_absolute(
    body_mass_kg: float, age_years: float, sex: Sex, time_min: float, heart_rate_bpm: float
) -> float:
    """VO2max in absolute terms from a brisk one-mile walk.

    Parameters
    ----------
    body_mass_kg, age_years : float
    sex : {"female", "male"}
    time_min, heart_rate_bpm : float
        Time for the mile, minutes; heart rate at its end.

    Returns
    -------
    float
        mL/min.

    Notes
    -----
    1000 (6.9652 + 0.0091 mass in lb - 0.0257 age + 0.5955 sex (1 male) - 0.2240 t - 0.0115 HR) (kline_1987).
    """
    return 1000 * (
        6.9652
        + 0.0091 * body_mass_kg / KG_PER_LB
        - 0.0257 * age_years
        + 0.5955 * (sex == "male")
        - 0.2240 * time_min
        - 0.0115 * heart_rate_bpm
    )


def george_jog(body_mass_kg: float, sex: Sex, time_min: float, heart_rate_bpm: float) -> float:
    """VO2max from a steady one-mile jog.

    Parameters
    ----------
    body_mass_kg : float
    sex : {"female", "male"}
    time_min, heart_rate_bpm : float
        Time for the mile, minutes; heart rate at its end.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    100.5 + 8.344 sex (1 male) - 0.1636 mass - 1.438 t - 0.1928 HR (george_1993).
    """
    return (
        100.5 + 8.344 * (sex == "male") - 0.1636 * body_mass_kg - 1.438 * time_min - 0.1928 * heart_rate_bpm
    )


def cooper_12_min(distance_m: float) -> float:
    """VO2max from the distance run in 12 minutes.

    Parameters
    ----------
    distance_m : float
        m.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    (d - 504.9)/44.73 (cooper_1968).
    """
    return (distance_m - 504.9) / 44.73


def run_1_5_mile(time_min: float) -> float:
    """VO2max from the time for 1.5 miles.

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
    3.5 + 483/t (acsm_2021, value from memory).
    """
    return 3.5 + 483 / time_min


def balke_15_min_run(distance_m: float) -> float:
    """VO2max from the distance run in 15 minutes.

    Parameters
    ----------
    distance_m : float
        m.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    6.5 + 12.5 km (balke_1963, value from memory, medium confidence).
    """
    return 6.5 + 12.5 * distance_m / 1000


def balke_15_min_run_speed(distance_m: float) -> float:
    """VO2max from the mean speed of a 15-min run.

    Parameters
    ----------
    distance_m : float
        m.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    33.3 + 0.172 (d/15 - 133), d/15 the mean speed in m/min (balke_1963, value from memory, medium confidence).
    """
    return 33.3 + 0.172 * (distance_m / 15 - 133)


def queens_college_step(sex: Sex, heart_rate_bpm: float) -> float:
    """VO2max from recovery heart rate after three minutes of stepping.

    Parameters
    ----------
    sex : {"female", "male"}
    heart_rate_bpm : float
        Counted from 5 to 20 s after the end, times 4.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    Men 111.33 - 0.42 HR, women 65.81 - 0.1847 HR; step of 41.3 cm, 24 (men) or 22 (women) cycles a minute (mcardle_1972).
    """
    return 111.33 - 0.42 * heart_rate_bpm if sex == "male" else 65.81 - 0.1847 * heart_rate_bpm


def shuttle_20m_leger(final_speed_km_h: float, age_years: float) -> float:
    """VO2max from the 20-m shuttle run of 1-min stages.

    Parameters
    ----------
    final_speed_km_h : float
        Speed of the last completed stage, 8 + 0.5 stage, km/h.
    age_years : float
        From 8; adults count as 18.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    31.025 + 3.238 v - 3.248 A + 0.1536 A v; for adults A is 18, which is -27.4 + 6.0 v (leger_1988).
    """
    age = min(age_years, 18.0)
    return 31.025 + 3.238 * final_speed_km_h - 3.248 * age + 0.1536 * age * final_speed_km_h


def shuttle_20m_leger_two_minute(final_speed_km_h: float) -> float:
    """VO2max from the 20-m shuttle run of 2-min stages.

    Parameters
    ----------
    final_speed_km_h : float
        Speed of the last completed stage, km/h.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    5.857 v - 19.458, standard error 5.4 (leger_1982).
    """
    return 5.857 * final_speed_km_h - 19.458


def shuttle_20m_stickland(last_half_stage: float, sex: Sex) -> float:
    """VO2max from the last completed half stage of the 20-m shuttle run.

    Parameters
    ----------
    last_half_stage : float
        Stage number in halves, such as 9.5.
    sex : {"female", "male"}

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    Men 2.75 x + 28.8, women 2.85 x + 25.1 (stickland_2003).
    """
    return 2.75 * last_half_stage + 28.8 if sex == "male" else 2.85 * last_half_stage + 25.1


_PER_MASS = ("vo2_peak_ml_kg_min", "mL/kg/min")
_MASS = number("body_mass_kg")
_SPEED = number("final_speed_km_h", label="Final speed", unit="km/h", hard=(4, 25), valid=(8, 18.5))


def _time(low: float, high: float) -> Input:
    return number("time_min", label="Time", unit="min", hard=(3, 60), valid=(low, high))


def _distance(hard: tuple[float, float], valid: tuple[float, float]) -> Input:
    return number("distance_m", label="Distance", unit="m", hard=hard, valid=valid)


_WALK = (
    _MASS,
    number("age_years", valid=(30, 69)),
    SEX,
    _time(10, 20),
    number("heart_rate_bpm", valid=(80, 200)),
)

METHODS: tuple[Method, ...] = (
    Method(
        "rockport_walk",
        "VO2max from a one-mile walk",
        *_PER_MASS,
        _WALK,
        rockport_walk,
        "kline_1987",
        "published",
        "Healthy adults, 30 to 69 years (range from memory), as fast a walk as possible. The range of time is this "
        "project's.",
        modes=("walk",),
        notes="Printed for pounds; the kilogram form of 0.1692 that circulates differs by 0.03 at 80 kg.",
    ),
    Method(
        "rockport_walk_absolute",
        "VO2max from a one-mile walk, absolute",
        "vo2_peak_ml_min",
        "mL/min",
        _WALK,
        rockport_walk_absolute,
        "kline_1987",
        "published",
        "Healthy adults, 30 to 69 years (range from memory), as fast a walk as possible. The range of time is this "
        "project's.",
        modes=("walk",),
    ),
    Method(
        "george_jog",
        "VO2max from a one-mile jog",
        *_PER_MASS,
        (_MASS, SEX, _time(8, 13), number("heart_rate_bpm", valid=(100, 180))),
        george_jog,
        "george_1993",
        "published",
        "Fit college students, 18 to 29 years, a mile in at least 8 min (men) or 9 min (women), at most 180 beats/min "
        "(conditions from memory).",
        modes=("run",),
        ages=(18, 29.999),
    ),
    Method(
        "cooper_12_min",
        "VO2max from a 12-min run",
        *_PER_MASS,
        (_distance((600, 6000), (1600, 4000)),),
        cooper_12_min,
        "cooper_1968",
        "published",
        "115 men of the US air force, 17 to 52 years (sample from memory). The range of distance is this project's.",
        modes=("run",),
    ),
    Method(
        "run_1_5_mile",
        "VO2max from the time for 1.5 miles",
        *_PER_MASS,
        (_time(7, 20),),
        run_1_5_mile,
        "acsm_2021",
        "value from memory",
        "Adults who can run it at an even pace. The range of time is this project's.",
        modes=("run",),
    ),
    Method(
        "balke_15_min_run",
        "VO2max from a 15-min run",
        *_PER_MASS,
        (_distance((500, 8000), (2000, 5500)),),
        balke_15_min_run,
        "balke_1963",
        "value from memory",
        "Adults who can run for 15 min. The range of distance is this project's.",
        modes=("run",),
        notes="Medium confidence.",
    ),
    Method(
        "balke_15_min_run_speed",
        "VO2max from the mean speed of a 15-min run",
        *_PER_MASS,
        (_distance((500, 8000), (2000, 5500)),),
        balke_15_min_run_speed,
        "balke_1963",
        "value from memory",
        "Adults who can run for 15 min. The range of distance is this project's.",
        modes=("run",),
        notes="Medium confidence; the other form that circulates, 6.5 + 12.5 km, differs by at most 1.4 from 2.5 to 5 km.",
    ),
    Method(
        "queens_college_step",
        "VO2max from recovery heart rate after stepping",
        *_PER_MASS,
        (SEX, number("heart_rate_bpm", valid=(110, 195))),
        queens_college_step,
        "mcardle_1972",
        "published",
        "College students; 3 min on a step of 41.3 cm. The range of heart rate is this project's.",
        modes=("step",),
    ),
    Method(
        "shuttle_20m_leger",
        "VO2max from the 20-m shuttle run, 1-min stages",
        *_PER_MASS,
        (_SPEED, number("age_years", hard=(4, 120), valid=(8, 50))),
        shuttle_20m_leger,
        "leger_1988",
        "published",
        "Children from 8 years and adults; adults count as 18. The upper age is this project's.",
        modes=("run",),
        notes="stickland_2003 finds it reads low in adults.",
    ),
    Method(
        "shuttle_20m_leger_two_minute",
        "VO2max from the 20-m shuttle run, 2-min stages",
        *_PER_MASS,
        (_SPEED,),
        shuttle_20m_leger_two_minute,
        "leger_1982",
        "published",
        "Adults, the older form with 2-min stages.",
        5.4,
        modes=("run",),
    ),
    Method(
        "shuttle_20m_stickland",
        "VO2max from the last half stage of the 20-m shuttle run",
        *_PER_MASS,
        (
            number("last_half_stage", label="Last half stage", unit="", hard=(0.5, 25), valid=(3, 15)),
            SEX,
        ),
        shuttle_20m_stickland,
        "stickland_2003",
        "published",
        "Young adults. The range of stages is this project's.",
        modes=("run",),
    ),
)
