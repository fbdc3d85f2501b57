"""Published criteria that differ by sex and age can be told as a rule set of a site's own."""

import pytest

from service.analysis.effort import judge_effort
from service.analysis.peaks import Maxima, Peak
from service.analysis.plateau import Plateau
from service.analysis.rule_sets import RULE_SETS, checked_rule_set
from service.analysis.series import Person, TestInput
from tests.analysis.test_effort import EMPTY

# Edvardsen 2014 (PLoS One 9:e85276), end criteria proposed for the treadmill. Value from memory: the abstract has the sample
# (861 people of 20 to 85 years), that lactate was 18 % lower in women, and that 8.0 mmol/L shut out 63 % of those of 50 to 85
# years; the table of cut-offs itself was not read.
RATIO = ((20, 49, 1.10), (50, 64, 1.05), (65, 85, 1.00))
LACTATE = {
    "male": ((20, 49, 9.0), (50, 64, 6.0), (65, 85, 4.0)),
    "female": ((20, 49, 7.0), (50, 64, 5.0), (65, 85, 3.5)),
}


def cut(low, high, threshold, sex=None):
    return {"threshold": threshold, "sex": sex, "age_low_years": low, "age_high_years": high}


@pytest.fixture(scope="module")
def by_sex_and_age():
    blank = {
        "counts": True,
        "source": "edvardsen_2014 (value from memory)",
        "modes": ["treadmill"],
        "compared_as": "value",
        "method": None,
    }
    return checked_rule_set(
        {
            "id": "by_sex_and_age",
            "name": "By sex and age, treadmill",
            "source": "edvardsen_2014 (value from memory)",
            "population": "Treadmill tests of adults of 20 to 85 years",
            "criteria_needed": 2,
            "criteria": [
                {
                    **blank,
                    "criterion": "respiratory_exchange_ratio",
                    "thresholds": [cut(*band) for band in RATIO],
                },
                {
                    **blank,
                    "criterion": "blood_lactate",
                    "thresholds": [cut(*band, sex) for sex, bands in LACTATE.items() for band in bands],
                },
            ],
        }
    )


def judged(rule_set, sex, age, rer, lactate, mode="treadmill"):
    person = Person(sex=sex, age_years=age, age_low_years=age, age_high_years=age)
    test = TestInput(series=EMPTY, mode=mode, person=person, stop_reason="exhaustion")
    maxima = Maxima(rer=rer, lactate_mmol_l=lactate)
    return judge_effort(test, None, Peak(), maxima, Plateau("not_seen", ()), rule_set=rule_set)


@pytest.mark.parametrize("sex", ["female", "male"])
@pytest.mark.parametrize(("place", "age"), [(0, 20.0), (0, 49.9), (1, 50.0), (1, 64.9), (2, 65.0), (2, 85.9)])
def test_each_cut_off_is_that_of_sex_and_age(by_sex_and_age, sex, place, age):
    ratio, lactate = RATIO[place][2], LACTATE[sex][place][2]
    effort = judged(by_sex_and_age, sex, age, ratio, lactate)
    assert [one.threshold for one in effort.criteria] == [ratio, lactate]
    assert effort.verdict == "secondary_criteria"
    assert judged(by_sex_and_age, sex, age, ratio - 0.01, lactate).verdict == "undetermined"
    assert judged(by_sex_and_age, sex, age, ratio, lactate - 0.1).verdict == "undetermined"


def test_old_people_whom_one_cut_off_for_all_shuts_out(by_sex_and_age):
    """The abstract's point: 8.0 mmol/L shuts out most of the old; cut-offs by age and sex do not."""
    assert judged(RULE_SETS["default"], "female", 70.0, 1.04, 4.2).verdict == "undetermined"
    assert judged(by_sex_and_age, "female", 70.0, 1.04, 4.2).verdict == "secondary_criteria"


@pytest.mark.parametrize(("age", "mode"), [(19.9, "treadmill"), (86.0, "treadmill"), (40.0, "cycle")])
def test_outside_whom_it_covers_it_says_nothing(by_sex_and_age, age, mode):
    effort = judged(by_sex_and_age, "male", age, 1.3, 15.0, mode)
    assert [one.met for one in effort.criteria] == [None, None]
    assert effort.verdict == "undetermined"
    assert all("These cut-offs are for" in one.reason for one in effort.criteria)
