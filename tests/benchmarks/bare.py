"""A bare table in the kind of database that a record is kept in, without anything of the service around it."""

import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import psycopg
import sqlalchemy as sa
from sqlalchemy.schema import CreateTable

from service.settings import Settings


class Bare:
    """A table of a key and columns of numbers, and rows put into it and committed by the driver alone.

    Parameters
    ----------
    settings : Settings
        Of the record: on PostgreSQL the table is made beside its tables.
    file : Path
        Where the table is made on SQLite, with synchronous FULL as a record's.
    columns : int
    """

    def __init__(self, settings: Settings, file: Path, columns: int) -> None:
        table = sa.Table(
            f"bare_{file.stem.replace('-', '_')}",
            sa.MetaData(),
            sa.Column("test", sa.Integer, primary_key=True, autoincrement=False),
            sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
            *(sa.Column(f"c{place}", sa.Double) for place in range(columns)),
            sa.Column("document", sa.Text),
            sqlite_with_rowid=False,
        )
        self._connection: Any
        if settings.sqlite_path is not None:
            self._connection = sqlite3.connect(file, isolation_level=None, check_same_thread=False)
            for setting in ("journal_mode=WAL", "synchronous=FULL"):
                self._connection.execute(f"PRAGMA {setting}")
        else:
            self._connection = psycopg.connect(settings.database_url.replace("+psycopg", ""), autocommit=True)
        dialect = sa.create_engine(settings.database_url).dialect
        self._cursor = self._connection.cursor()
        self._cursor.execute(str(CreateTable(table, if_not_exists=True).compile(dialect=dialect)))
        mark = "?" if settings.sqlite_path is not None else "%s"
        self._insert = f"INSERT INTO {table.name} VALUES ({', '.join([mark] * (columns + 3))})"  # noqa: S608 names are ours
        self._begin = "BEGIN IMMEDIATE" if settings.sqlite_path is not None else "BEGIN"
        self._columns = columns
        self._test = 0

    def store(self, rows: Sequence[Sequence[float]], document: str | None = None) -> None:
        """Commit the rows of one more test."""
        self._test += 1
        self._cursor.execute(self._begin)
        self._cursor.executemany(
            self._insert,
            [(self._test, seq, *row, document if seq == 0 else None) for seq, row in enumerate(rows)],
        )
        self._cursor.execute("COMMIT")

    def close(self) -> None:
        """Give the connection back."""
        self._connection.close()
