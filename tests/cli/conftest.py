"""The commands, run in this process on a record of their own, and files to run them on."""

import csv
import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from service.cli import app

EXAMPLES = Path(__file__).parents[2] / "seed_data" / "examples"


@pytest.fixture
def record(tmp_path, monkeypatch) -> Path:
    """Where the record of this test is; there is none yet."""
    for name in [name for name in os.environ if name.startswith("UPSLOPE_DATABASE")]:
        monkeypatch.delenv(name)
    path = tmp_path / "record.db"
    monkeypatch.setenv("UPSLOPE_DATABASE_URL", f"sqlite:///{path}")
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.chdir(tmp_path)
    return path


@pytest.fixture
def run(record):
    """Run a command; an exception that is no exit is a failure of the test."""

    def command(*arguments: object, status: int = 0, typed: str | None = None) -> Result:
        result = CliRunner().invoke(app, [str(one) for one in arguments], input=typed)
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code == status, result.output
        return result

    return command


@pytest.fixture
def migrated(run):
    run("migrate")
    return run


@pytest.fixture
def sql(record):
    """Ask or change the record behind the program's back."""

    def execute(statement: str, *values: object) -> list[tuple]:
        with closing(sqlite3.connect(record)) as connection, connection:
            return connection.execute(statement, values).fetchall()

    return execute


@pytest.fixture
def examples() -> Path:
    return EXAMPLES


@pytest.fixture
def cycle_test() -> Path:
    return EXAMPLES / "cycle-step-15s.csv"


@pytest.fixture
def spoiled(tmp_path, cycle_test) -> Path:
    """The example with one cell that is no number, in row 10 of the file."""
    rows = list(csv.reader(cycle_test.read_text(encoding="utf-8").splitlines()))
    rows[9][rows[0].index("VO2 (mL/min)")] = "many"
    path = tmp_path / "spoiled.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(rows)
    return path
