"""Every file reads with the options of its record, and the analysis finds the faults made on purpose, and no others."""

from pathlib import Path

import numpy as np
import pytest

from service.analysis.series import PHASES, Person, StageNote, TestInput
from service.analysis.summary import analyse_test
from service.intake.options import ReadOptions
from service.intake.reading import read_test_file

SEED_DATA = Path(__file__).resolve().parents[2] / "seed_data"
NOTE_FIELDS = (
    "stage",
    "phase",
    "time_s",
    "work_rate_w",
    "speed_km_h",
    "grade_percent",
    "rpe",
    "rpe_scale",
    "lactate_mmol_l",
)

#: What is wrong on purpose, and the finding that says so.
FAULTS = {
    "fc-02-2025-02-11": {"leak_signature"},
    "fc-06-2025-02-25": {"heart_rate_lost"},
    "rs-03-2025-01-13": {"ratio_channel_lost"},
    "st-05-2025-03-27": {"heart_rate_lost"},
    "st-11-2025-02-06": {"ratio_channel_lost"},
}


def read(test):
    options = test.options
    return read_test_file(
        (SEED_DATA / test.entry["file"]).read_bytes(),
        test.entry["file"],
        ReadOptions(
            sheet=options.get("sheet"),
            time_marks=options.get("time_marks"),
            rows=tuple(options["rows"]) if "rows" in options else None,
            body_mass_kg=test.visit["body_mass_kg"],
        ),
    )


def analyse(test, series):
    options = test.options
    notes = [
        StageNote(**{name: note.get(name) for name in NOTE_FIELDS})
        for note in test.entry.get("stage_notes", [])
    ]
    age = test.age_years
    return analyse_test(
        TestInput(
            series=series,
            mode=options["mode"],
            person=Person(
                sex=test.subject["sex"],
                age_years=age,
                age_low_years=age,
                age_high_years=age,
                age_basis="birth_date",
                body_mass_kg=test.visit["body_mass_kg"],
                limits_heart_rate=bool(test.visit.get("medications")),
            ),
            purpose=options["purpose"],
            shape=options["shape"],
            notes=tuple(notes),
            exercise_start_s=options.get("exercise_start_s"),
            exercise_end_s=options.get("exercise_end_s"),
            stop_reason=options["stop_reason"],
        )
    )


@pytest.fixture(scope="module")
def files(tests):
    return {ref: read(test) for ref, test in tests.items()}


@pytest.fixture(scope="module")
def analyses(tests, files):
    return {ref: analyse(test, files[ref].series) for ref, test in tests.items()}


def test_the_service_reads_what_a_plain_reader_reads(tests, files):
    for ref, test in tests.items():
        series, plain = files[ref].series, test.file
        first, last = test.options.get("rows", (0.0, np.inf))
        # A row belongs to the part in which it lies as a whole; breaths are never cut here.
        kept = (plain.end_s - (15.0 if "rows" in test.options else 0.0) >= first) & (plain.end_s <= last)
        assert series.end_s == pytest.approx(plain.end_s[kept], abs=0.01), ref
        for key in ("vo2_ml_min", "vco2_ml_min", "ve_l_min"):
            assert series.channels[key] == pytest.approx(plain.channels[key][kept], rel=1e-9), (ref, key)


def test_no_column_is_left_out(files):
    unread = {
        (ref, column.header)
        for ref, file in files.items()
        for column in file.columns
        if column.quantity is None
    }
    assert unread == set()


def test_phases_are_read(tests, files):
    for ref, test in tests.items():
        if test.file.phase is not None:
            exercise = files[ref].series.phase == PHASES.index("exercise")
            assert (exercise == test.exercise).all(), ref


def test_faults_are_found_and_good_tests_are_left_alone(analyses):
    serious = {
        ref: {f.code for f in analysis.findings if f.severity != "info"} for ref, analysis in analyses.items()
    }
    for ref, codes in FAULTS.items():
        assert codes <= serious[ref], ref
    assert {ref for ref, codes in serious.items() if codes} == set(FAULTS)


def test_efforts_are_of_many_kinds(analyses):
    verdicts = [analysis.effort.verdict for analysis in analyses.values()]
    assert {"plateau", "secondary_criteria", "submaximal", "undetermined"} <= set(verdicts)
    # "seen in 32-60 % of maximal tests" by published rules; on 15-s means and short ramps fewer.
    seen = sum(analysis.plateau.verdict == "seen" for analysis in analyses.values())
    assert 0.08 < seen / len(verdicts) < 0.60


def test_tests_stopped_early_are_submaximal(analyses):
    for ref in ("fc-03-2024-10-22", "fc-04-2025-03-25", "st-08-2025-02-03"):
        assert analyses[ref].effort.verdict == "submaximal"


@pytest.mark.parametrize(
    ("path", "mode", "sex", "age", "mass_kg", "code"),
    [
        ("cycle-step-15s.csv", "cycle", "male", 34.0, 80.0, None),
        ("treadmill-ramp-breaths.csv", "treadmill", "female", 29.0, 61.0, None),
        ("faulty-leak.csv", "cycle", "male", 47.0, 85.0, "leak_signature"),
    ],
)
def test_examples_for_a_first_try(path, mode, sex, age, mass_kg, code):
    file = read_test_file(
        (SEED_DATA / "examples" / path).read_bytes(), path, ReadOptions(body_mass_kg=mass_kg)
    )
    person = Person(sex, age, age, age, "given", mass_kg)
    analysis = analyse_test(TestInput(series=file.series, mode=mode, person=person))
    serious = {f.code for f in (*file.findings, *analysis.findings) if f.severity != "info"}
    if code is None:
        assert serious == set()
        assert analysis.effort.verdict == "plateau"
    else:
        assert code in serious
