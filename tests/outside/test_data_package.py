"""Exports, judged by others: frictionless validates the package (Data Package 2.0), ucumvert every unit, pandas reads both forms.

Frictionless is the reference implementation of the people who wrote the standard.
"""

import csv
import json
import shutil
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from ucumvert import get_ucum_parser

from service.db.transactions import Store
from service.exports.workflow import Question, export_folder
from service.outlets.tables import PROFILES, TABLES
from service.settings import Settings
from tests.exports.full_record import Builder


@pytest.fixture(scope="module")
def packages(tmp_path_factory, migrated_file) -> dict[str, Path]:
    """Exports of an invented record in which every column has something, in every profile, and one as Parquet."""
    folder = tmp_path_factory.mktemp("exports")
    shutil.copy(migrated_file, folder / "record.db")
    store = Store(Settings(database_url=f"sqlite:///{folder / 'record.db'}"))
    people = [
        {"sex": "female", "birth_date": date(1990, 2, 3), "days": [0, 40, 3000]},
        {"sex": "male", "birth_date": date(1939, 12, 31), "days": [0, 400]},
        {"sex": None, "age_years": 12.5, "days": [10]},
        {"sex": "male", "days": []},
    ]
    cohort, _ = Builder(store).cohort(people, '=a, "word"\r\nof Ünal 王')
    answer = {}
    for profile in PROFILES:
        answer[profile] = folder / profile
        export_folder(store, "tester", Question(cohort, profile), folder / profile)
    answer["parquet"] = folder / "parquet"
    export_folder(store, "tester", Question(cohort, "coded", "parquet"), folder / "parquet")
    store.close()
    return answer


def validated(folder: Path) -> Any:
    from frictionless import validate

    return validate(str(folder / "datapackage.json"))


@pytest.mark.filterwarnings("ignore")  # of the tool about its own dependencies
@pytest.mark.parametrize("profile", PROFILES)
def test_frictionless_accepts_it(packages, profile):
    report = validated(packages[profile])
    assert report.valid, [
        (task.name, [error.message for error in task.errors]) for task in report.tasks if not task.valid
    ]
    assert len(report.tasks) == len(
        json.loads((packages[profile] / "datapackage.json").read_text("utf-8"))["resources"]
    )


def _planted(folder: Path, table: str, column: str, value: str) -> None:
    path = folder / f"{table}.csv"
    with path.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.reader(stream))
    rows[3][rows[0].index(column)] = value
    with path.open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream).writerows(rows)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("table", "column", "value", "kind"),
    [
        ("visits", "body_mass_kg", "heavy", "type-error"),
        ("tests", "mode", "swim", "constraint-error"),
        ("tests", "visit_id", "nosuchvisit", "foreign-key"),
        ("visits", "visit_id", "", "constraint-error"),
    ],
)
def test_frictionless_finds_what_is_planted(packages, tmp_path, table, column, value, kind):
    folder = tmp_path / "spoiled"
    shutil.copytree(packages["coded"], folder)
    _planted(folder, table, column, value)
    report = validated(folder)
    found = {
        (error.type, getattr(error, "row_number", None))
        for task in report.tasks
        if task.name == table
        for error in task.errors
    }
    assert (kind, 4) in found
    # The digest of the file no longer agrees either.
    assert any(error.type in {"hash-count", "byte-count"} for task in report.tasks for error in task.errors)


def test_every_unit_is_ucum():
    parser = get_ucum_parser()
    codes = {column.ucum for table in TABLES for column in table.columns if column.ucum}
    assert {"mL/min", "a", "d", "s", "W/min"} <= codes
    for code in codes:
        parser.parse(code)


def test_no_rate_of_a_whole_body_is_given_per_body_mass():
    """LOINC 60842-2 is an absolute rate (read in a public change log of a code base checked against LOINC 2.82)."""
    for folder in TABLES:
        for column in folder.columns:
            assert column.loinc != "60842-2" or "kg" not in column.ucum
            assert column.loinc != "94122-9" or "/kg" in column.ucum


def test_pandas_reads_the_same_from_both_forms(packages):
    for name in ("intervals", "results", "stage_notes", "visits"):
        typed = pd.read_parquet(packages["parquet"] / f"{name}.parquet")
        texts = pd.read_csv(packages["coded"] / f"{name}.csv")
        assert list(typed.columns) == list(texts.columns)
        numbers = typed.select_dtypes("number").columns
        assert len(numbers) >= 3
        pd.testing.assert_frame_equal(
            typed[numbers].astype(float), texts[numbers].astype(float), check_exact=True
        )
