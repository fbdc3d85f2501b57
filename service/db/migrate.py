"""Bringing a database to the schema of this program, with a copy made first."""

import re
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import sqlalchemy as sa

import service
from service.db.engine import make_engine
from service.errors import UpslopeError
from service.settings import Settings

if TYPE_CHECKING:
    from alembic.config import Config

#: What a file of a migration says of itself, as Alembic's template writes it.
_STEP = re.compile(r"^(revision|down_revision) = (?:None|(['\"])(.+)\2)$", re.MULTILINE)


class DatabaseUnusable(UpslopeError):
    """The database cannot be opened, or is none."""

    slug, title = "database-unusable", "The database cannot be used"


class DatabaseTooNew(DatabaseUnusable):
    """The database was written by a newer program."""

    slug, title = "database-too-new", "The database is newer than this program"


class MigrationFailed(DatabaseUnusable):
    """A migration failed and was undone."""

    slug, title = "migration-failed", "The schema could not be upgraded"


class RowsLost(Exception):
    """A migration would lose rows, or leave rows without their parent."""


def migrations_folder() -> Path:
    """Where the migrations lie: in the wheel beside the package's own files, in a checkout beside `service`."""
    package = Path(service.__file__).parent
    shipped = package / "_migrations"
    return shipped if shipped.is_dir() else package.parent / "migrations"


def alembic_config(settings: Settings) -> "Config":
    """Alembic, configured in code."""
    from alembic.config import Config

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
    """Read the state without changing anything; a missing SQLite file is not made.

    Raises
    ------
    DatabaseUnusable
        The database cannot be opened, or the file is none, or it names more than one schema.
    """
    path = settings.sqlite_path
    if path is not None and not Path(path).exists():
        return _state_of(None)
    engine = make_engine(settings)
    try:
        with engine.connect() as connection:
            current = _current(connection)
    except sa.exc.DBAPIError as error:
        raise DatabaseUnusable(
            f"The database at {settings.shown_url} cannot be used: {error.orig}."
        ) from error
    finally:
        engine.dispose()
    return _state_of(current)


def _current(connection: sa.Connection) -> str | None:
    """The schema that the database says it has, in the table that Alembic keeps."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    named = connection.scalars(sa.text("SELECT version_num FROM alembic_version")).all()
    if len(named) > 1:
        raise DatabaseUnusable(f"The database names more than one schema: {', '.join(sorted(named))}.")
    return named[0] if named else None


def _state_of(current: str | None) -> SchemaState:
    """Compare with the migrations, whose files are only read: Alembic, which runs them, is slow to load."""
    before = dict(_step(file) for file in sorted((migrations_folder() / "versions").glob("*.py")))
    (newest,) = before.keys() - before.values()
    return SchemaState(current, newest, known=current is None or current in before)


def _step(file: Path) -> tuple[str, str | None]:
    """A migration's own schema, and the one it begins with; None for the first."""
    said = {name: value or None for name, _, value in _STEP.findall(file.read_text(encoding="utf-8"))}
    own = said["revision"]
    assert own is not None  # noqa: S101 Alembic refuses such a file too
    return own, said["down_revision"]


def refuse_newer(state: SchemaState) -> None:
    """Refuse a database that a newer program wrote.

    Raises
    ------
    DatabaseTooNew
    """
    if not state.known:
        raise DatabaseTooNew(
            f"The database has schema {state.current}, which this program does not know: it was written by a newer one. "
            "Install that version, or restore a backup made before the upgrade."
        )


def upgrade(settings: Settings) -> str:
    """Bring the database to the newest schema; says in a sentence what was done.

    A SQLite database that holds data is copied beside itself first.

    Raises
    ------
    DatabaseTooNew
        The database was written by a newer program; nothing is changed.
    MigrationFailed
        A migration failed, or would have lost rows; it was undone.
    """
    state = schema_state(settings)
    refuse_newer(state)
    if state.current == state.newest:
        return f"The database is at the newest schema ({state.newest})."
    copy = ""
    if state.current is not None and settings.sqlite_path is not None and settings.backup_before_upgrade:
        from service.db.transactions import now

        target = Path(f"{settings.sqlite_path}.before-{state.newest}-{now():%Y%m%dT%H%M%SZ}")
        copy_sqlite(Path(settings.sqlite_path), target)
        copy = f" A copy from before is {target}."
    from alembic import command
    from alembic.util import CommandError

    try:
        command.upgrade(alembic_config(settings), "head")
    except (sa.exc.SQLAlchemyError, CommandError, RowsLost) as error:
        raise MigrationFailed(
            f"The upgrade to schema {state.newest} failed and was undone; the database is as it was.{copy} {error}"
        ) from error
    return f"The database was brought from {state.current or 'empty'} to schema {state.newest}.{copy}"


