"""The demonstration data as generated, and a plain reader of its files that shares nothing with the service's."""

import csv
import io
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

SEED_DATA = Path(__file__).resolve().parents[2] / "seed_data"
sys.path.insert(0, str(SEED_DATA))

HEADERS = {
    "VO2": "vo2_ml_min",
    "VCO2": "vco2_ml_min",
    "VE": "ve_l_min",
    "VE BTPS": "ve_l_min",
    "HR": "heart_rate_bpm",
    "RR": "respiratory_rate_per_min",
    "VT": "tidal_volume_l",
    "Work rate": "work_rate_w",
    "Load": "work_rate_w",
    "Power": "work_rate_w",
    "Speed": "speed_km_h",
    "Grade": "grade_percent",
    "PETO2": "peto2_mmhg",
    "PETCO2": "petco2_mmhg",
    "SpO2": "spo2_percent",
    "Cadence": "cadence_per_min",
    "Stroke rate": "cadence_per_min",
    "RER": "rer",
    "VO2/kg": "vo2_ml_kg_min",
    "VE/VO2": "ve_vo2",
    "VE/VCO2": "ve_vco2",
}


@dataclass(frozen=True)
class Read:
    """One file: end of each interval, phases where the file has them, channels by key (NaN where empty)."""

    end_s: NDArray[np.float64]
    phase: list[str] | None
    channels: dict[str, NDArray[np.float64]]


@dataclass(frozen=True)
class Test:
    """One test of the record with its file, cut to the test's rows, and its subject and visit."""

    __test__ = False

    ref: str
    entry: dict[str, Any]
    visit: dict[str, Any]
    subject: dict[str, Any]
    file: Read
    exercise: NDArray[np.bool_]

    @property
    def options(self) -> dict[str, Any]:
        return self.entry["import_options"]

    @property
    def breath_by_breath(self) -> bool:
        return bool(np.median(np.diff(self.file.end_s)) < 10.0)

    def during(self, key: str) -> NDArray[np.float64]:
        return self.file.channels[key][self.exercise]

    def half_minutes(self, key: str) -> NDArray[np.float64]:
        """Running means over 30 s of exercise: two rows of 15 s, or the breaths of the last 30 s."""
        end, values = self.file.end_s[self.exercise], self.during(key)
        if not self.breath_by_breath:
            return (values[1:] + values[:-1]) / 2.0
        means = [values[(end > t - 30.0) & (end <= t)].mean() for t in end if t - end[0] >= 30.0]
        return np.array(means)

    @property
    def age_years(self) -> float:
        born = self.subject.get("birth_date") or f"{self.subject['birth_year']}-07-01"
        day = np.datetime64(self.visit["started_at"][:10]) - np.datetime64(born)
        return float(day.astype(int)) / 365.25


def _table(path: Path) -> tuple[list[str], list[str], list[list[str]]]:
    """Headers, units and rows as text."""
    if path.suffix == ".xlsx":
        import openpyxl

        sheet = openpyxl.load_workbook(path)["Intervals"]
        rows = [
            [("" if c is None else str(c)) for c in row]
            for row in sheet.iter_rows(min_row=4, values_only=True)
        ]
        return rows[0], rows[1], rows[2:]
    raw = path.read_bytes()
    text = raw.decode("utf-8-sig" if raw.startswith(b"\xef\xbb\xbf") else "latin-1")
    lines = text.splitlines()
    first = next(i for i, line in enumerate(lines) if line.startswith("Time"))
    mark = ";" if ";" in lines[first] else ","
    rows = list(csv.reader(io.StringIO("\n".join(lines[first:])), delimiter=mark))
    if mark == ";" and "(" not in lines[first]:
        rows = [[cell.replace(",", ".") for cell in row] for row in rows]
        return rows[0], rows[1], rows[2:]
    headers = [cell.rstrip(")]").replace("[", "(").split(" (") for cell in rows[0]]
    return [h[0] for h in headers], [h[1] if len(h) > 1 else "" for h in headers], rows[1:]


def _seconds(text: str, unit: str) -> float:
    if ":" in text:
        answer = 0.0
        for part in text.split(":"):
            answer = 60.0 * answer + float(part)
        return answer
    return float(text) * (60.0 if unit == "min" else 1.0)


def read_file(path: Path, *, start_marks: bool = False) -> Read:
    headers, units, rows = _table(path)
    kept = [row for row in rows if row and row[0][:1].isdigit()]
    end = np.array([_seconds(row[0], units[0]) for row in kept])
    if start_marks:
        end = end + 15.0
    channels = {}
    for column, (header, unit) in enumerate(zip(headers, units, strict=True)):
        if header not in HEADERS:
            continue
        values = np.array([float(row[column]) if row[column] else np.nan for row in kept])
        key = HEADERS[header]
        if key in {"vo2_ml_min", "vco2_ml_min"} and unit == "L/min":
            values = values * 1000.0
        channels[key] = values
    phases = [row[headers.index("Phase")] for row in kept] if "Phase" in headers else None
    return Read(end, phases, channels)


def _test(entry: dict[str, Any], visit: dict[str, Any], subject: dict[str, Any]) -> Test:
    options = entry["import_options"]
    read = read_file(SEED_DATA / entry["file"], start_marks=options.get("time_marks") == "start")
    if read.phase is not None:
        exercise = np.array([phase == "Exercise" for phase in read.phase])
    else:
        # Only rows that lie in exercise as a whole.
        length = 15.0
        exercise = (read.end_s - length >= options["exercise_start_s"]) & (
            read.end_s <= options["exercise_end_s"]
        )
    return Test(entry["ref"], entry, visit, subject, read, exercise)


@pytest.fixture(scope="session")
def built() -> dict[str, bytes]:
    import generate

    return generate.build()


@pytest.fixture(scope="session")
def record() -> dict[str, Any]:
    return json.loads((SEED_DATA / "record.json").read_text("utf-8"))


@pytest.fixture(scope="session")
def tests(record) -> dict[str, Test]:
    return {
        entry["ref"]: _test(entry, visit, subject)
        for subject in record["subjects"]
        for visit in subject["visits"]
        for entry in visit["tests"]
        if entry["file"]
    }


#: The tests with a fault made on purpose, as the codebook lists them.
LEAK = "fc-02-2025-02-11"
HEART_RATE_LOST = {"fc-06-2025-02-25", "st-05-2025-03-27"}
CARBON_DIOXIDE_LOST = {"rs-03-2025-01-13", "st-11-2025-02-06"}


@pytest.fixture(scope="session")
def maximal(tests) -> list[Test]:
    """The tests that ended by the subject's own exhaustion and whose instruments worked."""
    faulty = {LEAK, *HEART_RATE_LOST, *CARBON_DIOXIDE_LOST}
    return [
        test
        for ref, test in tests.items()
        if ref not in faulty
        and test.options["stop_reason"] in {"exhaustion", "legs", "breath"}
        and test.options["purpose"] == "maximal"
        and ref != "st-09-2025-02-03"  # ended by choice before the ceiling; the bout shows it
    ]
