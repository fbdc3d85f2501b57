"""A database of its own for each test, and rows for every table."""

import datetime as dt
import shutil
from collections.abc import Callable, Iterator

import pytest
import sqlalchemy as sa

from service.db import migrate
from service.db.models import Base
from service.db.transactions import Store
from service.settings import Settings

#: Where a check constraint lets only some texts pass.
_TEXTS = {
    ("subject", "sex"): "female",
    ("exercise_test", "status"): "complete",
    ("api_key", "scope"): "admin",
    ("recording_mark", "kind"): "clock_started",
    ("consent", "purpose"): "research",
}


@pytest.fixture
def settings(tmp_path) -> Settings:
    return Settings(database_url=f"sqlite:///{tmp_path / 'record.db'}")


@pytest.fixture
def store(settings) -> Iterator[Store]:
    migrate.upgrade(settings)
    opened = Store(settings)
    yield opened
    opened.close()


def _value(table: sa.Table, column: sa.Column, row: int):
    if column.foreign_keys:
        return row
    if (table.name, column.name) in _TEXTS:
        return _TEXTS[table.name, column.name]
    kind = column.type.python_type if not isinstance(column.type, sa.TypeDecorator) else dt.datetime
    return {
        bool: True,
        int: row,
        float: row + 0.25,
        str: f"{column.name} {row}",
        object: [row],  # JSON
        dt.date: dt.date(2026, 1, row),
        dt.datetime: dt.datetime(2026, 1, row, 12, tzinfo=dt.UTC),
    }[kind]


@pytest.fixture
def fill() -> Callable[[sa.Engine, int], dict[str, int]]:
    """Put rows into every table, made from the metadata alone; answers the rows of each table."""

    def put(engine: sa.Engine, rows: int = 3) -> dict[str, int]:
        with engine.begin() as connection:
            for table in Base.metadata.sorted_tables:
                connection.execute(
                    sa.insert(table),
                    [
                        {column.name: _value(table, column, row) for column in table.columns}
                        for row in range(1, rows + 1)
                    ],
                )
            return migrate.table_counts(connection)

    return put


@pytest.fixture
def later_migration(tmp_path, monkeypatch) -> Callable[..., None]:
    """Give the program one more migration after its own newest."""

    def add(upgrade: str, *, before: str = "", downgrade: str = "pass", name: str = "later") -> None:
        folder = tmp_path / "migrations"
        if not folder.exists():
            shutil.copytree(migrate.migrations_folder(), folder, ignore=shutil.ignore_patterns("__pycache__"))
            monkeypatch.setattr(migrate, "migrations_folder", lambda: folder)
        newest = migrate._state_of(None).newest
        (folder / "versions" / f"20990101_0000_{name}.py").write_text(
            "import sqlalchemy as sa\nfrom alembic import op\n"
            f"revision = {name!r}\ndown_revision = {newest!r}\n{before}\n"
            f"def upgrade():\n    {upgrade}\n\ndef downgrade():\n    {downgrade}\n",
            encoding="utf-8",
        )

    return add
