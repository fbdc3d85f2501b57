"""The metabolic equations of the American College of Sports Medicine (acsm_2021): steady-state oxygen cost of work.

They are gross costs in mL/kg/min. In a graded test they over-predict the measured peak, since the load runs ahead
of the uptake (foster_1996).
"""

from service.methods.method import Method, Number, number

#: Exact: 1 mile is 1609.344 m.
KM_H_PER_MPH = 1.609344
#: 1 W is 60/9.80665 kgm/min.
KGM_MIN_PER_W = 60 / 9.80665
RESTING_ML_KG_MIN = 3.5


def acsm_walking(speed_km_h: Number, grade_percent: Number) -> Number:
    """Oxygen cost of walking.

    Parameters
    ----------
    speed_km_h, grade_percent : float or ndarray
        Treadmill speed, km/h, and grade, per cent.

    Returns
    -------
    float or ndarray
        Gross VO2, mL/kg/min.

    Notes
    -----
    3.5 + 0.1 S + 1.8 S G, S in m/min, G a fraction (acsm_2021). For 50 to 100 m/min (3.0 to 6.0 km/h), without
    holding the handrail.
    """
    metres_min = speed_km_h * (1000 / 60)
    return RESTING_ML_KG_MIN + 0.1 * metres_min + 1.8 * metres_min * (grade_percent / 100)


def acsm_running(speed_km_h: Number, grade_percent: Number) -> Number:
    """Oxygen cost of running on a treadmill.

    Parameters
    ----------
    speed_km_h, grade_percent : float or ndarray
        Treadmill speed, km/h, and grade, per cent.

    Returns
    -------
    float or ndarray
        Gross VO2, mL/kg/min.

    Notes
    -----
    3.5 + 0.2 S + 0.9 S G, S in m/min, G a fraction (acsm_2021). Above 134 m/min (8.0 km/h); from 80 m/min if truly
    jogging. Not for hills over ground.
    """
    metres_min = speed_km_h * (1000 / 60)
    return RESTING_ML_KG_MIN + 0.2 * metres_min + 0.9 * metres_min * (grade_percent / 100)


def acsm_leg_cycling(work_rate_w: Number, body_mass_kg: float) -> Number:
    """Oxygen cost of leg cycling.

    Parameters
    ----------
    work_rate_w : float or ndarray
        W.
    body_mass_kg : float
        kg.

    Returns
    -------
    float or ndarray
        Gross VO2, mL/kg/min.

    Notes
    -----
    7.0 + 10.8 W/M as printed (acsm_2021). For 50 to 200 W. The form in kgm/min (1.8 per kgm/min) is 2 % steeper,
    since 1.8 x 6.118 is 11.0: see `acsm_leg_cycling_kgm`.
    """
    return 7.0 + 10.8 * work_rate_w / body_mass_kg


def acsm_leg_cycling_kgm(work_rate_kgm_min: Number, body_mass_kg: float) -> Number:
    """Oxygen cost of leg cycling, work rate in kgm/min.

    Parameters
    ----------
    work_rate_kgm_min : float or ndarray
        kgm/min (kpm/min).
    body_mass_kg : float
        kg.

    Returns
    -------
    float or ndarray
        Gross VO2, mL/kg/min.

    Notes
    -----
    3.5 + 3.5 + 1.8 WR/M (acsm_2021). For 300 to 1200 kgm/min.
    """
    return 7.0 + 1.8 * work_rate_kgm_min / body_mass_kg


def acsm_arm_cycling(work_rate_w: Number, body_mass_kg: float) -> Number:
    """Oxygen cost of arm cranking.

    Parameters
    ----------
    work_rate_w : float or ndarray
        W.
    body_mass_kg : float
        kg.

    Returns
    -------
    float or ndarray
        Gross VO2, mL/kg/min.

    Notes
    -----
    3.5 + 18 W/M (acsm_2021). For 25 to 125 W.
    """
    return RESTING_ML_KG_MIN + 18.0 * work_rate_w / body_mass_kg


def acsm_arm_cycling_kgm(work_rate_kgm_min: Number, body_mass_kg: float) -> Number:
    """Oxygen cost of arm cranking, work rate in kgm/min.

    Parameters
    ----------
    work_rate_kgm_min : float or ndarray
        kgm/min (kpm/min).
    body_mass_kg : float
        kg.

    Returns
    -------
    float or ndarray
        Gross VO2, mL/kg/min.

    Notes
    -----
    3.5 + 3 WR/M (acsm_2021). For 150 to 750 kgm/min.
    """
    return RESTING_ML_KG_MIN + 3.0 * work_rate_kgm_min / body_mass_kg


def acsm_stepping(step_rate_per_min: Number, step_height_m: Number) -> Number:
    """Oxygen cost of stepping up and down.

    Parameters
    ----------
    step_rate_per_min : float or ndarray
        Complete cycles (up and down) per minute.
    step_height_m : float or ndarray
        m.

    Returns
    -------
    float or ndarray
        Gross VO2, mL/kg/min.

    Notes
    -----
    0.2 f + 1.33 x 1.8 f H + 3.5 (acsm_2021). For 12 to 30 per minute and 0.04 to 0.40 m.
    """
    return 0.2 * step_rate_per_min + 1.33 * 1.8 * step_rate_per_min * step_height_m + RESTING_ML_KG_MIN


