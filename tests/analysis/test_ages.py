"""Decimal age."""

from datetime import date

import pytest

from service.analysis.ages import years_between


@pytest.mark.parametrize(
    ("birth", "day", "expected"),
    [
        (date(1990, 5, 14), date(2030, 5, 13), 40 - 1 / 365),
        (date(1990, 5, 14), date(2030, 5, 14), 40.0),
        (date(1990, 5, 14), date(1990, 5, 14), 0.0),
        (date(2000, 2, 29), date(2026, 2, 28), 26 - 1 / 365),
        (date(2000, 2, 29), date(2026, 3, 1), 26.0),
        (date(1980, 1, 1), date(2020, 7, 2), 40.5),
    ],
)
def test_age_is_whole_on_birthdays_and_rises_evenly_between(birth, day, expected):
    assert years_between(birth, day) == pytest.approx(expected, abs=0.003)
    assert (years_between(birth, day) >= 40) == (expected >= 40)
