"""Whatever was recorded, every part of an analysis answers: what it can, and a reason for the rest; never an error."""

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from service.analysis.series import Person, StageNote, TestInput
from service.analysis.summary import analyse_test
from service.reference.tables import builtin_norms
from tests.analysis.conftest import change_series, empty_series, simulate
from tests.analysis.stage_tests import ride
from tests.analysis.traced import unexplained, untraced

CHANNELS = ("vo2_ml_min", "vco2_ml_min", "ve_l_min", "heart_rate_bpm", "work_rate_w")
NORMS = builtin_norms()


def rows(test, keep):
    """The test with these rows alone."""
    series = test.series
    arrays = ("end_s", "duration_s", "phase", "stage", "excluded", "kept", "aberrant")
    cut = {name: getattr(series, name)[keep] for name in arrays}
    channels = {key: values[keep] for key, values in series.channels.items()}
    return replace(test, series=replace(series, **cut, channels=channels))


def constant(test, *keys):
    """These channels hold one value."""
    held = {key: np.full(len(test.series), test.series.channels[key][30]) for key in keys}
    return change_series(test, channels=held)


def without(test, *keys):
    left = {key: values for key, values in test.series.channels.items() if key not in keys}
    return replace(test, series=replace(test.series, channels=left))


def missing(test, *keys):
    """These channels are there and empty."""
    gone = {key: np.full(len(test.series), np.nan) for key in keys}
    return change_series(test, channels=gone)


def every(test, **channels):
    """Channels with one value in every row."""
    return change_series(
        test, channels={key: np.full(len(test.series), value) for key, value in channels.items()}
    )


def excluded(test, which):
    taken = np.zeros(len(test.series), dtype=bool)
    taken[which] = True
    return replace(test, series=replace(test.series, excluded=taken))


def shuffled_load(test):
    """A work rate that goes up and down without sense."""
    random = np.random.default_rng(3)
    return change_series(test, channels={"work_rate_w": random.uniform(0, 300, len(test.series))})


def falling(test):
    return change_series(test, channels={"work_rate_w": test.series.channels["work_rate_w"][::-1].copy()})


