"""Every number in the analysis of a real test names its source, and what is missing its reason.

Sources of the tests: Nolte, Rein, Quittmann, Sports Med 2023, doi 10.1007/s40279-023-01903-3 (data CC-BY 4.0), treadmill ramps,
breath by breath; Sylta et al., Med Sci Sports Exerc 2016;48:2165-2174, doi 10.1249/MSS.0000000000001007 (data CC0), stages on
the cycle with lactate, one value a stage, here filled with it in rows of 15 s. Neither is kept here.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from service.analysis.summary import analyse_test
from service.first_look.workflow import OneFile, analyse_file
from service.reference.tables import builtin_norms
from tests.analysis.stage_tests import PERSON, stage_test
from tests.analysis.traced import numbers, unexplained, untraced
from tests.outside.test_lactate_cyclists import stages_of


@pytest.mark.parametrize("number", [1, 15, 28])
def test_of_a_running_ramp(number, ramp_file):
    # Test 28 has lost its CO2 channel: much is missing, and each of it has a reason.
    person = OneFile(mode="treadmill", sex="male", age_years=28.0, body_mass_kg=70.0, height_cm=178.0)
    document, _ = analyse_file(ramp_file(number), "ramp.csv", person)
    assert sum(1 for _ in numbers(document)) > 100
    assert untraced(document) == set()
    assert unexplained(document) == set()


def test_of_stages_with_lactate(open_data):
    table = pd.read_csv(open_data("cycling_training") / "cyclingstudy.csv")
    rows = [row for _, row in table.iterrows() if len(stages_of(row)) >= 5][:6]
    assert len(rows) == 6
    for row in rows:
        stages = stages_of(row)
        lactates = [None if np.isnan(one) else float(one) for _, one in stages]
        test = stage_test([one for one, _ in stages], lactates=lactates)
        person = replace(PERSON, age_years=float(row["age"]), body_mass_kg=float(row["weight.T1"]))
        document = analyse_test(replace(test, person=person), norms=builtin_norms()).as_dict()
        assert {one["basis"] for one in document["training_ranges"]} == {"thresholds"}
        assert untraced(document) == set()
        assert unexplained(document) == set()
