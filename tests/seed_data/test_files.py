"""The committed files are what the generator makes, and hold what the codebook says."""

import sys
from pathlib import Path

import numpy as np
import pytest

from service.quantities import QUANTITIES

SEED_DATA = Path(__file__).resolve().parents[2] / "seed_data"
DELIBERATE = {
    ("rs-03-2025-01-13", "vco2_ml_min"),
    ("st-11-2025-02-06", "vco2_ml_min"),
    ("fc-06-2025-02-25", "heart_rate_bpm"),
}


def test_committed_files_are_as_generated(built):
    import generate

    assert generate.differences(built) == []


def test_the_check_notices_a_changed_byte(built):
    import generate

    path = "examples/faulty-leak.csv"
    assert generate.differences({**built, path: built[path] + b" "}) == [f"{path}: differs"]


def test_one_subject_alone_comes_out_the_same(built):
    import generate

    alone = generate.build(["RS-04", "ST-02"])
    assert len(alone) == 8
    assert all(built[path] == content for path, content in alone.items())


def test_command_says_what_it_found(monkeypatch, capsys):
    import generate

    monkeypatch.setattr(sys, "argv", ["generate.py", "--check"])
    monkeypatch.setattr(generate, "build", lambda: {"record.json": b"other"})
    assert generate.main() == 1
    assert "record.json: differs" in capsys.readouterr().out


def test_the_whole_stays_small(built):
    assert sum(map(len, built.values())) < 6_000_000


def test_every_folder_has_its_kinds_of_file(built):
    kinds = {path.split("/")[0] + path[-5:].partition(".")[2] for path in built}
    assert {"centrecsv", "centrexlsx", "squadcsv", "studycsv", "examplescsv"} <= kinds


def test_every_file_of_the_record_is_used_and_exists(record, built):
    named = {t["file"] for s in record["subjects"] for v in s["visits"] for t in v["tests"] if t["file"]}
    assert named == {path for path in built if path.split("/")[0] in {"centre", "squad", "study"}}


def test_values_lie_inside_the_hard_limits_but_for_the_faults(tests):
    beyond = {
        (ref, key)
        for ref, test in tests.items()
        for key, values in test.file.channels.items()
        if key in {"vo2_ml_min", "vco2_ml_min", "ve_l_min", "heart_rate_bpm", "respiratory_rate_per_min"}
        and not all(QUANTITIES[key].possible(v) for v in values if np.isfinite(v))
    }
    assert beyond == {("fc-06-2025-02-25", "heart_rate_bpm")}


def test_means_lie_inside_the_soft_limits_but_for_the_faults(tests):
    ratios = {
        "rer",
        "ve_vo2",
        "ve_vco2",
        "vo2_ml_kg_min",
    }  # derived; rest, onset and recovery lie further out
    beyond = {
        (ref, key)
        for ref, test in tests.items()
        if not test.breath_by_breath
        for key, values in test.file.channels.items()
        if key not in ratios
        and not all(QUANTITIES[key].plausible(v) for v in values if np.isfinite(v) and v > 0.0)
        if key != "cadence_per_min"
    }
    assert beyond <= DELIBERATE


def test_times_rise_and_cover_the_test(tests):
    for test in tests.values():
        assert (np.diff(test.file.end_s) > 0.0).all(), test.ref
        assert test.exercise.sum() >= 5, test.ref


def test_printed_ratios_follow_from_the_columns(tests):
    for test in tests.values():
        c = test.file.channels
        if "rer" in c:
            # One rounding of the ratio and one of each volume (mL, or mL in a litre column).
            assert np.abs(c["rer"] - c["vco2_ml_min"] / c["vo2_ml_min"]).max() < 0.012, test.ref
        if "vo2_ml_kg_min" in c:
            per_mass = c["vo2_ml_min"] / test.visit["body_mass_kg"]
            assert np.abs(c["vo2_ml_kg_min"] - per_mass).max() < 0.06, test.ref
        if "tidal_volume_l" in c:
            product = c["tidal_volume_l"] * c["respiratory_rate_per_min"]
            assert np.abs(product / c["ve_l_min"] - 1.0).max() < 0.06, test.ref


@pytest.mark.parametrize(
    ("path", "count"),
    [("cycle-step-15s.csv", 60), ("treadmill-ramp-breaths.csv", 300), ("faulty-leak.csv", 60)],
)
def test_examples_carry_their_units_in_the_header(path, count):
    lines = (SEED_DATA / "examples" / path).read_text("ascii").splitlines()
    assert lines[0].startswith("Time (s),Phase,")
    assert {"VO2 (mL/min)", "VCO2 (mL/min)", "VE (L/min)", "HR (beats/min)"} <= set(lines[0].split(","))
    assert len(lines) > count
