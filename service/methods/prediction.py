"""Reference values for a person by age, sex and size: what a healthy person of that kind reaches on average."""

from collections.abc import Callable

from service.methods.metabolic_equations import KGM_MIN_PER_W
from service.methods.method import (
    SEX,
    SEXES,
    TREADMILL_OR_CYCLE,
    Input,
    Method,
    Sex,
    Trust,
    number,
)

#: Exact international pound and inch.
KG_PER_LB = 0.45359237
CM_PER_IN = 2.54


def predicted_vo2max_myers_2017(age_years: float, sex: Sex, body_mass_kg: float) -> float:
    """Treadmill VO2max by age, sex and body mass.

    Parameters
    ----------
    age_years : float
    sex : {"female", "male"}
    body_mass_kg : float
        kg.

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    79.9 - 0.39 age - 13.7 sex (0 male, 1 female) - 0.127 mass in lb (myers_2017); 20 to 79 years.
    """
    return 79.9 - 0.39 * age_years - 13.7 * (sex == "female") - 0.127 * body_mass_kg / KG_PER_LB


def predicted_vo2max_de_souza_e_silva_2018(
    age_years: float, sex: Sex, body_mass_kg: float, height_cm: float, mode: str
) -> float:
    """Treadmill or cycle VO2max by age, sex, body mass and height.

    Parameters
    ----------
    age_years : float
    sex : {"female", "male"}
    body_mass_kg, height_cm : float
        kg, cm.
    mode : {"treadmill", "cycle"}

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    45.2 - 0.35 age - 10.9 sex (1 male, 2 female) - 0.15 mass in lb + 0.68 height in inches - 0.46 mode (1 treadmill,
    2 cycle) (de_souza_e_silva_2018); 20 to 85 years, standard error 6.6.
    """
    return (
        45.2
        - 0.35 * age_years
        - 10.9 * (2 if sex == "female" else 1)
        - 0.15 * body_mass_kg / KG_PER_LB
        + 0.68 * height_cm / CM_PER_IN
        - 0.46 * (2 if mode == "cycle" else 1)
    )


def predicted_vo2max_jones_1985(height_cm: float, age_years: float, sex: Sex) -> float:
    """Cycle VO2max by height, age and sex.

    Parameters
    ----------
    height_cm, age_years : float
    sex : {"female", "male"}

    Returns
    -------
    float
        mL/min.

    Notes
    -----
    1000 (0.046 height - 0.021 age - 0.62 sex (0 male, 1 female) - 4.31), standard error 458 (jones_1985); 15 to 71 years.
    """
    return 1000 * (0.046 * height_cm - 0.021 * age_years - 0.62 * (sex == "female") - 4.31)


def predicted_work_rate_max_jones(height_cm: float, age_years: float, sex: Sex) -> float:
    """Cycle maximal work rate by height, age and sex.

    Parameters
    ----------
    height_cm, age_years : float
    sex : {"female", "male"}

    Returns
    -------
    float
        W.

    Notes
    -----
    20.4 height - 8.74 age - 288 sex (0 male, 1 female) - 1909 kpm/min, standard error 216 kpm/min (jones_1985), over 6.118
    kpm/min a watt. The same abstract prints an equation for peak oxygen pulse, 0.28 height - 3.3 sex - 26.7, which lies a
    third above its own VO2max over its own maximal heart rate and is left out.
    """
    return (20.4 * height_cm - 8.74 * age_years - 288 * (sex == "female") - 1909) / KGM_MIN_PER_W


def predicted_ve_max_jones(vital_capacity_l: float) -> float:
    """Maximal ventilation on the cycle by vital capacity.

    Parameters
    ----------
    vital_capacity_l : float
        L.

    Returns
    -------
    float
        L/min.

    Notes
    -----
    26.3 VC - 34, standard error 23.1 (jones_1985).
    """
    return 26.3 * vital_capacity_l - 34


def predicted_threshold_vo2_jones(height_cm: float, age_years: float) -> float:
    """VO2 at the first threshold on the cycle by height and age.

    Parameters
    ----------
    height_cm, age_years : float

    Returns
    -------
    float
        mL/min.

    Notes
    -----
    1000 (0.024 height - 0.0074 age - 2.43), standard error 316 (jones_1985).
    """
    return 1000 * (0.024 * height_cm - 0.0074 * age_years - 2.43)


def predicted_body_mass_wasserman(height_cm: float, sex: Sex) -> float:
    """Body mass the size-adjusted prediction of VO2max takes as usual for a height.

    Parameters
    ----------
    height_cm : float
    sex : {"female", "male"}

    Returns
    -------
    float
        kg.

    Notes
    -----
    Men 0.79 height - 60.7, women 0.65 height - 42.8 (hansen_1984).
    """
    return 0.79 * height_cm - 60.7 if sex == "male" else 0.65 * height_cm - 42.8


