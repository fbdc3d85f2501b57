"""Templates are read without a question: every column, filled in with invented values, in both forms and as a workbook."""

import csv
import io

import pytest
from openpyxl import Workbook

from service.errors import RefusedFile
from service.intake.manifest import read_manifest
from service.intake.measures import MEASURES
from service.intake.reading import read_test_file
from service.intake.templates import TEMPLATES
from service.intake.terms import read_header

OF_TESTS = ("intervals", "stages")
#: Findings that say nothing was assumed or left out: lengths follow from the times, and a comment is kept.
HARMLESS = {"default_duration", "comment_kept"}


def filled_in(name, mark):
    """Every column with a value in the middle of what is usual, the way a tester would type it."""
    text = TEMPLATES[name].csv_text(mark)
    delimiter = ";" if mark == "," else ","
    lines = list(csv.reader(io.StringIO(text), delimiter=delimiter))
    rows = [
        [_typed(column.name, column.unit, at).replace(".", mark) for column in TEMPLATES[name].columns]
        for at in range(1, 9)
    ]
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=delimiter).writerows([*lines, *rows])
    return buffer.getvalue()


def _typed(header, unit, at):
    measure = read_header(header).measure
    if measure.name == "end":
        return str(15 * at if unit == "s" else 3 * at)
    if measure.name == "phase":
        return "exercise"
    if measure.name == "stage":
        return str(at)
    if measure.name == "comment":
        return "steady"
    if measure.name == "rpe":
        return str(8 + at)
    usual = MEASURES[measure.name].units[0]
    return f"{usual.low + (usual.high - usual.low) * (0.3 + 0.02 * at):.1f}"


@pytest.mark.parametrize("mark", [".", ","])
@pytest.mark.parametrize("name", OF_TESTS)
def test_every_column_is_read_as_what_it_says(name, mark):
    read = read_test_file(filled_in(name, mark).encode(), f"{name}.csv")
    columns = TEMPLATES[name].columns
    assert [column.header for column in read.columns] == [column.name for column in columns]
    assert None not in [column.quantity for column in read.columns]
    assert {finding.code for finding in read.findings} <= HARMLESS
    assert len(read.series) == 8
    assert read.decimal_mark == mark


@pytest.mark.parametrize("mark", [".", ","])
@pytest.mark.parametrize("name", OF_TESTS)
def test_the_example_is_read_with_nothing_but_its_empty_columns_to_say(name, mark):
    read = read_test_file(TEMPLATES[name].csv_text(mark, filled=True).encode(), f"{name}.csv")
    assert {finding.code for finding in read.findings} <= HARMLESS | {"column_not_used"}
    assert len(read.series) == len(TEMPLATES[name].example())


def test_the_example_says_what_its_cells_say():
    read = read_test_file(TEMPLATES["stages"].csv_text(",", filled=True).encode(), "stages.csv")
    assert read.series.end_s.tolist() == [180, 360, 540, 720, 900, 1080]
    assert [note.lactate_mmol_l for note in read.stage_notes] == [1.1, 1.2, 1.5, 2.3, 4.2, 7.9]
    assert {note.rpe_scale for note in read.stage_notes} == {"6-20"}
    assert read.stage_notes[-1].note == "legs heavy"


@pytest.mark.parametrize("name", OF_TESTS)
def test_saved_as_a_workbook_it_is_read_too(name):
    book = Workbook()
    for line in csv.reader(io.StringIO(TEMPLATES[name].csv_text(filled=True))):
        book.active.append([float(cell) if cell.replace(".", "", 1).isdigit() else cell for cell in line])
    buffer = io.BytesIO()
    book.save(buffer)
    read = read_test_file(buffer.getvalue(), f"{name}.xlsx")
    assert {finding.code for finding in read.findings} <= HARMLESS | {"column_not_used"}


@pytest.mark.parametrize("name", OF_TESTS)
def test_an_empty_one_says_that_it_is_empty(name):
    with pytest.raises(RefusedFile, match="No row below the header"):
        read_test_file(TEMPLATES[name].csv_text().encode(), f"{name}.csv")


@pytest.mark.parametrize("mark", [".", ","])
def test_the_list_of_old_tests_is_a_manifest(mark):
    rows = read_manifest(TEMPLATES["manifest"].csv_text(mark, filled=True).encode(), "manifest.csv")
    assert [row.faults for row in rows] == [(), ()]
    assert [row.file for row in rows] == ["ex-01-2024-10-15.csv", None]
    assert [row.visit["body_mass_kg"] for row in rows] == [70.4, 92.5]
    assert rows[1].results == {"vo2_peak_ml_min": 2900, "heart_rate_max_bpm": 178}
    with pytest.raises(RefusedFile, match="lists no test"):
        read_manifest(TEMPLATES["manifest"].csv_text(mark).encode(), "manifest.csv")


def test_what_is_needed_is_said():
    assert [one.name for one in TEMPLATES["manifest"].columns if one.needed] == ["subject", "date", "mode"]
    assert all(one.meaning for template in TEMPLATES.values() for one in template.columns)
