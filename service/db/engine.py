"""Connections to the database, and what each must be told before it is used."""

import sqlite3
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine
from sqlalchemy.pool import ConnectionPoolEntry

from service.settings import Settings

#: Key of the execution option that says how a transaction begins on SQLite.
BEGIN = "upslope_begin"


def _lower(text: Any) -> Any:
    return text.lower() if isinstance(text, str) else text


def make_engine(settings: Settings, *, read_only: bool = False, waits: bool = True) -> Engine:
    """An engine for the database of `settings`.

    SQLite: write-ahead log, foreign keys on, ``synchronous`` FULL (an acknowledged write is on disk), a
    busy timeout; transactions begin explicitly, since the driver's own rule would begin them too late.

    Parameters
    ----------
    settings : Settings
    read_only : bool
    waits : bool
        Whether a statement waits for a SQLite file that is held, or fails at once.
    """
    if settings.sqlite_path is None:
        engine = sa.create_engine(settings.database_url, pool_pre_ping=True, hide_parameters=True)
        return engine.execution_options(postgresql_readonly=True) if read_only else engine

    engine = sa.create_engine(
        settings.database_url,
        connect_args={"timeout": settings.busy_timeout_s if waits else 0.0, "check_same_thread": False},
        hide_parameters=True,  # an error's message must not hold what somebody typed
        pool_size=20,
        max_overflow=40,
    )

    @sa.event.listens_for(engine, "connect")
    def prepare(connection: sqlite3.Connection, record: ConnectionPoolEntry) -> None:
        del record
        connection.isolation_level = None
        # SQLite's own knows ASCII only: a search for "élise" must find "ÉLISE".
        connection.create_function("lower", 1, _lower, deterministic=True)
        cursor = connection.cursor()
        cursor.execute("PRAGMA journal_mode=WAL")
        cursor.execute("PRAGMA foreign_keys=ON")
        cursor.execute("PRAGMA synchronous=FULL")
        cursor.execute("PRAGMA secure_delete=ON")
        if read_only:
            cursor.execute("PRAGMA query_only=ON")
        cursor.close()

    @sa.event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        mode: Any = connection.get_execution_options().get(BEGIN, "DEFERRED")
        connection.exec_driver_sql(f"BEGIN {mode}")

    return engine
