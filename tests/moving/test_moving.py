"""A record moved from SQLite to PostgreSQL and back: every row of every table, read by other means than the program's."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import date, datetime
from pathlib import Path
from typing import Any

import psycopg
import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from service.cli import app
from service.db.models import Base, Subject
from service.db.transactions import Store
from service.errors import Conflict
from service.moving.workflow import MoveFailed, move
from service.settings import Settings
from service.upkeep.workflow import run_checks
from tests.exports.full_record import Builder
from tests.postgresql import Cluster

pytestmark = pytest.mark.sqlite_file
PEOPLE = [
    {"sex": "female", "birth_date": date(1990, 2, 3), "days": [0, 40]},
    {"sex": None, "age_years": 41.25, "days": [0]},
]


@pytest.fixture
def record(store: Store) -> Settings:
    """A record with something in every column of the tests, and words that other databases trip over."""
    Builder(store).cohort(PEOPLE, "Ünï '\"\\ %s :x {} ")
    with store.write("test") as transaction:
        for code in ("b", "B", "a b", "ä", "Z", "_"):
            transaction.session.add(Subject(code=code, revision=1, created_at=datetime.now().astimezone()))
        transaction.changed("subject", "x", action="created", payload={"after": {"a": None, "b": 1e-300}})
    store.close()
    return store.settings


@pytest.fixture
def empty(cluster: Cluster) -> Iterator[Settings]:
    url = cluster.new(migrated=False)
    yield Settings(database_url=url)
    cluster.drop(url)


def rows_of_sqlite(settings: Settings, table: sa.Table) -> list[tuple[Any, ...]]:
    columns = ", ".join(f'"{column.name}"' for column in table.columns)
    with closing(sqlite3.connect(settings.sqlite_path)) as connection:
        found = connection.execute(f'SELECT {columns} FROM "{table.name}"').fetchall()  # noqa: S608 own names
    return sorted(map(told, found))


def rows_of_postgresql(settings: Settings, table: sa.Table) -> list[tuple[Any, ...]]:
    columns = ", ".join(
        f'"{column.name}"::text' if isinstance(column.type, sa.JSON) else f'"{column.name}"'
        for column in table.columns
    )
    with psycopg.connect(settings.database_url.replace("+psycopg", "")) as connection:
        found = connection.execute(f'SELECT {columns} FROM "{table.name}"').fetchall()  # noqa: S608 own names
    return sorted(map(told, found))


def told(row: tuple[Any, ...]) -> tuple[Any, ...]:
    """A row in words, in which neither database has types of its own: exact for numbers."""

    def word(value: Any) -> str:
        if isinstance(value, bool):
            return repr(int(value))
        if isinstance(value, datetime):
            return value.strftime("%Y-%m-%d %H:%M:%S.%f")
        return str(value) if isinstance(value, date) else f"{value!r}".removesuffix(".0")

    return tuple(word(value).strip("'\"") for value in row)


def test_there_and_back_every_row_is_the_same(record, empty, tmp_path):
    moved = move(record, empty)
    assert moved.rows["exercise_test"] == 3
    for table in Base.metadata.sorted_tables:
        assert rows_of_postgresql(empty, table) == rows_of_sqlite(record, table), table.name
    assert all(one.passed for one in run_checks(empty) if one.name != "analyses")
    back = Settings(database_url=f"sqlite:///{tmp_path / 'back.db'}")
    assert move(empty, back).rows == moved.rows
    for table in Base.metadata.sorted_tables:
        assert rows_of_sqlite(back, table) == rows_of_sqlite(record, table), table.name


def test_new_rows_follow_those_that_came(record, empty):
    move(record, empty)
    store = Store(empty)
    with store.write("test") as transaction:
        subject = Subject(code="new", revision=1, created_at=datetime.now().astimezone())
        transaction.session.add(subject)
        transaction.session.flush()
        transaction.changed("subject", "new", action="created")
        assert subject.id == 9
    store.close()
    (chain,) = [one for one in run_checks(empty) if one.name == "audit chain"]
    assert chain.passed


def test_a_target_with_data_is_refused_and_kept(record, empty):
    move(record, empty)
    with pytest.raises(Conflict, match="holds data already"):
        move(record, empty)
    assert len(rows_of_postgresql(empty, Base.metadata.tables["subject"])) == 8


def test_what_the_target_cannot_hold_is_told_and_nothing_moved(record, empty):
    with closing(sqlite3.connect(record.sqlite_path)) as connection, connection:
        connection.execute("UPDATE subject SET notes = 'a' || char(0) || 'b' WHERE code = 'Z'")
    with pytest.raises(MoveFailed, match="does not take"):
        move(record, empty)
    assert rows_of_postgresql(empty, Base.metadata.tables["subject"]) == []


def test_the_record_itself_and_an_older_one_are_refused(record, tmp_path, empty):
    with pytest.raises(Conflict, match="same database"):
        move(record, record)
    with pytest.raises(Conflict, match="newest schema"):
        move(empty, Settings(database_url=f"sqlite:///{tmp_path / 'new.db'}"))
    assert not (tmp_path / "new.db").exists()


def test_a_move_that_fails_leaves_no_file(record, empty, tmp_path, monkeypatch):
    move(record, empty)
    monkeypatch.setattr("service.moving.workflow._compare", _fails)
    with pytest.raises(MoveFailed):
        move(empty, Settings(database_url=f"sqlite:///{tmp_path / 'new.db'}"))
    assert list(tmp_path.glob("new.db*")) == []


def test_a_target_that_does_not_take_a_row_leaves_no_file_either(record, tmp_path, monkeypatch):
    monkeypatch.setattr("service.moving.workflow._compare", _refuses)
    with pytest.raises(MoveFailed, match="does not take"):
        move(record, Settings(database_url=f"sqlite:///{tmp_path / 'new.db'}"))
    assert list(tmp_path.glob("new.db*")) == []


def _fails(*_: object) -> None:
    raise MoveFailed("Row 1 of subject came out otherwise: code.")


def _refuses(*_: object) -> None:
    raise sa.exc.OperationalError("INSERT", {}, sqlite3.OperationalError("database or disk is full"))


def test_the_command(record, empty, monkeypatch):
    monkeypatch.setenv("UPSLOPE_DATABASE_URL", record.database_url)
    answer = CliRunner().invoke(app, ["move", empty.database_url])
    assert answer.exit_code == 0, answer.output
    assert "every row was compared" in answer.output
    again = CliRunner().invoke(app, ["move", "mysql://x"])
    assert again.exit_code == 1
    assert Path(record.sqlite_path).exists()
