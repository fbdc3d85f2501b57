"""Bringing a database to the schema of this program, with a copy made first."""

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

import service
from service.db.engine import make_engine
from service.db.transactions import now
from service.errors import UpslopeError
from service.settings import Settings


class DatabaseTooNew(UpslopeError):
    """The database was written by a newer program."""

    slug, title = "database-too-new", "The database is newer than this program"


def migrations_folder() -> Path:
    """Where the migrations lie: in the wheel beside the package's own files, in a checkout beside `service`."""
    package = Path(service.__file__).parent
    shipped = package / "_migrations"
    return shipped if shipped.is_dir() else package.parent / "migrations"


def alembic_config(settings: Settings) -> Config:
    """Alembic, configured in code."""
    config = Config()
    config.set_main_option("script_location", str(migrations_folder()).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["settings"] = settings
    return config


@dataclass(frozen=True, slots=True)
class SchemaState:
    """Which schema the database has, and which this program wants."""

    current: str | None
    newest: str
    known: bool


def schema_state(settings: Settings) -> SchemaState:
    """Read the state without changing anything; a missing SQLite file is not made."""
    script = ScriptDirectory.from_config(alembic_config(settings))
    newest = script.get_current_head()
    assert newest is not None  # noqa: S101 a program without migrations cannot be built
    path = settings.sqlite_path
    if path is not None and not Path(path).exists():
        return SchemaState(None, newest, known=True)
    engine = make_engine(settings)
    try:
        with engine.connect() as connection:
            current = MigrationContext.configure(connection).get_current_revision()
    finally:
        engine.dispose()
    known = current is None or current in {revision.revision for revision in script.walk_revisions()}
    return SchemaState(current, newest, known=known)


def upgrade(settings: Settings) -> str:
    """Bring the database to the newest schema; says in a sentence what was done.

    A SQLite database that holds data is copied beside itself first.

    Raises
    ------
    DatabaseTooNew
        The database was written by a newer program; nothing is changed.
    """
    state = schema_state(settings)
    if not state.known:
        raise DatabaseTooNew(
            f"The database has schema {state.current}, which this program does not know: it was written by a newer one. "
            "Install that version, or restore a backup made before the upgrade."
        )
    if state.current == state.newest:
        return f"The database is at the newest schema ({state.newest})."
    copy = ""
    if state.current is not None and settings.sqlite_path is not None and settings.backup_before_upgrade:
        target = Path(f"{settings.sqlite_path}.before-{state.newest}-{now():%Y%m%dT%H%M%SZ}")
        copy_sqlite(Path(settings.sqlite_path), target)
        copy = f" A copy from before is {target}."
    command.upgrade(alembic_config(settings), "head")
    return f"The database was brought from {state.current or 'empty'} to schema {state.newest}.{copy}"


def copy_sqlite(source: Path, target: Path) -> None:
    """Copy a SQLite database while it is in use, by its online backup, and check the copy.

    Raises
    ------
    UpslopeError
        The copy does not pass SQLite's integrity check.
    """
    with (
        closing(sqlite3.connect(f"file:{source}?mode=ro", uri=True)) as origin,
        closing(sqlite3.connect(target)) as copy,
    ):
        origin.backup(copy)
        verdict = copy.execute("PRAGMA integrity_check").fetchone()[0]
    if verdict != "ok":
        raise UpslopeError(f"The copy {target} does not pass the integrity check: {verdict}")


def table_counts(connection: sa.Connection) -> dict[str, int]:
    """Rows of each table, to compare before and after a migration."""
    preparer = connection.dialect.identifier_preparer
    return {
        name: connection.execute(sa.text(f"SELECT count(*) FROM {preparer.quote(name)}")).scalar_one()  # noqa: S608 own table names
        for name in sa.inspect(connection).get_table_names()
        if name != "alembic_version"
    }


def restore_sqlite(source: Path, target: Path) -> str:
    """Put a checked copy in the place of a record; says in a sentence what was done.

    What was there is kept beside it. The service must be stopped: its connections would go on with the old file.

    Raises
    ------
    UpslopeError
        The copy is no sound SQLite database; nothing is changed.
    """
    try:
        with closing(sqlite3.connect(f"file:{source}?mode=ro", uri=True)) as copy:
            verdict = copy.execute("PRAGMA integrity_check").fetchone()[0]
            copy.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.DatabaseError as error:
        raise UpslopeError(f"{source} is no record of this service: {error}.") from error
    if verdict != "ok":
        raise UpslopeError(f"{source} does not pass the integrity check: {verdict}")
    kept = ""
    if target.exists():
        aside = target.with_name(f"{target.name}.before-restore-{now():%Y%m%dT%H%M%SZ}")
        copy_sqlite(target, aside)
        kept = f" What was there is {aside}."
    fresh = target.with_name(f"{target.name}.restoring")
    copy_sqlite(source, fresh)
    for suffix in ("-wal", "-shm"):
        target.with_name(target.name + suffix).unlink(missing_ok=True)
    fresh.replace(target)
    return f"Restored {target} from {source}.{kept}"
