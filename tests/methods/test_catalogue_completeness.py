"""Every published equation this project knows and trusts has its method, and the method is that equation.

Each row: how the equation is known in the trade, the method, its source, and the equation written out once more,
straight from the printed form (pounds, inches and kpm/min where those were printed). Two equations are left out for
doubt: the peak oxygen pulse of Jones 1985, a third above the same paper's own VO2max over its maximal heart rate, and
a modified Naughton equation for heart patients whose source could not be had.
"""

from dataclasses import dataclass
from typing import Any

import pytest

from service.methods.catalogue import METHODS, run
from service.methods.method import COMMON_PRACTICE, OURS

LB, INCH, KPM = 0.45359237, 2.54, 60 / 9.80665
MAN = {"sex": "male", "age_years": 44.0, "body_mass_kg": 82.0, "height_cm": 179.0}
WOMAN = {"sex": "female", "age_years": 61.0, "body_mass_kg": 64.0, "height_cm": 163.0}
YOUNG = {"sex": "female", "age_years": 29.0, "body_mass_kg": 58.0, "height_cm": 168.0}
CHILD = {"sex": "female", "age_years": 11.0, "body_mass_kg": 38.0, "height_cm": 148.0}


@dataclass(frozen=True)
class Known:
    """One published equation."""

    equation: str
    method: str
    source: str
    formula: Any
    tolerance: float = 1e-9


def f(p):
    return p["sex"] == "female"


def koch(p):
    a = next(i for i, top in enumerate((35, 45, 55, 65, 200), 1) if p["age_years"] < top)
    s, b = 2 if f(p) else 1, 1 if p["body_mass_kg"] / (p["height_cm"] / 100) ** 2 > 25 else 0
    return (
        47.7565 - 0.9880 * a - 0.2356 * a * a - 8.8697 * s + 2.3597 * b - 2.0308 * a * b - 3.7405 * s * b
        + 0.2512 * a * s + 1.3797 * a * s * b
    )  # fmt: skip


def wasserman(p):
    usual = 0.65 * p["height_cm"] - 42.8 if f(p) else 0.79 * p["height_cm"] - 60.7
    w, cf = p["body_mass_kg"], 22.78 - 0.17 * p["age_years"] if f(p) else 50.72 - 0.372 * p["age_years"]
    k = 43 if f(p) else 0
    value = (usual + k) * cf + 6 * (w - usual) if w > usual else ((usual + w + 2 * k) / 2) * cf
    return value * (1.11 if p["mode"] == "treadmill" else 1)


def glaser(p):
    age, height, mass = p["age_years"], p["height_cm"], p["body_mass_kg"]
    if f(p):
        return -588 - 11.33 * age + 9.13 * height + 26.88 * mass - 0.12 * mass**2
    return -69 + 1.48 * age + 14.02 * height + 7.44 * mass - 0.2256 * age**2


def by_sex(male, female):
    return lambda p: female(p) if f(p) else male(p)


