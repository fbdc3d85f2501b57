"""Heart rate formulas: the values the printed formulas give, and what is refused."""

import pytest

from service.errors import InvalidContent
from service.methods.catalogue import run


# Arithmetic from the printed formulas.
@pytest.mark.parametrize(
    ("method", "inputs", "expected"),
    [
        ("heart_rate_max_fox", {"age_years": 40}, 180.0),
        ("heart_rate_max_tanaka", {"age_years": 40}, 180.0),
        ("heart_rate_max_tanaka", {"age_years": 25}, 190.5),
        ("heart_rate_max_tanaka_trained", {"age_years": 40}, 181.0),
        ("heart_rate_max_gellish", {"age_years": 40}, 179.0),
        ("heart_rate_max_gulati", {"age_years": 40}, 170.8),
        ("heart_rate_max_nes", {"age_years": 40}, 185.4),
        ("heart_rate_max_fairbarn", {"age_years": 40, "sex": "male"}, 175.8),
        ("heart_rate_max_fairbarn", {"age_years": 40, "sex": "female"}, 174.6),
        ("heart_rate_max_sydo", {"age_years": 40, "sex": "male"}, 182.0),
        ("heart_rate_max_sydo", {"age_years": 40, "sex": "female"}, 178.4),
        ("heart_rate_max_zhu", {"age_years": 40}, 173.0),
        ("heart_rate_max_londeree", {"age_years": 40}, 178.0),
        ("heart_rate_max_jones", {"age_years": 40}, 173.2),
        ("heart_rate_max_hansen", {"age_years": 40}, 184.0),
        (
            "karvonen_heart_rate",
            {"heart_rate_max_bpm": 180, "resting_heart_rate_bpm": 60, "intensity_percent": 60},
            132.0,
        ),
    ],
)
def test_the_printed_formula(method, inputs, expected):
    answer = run(method, inputs)
    assert answer.value == pytest.approx(expected, abs=1e-9)
    assert answer.findings == ()


def test_a_resting_rate_above_the_maximum_is_refused():
    with pytest.raises(InvalidContent) as refusal:
        run(
            "karvonen_heart_rate",
            {"heart_rate_max_bpm": 120, "resting_heart_rate_bpm": 130, "intensity_percent": 60},
            where="body",
        )
    assert [place.location for place in refusal.value.errors] == ["body.resting_heart_rate_bpm"]