def predicted_vo2max_wasserman(
    body_mass_kg: float, height_cm: float, age_years: float, sex: Sex, mode: str
) -> float:
    """VO2max by the body-size-adjusted algorithm.

    Parameters
    ----------
    body_mass_kg, height_cm, age_years : float
    sex : {"female", "male"}
    mode : {"treadmill", "cycle"}

    Returns
    -------
    float
        mL/min.

    Notes
    -----
    W is the mass, P the one usual for the height (`predicted_body_mass_wasserman`), k is 0 for men and 43 for women,
    c is 50.72 - 0.372 age for men and 22.78 - 0.17 age for women. At or below P: ((W + P)/2 + k) c. Above P:
    (P + k) c + 6 (W - P). On the treadmill 1.11 times that (wasserman_2012, guazzi_2012).
    """
    usual = predicted_body_mass_wasserman(height_cm, sex)
    offset, per_kg = (0.0, 50.72 - 0.372 * age_years) if sex == "male" else (43.0, 22.78 - 0.17 * age_years)
    if body_mass_kg <= usual:
        cycle = ((body_mass_kg + usual) / 2 + offset) * per_kg
    else:
        cycle = (usual + offset) * per_kg + 6 * (body_mass_kg - usual)
    return 1.11 * cycle if mode == "treadmill" else cycle


def predicted_vo2max_wasserman_unadjusted(body_mass_kg: float, age_years: float, sex: Sex) -> float:
    """Cycle VO2max by mass and age alone, the rule the size-adjusted algorithm starts from.

    Parameters
    ----------
    body_mass_kg, age_years : float
    sex : {"female", "male"}

    Returns
    -------
    float
        mL/min.

    Notes
    -----
    Men W (50.72 - 0.372 age) (hansen_1984); women (W + 43) (22.78 - 0.17 age) (wasserman_2012).
    """
    if sex == "male":
        return body_mass_kg * (50.72 - 0.372 * age_years)
    return (body_mass_kg + 43) * (22.78 - 0.17 * age_years)


def predicted_o2_pulse_hansen(
    body_mass_kg: float, height_cm: float, age_years: float, sex: Sex, mode: str
) -> float:
    """Peak oxygen pulse: predicted VO2max over predicted maximal heart rate.

    Parameters
    ----------
    body_mass_kg, height_cm, age_years : float
    sex : {"female", "male"}
    mode : {"treadmill", "cycle"}

    Returns
    -------
    float
        mL/beat.

    Notes
    -----
    `predicted_vo2max_wasserman` / (210 - 0.65 age) (hansen_1984).
    """
    vo2 = predicted_vo2max_wasserman(body_mass_kg, height_cm, age_years, sex, mode)
    return vo2 / (210.0 - 0.65 * age_years)


def predicted_vo2max_blackie_1989(height_cm: float, age_years: float, body_mass_kg: float) -> float:
    """Cycle VO2max of women over 55.

    Parameters
    ----------
    height_cm, age_years, body_mass_kg : float

    Returns
    -------
    float
        mL/min.

    Notes
    -----
    1000 (0.0142 height - 0.0115 age + 0.00974 mass - 0.651) (blackie_1989); 55 to 80 years.
    """
    return 1000 * (0.0142 * height_cm - 0.0115 * age_years + 0.00974 * body_mass_kg - 0.651)