KNOWN = (
    Known("friend_myers_2017", "predicted_vo2max_myers_2017", "myers_2017",
          lambda p: 79.9 - 0.39 * p["age_years"] - 13.7 * f(p) - 0.127 * p["body_mass_kg"] / LB),
    Known("friend_desouza_2018", "predicted_vo2max_de_souza_e_silva_2018", "de_souza_e_silva_2018",
          lambda p: 45.2 - 0.35 * p["age_years"] - 10.9 * (1 + f(p)) - 0.15 * p["body_mass_kg"] / LB
          + 0.68 * p["height_cm"] / INCH - 0.46 * (2 if p["mode"] == "cycle" else 1)),
    Known("jones_1985_vo2", "predicted_vo2max_jones_1985", "jones_1985",
          lambda p: 1000 * (0.046 * p["height_cm"] - 0.021 * p["age_years"] - 0.62 * f(p) - 4.31)),
    Known("jones_1985_power", "predicted_work_rate_max_jones", "jones_1985",
          lambda p: (20.4 * p["height_cm"] - 8.74 * p["age_years"] - 288 * f(p) - 1909) / KPM),
    Known("jones_1985_hr", "heart_rate_max_jones", "jones_1985", lambda p: 202 - 0.72 * p["age_years"]),
    Known("jones_1985_ve", "predicted_ve_max_jones", "jones_1985", lambda p: 26.3 * p["vital_capacity_l"] - 34),
    Known("jones_1985_at", "predicted_threshold_vo2_jones", "jones_1985",
          lambda p: 1000 * (0.024 * p["height_cm"] - 0.0074 * p["age_years"] - 2.43)),
    Known("wasserman_1999", "predicted_vo2max_wasserman_unadjusted", "hansen_1984", by_sex(
        lambda p: p["body_mass_kg"] * (50.72 - 0.372 * p["age_years"]),
        lambda p: (p["body_mass_kg"] + 43) * (22.78 - 0.17 * p["age_years"]))),
    Known("wasserman_ideal_weight", "predicted_body_mass_wasserman", "hansen_1984", by_sex(
        lambda p: 0.79 * p["height_cm"] - 60.7, lambda p: 0.65 * p["height_cm"] - 42.8)),
    Known("wasserman_algorithm", "predicted_vo2max_wasserman", "wasserman_2012", wasserman),
    Known("hansen_1984_hr", "heart_rate_max_hansen", "hansen_1984", lambda p: 210 - 0.65 * p["age_years"]),
    Known("hansen_1984_o2pulse", "predicted_o2_pulse_hansen", "hansen_1984",
          lambda p: wasserman(p) / (210 - 0.65 * p["age_years"])),
    Known("blackie_1989_f", "predicted_vo2max_blackie_1989", "blackie_1989", lambda p: 1000 * (
        0.0142 * p["height_cm"] - 0.0115 * p["age_years"] + 0.00974 * p["body_mass_kg"] - 0.651)),
    Known("koch_2009_p50", "predicted_vo2max_koch_2009", "koch_2009", koch),
    Known("glaser_2010", "predicted_vo2max_glaser_2010", "glaser_2010", glaser),
    Known("fairbarn_1994", "predicted_vo2max_fairbarn_1994", "fairbarn_1994", by_sex(
        lambda p: 1000 * (0.023 * p["height_cm"] - 0.031 * p["age_years"] + 0.0117 * p["body_mass_kg"] - 0.332),
        lambda p: 1000 * (0.0158 * p["height_cm"] - 0.027 * p["age_years"] + 0.00899 * p["body_mass_kg"] + 0.207))),
    Known("neder_1999", "predicted_vo2max_neder_1999", "neder_1999", by_sex(
        lambda p: -24.3 * p["age_years"] + 12.5 * p["body_mass_kg"] + 9.8 * p["height_cm"] + 702,
        lambda p: -13.7 * p["age_years"] + 7.5 * p["body_mass_kg"] + 7.4 * p["height_cm"] + 372)),
    Known("morris_1993_mets", "predicted_mets_morris", "morris_1993", lambda p: 14.7 - 0.11 * p["age_years"]),
    Known("gulati_2005_mets", "predicted_mets_gulati", "gulati_2005", lambda p: 14.7 - 0.13 * p["age_years"]),
    Known("cooper_child_cycle", "predicted_vo2max_cooper_children", "cooper_1984", by_sex(
        lambda p: 1000 * (4.4955 * p["height_cm"] / 100 - 4.640),
        lambda p: 1000 * (3.08806 * p["height_cm"] / 100 - 2.877))),
    Known("friend_ergometry_2018", "kokkinos_cycle", "kokkinos_2018",
          lambda p: 1.74 * (p["work_rate_w"] * 6.12 / p["body_mass_kg"]) + 3.5),
    Known("storer_1990", "storer_cycle", "storer_1990", by_sex(
        lambda p: 10.51 * p["work_rate_w"] + 6.35 * p["body_mass_kg"] - 10.49 * p["age_years"] + 519.3,
        lambda p: 9.39 * p["work_rate_w"] + 7.7 * p["body_mass_kg"] - 5.88 * p["age_years"] + 136.7)),
    Known("foster_1996_norail", "foster_graded_treadmill", "foster_1996",
          lambda p: 0.869 * p["vo2_acsm_ml_kg_min"] - 0.07),
    Known("foster_1996_rail", "foster_graded_treadmill_handrail", "foster_1996",
          lambda p: 0.694 * p["vo2_acsm_ml_kg_min"] + 3.33),
    Known("hr_fox_1971", "heart_rate_max_fox", "fox_1971", lambda p: 220 - p["age_years"]),
    Known("hr_tanaka_2001", "heart_rate_max_tanaka", "tanaka_2001", lambda p: 208 - 0.7 * p["age_years"]),
    Known("hr_tanaka_2001_trained", "heart_rate_max_tanaka_trained", "tanaka_2001", lambda p: 205 - 0.6 * p["age_years"]),
    Known("hr_gellish_2007", "heart_rate_max_gellish", "gellish_2007", lambda p: 207 - 0.7 * p["age_years"]),
    Known("hr_gulati_2010", "heart_rate_max_gulati", "gulati_2010", lambda p: 206 - 0.88 * p["age_years"]),
    Known("hr_nes_2013", "heart_rate_max_nes", "nes_2013", lambda p: 211 - 0.64 * p["age_years"]),
    Known("hr_fairbarn_1994", "heart_rate_max_fairbarn", "fairbarn_1994", by_sex(
        lambda p: 207 - 0.78 * p["age_years"], lambda p: 209 - 0.86 * p["age_years"])),
    Known("hr_sydo_2014", "heart_rate_max_sydo", "sydo_2014", by_sex(
        lambda p: 220 - 0.95 * p["age_years"], lambda p: 210 - 0.79 * p["age_years"])),
    Known("hr_zhu_2010", "heart_rate_max_zhu", "zhu_2010",
          lambda p: 179 + 0.29 * p["age_years"] - 0.011 * p["age_years"] ** 2),
    Known("hr_londeree_1982", "heart_rate_max_londeree", "londeree_1982", lambda p: 206 - 0.7 * p["age_years"]),
    # Submaximal and field tests, as printed.
    Known("kline_1987", "rockport_walk", "kline_1987",
          lambda p: 132.853 - 0.0769 * p["body_mass_kg"] / LB - 0.3877 * p["age_years"] + 6.315 * (not f(p))
          - 3.2649 * p["time_min"] - 0.1565 * p["heart_rate_bpm"]),
    Known("kline_1987_absolute", "rockport_walk_absolute", "kline_1987",
          lambda p: 1000 * (6.9652 + 0.0091 * p["body_mass_kg"] / LB - 0.0257 * p["age_years"] + 0.5955 * (not f(p))
          - 0.2240 * p["time_min"] - 0.0115 * p["heart_rate_bpm"])),
    # The same run in kilometres and in miles: other roundings of one line.
    Known("cooper_1968_km", "cooper_12_min", "cooper_1968", lambda p: 22.35 * p["distance_m"] / 1000 - 11.29, 0.05),
    Known("cooper_1968_mile", "cooper_12_min", "cooper_1968", lambda p: 35.97 * p["distance_m"] / 1609.344 - 11.29, 0.05),
    Known("run_1_5_mile", "run_1_5_mile", "acsm_2021", lambda p: 3.5 + 483 / p["time_min"]),
    Known("balke_1963", "balke_15_min_run", "balke_1963", lambda p: 6.5 + 12.5 * p["distance_m"] / 1000),
    Known("balke_1963_speed", "balke_15_min_run_speed", "balke_1963",
          lambda p: 33.3 + (p["distance_m"] / 15 - 133) * 0.172),
    Known("mcardle_1972", "queens_college_step", "mcardle_1972", by_sex(
        lambda p: 111.33 - 0.42 * p["heart_rate_bpm"], lambda p: 65.81 - 0.1847 * p["heart_rate_bpm"])),
    Known("leger_1988", "shuttle_20m_leger", "leger_1988",
          lambda p: 31.025 + 3.238 * p["final_speed_km_h"] - 3.248 * min(18, p["age_years"])
          + 0.1536 * min(18, p["age_years"]) * p["final_speed_km_h"]),
    Known("leger_1982", "shuttle_20m_leger_two_minute", "leger_1982", lambda p: 5.857 * p["final_speed_km_h"] - 19.458),
    Known("stickland_2003", "shuttle_20m_stickland", "stickland_2003", by_sex(
        lambda p: 2.75 * p["last_half_stage"] + 28.8, lambda p: 2.85 * p["last_half_stage"] + 25.1)),
    Known("ebbeling_1991", "ebbeling_treadmill", "ebbeling_1991",
          lambda p: 15.1 + 21.8 * p["speed_km_h"] / 1.609344 - 0.327 * p["heart_rate_bpm"]
          - 0.263 * p["speed_km_h"] / 1.609344 * p["age_years"] + 0.00504 * p["heart_rate_bpm"] * p["age_years"]
          + 5.98 * (not f(p))),
    Known("george_1993", "george_jog", "george_1993",
          lambda p: 100.5 + 8.344 * (not f(p)) - 0.1636 * p["body_mass_kg"] - 1.438 * p["time_min"]
          - 0.1928 * p["heart_rate_bpm"]),
    Known("foster_1984", "bruce_foster_men", "foster_1984",
          lambda p: 14.8 - 1.379 * p["time_min"] + 0.451 * p["time_min"] ** 2 - 0.012 * p["time_min"] ** 3),
    Known("pollock_1982_bruce", "bruce_pollock_women", "pollock_1982", lambda p: 4.38 * p["time_min"] - 3.9),
    Known("pollock_1976_balke", "balke_pollock_men", "pollock_1976", lambda p: 1.444 * p["time_min"] + 14.99),
    Known("pollock_1982_balke", "balke_pollock_women", "pollock_1982", lambda p: 1.38 * p["time_min"] + 5.22),
    Known("foster_1983_naughton", "naughton_foster_men", "foster_1983", lambda p: 1.61 * p["time_min"] + 3.60),
)  # fmt: skip

