"""Heart rate: age-predicted maxima and the heart rate of an intensity.

Age predicts maximal heart rate with a standard deviation of 10 to 12 beats/min: a predicted maximum is the middle of a
wide range, never a limit for one person.
"""

from collections.abc import Callable

from service.methods.method import SEX, SEXES, Method, Number, Sex, Trust, number


def heart_rate_max_fox(age_years: Number) -> Number:
    """Maximal heart rate by age, the oldest rule.

    Parameters
    ----------
    age_years : float or ndarray
        Years.

    Returns
    -------
    float or ndarray
        Beats/min.

    Notes
    -----
    220 - age (fox_1971). It rests on about ten compiled data sets, not on a regression (robergs_2002).
    """
    return 220.0 - age_years


def heart_rate_max_tanaka(age_years: Number) -> Number:
    """Maximal heart rate by age, the default of this project.

    Parameters
    ----------
    age_years : float or ndarray
        Years.

    Returns
    -------
    float or ndarray
        Beats/min.

    Notes
    -----
    208 - 0.7 age, a meta-analysis of 351 studies (tanaka_2001).
    """
    return 208.0 - 0.7 * age_years


def heart_rate_max_tanaka_trained(age_years: Number) -> Number:
    """Maximal heart rate by age, endurance-trained people.

    Parameters
    ----------
    age_years : float or ndarray
        Years.

    Returns
    -------
    float or ndarray
        Beats/min.

    Notes
    -----
    205 - 0.6 age (tanaka_2001, endurance-trained subgroup).
    """
    return 205.0 - 0.6 * age_years


def heart_rate_max_gellish(age_years: Number) -> Number:
    """Maximal heart rate by age from repeated treadmill tests.

    Parameters
    ----------
    age_years : float or ndarray
        Years.

    Returns
    -------
    float or ndarray
        Beats/min.

    Notes
    -----
    207 - 0.7 age, rounded by the authors from 206.9 - 0.67 age (gellish_2007).
    """
    return 207.0 - 0.7 * age_years


def heart_rate_max_gulati(age_years: Number) -> Number:
    """Maximal heart rate of women by age.

    Parameters
    ----------
    age_years : float or ndarray
        Years.

    Returns
    -------
    float or ndarray
        Beats/min.

    Notes
    -----
    206 - 0.88 age, 5437 asymptomatic women from 35 (gulati_2010).
    """
    return 206.0 - 0.88 * age_years


def heart_rate_max_nes(age_years: Number) -> Number:
    """Maximal heart rate by age in healthy adults.

    Parameters
    ----------
    age_years : float or ndarray
        Years.

    Returns
    -------
    float or ndarray
        Beats/min.

    Notes
    -----
    211 - 0.64 age, standard error 10.8 beats/min, no sex difference (nes_2013).
    """
    return 211.0 - 0.64 * age_years


def heart_rate_max_fairbarn(age_years: Number, sex: Sex) -> Number:
    """Maximal heart rate by age and sex on the cycle.

    Parameters
    ----------
    age_years : float or ndarray
        Years.
    sex : {"female", "male"}

    Returns
    -------
    float or ndarray
        Beats/min.

    Notes
    -----
    Men 207 - 0.78 age, women 209 - 0.86 age (fairbarn_1994).
    """
    return 207.0 - 0.78 * age_years if sex == "male" else 209.0 - 0.86 * age_years


def heart_rate_max_sydo(age_years: Number, sex: Sex) -> Number:
    """Maximal heart rate by age and sex on the treadmill (Bruce protocol).

    Parameters
    ----------
    age_years : float or ndarray
        Years.
    sex : {"female", "male"}

    Returns
    -------
    float or ndarray
        Beats/min.

    Notes
    -----
    Men 220 - 0.95 age, women 210 - 0.79 age (sydo_2014).
    """
    return 220.0 - 0.95 * age_years if sex == "male" else 210.0 - 0.79 * age_years


