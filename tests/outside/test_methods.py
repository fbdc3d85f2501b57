"""Formulas against printed examples and hand-computed ones.

"Published" is printed in a text that was read; "textbook, value from memory" is a recalled textbook example;
"arithmetic" was worked by hand from the cited formula.
"""

import pint
import pytest

from service.methods.catalogue import run
from service.methods.energy import J_PER_CAL, lusk_kcal_min
from service.methods.estimation import bruce_foster_men
from service.methods.metabolic_equations import KGM_MIN_PER_W, KM_H_PER_MPH
from service.methods.prediction import CM_PER_IN, KG_PER_LB


@pytest.fixture(scope="module")
def units():
    return pint.UnitRegistry()


def test_conversions_are_those_of_the_units_library(units):
    assert pytest.approx(units("1 mile/hour").to("km/hour").magnitude) == KM_H_PER_MPH
    assert pytest.approx(units("1 W").to("kilogram_force * meter / minute").magnitude) == KGM_MIN_PER_W
    assert pytest.approx(units("1 lb").to("kg").magnitude) == KG_PER_LB
    assert pytest.approx(units("1 inch").to("cm").magnitude) == CM_PER_IN
    assert pytest.approx(units("1 calorie").to("J").magnitude) == J_PER_CAL


# Energy. Arithmetic from the printed equations.
@pytest.mark.parametrize(
    ("method", "vo2", "vco2", "expected", "tolerance"),
    [
        ("weir_kcal_min", 300, 240, 1.44774, 1e-5),
        ("weir_kcal_min", 2000, 1700, 9.762, 0.001),
        ("weir_kcal_min", 1000, 1000, 5.047, 0.0005),
        ("lusk_kcal_min", 1000, 1000, 5.047, 0.0005),
        ("frayn_fat_g_min", 2000, 1700, 0.501, 0.0005),
        ("frayn_carbohydrate_g_min", 2000, 1700, 1.315, 0.0005),
        ("frayn_fat_g_min", 2000, 2000, 0.0, 1e-12),
        ("peronnet_fat_g_min", 2000, 1700, 0.4983, 0.0001),
        ("peronnet_carbohydrate_g_min", 2000, 1700, 1.3425, 0.0001),
        ("peronnet_carbohydrate_g_min", 1000, 703.61, 0.0, 0.0005),
        ("peronnet_fat_g_min", 1000, 996, 0.0008, 0.0001),
        ("brockway_kj_min", 1000, 1000, 21.09, 1e-9),
        ("jeukendrup_carbohydrate_low_g_min", 1000, 850, 0.6314, 1e-4),
        ("jeukendrup_carbohydrate_moderate_g_min", 1000, 850, 0.6165, 1e-4),
    ],
)
def test_energy_and_substrates(method, vo2, vco2, expected, tolerance):
    assert run(method, {"vo2_ml_min": vo2, "vco2_ml_min": vco2}).value == pytest.approx(
        expected, abs=tolerance
    )


# Published: the table of Zuntz, Schumburg and Lusk (4.751 at 0.76 and the rounded ends read, the others from memory).
@pytest.mark.parametrize(
    ("ratio", "printed"),
    [
        (0.707, 4.686),
        (0.75, 4.739),
        (0.76, 4.751),
        (0.80, 4.801),
        (0.85, 4.862),
        (0.90, 4.924),
        (0.95, 4.985),
        (1.0, 5.047),
    ],
)
def test_energy_per_litre_of_oxygen(ratio, printed):
    assert lusk_kcal_min(1000.0, 1000 * ratio) == pytest.approx(printed, abs=0.0011)


def test_a_printed_hour_of_gas_exchange():
    # Published: 15.7 L O2 and 12.0 L CO2 in an hour; ratio 0.7643, about 81 % of the energy from fat.
    flows = {"vo2_ml_min": 15700 / 60, "vco2_ml_min": 12000 / 60}
    assert run("respiratory_exchange_ratio", flows).value == pytest.approx(0.7643, abs=1e-4)
    fat_kcal = run("peronnet_fat_g_min", flows).value * 9.75  # kcal per g of fat, common practice
    assert fat_kcal / run("lusk_kcal_min", flows).value == pytest.approx(0.81, abs=0.02)


def test_published_energy_equations_differ_by_up_to_five_per_cent():
    flows = {"vo2_ml_min": 2000, "vco2_ml_min": 1700}
    kcal = [
        run("weir_kcal_min", flows).value,
        run("lusk_kcal_min", flows).value,
        run("brockway_kj_min", flows).value / J_PER_CAL,
    ]
    assert max(kcal) / min(kcal) < 1.052