RIDE = [100.0, 140.0, 180.0, 220.0, 260.0]
LACTATES = [1.0, 1.2, 1.6, 2.6, 5.0]
CASES = {
    "no rows": lambda: replace(simulate(), series=empty_series()),
    **{f"{n} rows": lambda n=n: rows(simulate(), slice(30, 30 + n)) for n in (1, 2, 3, 5, 8, 12)},
    **{f"{n} breaths": lambda n=n: rows(simulate(row_s=None), slice(60, 60 + n)) for n in (1, 3, 9, 25)},
    "rest alone": lambda: rows(simulate(), slice(0, 8)),
    "recovery alone": lambda: rows(simulate(), slice(-8, None)),
    **{f"constant {key}": lambda key=key: constant(simulate(), key) for key in CHANNELS},
    "everything constant": lambda: constant(simulate(), *CHANNELS),
    "everything constant in breaths": lambda: constant(simulate(row_s=None), *CHANNELS),
    **{f"no {key}": lambda key=key: without(simulate(), key) for key in CHANNELS},
    **{f"no {key} in breaths": lambda key=key: without(simulate(row_s=None), key) for key in CHANNELS},
    "no channel": lambda: without(simulate(), *simulate().series.channels),
    "empty channels": lambda: missing(simulate(), *CHANNELS),
    "empty gas": lambda: missing(simulate(), "vo2_ml_min", "vco2_ml_min"),
    "one stage": lambda: ride([150.0], lactates=[2.0]),
    "two stages at one load": lambda: ride([150.0, 150.0], lactates=[2.0, 2.5]),
    "stages of no load": lambda: ride([0.0, 0.0, 0.0], lactates=[1.0, 1.0, 1.0]),
    "stages that fall": lambda: ride(RIDE[::-1], lactates=LACTATES),
    "stages of 10 s": lambda: ride(RIDE, stage_s=10.0, row_s=5.0, lactates=LACTATES),
    "one row a stage": lambda: ride(RIDE, stage_s=60.0, row_s=60.0, lactates=LACTATES),
    "lactate of one stage": lambda: ride(RIDE, lactates=LACTATES[:1]),
    "constant lactate": lambda: ride(RIDE, lactates=[2.0] * 5),
    "work rate that never rises": lambda: constant(ride(RIDE, lactates=LACTATES), "work_rate_w"),
    "work rate without sense": lambda: shuffled_load(simulate()),
    "work rate that falls": lambda: falling(simulate()),
    "zeros": lambda: every(simulate(), vo2_ml_min=0.0, vco2_ml_min=0.0, ve_l_min=0.0, heart_rate_bpm=0.0),
    "impossible values": lambda: every(simulate(), vo2_ml_min=9e5, vco2_ml_min=9e5, ve_l_min=9e4),
    "all rows excluded": lambda: excluded(simulate(), slice(None)),
    "the end excluded": lambda: excluded(simulate(), slice(60, None)),
    "every other row excluded": lambda: excluded(simulate(), slice(None, None, 2)),
    "marks around one row": lambda: replace(simulate(), exercise_start_s=400.0, exercise_end_s=410.0),
    "marks beyond the rows": lambda: replace(simulate(), exercise_start_s=90_000.0, exercise_end_s=91_000.0),
    "notes of nothing": lambda: replace(simulate(), notes=(StageNote(None, None, None),) * 3),
    "notes beyond the test": lambda: replace(
        simulate(), notes=(StageNote(99, "exercise", 1e6, lactate_mmol_l=9.0, systolic_mmhg=300.0, rpe=20.0),)
    ),
    "person unknown": lambda: replace(simulate(), person=Person()),
    "a child": lambda: replace(
        simulate(), person=Person("female", 7.0, 7.0, 7.0, "given", body_mass_kg=22.0, height_cm=120.0)
    ),
    "a hundred years": lambda: replace(
        simulate(), person=Person("male", 100.0, 100.0, 100.0, "given", body_mass_kg=60.0)
    ),
    "resting heart rate above the highest": lambda: replace(
        simulate(), person=Person(resting_heart_rate_bpm=199.0, age_years=40.0)
    ),
    "a field test without numbers": lambda: TestInput(empty_series(), "run", Person(), shape="field"),
    "calibrations of nothing": lambda: replace(
        simulate(),
        calibrations=(
            {"when": "after", "kind": "gas", "expected": 0.0, "measured": 0.0, "unit": "furlong"},
            {"when": "before", "kind": "volume", "expected": 0.0, "measured": 3.0, "unit": "L"},
        ),
    ),
}
MODES = ("treadmill", "cycle", "arm", "row", "ski", "step", "walk", "run")
SHAPES = ("step", "ramp", "constant", "field", "other", None)
PARTS = (
    "peak", "maxima", "peak_by_window", "plateau", "effort", "gas_exchange", "thresholds", "lactate", "slopes",
    "steady_state", "energy", "blood_pressure", "reserves", "training_ranges", "calibrations", "recovery", "predicted",
    "ranks", "breath_care",
)  # fmt: skip


@cache
def document_of(name):
    return analyse_test(CASES[name](), norms=NORMS).as_dict()


def checked(document):
    """A document that can be sent, with every part, a source for each number and a reason for each null."""
    json.dumps(document, allow_nan=False)
    assert set(PARTS) <= set(document)
    assert untraced(document) == set()
    assert unexplained(document) == set()
    for part in PARTS:
        if document[part] in (None, [], {}):
            assert document["reasons"].get(part), part
    return document


@pytest.mark.parametrize("name", CASES)
def test_every_part_answers(name):
    checked(document_of(name))


@pytest.mark.parametrize("mode", MODES)
def test_in_every_mode_and_shape(mode):
    whole = simulate()
    for shape in SHAPES:
        checked(analyse_test(replace(whole, mode=mode, shape=shape), norms=NORMS).as_dict())


@pytest.mark.parametrize(
    ("name", "part", "words"),
    [
        ("no rows", "plateau", "no intervals"),
        ("3 rows", "thresholds", "at least"),
        ("constant vo2_ml_min", "thresholds", "does not change"),
        ("constant work_rate_w", "plateau", "rise"),
        ("no vco2_ml_min", "thresholds", "no VCO2"),
        ("no work_rate_w", "slopes", "no work rate"),
        ("one stage", "lactate", "one stage only"),
        ("two stages at one load", "lactate", "never rises"),
        ("work rate that never rises", "lactate", "never rises"),
        ("constant lactate", "lactate", "never rises"),
        ("all rows excluded", "peak", ""),
        ("person unknown", "reserves", "age is not known"),
        ("a child", "ranks", "covers"),
    ],
)
def test_the_reason_is_one_a_tester_understands(name, part, words):
    told = json.dumps(document_of(name)[part])
    assert words in told
    assert "reason" in told