def copy_sqlite(source: Path, target: Path) -> None:
    """Copy a SQLite database while it is in use, by its online backup, and check the copy.

    Raises
    ------
    UpslopeError
        The source cannot be read, the target cannot be written, or the copy does not pass SQLite's integrity
        check; no half copy is left.
    """
    fresh = not target.exists()
    try:
        with (
            closing(sqlite3.connect(_read_only(source), uri=True)) as origin,
            closing(sqlite3.connect(target)) as copy,
        ):
            origin.backup(copy)
            verdict = copy.execute("PRAGMA integrity_check").fetchone()[0]
            # One file, and no side files where the copy is read from a folder that cannot be written.
            copy.execute("PRAGMA journal_mode=DELETE")
        if verdict != "ok":
            raise UpslopeError(f"The copy does not pass the integrity check: {verdict}")  # noqa: TRY301 one way out for both
    except (sqlite3.Error, UpslopeError) as error:
        if fresh:
            target.unlink(missing_ok=True)
        raise UpslopeError(f"{source} cannot be copied to {target}: {error}.") from error


def _read_only(path: Path) -> str:
    # Characters that mean something in an address (a question mark, a per cent sign) may stand in a file name.
    return f"{path.resolve().as_uri()}?mode=ro"


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

    What was there is kept beside it, as it is: it may be damaged, which is why one restores.

    Raises
    ------
    UpslopeError
        The copy is no sound record, or of a newer program, or the record is in use; nothing is changed.
    """
    refuse_unsound(source)
    if target.exists():
        if source.samefile(target):
            raise UpslopeError(f"{source} is the record itself; name a copy of it.")
        _refuse_in_use(target)
    fresh = target.with_name(f"{target.name}.restoring")
    fresh.unlink(missing_ok=True)
    copy_sqlite(source, fresh)
    kept = ""
    if target.exists():
        from service.db.transactions import now

        aside = target.with_name(f"{target.name}.before-restore-{now():%Y%m%dT%H%M%S%fZ}")
        # With its side files: of a damaged record they may hold what the file itself does not.
        for suffix in ("", "-wal", "-shm"):
            old = target.with_name(target.name + suffix)
            if old.exists():
                old.rename(aside.with_name(aside.name + suffix))
        kept = f" What was there is kept as {aside}."
    fresh.replace(target)
    return f"Restored {target} from {source}.{kept}"


def refuse_unsound(copy: Path) -> None:
    """Refuse a copy that is no sound record of this program or an older one.

    Raises
    ------
    UpslopeError
        It cannot be read, does not pass the integrity check, or has rows without their parent.
    DatabaseTooNew
    """
    try:
        with closing(sqlite3.connect(_read_only(copy), uri=True)) as connection:
            verdict = connection.execute("PRAGMA integrity_check").fetchone()[0]
            orphans = connection.execute("PRAGMA foreign_key_check").fetchall()
            version = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.Error as error:
        raise UpslopeError(f"{copy} is no record of this service: {error}.") from error
    if verdict != "ok":
        raise UpslopeError(f"{copy} does not pass the integrity check: {verdict}.")
    if orphans:
        raise UpslopeError(f"{copy} has {len(orphans)} rows without their parent.")
    refuse_newer(_state_of(None if version is None else version[0]))


def _refuse_in_use(record: Path) -> None:
    """Refuse to move a file away under a program that has it open."""
    with closing(sqlite3.connect(record, timeout=1)) as connection:
        try:
            # Leaving the write-ahead log needs the file for oneself.
            connection.execute("PRAGMA journal_mode=DELETE")
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                raise UpslopeError(
                    f"{record} is in use; stop the service first, so that it does not go on with the old file."
                ) from error
        except sqlite3.DatabaseError:
            return  # damaged: nobody can be using it
