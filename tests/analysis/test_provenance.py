"""Every number of an analysis can be followed to a source, and everything missing has a reason."""

import copy
from dataclasses import replace
from pathlib import Path

import pytest

from service.analysis.provenance import SOURCES
from service.analysis.references import REFERENCES, cited_keys
from service.analysis.series import ReportedValue, StageNote
from service.analysis.summary import analyse_test
from service.first_look.workflow import OneFile, analyse_file
from service.reference.tables import builtin_norms
from tests.analysis.conftest import empty_series, simulate
from tests.analysis.stage_tests import ride
from tests.analysis.traced import numbers, unexplained, untraced

SEED = Path(__file__).parents[2] / "seed_data"
DEMONSTRATION = [
    ("examples/cycle-step-15s.csv", "cycle"),
    ("examples/treadmill-ramp-breaths.csv", "treadmill"),
    ("examples/faulty-leak.csv", "cycle"),
    ("squad/rs-01-2024-10-07.csv", "treadmill"),
    ("study/st-01-2025-01-13.csv", "cycle"),
    ("centre/fc-04-2024-03-19.xlsx", "cycle"),
]
WATTS = [100.0, 140.0, 180.0, 220.0, 260.0, 300.0]


def noted(number, watts):
    return StageNote(
        stage=number,
        phase="exercise",
        time_s=None,
        work_rate_w=watts,
        heart_rate_bpm=80 + 0.4 * watts,
        rpe=8 + 2 * number,
        rpe_scale="6-20",
        systolic_mmhg=120 + 12.0 * number,
        diastolic_mmhg=80,
        lactate_mmol_l=1.0 + 0.25 * number**2,
    )


def in_full():
    """A stage test with all that may be noted, at a visit with all that may be measured."""
    test = ride(WATTS, noise=0.005)
    person = replace(
        test.person, fev1_l=4.0, vital_capacity_l=5.2, hours_since_meal=10.0, resting_systolic_mmhg=122.0
    )
    calibrations = (
        {"when": "before", "kind": "gas", "expected": 16.0, "measured": 16.0, "unit": "% O2"},
        {"when": "after", "kind": "gas", "expected": 16.0, "measured": 15.9, "unit": "% O2"},
    )
    notes = tuple(noted(number, watts) for number, watts in enumerate(WATTS, start=1))
    conditions = replace(test.conditions, barometric_pressure_mmhg=742.0, temperature_c=21.0)
    return replace(test, person=person, notes=notes, calibrations=calibrations, conditions=conditions)


OTHERS = {
    "breaths": lambda: simulate(row_s=None, noise=0.02),
    "steps of 3 min": lambda: simulate(stage_s=180, ramp_w_per_min=10, exercise_s=1260, noise=0.01),
    "stages with all that may be noted": in_full,
    "no gas": lambda: without(in_full(), "vo2_ml_min", "vco2_ml_min", "ve_l_min"),
    "notes alone": lambda: replace(in_full(), series=empty_series(), purpose="submaximal"),
    "reported": lambda: replace(
        in_full(),
        series=empty_series(),
        notes=(),
        reported=(ReportedValue("vo2_peak_ml_min", 3000.0, None, "a letter"),),
    ),
    "a walk": lambda: replace(
        in_full(),
        mode="walk",
        shape="field",
        series=empty_series(),
        notes=(),
        field_inputs={"method": "rockport_walk", "time_min": 14.0, "heart_rate_bpm": 130.0},
    ),
    "nobody is known": lambda: replace(simulate(), person=type(in_full().person)()),
}


def without(test, *channels):
    left = {key: value for key, value in test.series.channels.items() if key not in channels}
    return replace(test, series=replace(test.series, channels=left))


@pytest.fixture(scope="module")
def document_of():
    made = {}

    def document(name):
        if name not in made:
            made[name] = analyse_test(OTHERS[name](), norms=builtin_norms()).as_dict()
        return made[name]

    return document


@pytest.mark.parametrize(("file", "mode"), DEMONSTRATION)
def test_numbers_of_the_demonstration(file, mode):
    path = SEED / file
    person = OneFile(mode=mode, sex="male", age_years=40.0, body_mass_kg=80.0, height_cm=180.0)
    document, _ = analyse_file(path.read_bytes(), path.name, person)
    assert sum(1 for _ in numbers(document)) > 100
    assert untraced(document) == set()
    assert unexplained(document) == set()


@pytest.mark.parametrize("name", OTHERS)
def test_numbers_of_tests_of_every_kind(name, document_of):
    document = document_of(name)
    assert untraced(document) == set()
    assert unexplained(document) == set()


def test_a_number_without_a_source_would_be_found(document_of):
    for part in ("peak", "maxima", "recovery", "lactate"):
        spoilt = copy.deepcopy(document_of("stages with all that may be noted"))
        assert spoilt[part].pop("sources")
        assert untraced(spoilt)
    spoilt = copy.deepcopy(document_of("breaths"))
    spoilt["peak"]["sources"]["rer"] = "nobody_1900"
    assert untraced(spoilt) == {"peak.rer"}
    spoilt["maxima"]["reasons"] = {}
    assert "maxima.lactate_mmol_l" in unexplained(spoilt)


def test_sources_cite_what_there_is():
    for sources in SOURCES.values():
        for text in sources.values():
            assert text
            assert all(key in REFERENCES for key in cited_keys(text))