# Arithmetic from the printed formulas, tolerance half of the last digit worked.
@pytest.mark.parametrize(
    ("method", "inputs", "expected", "tolerance"),
    [
        ("cooper_12_min", {"distance_m": 2400}, 42.37, 0.005),
        ("cooper_12_min", {"distance_m": 2800}, 51.31, 0.005),
        ("run_1_5_mile", {"time_min": 12.5}, 42.14, 0.005),
        ("queens_college_step", {"sex": "male", "heart_rate_bpm": 156}, 45.81, 0.005),
        ("queens_college_step", {"sex": "female", "heart_rate_bpm": 156}, 37.00, 0.005),
        ("shuttle_20m_leger", {"final_speed_km_h": 12.5, "age_years": 30}, 47.60, 0.005),
        ("shuttle_20m_leger", {"final_speed_km_h": 11, "age_years": 12}, 47.94, 0.005),
        ("shuttle_20m_leger_two_minute", {"final_speed_km_h": 12}, 50.826, 0.001),
        ("shuttle_20m_stickland", {"last_half_stage": 9.5, "sex": "male"}, 54.925, 0.001),
        ("shuttle_20m_stickland", {"last_half_stage": 7.5, "sex": "female"}, 46.475, 0.001),
        ("storer_cycle", {"work_rate_w": 250, "body_mass_kg": 75, "age_years": 40, "sex": "male"}, 3203.45, 0.005),
        ("storer_cycle", {"work_rate_w": 180, "body_mass_kg": 60, "age_years": 30, "sex": "female"}, 2112.5, 0.005),
        ("bruce_foster_men", {"time_min": 9}, 30.17, 0.005),
        ("bruce_foster_men", {"time_min": 12}, 42.46, 0.005),
        ("bruce_pollock_women", {"time_min": 9}, 35.52, 0.005),
        ("balke_pollock_men", {"time_min": 20}, 43.87, 0.005),
        ("balke_pollock_women", {"time_min": 20}, 32.82, 0.005),
        ("naughton_foster_men", {"time_min": 20}, 35.8, 0.005),
        ("balke_15_min_run", {"distance_m": 3000}, 44.0, 0.005),
        ("kokkinos_cycle", {"work_rate_w": 200, "body_mass_kg": 80}, 30.122, 0.001),
        (
            "rockport_walk",
            {"body_mass_kg": 80, "age_years": 40, "sex": "male", "time_min": 14, "heart_rate_bpm": 130},
            44.0,
            0.05,
        ),
        (
            "rockport_walk_absolute",
            {"body_mass_kg": 80, "age_years": 40, "sex": "male", "time_min": 14, "heart_rate_bpm": 130},
            3507.6,
            1.0,
        ),
        (
            "george_jog",
            {"body_mass_kg": 70, "sex": "male", "time_min": 9, "heart_rate_bpm": 150},
            55.53,
            0.005,
        ),
        (
            "ebbeling_treadmill",
            {"speed_km_h": 3.5 * KM_H_PER_MPH, "heart_rate_bpm": 130, "age_years": 40, "sex": "male"},
            44.258,
            0.001,
        ),
        (
            "two_stage_treadmill",
            {
                "vo2_1_ml_kg_min": 20,
                "heart_rate_1_bpm": 120,
                "vo2_2_ml_kg_min": 30,
                "heart_rate_2_bpm": 150,
                "age_years": 40,
            },
            40.0,
            1e-9,
        ),
        # Line from 75 W, 120 to 100 W, 140: 1.25 W a beat; maximum 208 - 0.7 x 40 = 180: 150 W; 7 + 10.8 x 150/75.
        (
            "ymca_cycle",
            {
                "stages": [
                    {"work_rate_w": 25, "heart_rate_bpm": 98},
                    {"work_rate_w": 75, "heart_rate_bpm": 120},
                    {"work_rate_w": 100, "heart_rate_bpm": 140},
                ],
                "body_mass_kg": 75,
                "age_years": 40,
            },
            28.6,
            1e-9,
        ),
        ("predicted_vo2max_jones_1985", {"height_cm": 178, "age_years": 40, "sex": "male"}, 3038, 0.5),
        ("predicted_vo2max_jones_1985", {"height_cm": 165, "age_years": 40, "sex": "female"}, 1820, 0.5),
        ("predicted_work_rate_max_jones", {"height_cm": 178, "age_years": 40, "sex": "male"}, 224.34, 0.01),
        ("predicted_ve_max_jones", {"vital_capacity_l": 5}, 97.5, 1e-9),
        ("predicted_threshold_vo2_jones", {"height_cm": 178, "age_years": 40}, 1546, 0.5),
        ("predicted_body_mass_wasserman", {"height_cm": 178, "sex": "male"}, 79.92, 0.005),
        ("predicted_body_mass_wasserman", {"height_cm": 165, "sex": "female"}, 64.45, 0.005),
        ("predicted_vo2max_wasserman_unadjusted", {"body_mass_kg": 80, "age_years": 40, "sex": "male"}, 2867.2, 0.05),
        ("predicted_vo2max_wasserman_unadjusted", {"body_mass_kg": 60, "age_years": 40, "sex": "female"}, 1645.94, 0.05),
        ("predicted_vo2max_blackie_1989", {"height_cm": 160, "age_years": 60, "body_mass_kg": 65}, 1564.1, 0.05),
        ("predicted_vo2max_koch_2009", {"age_years": 30, "sex": "male", "body_mass_kg": 70, "height_cm": 180}, 37.9144, 1e-4),
        ("predicted_vo2max_glaser_2010", {"age_years": 40, "sex": "male", "body_mass_kg": 80, "height_cm": 178}, 2720.0, 0.05),
        ("predicted_vo2max_glaser_2010", {"age_years": 40, "sex": "female", "body_mass_kg": 60, "height_cm": 165}, 1646.05, 0.05),
        ("predicted_vo2max_fairbarn_1994", {"age_years": 40, "sex": "male", "body_mass_kg": 80, "height_cm": 178}, 3458, 0.5),
        ("predicted_vo2max_fairbarn_1994", {"age_years": 40, "sex": "female", "body_mass_kg": 60, "height_cm": 165}, 2273.4, 0.1),
        ("predicted_vo2max_neder_1999", {"age_years": 40, "sex": "male", "body_mass_kg": 80, "height_cm": 178}, 2474.4, 0.05),
        ("predicted_vo2max_neder_1999", {"age_years": 40, "sex": "female", "body_mass_kg": 60, "height_cm": 165}, 1495, 0.05),
        ("predicted_vo2max_cooper_children", {"height_cm": 150, "sex": "male"}, 2103.25, 0.005),
        ("predicted_vo2max_cooper_children", {"height_cm": 150, "sex": "female"}, 1755.09, 0.005),
        ("predicted_mets_morris", {"age_years": 50}, 9.2, 1e-9),
        ("predicted_mets_gulati", {"age_years": 50}, 8.2, 1e-9),
        ("metabolic_equivalents", {"vo2_ml_kg_min": 35}, 10.0, 1e-12),
        ("o2_pulse", {"vo2_ml_min": 3000, "heart_rate_bpm": 180}, 16.6667, 1e-4),
        ("vo2_per_body_mass", {"vo2_ml_min": 3000, "body_mass_kg": 75}, 40.0, 1e-12),
    ],
)  # fmt: skip
def test_the_printed_formula(method, inputs, expected, tolerance):
    answer = run(method, inputs)
    assert answer.value == pytest.approx(expected, abs=tolerance)
    assert answer.findings == ()