def heart_rate_max_zhu(age_years: Number) -> Number:
    """Maximal heart rate of young adults by age.

    Parameters
    ----------
    age_years : float or ndarray
        Years.

    Returns
    -------
    float or ndarray
        Beats/min.

    Notes
    -----
    179 + 0.29 age - 0.011 age^2 (zhu_2010).
    """
    return 179.0 + 0.29 * age_years - 0.011 * age_years**2


def heart_rate_max_londeree(age_years: Number) -> Number:
    """Maximal heart rate by age, as a later review quotes it.

    Parameters
    ----------
    age_years : float or ndarray
        Years.

    Returns
    -------
    float or ndarray
        Beats/min.

    Notes
    -----
    206 - 0.7 age (londeree_1982, as quoted by jackson_2007).
    """
    return 206.0 - 0.7 * age_years


def heart_rate_max_jones(age_years: Number) -> Number:
    """Maximal heart rate by age on the cycle.

    Parameters
    ----------
    age_years : float or ndarray
        Years.

    Returns
    -------
    float or ndarray
        Beats/min.

    Notes
    -----
    202 - 0.72 age, standard error 10.3 (jones_1985).
    """
    return 202.0 - 0.72 * age_years


def heart_rate_max_hansen(age_years: Number) -> Number:
    """Maximal heart rate by age on the cycle.

    Parameters
    ----------
    age_years : float or ndarray
        Years.

    Returns
    -------
    float or ndarray
        Beats/min.

    Notes
    -----
    210 - 0.65 age (hansen_1984).
    """
    return 210.0 - 0.65 * age_years


def karvonen_heart_rate(
    heart_rate_max_bpm: float, resting_heart_rate_bpm: float, intensity_percent: Number
) -> Number:
    """Heart rate at a share of the heart rate reserve.

    Parameters
    ----------
    heart_rate_max_bpm, resting_heart_rate_bpm : float
        Beats/min.
    intensity_percent : float or ndarray
        Per cent of the reserve.

    Returns
    -------
    float or ndarray
        Beats/min.

    Notes
    -----
    resting + intensity/100 (maximum - resting) (karvonen_1957).
    """
    reserve = heart_rate_max_bpm - resting_heart_rate_bpm
    return resting_heart_rate_bpm + intensity_percent / 100 * reserve


def _maximum(
    method_id: str,
    name: str,
    function: Callable[..., float],
    source: str,
    validity: str,
    ages: tuple[float, float],
    *,
    trust: Trust = "published",
    modes: tuple[str, ...] = (),
    sexes: tuple[Sex, ...] = SEXES,
    standard_error: float | None = None,
    notes: str = "",
    by_sex: bool = False,
) -> Method:
    age = number("age_years", valid=ages)
    return Method(
        method_id,
        f"Maximal heart rate, {name}",
        "heart_rate_max_bpm",
        "beats/min",
        (age, SEX) if by_sex else (age,),
        function,
        source,
        trust,
        validity,
        standard_error,
        modes,
        sexes,
        predicts=True,
        notes=notes,
    )


_TREADMILL = ("treadmill",)
_CYCLE = ("cycle",)