def foster_graded_treadmill(vo2_acsm_ml_kg_min: Number) -> Number:
    """Peak VO2 in a graded treadmill test, handrail free, from the steady-state cost of its last stage.

    Parameters
    ----------
    vo2_acsm_ml_kg_min : float or ndarray
        Cost of the last stage by the ACSM equations, mL/kg/min.

    Returns
    -------
    float or ndarray
        mL/kg/min.

    Notes
    -----
    0.869 x - 0.07, standard error 4.8 (foster_1996).
    """
    return 0.869 * vo2_acsm_ml_kg_min - 0.07


def foster_graded_treadmill_handrail(vo2_acsm_ml_kg_min: Number) -> Number:
    """Peak VO2 in a graded treadmill test, handrail held, from the steady-state cost of its last stage.

    Parameters
    ----------
    vo2_acsm_ml_kg_min : float or ndarray
        Cost of the last stage by the ACSM equations, mL/kg/min.

    Returns
    -------
    float or ndarray
        mL/kg/min.

    Notes
    -----
    0.694 x + 3.33, standard error 4.4 (foster_1996).
    """
    return 0.694 * vo2_acsm_ml_kg_min + 3.33


_MASS = number("body_mass_kg")

METHODS: tuple[Method, ...] = (
    Method(
        "acsm_walking",
        "ACSM walking equation",
        "vo2_ml_kg_min",
        "mL/kg/min",
        (number("speed_km_h", valid=(3.0, 6.0)), number("grade_percent", valid=(0, 45))),
        acsm_walking,
        "acsm_2021",
        "published",
        "Steady state, 50 to 100 m/min, level or uphill, handrail not held.",
        modes=("treadmill", "walk"),
    ),
    Method(
        "acsm_running",
        "ACSM running equation",
        "vo2_ml_kg_min",
        "mL/kg/min",
        (number("speed_km_h", valid=(4.8, 45)), number("grade_percent", valid=(0, 45))),
        acsm_running,
        "acsm_2021",
        "published",
        "Steady state on a treadmill above 134 m/min (8.0 km/h); from 80 m/min (4.8 km/h) only if truly jogging.",
        modes=("treadmill", "run"),
        doubts=lambda given: (
            ("Below 8.04 km/h (134 m/min) the equation holds only if the person truly jogs.",)
            if 4.8 <= given["speed_km_h"] < 8.04
            else ()
        ),
    ),
    Method(
        "acsm_leg_cycling",
        "ACSM leg cycling equation",
        "vo2_ml_kg_min",
        "mL/kg/min",
        (number("work_rate_w", valid=(50, 200)), _MASS),
        acsm_leg_cycling,
        "acsm_2021",
        "published",
        "Steady state, 50 to 200 W.",
        modes=("cycle",),
        notes="As printed for watts; the form for kgm/min is 2 % steeper.",
    ),
    Method(
        "acsm_leg_cycling_kgm",
        "ACSM leg cycling equation, kgm/min",
        "vo2_ml_kg_min",
        "mL/kg/min",
        (
            number(
                "work_rate_kgm_min", label="Work rate", unit="kgm/min", hard=(0, 12240), valid=(300, 1200)
            ),
            _MASS,
        ),
        acsm_leg_cycling_kgm,
        "acsm_2021",
        "published",
        "Steady state, 300 to 1200 kgm/min.",
        modes=("cycle",),
        notes="As printed for kgm/min; the form for watts is 2 % flatter.",
    ),
    Method(
        "acsm_arm_cycling",
        "ACSM arm cranking equation",
        "vo2_ml_kg_min",
        "mL/kg/min",
        (number("work_rate_w", valid=(25, 125)), _MASS),
        acsm_arm_cycling,
        "acsm_2021",
        "value from memory",
        "Steady state, 25 to 125 W.",
        modes=("arm",),
    ),
    Method(
        "acsm_arm_cycling_kgm",
        "ACSM arm cranking equation, kgm/min",
        "vo2_ml_kg_min",
        "mL/kg/min",
        (
            number("work_rate_kgm_min", label="Work rate", unit="kgm/min", hard=(0, 12240), valid=(150, 750)),
            _MASS,
        ),
        acsm_arm_cycling_kgm,
        "acsm_2021",
        "value from memory",
        "Steady state, 150 to 750 kgm/min.",
        modes=("arm",),
    ),
    Method(
        "acsm_stepping",
        "ACSM stepping equation",
        "vo2_ml_kg_min",
        "mL/kg/min",
        (
            number("step_rate_per_min", label="Step rate", unit="/min", hard=(1, 120), valid=(12, 30)),
            number("step_height_m", label="Step height", unit="m", hard=(0.01, 1.0), valid=(0.04, 0.40)),
        ),
        acsm_stepping,
        "acsm_2021",
        "published",
        "Steady state, 12 to 30 cycles per minute, steps of 0.04 to 0.40 m.",
        modes=("step",),
    ),
    *(
        Method(
            method_id,
            f"Peak VO2 from the ACSM cost of the last stage, handrail {handrail}",
            "vo2_peak_ml_kg_min",
            "mL/kg/min",
            (number("vo2_acsm_ml_kg_min", label="ACSM cost", unit="mL/kg/min", hard=(3.5, 120)),),
            function,
            "foster_1996",
            "published",
            f"Graded treadmill tests, handrail {handrail}; {people}.",
            error,
            modes=("treadmill",),
        )
        for method_id, handrail, function, people, error in (
            (
                "foster_graded_treadmill",
                "free",
                foster_graded_treadmill,
                "30 stable clinic patients and others",
                4.8,
            ),
            ("foster_graded_treadmill_handrail", "held", foster_graded_treadmill_handrail, "40 people", 4.4),
        )
    ),
)