def test_the_nomogram_of_astrand_and_ryhming():
    # Textbook, value from memory: a man of 25, 1200 kpm/min, heart rate 166: 3.6 L/min.
    inputs = {"work_rate_w": 1200 / KGM_MIN_PER_W, "heart_rate_bpm": 166, "sex": "male", "age_years": 25}
    answer = run("astrand_ryhming_cycle", inputs)
    assert answer.value == pytest.approx(3600, abs=50)
    assert answer.value == pytest.approx(3592, abs=1)
    # The factor at 45 is 0.78 (from memory).
    assert run("astrand_ryhming_cycle", inputs | {"age_years": 45}).value == pytest.approx(
        0.78 * answer.value
    )
    # The older form from the uptake of that load, about 2.8 L/min, agrees within a tenth (arithmetic).
    older = run(
        "astrand_ryhming_from_uptake",
        {"vo2_ml_min": 2800, "heart_rate_bpm": 166, "sex": "male", "age_years": 25},
    )
    assert older.value == pytest.approx(3573.3, abs=0.1)


def test_two_registry_equations_for_a_man_of_50():
    # Arithmetic: 180 lb, 70 in.
    man = {"age_years": 50, "sex": "male", "body_mass_kg": 180 * KG_PER_LB}
    assert run("predicted_vo2max_myers_2017", man).value == pytest.approx(37.54, abs=0.005)
    sized = man | {"height_cm": 70 * CM_PER_IN}
    for mode, expected in (("treadmill", 36.94), ("cycle", 36.48)):
        answer = run("predicted_vo2max_de_souza_e_silva_2018", sized | {"mode": mode})
        assert answer.value == pytest.approx(expected, abs=0.005)
        assert answer.standard_error == 6.6


