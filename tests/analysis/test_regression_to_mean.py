import math

import pytest

from service.analysis.change import TypicalErrorUsed
from service.analysis.regression_to_mean import EXTREME_Z, Spread, regression_to_mean
from service.quantities import QUANTITIES

PER_MASS = QUANTITIES["vo2_peak_ml_kg_min"]
TWO = TypicalErrorUsed(2.0, "linear", "mL/kg/min", None, "stated in the test")
BAND = Spread(40.0, 8.0, "a table, male, 40-49 years")


def test_the_shift_by_hand():
    # Arithmetic: error variance 4 of 64, so 1/16 of the distance of 16 comes back.
    found = regression_to_mean(56.0, BAND, TWO)
    assert (found.z, found.reliability, found.expected_shift) == pytest.approx((2.0, 15 / 16, -1.0))
    assert found.extreme
    sentence = found.sentence(PER_MASS)
    for words in ("2.0 SD above the mean of a table, male, 40-49 years", "-1.0 mL/kg/min", "2.00", "8.00"):
        assert words in sentence


@pytest.mark.parametrize(
    ("z", "extreme"), [(EXTREME_Z - 0.01, False), (EXTREME_Z, True), (-EXTREME_Z, True), (0.0, False)]
)
def test_extreme_is_beyond_the_stated_distance(z, extreme):
    found = regression_to_mean(40.0 + 8.0 * z, BAND, TWO)
    assert found.extreme is extreme
    assert math.copysign(1, found.expected_shift) == -math.copysign(1, z) or z == 0


def test_an_error_in_per_cent_is_taken_at_the_mean_of_the_band():
    found = regression_to_mean(24.0, BAND, TypicalErrorUsed(5.0, "log", "%", None, "x"))
    # Arithmetic: 40 sqrt(exp(ln(1.05)^2) - 1).
    assert found.typical_error == pytest.approx(1.9528, abs=1e-4)
    assert "below the mean" in found.sentence(PER_MASS)
    assert found.expected_shift > 0


def test_a_band_no_wider_than_the_error_says_nothing():
    assert regression_to_mean(56.0, Spread(40.0, 2.0, "x"), TWO) is None