METHODS: tuple[Method, ...] = (
    _maximum(
        "heart_rate_max_tanaka",
        "208 - 0.7 age",
        heart_rate_max_tanaka,
        "tanaka_2001",
        "Healthy adults, 351 published studies; ages 18 to 81 (value from memory). Any mode.",
        (18, 81),
        notes="The default of this project.",
    ),
    _maximum(
        "heart_rate_max_fox",
        "220 - age",
        heart_rate_max_fox,
        "fox_1971",
        "About ten compiled data sets, mostly men under 55; no original regression. Any mode.",
        (18, 65),
        notes="The standard deviation about it is 10 to 12 beats/min; criticised by robergs_2002. "
        "The age range is this project's reading of the data sets.",
    ),
    _maximum(
        "heart_rate_max_tanaka_trained",
        "endurance-trained, 205 - 0.6 age",
        heart_rate_max_tanaka_trained,
        "tanaka_2001",
        "Endurance-trained adults. Any mode.",
        (18, 81),
    ),
    _maximum(
        "heart_rate_max_gellish",
        "207 - 0.7 age",
        heart_rate_max_gellish,
        "gellish_2007",
        "132 adults, 908 treadmill tests over 25 years, 27 to 78 years.",
        (27, 78),
        modes=_TREADMILL,
        notes="Rounded by the authors from 206.9 - 0.67 age.",
    ),
    _maximum(
        "heart_rate_max_gulati",
        "women, 206 - 0.88 age",
        heart_rate_max_gulati,
        "gulati_2010",
        "5437 asymptomatic women from 35 years, treadmill.",
        (35, 93),
        modes=_TREADMILL,
        sexes=("female",),
        notes="The upper age is this project's reading of the sample (mean 52, SD 11, oldest over 90: from memory).",
    ),
    _maximum(
        "heart_rate_max_nes",
        "211 - 0.64 age",
        heart_rate_max_nes,
        "nes_2013",
        "3320 healthy adults, 19 to 89 years, treadmill; no difference between the sexes.",
        (19, 89),
        modes=_TREADMILL,
        standard_error=10.8,
    ),
    _maximum(
        "heart_rate_max_fairbarn",
        "by sex, cycle",
        heart_rate_max_fairbarn,
        "fairbarn_1994",
        "231 healthy adults, 20 to 80 years, cycle.",
        (20, 80),
        modes=_CYCLE,
        by_sex=True,
    ),
    _maximum(
        "heart_rate_max_sydo",
        "by sex, Bruce protocol",
        heart_rate_max_sydo,
        "sydo_2014",
        "19013 people without factors that lower peak heart rate, 40 to 89 years, treadmill (Bruce).",
        (40, 89),
        modes=_TREADMILL,
        by_sex=True,
    ),
    _maximum(
        "heart_rate_max_zhu",
        "young adults, quadratic in age",
        heart_rate_max_zhu,
        "zhu_2010",
        "9622 treadmill tests of a cohort, 18 to 50 years.",
        (18, 50),
        modes=_TREADMILL,
    ),
    _maximum(
        "heart_rate_max_londeree",
        "206 - 0.7 age",
        heart_rate_max_londeree,
        "londeree_1982",
        "As quoted by jackson_2007; adults, any mode.",
        (18, 85),
        notes="The age range is this project's.",
    ),
    _maximum(
        "heart_rate_max_jones",
        "cycle, 202 - 0.72 age",
        heart_rate_max_jones,
        "jones_1985",
        "50 men and 50 women, healthy, 15 to 71 years, cycle.",
        (15, 71),
        modes=_CYCLE,
        standard_error=10.3,
    ),
    _maximum(
        "heart_rate_max_hansen",
        "cycle, 210 - 0.65 age",
        heart_rate_max_hansen,
        "hansen_1984",
        "77 men with normal cardiorespiratory function, 34 to 74 years, cycle; used for both sexes.",
        (34, 74),
        trust="value from memory",
        modes=_CYCLE,
    ),
    Method(
        "karvonen_heart_rate",
        "Heart rate at a share of the heart rate reserve",
        "heart_rate_bpm",
        "beats/min",
        (
            number("heart_rate_max_bpm"),
            number("resting_heart_rate_bpm"),
            number("intensity_percent", label="Intensity", unit="%", hard=(0, 150), valid=(0, 100)),
        ),
        karvonen_heart_rate,
        "karvonen_1957",
        "value from memory",
        "Without medication that limits heart rate.",
        refused=lambda given: (
            (("resting_heart_rate_bpm", "the resting heart rate is not below the maximum"),)
            if given["resting_heart_rate_bpm"] >= given["heart_rate_max_bpm"]
            else ()
        ),
    ),
)
