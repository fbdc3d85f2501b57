"""Records for exports."""

from datetime import date

import pytest

from service.db.transactions import Store
from tests.exports.full_record import Builder


@pytest.fixture
def builder(store: Store) -> Builder:
    return Builder(store)


@pytest.fixture
def full_cohort(builder: Builder) -> int:
    """Two people with everything, seen twice."""
    people = [
        {"sex": "female", "birth_date": date(1990, 2, 3), "age_years": 41.2, "days": [0, 40]},
        {"sex": "male", "birth_date": date(1960, 12, 31), "days": [0, 400]},
    ]
    return builder.cohort(people, "=a word")[0]
