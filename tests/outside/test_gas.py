"""Gas volumes and gas exchange against a handbook, a thermodynamics library and printed course examples."""

import iapws
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.methods.catalogue import run
from service.methods.gas import (
    MMHG_PER_MPA,
    btps_factor,
    btps_to_stpd_factor,
    haldane_inspired_l_min,
    haldane_vco2_ml_min,
    haldane_vo2_ml_min,
    stpd_factor,
    water_vapour_pressure_mmhg,
)


# Published: the vapour pressure table of the CRC Handbook, mmHg; printed to 0.01 from an older formula.
@pytest.mark.parametrize(
    ("temperature_c", "printed"),
    [
        (10, 9.21),
        (18, 15.49),
        (20, 17.55),
        (22, 19.84),
        (24, 22.40),
        (26, 25.24),
        (28, 28.38),
        (30, 31.86),
        (32, 35.70),
        (34, 39.95),
    ],
)
def test_vapour_pressure_of_the_handbook(temperature_c, printed):
    assert run("water_vapour_pressure_mmhg", {"temperature_c": temperature_c}).value == pytest.approx(
        printed, abs=0.03
    )


@given(st.floats(0.5, 60))
@settings(max_examples=40, deadline=None)
def test_vapour_pressure_of_the_thermodynamics_library(temperature_c):
    # iapws: IAPWS-IF97 saturation line in MPa; it and the IAPWS-95 one used here agree within 0.01 %.
    library = iapws.iapws97._PSat_T(temperature_c + 273.15) * MMHG_PER_MPA
    assert water_vapour_pressure_mmhg(temperature_c) == pytest.approx(library, rel=1e-4)


def test_the_pressure_unit_is_that_of_the_units_library():
    assert pytest.approx(pint.UnitRegistry()("1 MPa").to("mmHg").magnitude, rel=1e-7) == MMHG_PER_MPA


def test_a_course_example_of_atps_to_stpd():
    # Published in a university exercise-physiology course: 47 L in 5 min at 761 mmHg, 25 degrees: 8.36 L/min.
    litres = 47 / 5 * run("stpd_factor", {"barometric_pressure_mmhg": 761, "temperature_c": 25}).value
    assert litres == pytest.approx(8.36, abs=0.01)
    assert litres == pytest.approx(8.354, abs=0.001)


def test_a_course_example_of_gas_exchange():
    # The same course: 8.36 L/min STPD, FEO2 16.8 %, FECO2 4.1 % (printed 0.347 and 0.340 with VI 8.37).
    inputs = {"ve_stpd_l_min": 8.36, "feo2_fraction": 0.168, "feco2_fraction": 0.041}
    vo2 = run("haldane_vo2_ml_min", inputs).value
    vco2 = run("haldane_vco2_ml_min", inputs).value
    assert vo2 == pytest.approx(347, abs=1)
    assert vco2 == pytest.approx(340, abs=1)
    assert (vo2, vco2) == (pytest.approx(346.6, abs=0.1), pytest.approx(340.3, abs=0.1))
    assert vco2 / vo2 == pytest.approx(0.982, abs=0.001)


def test_a_textbook_example_of_gas_exchange():
    # Textbook example, value from memory: VE 60.0 L/min STPD, 16.86 %, 3.60 %.
    arguments = (60.0, 0.1686, 0.0360)
    assert haldane_inspired_l_min(*arguments) == pytest.approx(60.380, abs=0.001)
    assert haldane_vo2_ml_min(*arguments) == pytest.approx(2521, abs=1)
    assert haldane_vco2_ml_min(*arguments) == pytest.approx(2142, abs=1)
    assert haldane_vco2_ml_min(*arguments) / haldane_vo2_ml_min(*arguments) == pytest.approx(0.849, abs=0.001)


# Arithmetic from the printed formulas, tolerance 2e-4 for the vapour pressure formula chosen.
@pytest.mark.parametrize(
    ("pressure", "temperature", "stpd", "btps"),
    [
        (760, 20, 0.9103, 1.1018),
        (760, 23, 0.8967, 1.0855),
        (760, 25, 0.8875, 1.0743),
        (700, 25, 0.8152, 1.0774),
    ],
)
def test_volume_factors(pressure, temperature, stpd, btps):
    conditions = {"barometric_pressure_mmhg": pressure, "temperature_c": temperature}
    assert run("stpd_factor", conditions).value == pytest.approx(stpd, abs=2e-4)
    assert run("btps_factor", conditions).value == pytest.approx(btps, abs=2e-4)


@pytest.mark.parametrize(("pressure", "factor"), [(760, 0.8261), (747, 0.8110), (700, 0.7566), (600, 0.6407)])
def test_btps_to_stpd(pressure, factor):
    assert run("btps_to_stpd_factor", {"barometric_pressure_mmhg": pressure}).value == pytest.approx(
        factor, abs=2e-4
    )


@given(st.floats(300, 800), st.floats(5, 40))
@settings(max_examples=40, deadline=None)
def test_the_way_over_btps_ends_where_the_direct_one_does(pressure, temperature):
    over = btps_factor(pressure, temperature) * btps_to_stpd_factor(pressure)
    assert over == pytest.approx(stpd_factor(pressure, temperature), rel=1e-12)


def test_dry_room_gas_takes_more_room_at_body_conditions_than_saturated():
    assert btps_factor(760.0, 22.0, 40.0) > btps_factor(760.0, 22.0)
