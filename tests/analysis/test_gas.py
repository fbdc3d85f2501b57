"""Gas exchange: uptake from fractions, equivalents, breath size, and what drift of calibration does."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.gas import find_gas_exchange, judge_calibrations, with_computed_uptake
from service.analysis.marks import Marks, find_marks
from service.analysis.peaks import find_peak
from service.analysis.series import Conditions
from service.methods.gas import btps_to_stpd_factor, haldane_fractions
from service.quantities import QUANTITIES
from tests.analysis.conftest import build_series, build_test, change_series, simulate

ROOM = Conditions(barometric_pressure_mmhg=750.0, temperature_c=22.0)


def gas_of(test):
    marks = find_marks(test)
    return find_gas_exchange(test, marks, find_peak(test, marks))


def with_fractions(test, factor=1.0):
    """The test with the expired fractions that its uptake implies, times a factor on uptake."""
    channels = test.series.channels
    stpd = channels["ve_l_min"] * btps_to_stpd_factor(750.0)
    feo2, feco2 = haldane_fractions(stpd, factor * channels["vo2_ml_min"], factor * channels["vco2_ml_min"])
    return replace(
        change_series(test, channels={"feo2_fraction": feo2, "feco2_fraction": feco2}), conditions=ROOM
    )


def without_uptake(test):
    channels = {
        key: one for key, one in test.series.channels.items() if key not in {"vo2_ml_min", "vco2_ml_min"}
    }
    return replace(test, series=replace(test.series, channels=channels))


def test_uptake_is_computed_where_it_was_not_recorded():
    full = with_fractions(simulate())
    test, findings = with_computed_uptake(without_uptake(full))
    assert [one.code for one in findings] == ["uptake_by_haldane"]
    assert "750 mmHg" in findings[0].message
    limits = QUANTITIES["feo2_fraction"].hard
    known = (full.series.channels["feo2_fraction"] <= limits[1]) & (
        full.series.channels["feo2_fraction"] >= limits[0]
    )
    assert known.mean() > 0.9
    for key in ("vo2_ml_min", "vco2_ml_min"):
        np.testing.assert_allclose(
            test.series.channels[key][known], full.series.channels[key][known], rtol=1e-9
        )
    again, nothing = with_computed_uptake(full)
    assert again is full
    assert nothing == ()


@pytest.mark.parametrize(
    ("conditions", "said"),
    [
        (Conditions(), "no barometric pressure"),
        (replace(ROOM, fio2_fraction=0.4), "40.0 % O2"),
    ],
)
def test_uptake_is_not_computed_without_pressure_or_in_another_gas(conditions, said):
    bare = replace(without_uptake(with_fractions(simulate())), conditions=conditions)
    test, findings = with_computed_uptake(bare)
    assert test is bare
    assert [one.code for one in findings] == ["uptake_not_computed"]
    assert said in findings[0].message


def test_recorded_and_computed_uptake_are_compared():
    assert gas_of(with_fractions(simulate())).haldane_vo2_difference_percent == pytest.approx(0.0, abs=1e-6)
    apart = gas_of(with_fractions(simulate(), 1.08))
    assert apart.haldane_vo2_difference_percent == pytest.approx(8.0, abs=1e-6)
    assert [one.code for one in apart.findings] == ["haldane_disagrees", "haldane_disagrees"]
    assert "8.0 % above" in apart.findings[0].message
    near = gas_of(with_fractions(simulate(), 1.03))
    assert near.findings == ()


def test_factors_follow_from_the_room_and_never_from_a_default():
    found = gas_of(replace(simulate(), conditions=ROOM))
    # Arithmetic: 273.15/295.15 x (750 - 19.84)/760; 273.15/310.15 x (750 - 47.08)/760.
    assert found.stpd_factor == pytest.approx(0.8891, abs=1e-4)
    assert found.btps_to_stpd_factor == pytest.approx(0.81456, abs=1e-5)
    unknown = gas_of(simulate())
    assert unknown.stpd_factor is None
    assert "no barometric pressure and no room temperature; none is assumed" in unknown.reasons["stpd_factor"]
    assert unknown.as_dict()["reason"] is None


def test_equivalents_are_ratios_of_means():
    test = build_test(
        build_series(
            [30, 60, 90, 120, 150],
            {
                "vo2_ml_min": [1000, 1500, 2000, 2500, 3000],
                "vco2_ml_min": [900, 1400, 2000, 2700, 3500],
                "ve_l_min": [30, 36, 50, 75, 120],
                "respiratory_rate_per_min": [20, 20, 25, 30, 48],
                "petco2_mmhg": [36, 40, 42, 40, 34],
                "peto2_mmhg": [100, 98, 99, 104, 112],
                "spo2_percent": [98, 97, 97, 96, 94],
            },
            phase=["exercise"] * 5,
        )
    )
    found = gas_of(test)
    # Arithmetic: over 60 s the lowest is (36 + 50)/(1500 + 2000) and (36 + 50)/(1400 + 2000).
    assert found.lowest_ve_vo2 == pytest.approx(1000 * 86 / 3500)
    assert found.lowest_ve_vco2 == pytest.approx(1000 * 86 / 3400)
    assert found.peak_ve_vo2 == pytest.approx(40.0)
    assert found.peak_ve_vco2 == pytest.approx(1000 * 120 / 3500)
    assert found.peak_tidal_volume_l == pytest.approx(2.5)
    assert found.tidal_volume_basis == "ventilation_over_rate"
    assert found.highest_petco2_mmhg == 42
    assert (found.peak_peto2_mmhg, found.peak_petco2_mmhg, found.lowest_spo2_percent) == (112, 34, 94)


def test_a_recorded_tidal_volume_that_does_not_fit_is_told():
    test = simulate()
    computed = test.series.channels["ve_l_min"] / test.series.channels["respiratory_rate_per_min"]
    fits = gas_of(change_series(test, channels={"tidal_volume_l": computed}))
    assert (fits.tidal_volume_basis, fits.findings) == ("recorded", ())
    wrong = gas_of(change_series(test, channels={"tidal_volume_l": 0.9 * computed}))
    assert [one.code for one in wrong.findings] == ["tidal_volume_disagrees"]
    assert "10 % below" in wrong.findings[0].message


def test_what_is_missing_has_a_reason():
    found = gas_of(build_test(build_series([30, 60], {"vo2_ml_min": [1000, 1200]}, phase=["exercise"] * 2)))
    assert found.reasons["peak_ve_vco2"] == "The test has no VCO2 or no ventilation."
    assert found.reasons["peak_ve_vo2"] == "The test has no ventilation."
    assert found.reasons["peak_petco2_mmhg"] == "The test has no end-tidal CO2 pressure."
    assert "no tidal volume" in found.reasons["peak_tidal_volume_l"]


def reading(when, expected, measured, unit="%", kind="gas"):
    return {"when": when, "kind": kind, "expected": expected, "measured": measured, "unit": unit}


def test_drift_that_is_within_limits_says_nothing():
    told = judge_calibrations(
        [
            reading("before", 20.93, 20.94),
            reading("after", 20.93, 20.97),
            reading("after", 3.0, 2.96, "L", "volume"),
        ]
    )
    assert told.findings == ()
    assert told.drifts[0].drift == pytest.approx(0.0003)
    assert told.drifts[1].against == "expected"


def test_drift_tells_its_effect_on_the_peak():
    told = judge_calibrations(
        [
            reading("before", 15.0, 15.0),
            reading("before", 5.0, 5.0),
            reading("after", 15.0, 14.82),
            reading("after", 5.0, 4.95),
        ],
        ve_l_min=130,
        vo2_ml_min=4000,
        vco2_ml_min=4500,
        barometric_pressure_mmhg=750,
    )
    assert told.effect_basis == "own_fractions"
    assert [one.code for one in told.findings] == ["analyser_drift"]
    assert "O2 analyser by -0.18 % at 15.00 %" in told.findings[0].message
    # Arithmetic: -(0.0018 x 1.2648 + 0.0005 x 0.2648) x 105.9 L/min STPD of 4000 mL/min.
    added = (0.0018 * 1.2648 + 0.0005 * 0.2648) * 130 * 0.81456 * 1000
    assert told.vo2_effect_percent == pytest.approx(100 * added / (4000 - added), abs=0.05)
    assert told.rer_effect_percent < 0


def test_volume_moves_both_gases_and_not_their_ratio():
    told = judge_calibrations(
        [reading("before", 3000, 3000, "mL", "volume"), reading("after", 3.0, 3.15, "L", "volume")]
    )
    assert (told.vo2_effect_percent, told.vco2_effect_percent) == pytest.approx((5.0, 5.0))
    assert told.rer_effect_percent == pytest.approx(0.0, abs=1e-9)
    assert "volume sensor by +0.150 L" in told.findings[0].message
    assert "typical" in told.findings[0].message


def test_a_calibration_off_before_the_test_is_told():
    told = judge_calibrations([reading("before", 0.2093, 0.212, "fraction")])
    assert [one.code for one in told.findings] == ["calibration_off"]
    assert told.reason == "No reading after the test was recorded."
    assert judge_calibrations([]).reason == "No calibration was recorded."


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (reading("later", 15, 15), "not before or after"),
        (reading("after", "x", 15), "not a number"),
        (reading("after", float("nan"), 15), "finite"),
        (reading("after", 15, 15, "kPa"), "gas is in %"),
        (reading("after", 150, 15), "between 0 and 1"),
        (reading("after", 0, 3, "L", "volume"), "between 0.1 and 20 L"),
        ({"when": "after"}, "not a number"),
    ],
)
def test_a_reading_that_is_not_understood_is_left_out_and_said(one, said):
    told = judge_calibrations([one])
    assert [remark.code for remark in told.findings] == ["calibration_not_understood"]
    assert said in told.findings[0].message
    assert told.checks == ()


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["before", "after"]),
            st.sampled_from([("gas", "%", 100.0), ("gas", "fraction", 1.0), ("volume", "L", 7.0)]),
            st.floats(0, 1),
            st.floats(0, 1),
        ),
        max_size=5,
    )
)
@settings(max_examples=60, deadline=None)
def test_any_readings_give_a_finite_effect_or_none(rows):
    told = judge_calibrations(
        [
            reading(when, top * expected, top * measured, unit, kind)
            for when, (kind, unit, top), expected, measured in rows
        ]
    )
    assert told.reason or told.drifts
    for effect in (told.vo2_effect_percent, told.rer_effect_percent):
        assert told.reason if effect is None else np.isfinite(effect)


@given(
    st.integers(1, 12),
    st.sets(
        st.sampled_from(
            [
                "vo2_ml_min",
                "vco2_ml_min",
                "ve_l_min",
                "feo2_fraction",
                "feco2_fraction",
                "tidal_volume_l",
                "respiratory_rate_per_min",
                "petco2_mmhg",
            ]
        )
    ),
    st.integers(0, 9999),
)
@settings(max_examples=40, deadline=None)
def test_any_small_series_gives_values_or_reasons(n, keys, seed):
    random = np.random.default_rng(seed)
    channels = {
        key: np.where(random.random(n) < 0.2, np.nan, random.uniform(*QUANTITIES[key].hard, n))
        for key in sorted(keys)
    }
    test = build_test(build_series(15.0 * np.arange(1, n + 1), channels), conditions=ROOM)
    test, _ = with_computed_uptake(test)
    marks = Marks(0.0, 15.0 * n, "given")
    found = find_gas_exchange(test, marks, find_peak(test, marks))
    for name, value in found.as_dict().items():
        if value is None and name not in {"reason", "tidal_volume_basis"}:
            assert found.reasons[name]