MORE = {
    "vital_capacity_l": 4.6, "mode": "treadmill", "work_rate_w": 180.0, "vo2_acsm_ml_kg_min": 41.0, "time_min": 11.5,
    "heart_rate_bpm": 141.0, "distance_m": 2750.0, "final_speed_km_h": 11.5, "last_half_stage": 8.5, "speed_km_h": 5.6,
}  # fmt: skip


@pytest.mark.parametrize("known", KNOWN, ids=lambda known: known.equation)
def test_the_method_is_the_printed_equation(known):
    method = METHODS[known.method]
    assert method.source == known.source
    compared = 0
    for person in (MAN, WOMAN, YOUNG, CHILD):
        inputs = {one.name: {**MORE, **person}[one.name] for one in method.inputs}
        answer = run(known.method, inputs)
        expected = known.formula({**MORE, **person})
        if answer.value is None:
            assert expected < 0
            continue
        assert answer.value == pytest.approx(expected, abs=known.tolerance)
        compared += 1
    assert compared >= 2


@pytest.mark.parametrize("mode", ["treadmill", "cycle"])
def test_predictions_that_differ_by_mode(mode):
    for known in KNOWN:
        method = METHODS[known.method]
        if any(one.name == "mode" for one in method.inputs):
            inputs = {one.name: {**MORE, **MAN, "mode": mode}[one.name] for one in method.inputs}
            assert run(known.method, inputs).value == pytest.approx(
                known.formula({**MORE, **MAN, "mode": mode})
            )


def test_every_method_that_predicts_or_estimates_is_one_of_these():
    # What is not a line of one published equation has its own checks: the nomogram, the lines through stages.
    others = {"astrand_ryhming_cycle", "astrand_ryhming_from_uptake", "ymca_cycle", "two_stage_treadmill"}
    listed = {known.method for known in KNOWN} | others
    claimed = {
        method.id for method in METHODS.values() if method.predicts or method.quantity.startswith("vo2_peak_")
    }
    assert claimed <= listed
    assert all(METHODS[known.method].source not in {COMMON_PRACTICE, OURS} for known in KNOWN)