def predicted_vo2max_koch_2009(age_years: float, sex: Sex, body_mass_kg: float, height_cm: float) -> float:
    """Median cycle VO2peak by age class, sex and body mass index.

    Parameters
    ----------
    age_years : float
    sex : {"female", "male"}
    body_mass_kg, height_cm : float

    Returns
    -------
    float
        mL/kg/min.

    Notes
    -----
    47.7565 - 0.9880 A - 0.2356 A^2 - 8.8697 S + 2.3597 B - 2.0308 A B - 3.7405 S B + 0.2512 A S + 1.3797 A S B; A is
    the age class 1 to 5 (25-34, 35-44, 45-54, 55-64, over 64), S 1 for men and 2 for women, B 1 where the body mass
    index is above 25 (koch_2009). It steps at the class borders.
    """
    a = min(max(int((age_years - 25) // 10) + 1, 1), 5)
    s = 1 if sex == "male" else 2
    b = 1 if body_mass_kg / (height_cm / 100) ** 2 > 25 else 0
    return (
        47.7565
        - 0.9880 * a
        - 0.2356 * a**2
        - 8.8697 * s
        + 2.3597 * b
        - 2.0308 * a * b
        - 3.7405 * s * b
        + 0.2512 * a * s
        + 1.3797 * a * s * b
    )


def predicted_vo2max_glaser_2010(age_years: float, sex: Sex, body_mass_kg: float, height_cm: float) -> float:
    """Cycle VO2peak by age, sex, height and body mass.

    Parameters
    ----------
    age_years : float
    sex : {"female", "male"}
    body_mass_kg, height_cm : float

    Returns
    -------
    float
        mL/min.

    Notes
    -----
    Men -69 + 1.48 age + 14.02 height + 7.44 mass - 0.2256 age^2; women -588 - 11.33 age + 9.13 height + 26.88 mass -
    0.12 mass^2 (glaser_2010, values from memory, medium confidence).
    """
    if sex == "male":
        return -69 + 1.48 * age_years + 14.02 * height_cm + 7.44 * body_mass_kg - 0.2256 * age_years**2
    return -588 - 11.33 * age_years + 9.13 * height_cm + 26.88 * body_mass_kg - 0.12 * body_mass_kg**2


def predicted_vo2max_fairbarn_1994(
    age_years: float, sex: Sex, body_mass_kg: float, height_cm: float
) -> float:
    """Cycle VO2max by age, sex, height and body mass.

    Parameters
    ----------
    age_years : float
    sex : {"female", "male"}
    body_mass_kg, height_cm : float

    Returns
    -------
    float
        mL/min.

    Notes
    -----
    L/min: men 0.023 height - 0.031 age + 0.0117 mass - 0.332; women 0.0158 height - 0.027 age + 0.00899 mass + 0.207
    (fairbarn_1994, values from memory, medium confidence).
    """
    if sex == "male":
        return 1000 * (0.023 * height_cm - 0.031 * age_years + 0.0117 * body_mass_kg - 0.332)
    return 1000 * (0.0158 * height_cm - 0.027 * age_years + 0.00899 * body_mass_kg + 0.207)


def predicted_vo2max_neder_1999(age_years: float, sex: Sex, body_mass_kg: float, height_cm: float) -> float:
    """Cycle VO2max of sedentary adults by age, sex, height and body mass.

    Parameters
    ----------
    age_years : float
    sex : {"female", "male"}
    body_mass_kg, height_cm : float

    Returns
    -------
    float
        mL/min.

    Notes
    -----
    Men -24.3 age + 12.5 mass + 9.8 height + 702; women -13.7 age + 7.5 mass + 7.4 height + 372 (neder_1999, values from
    memory, medium confidence).
    """
    if sex == "male":
        return -24.3 * age_years + 12.5 * body_mass_kg + 9.8 * height_cm + 702
    return -13.7 * age_years + 7.5 * body_mass_kg + 7.4 * height_cm + 372


def predicted_vo2max_cooper_children(height_cm: float, sex: Sex) -> float:
    """Cycle VO2peak of children by height and sex.

    Parameters
    ----------
    height_cm : float
    sex : {"female", "male"}

    Returns
    -------
    float
        mL/min.

    Notes
    -----
    L/min, height in m: boys 4.4955 height - 4.640; girls 3.08806 height - 2.877 (cooper_1984).
    """
    metres = height_cm / 100
    return 1000 * (4.4955 * metres - 4.640 if sex == "male" else 3.08806 * metres - 2.877)


def predicted_mets_morris(age_years: float) -> float:
    """Age-predicted METs of men, as estimated from treadmill work.

    Parameters
    ----------
    age_years : float

    Returns
    -------
    float
        MET.

    Notes
    -----
    14.7 - 0.11 age (morris_1993).
    """
    return 14.7 - 0.11 * age_years


def predicted_mets_gulati(age_years: float) -> float:
    """Age-predicted METs of women, as estimated from treadmill work.

    Parameters
    ----------
    age_years : float

    Returns
    -------
    float
        MET.

    Notes
    -----
    14.7 - 0.13 age (gulati_2005).
    """
    return 14.7 - 0.13 * age_years


_MASS = number("body_mass_kg")
_HEIGHT = number("height_cm")


def _age(low: float, high: float) -> Input:
    return number("age_years", valid=(low, high))


_CYCLE = ("cycle",)
_TREADMILL = ("treadmill",)
_EITHER = ("treadmill", "cycle")
_PER_MASS = ("vo2_peak_ml_kg_min", "mL/kg/min")
_ABSOLUTE = ("vo2_peak_ml_min", "mL/min")


def _predicted(
    method_id: str,
    label: str,
    what: tuple[str, str],
    inputs: tuple[Input, ...],
    function: Callable[..., float],
    source: str,
    trust: Trust,
    validity: str,
    *,
    modes: tuple[str, ...] = _CYCLE,
    sexes: tuple[Sex, ...] = SEXES,
    ages: tuple[float, float] | None = None,
    standard_error: float | None = None,
    notes: str = "",
) -> Method:
    return Method(
        method_id,
        label,
        *what,
        inputs,
        function,
        source,
        trust,
        validity,
        standard_error,
        modes,
        sexes,
        ages,
        predicts=True,
        notes=notes,
    )


METHODS: tuple[Method, ...] = (
    _predicted(
        "predicted_vo2max_de_souza_e_silva_2018",
        "Predicted VO2max, treadmill or cycle",
        _PER_MASS,
        (_age(20, 85), SEX, _MASS, _HEIGHT, TREADMILL_OR_CYCLE),
        predicted_vo2max_de_souza_e_silva_2018,
        "de_souza_e_silva_2018",
        "published",
        "10881 healthy adults, 20 to 85 years, treadmill or cycle (R 0.79).",
        modes=_EITHER,
        standard_error=6.6,
        notes="The standard error is not constant over age and sex. On the cycle it runs well above the medians of "
        "kaminsky_2017, since cycle and treadmill differ by 0.46 mL/kg/min in it.",
    ),
    _predicted(
        "predicted_vo2max_myers_2017",
        "Predicted VO2max, treadmill",
        _PER_MASS,
        (_age(20, 79), SEX, _MASS),
        predicted_vo2max_myers_2017,
        "myers_2017",
        "published",
        "7783 healthy adults, peak RER above 1.0, 20 to 79 years, treadmill (R 0.79).",
        modes=_TREADMILL,
        notes="Read second-hand.",
    ),
    _predicted(
        "predicted_vo2max_jones_1985",
        "Predicted VO2max, cycle",
        _ABSOLUTE,
        (
            number("height_cm", valid=(152, 194)),
            _age(15, 71),
            SEX,
        ),
        predicted_vo2max_jones_1985,
        "jones_1985",
        "published",
        "50 men (165 to 194 cm) and 50 women (152 to 176 cm), healthy, 15 to 71 years, cycle.",
        standard_error=458.0,
    ),
    _predicted(
        "predicted_work_rate_max_jones",
        "Predicted maximal work rate, cycle",
        ("work_rate_peak_w", "W"),
        (number("height_cm", valid=(152, 194)), _age(15, 71), SEX),
        predicted_work_rate_max_jones,
        "jones_1985",
        "published",
        "50 men and 50 women, healthy, 15 to 71 years, cycle.",
        standard_error=216 / KGM_MIN_PER_W,
    ),
    _predicted(
        "predicted_ve_max_jones",
        "Predicted maximal ventilation, cycle",
        ("ve_max_l_min", "L/min"),
        (number("vital_capacity_l"),),
        predicted_ve_max_jones,
        "jones_1985",
        "value from memory",
        "50 men and 50 women, healthy, 15 to 71 years, cycle. As tabulated in ats_accp_2003.",
        ages=(15, 71),
        standard_error=23.1,
        notes="Medium confidence.",
    ),
    _predicted(
        "predicted_threshold_vo2_jones",
        "Predicted VO2 at the first threshold, cycle",
        ("vt1_vo2_ml_min", "mL/min"),
        (number("height_cm", valid=(152, 194)), _age(15, 71)),
        predicted_threshold_vo2_jones,
        "jones_1985",
        "value from memory",
        "50 men and 50 women, healthy, 15 to 71 years, cycle. As tabulated in ats_accp_2003.",
        standard_error=316.0,
        notes="Medium confidence.",
    ),
    _predicted(
        "predicted_vo2max_wasserman",
        "Predicted VO2max, size-adjusted algorithm",
        _ABSOLUTE,
        (_MASS, _HEIGHT, _age(29, 74), SEX, TREADMILL_OR_CYCLE),
        predicted_vo2max_wasserman,
        "wasserman_2012",
        "value from memory",
        "Men: 77 with normal cardiorespiratory function, 34 to 74 years; women: from a general-population sample of 29 "
        "to 73 years. Cycle; the treadmill value is 1.11 times that.",
        modes=_EITHER,
        notes="Also in guazzi_2012. High confidence.",
    ),
    _predicted(
        "predicted_vo2max_wasserman_unadjusted",
        "Predicted VO2max, cycle, by mass and age alone",
        _ABSOLUTE,
        (_MASS, _age(29, 74), SEX),
        predicted_vo2max_wasserman_unadjusted,
        "hansen_1984",
        "published",
        "For people of the body mass usual for their height: see the size-adjusted algorithm.",
        notes="It rewards fat mass: prefer the size-adjusted algorithm.",
    ),
    _predicted(
        "predicted_body_mass_wasserman",
        "Body mass usual for a height",
        ("body_mass_kg", "kg"),
        (_HEIGHT, SEX),
        predicted_body_mass_wasserman,
        "hansen_1984",
        "value from memory",
        "Adults. A part of the size-adjusted prediction, not an aim for anyone.",
        modes=(),
        notes="High confidence.",
    ),
    _predicted(
        "predicted_o2_pulse_hansen",
        "Predicted peak oxygen pulse",
        ("o2_pulse_peak_ml_beat", "mL/beat"),
        (_MASS, _HEIGHT, _age(34, 74), SEX, TREADMILL_OR_CYCLE),
        predicted_o2_pulse_hansen,
        "hansen_1984",
        "value from memory",
        "As the size-adjusted prediction of VO2max and 210 - 0.65 age.",
        modes=_EITHER,
    ),
    _predicted(
        "predicted_vo2max_blackie_1989",
        "Predicted VO2max, cycle, women over 55",
        _ABSOLUTE,
        (_HEIGHT, _age(55, 80), _MASS),
        predicted_vo2max_blackie_1989,
        "blackie_1989",
        "published",
        "47 healthy women, 55 to 80 years, cycle.",
        sexes=("female",),
    ),
    _predicted(
        "predicted_vo2max_koch_2009",
        "Median VO2peak, cycle, by age class and body mass index",
        _PER_MASS,
        (_age(25, 80), SEX, _MASS, _HEIGHT),
        predicted_vo2max_koch_2009,
        "koch_2009",
        "published",
        "534 people free of disease (253 men, 281 women) of a regional population study, 25 to 80 years, cycle.",
    ),
    _predicted(
        "predicted_vo2max_glaser_2010",
        "Predicted VO2peak, cycle, quadratic",
        _ABSOLUTE,
        (_age(25, 85), SEX, _MASS, _HEIGHT),
        predicted_vo2max_glaser_2010,
        "glaser_2010",
        "value from memory",
        "Healthy part of a regional population study, 25 to 85 years, cycle.",
        notes="Medium confidence.",
    ),
    _predicted(
        "predicted_vo2max_fairbarn_1994",
        "Predicted VO2max, cycle, by sex",
        _ABSOLUTE,
        (_age(20, 80), SEX, _MASS, _HEIGHT),
        predicted_vo2max_fairbarn_1994,
        "fairbarn_1994",
        "value from memory",
        "231 healthy adults, 20 to 80 years, cycle.",
        notes="Medium confidence.",
    ),
    _predicted(
        "predicted_vo2max_neder_1999",
        "Predicted VO2max, cycle, sedentary adults",
        _ABSOLUTE,
        (_age(20, 80), SEX, _MASS, _HEIGHT),
        predicted_vo2max_neder_1999,
        "neder_1999",
        "value from memory",
        "120 sedentary adults of a randomised sample, 20 to 80 years, cycle.",
        notes="Medium confidence.",
    ),
    _predicted(
        "predicted_vo2max_cooper_children",
        "Predicted VO2peak, cycle, children",
        _ABSOLUTE,
        (number("height_cm", valid=(110, 185)), SEX),
        predicted_vo2max_cooper_children,
        "cooper_1984",
        "published",
        "Children, 6 to 17 years (ages from memory), cycle.",
        ages=(6, 17.999),
        notes="The range of height is this project's.",
    ),
    Method(
        "predicted_mets_morris",
        "Age-predicted METs, men",
        "mets_peak",
        "MET",
        (_age(18, 89),),
        predicted_mets_morris,
        "morris_1993",
        "value from memory",
        "Male veterans referred for testing; METs estimated from treadmill speed and grade, which run above measured "
        "ones.",
        modes=_TREADMILL,
        sexes=("male",),
        notes="High confidence. The age range is this project's. Not for a measured VO2.",
    ),
    Method(
        "predicted_mets_gulati",
        "Age-predicted METs, women",
        "mets_peak",
        "MET",
        (_age(35, 89),),
        predicted_mets_gulati,
        "gulati_2005",
        "value from memory",
        "Asymptomatic women from 35 years; METs estimated from treadmill speed and grade, which run above measured "
        "ones.",
        modes=_TREADMILL,
        sexes=("female",),
        notes="High confidence. The upper age is this project's. Not for a measured VO2.",
    ),
)