def test_a_man_of_45_on_the_cycle():
    # Published comparison of the same equation: 36.9 for a man of 45, 85 kg, 177 cm.
    answer = run(
        "predicted_vo2max_de_souza_e_silva_2018",
        {"age_years": 45, "sex": "male", "body_mass_kg": 85, "height_cm": 177, "mode": "cycle"},
    )
    assert answer.value == pytest.approx(36.9, abs=0.1)


@pytest.mark.parametrize(
    ("sex", "mass", "expected"),
    [
        # Arithmetic; 178 cm: usual 79.92 kg, 35.84 mL/min/kg. 165 cm: usual 64.45 kg, 15.98.
        ("male", 79.92, 79.92 * 35.84),
        ("male", 70.0, (79.92 + 70) / 2 * 35.84),
        ("male", 90.0, 79.92 * 35.84 + 6 * 10.08),
        ("female", 64.45, 107.45 * 15.98),
        ("female", 55.0, (64.45 + 55 + 86) / 2 * 15.98),
        ("female", 75.0, 107.45 * 15.98 + 6 * 10.55),
    ],
)
def test_the_size_adjusted_algorithm(sex, mass, expected):
    inputs = {
        "body_mass_kg": mass,
        "height_cm": 178 if sex == "male" else 165,
        "age_years": 40,
        "sex": sex,
    }
    cycle = run("predicted_vo2max_wasserman", inputs | {"mode": "cycle"}).value
    assert cycle == pytest.approx(expected, abs=0.01)
    assert run("predicted_vo2max_wasserman", inputs | {"mode": "treadmill"}).value == pytest.approx(
        1.11 * cycle
    )
    pulse = run("predicted_o2_pulse_hansen", inputs | {"mode": "cycle"}).value
    assert pulse == pytest.approx(cycle / 184)


def test_the_adult_form_of_the_shuttle_run_is_the_general_one_at_18():
    # Published simplification for adults: -27.4 + 6.0 v.
    for speed in (9.0, 12.0, 15.0):
        value = run("shuttle_20m_leger", {"final_speed_km_h": speed, "age_years": 35}).value
        assert value == pytest.approx(-27.4 + 6.0 * speed, abs=0.05)


# Published mistakes that circulate.
def test_a_ten_second_pulse_count_is_refused_or_noticed():
    inputs = {"body_mass_kg": 80, "age_years": 40, "sex": "male", "time_min": 14, "heart_rate_bpm": 26}
    assert run("rockport_walk", inputs).findings


def test_watts_mistaken_for_kilogram_metres_show_up():
    inputs = {"work_rate_w": 900, "heart_rate_bpm": 150, "sex": "male", "age_years": 30}
    assert run("astrand_ryhming_cycle", inputs).findings


def test_the_two_circulating_constants_of_the_bruce_cubic_differ_by_less_than_its_error():
    assert bruce_foster_men(0.0) - 14.76 == pytest.approx(0.04)


def test_standard_errors_printed_with_their_equations():
    # Published: abstracts of Jones 1985 (0.458 L/min, 216 kpm/min, 10.3 beats/min) and Storer 1990 (212, 147 mL/min).
    person = {"height_cm": 170, "age_years": 40, "sex": "female"}
    assert run("predicted_vo2max_jones_1985", person).standard_error == 458
    assert run("predicted_work_rate_max_jones", person).standard_error == pytest.approx(35.3, abs=0.05)
    assert run("heart_rate_max_jones", {"age_years": 40}).standard_error == 10.3
    rider = {"work_rate_w": 200, "body_mass_kg": 70, "age_years": 40}
    assert run("storer_cycle", rider | {"sex": "male"}).standard_error == 212
    assert run("storer_cycle", rider | {"sex": "female"}).standard_error == 147
