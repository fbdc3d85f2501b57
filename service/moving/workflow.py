"""A record moved from one database to another, every row compared before it counts as moved."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from service.db.engine import make_engine
from service.db.migrate import refuse_newer, schema_state, table_counts, upgrade
from service.db.models import Base
from service.errors import Conflict, UpslopeError
from service.settings import Settings

_AT_ONCE = 1000


class MoveFailed(UpslopeError):
    """The record could not be moved; the target holds nothing of it."""

    slug, title = "move-failed", "The record could not be moved"


@dataclass(frozen=True, slots=True)
class Moved:
    """What was moved: rows by table, each compared."""

    rows: dict[str, int]


def move(
    source: Settings, target: Settings, *, told: Callable[[str, int, int], object] | None = None
) -> Moved:
    """Copy a whole record into an empty database of the other kind, or of the same, and compare every row.

    The source is read in one state and stays as it is. The target is written in one transaction, which counts only
    where every row of every table is the same on both sides.

    Parameters
    ----------
    source, target : Settings
    told : callable, optional
        Called with the table, the rows done and their number.

    Raises
    ------
    Conflict
        The target holds data, or is the source itself, or the source is not at the schema of this program.
    MoveFailed
        A row cannot be held by the target, or came out otherwise.
    """
    if source.database_url == target.database_url:
        raise Conflict("Source and target are the same database.")
    state = schema_state(source)
    refuse_newer(state)
    if state.current != state.newest:
        raise Conflict("The source is not at the newest schema; run 'upslope migrate' on it first.")
    made = target.sqlite_path is not None and not Path(target.sqlite_path).exists()
    upgrade(target)
    old, new = make_engine(source, read_only=True), make_engine(target)
    try:
        with old.connect() as reading, new.begin() as writing:
            _one_state(reading)
            held = {name: count for name, count in table_counts(writing).items() if count}
            _refuse_held(writing, held)
            _empty(writing, held)
            rows = {}
            for table in Base.metadata.sorted_tables:
                rows[table.name] = _copy(reading, writing, table, told or _silent)
            _continue_numbers(writing)
            for table in Base.metadata.sorted_tables:
                _compare(reading, writing, table)
    except BaseException as error:
        if made:
            _forget(new, target)
        if isinstance(error, sa.exc.DBAPIError):
            raise MoveFailed(f"The target does not take what the source holds: {error.orig}") from error
        raise
    finally:
        old.dispose()
        new.dispose()
    return Moved(rows)


def _silent(table: str, done: int, of: int) -> None:
    del table, done, of


def _one_state(connection: Connection) -> None:
    """See one state of the source to the end; on SQLite every transaction does."""
    if connection.dialect.name == "postgresql":
        connection.execute(sa.text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY"))


def _refuse_held(connection: Connection, held: dict[str, int]) -> None:
    if foreign := set(held) - _made_by_migrations(connection):
        name = min(foreign)
        raise Conflict(f"The target holds data already ({held[name]} rows of {name}); name an empty one.")


def _made_by_migrations(connection: Connection) -> set[str]:
    """Tables that hold rows in an empty record too: the one row of the site."""
    untouched = connection.execute(
        sa.text("SELECT count(*) FROM site WHERE revision > 1 OR control_revision > 0")
    ).scalar_one()
    return set() if untouched else {"site"}


def _empty(connection: Connection, held: dict[str, int]) -> None:
    for name in held:
        connection.execute(sa.delete(Base.metadata.tables[name]))


def _forget(engine: sa.Engine, target: Settings) -> None:
    """Take the file away that was made for a move that failed."""
    engine.dispose()
    for suffix in ("", "-wal", "-shm"):
        Path(f"{target.sqlite_path}{suffix}").unlink(missing_ok=True)


def _is_json(column: sa.Column[Any]) -> bool:
    return isinstance(column.type, sa.JSON)


def _rows(connection: Connection, table: sa.Table) -> Iterator[tuple[Any, ...]]:
    """Rows by primary key; JSON as its text, so that no value and no null is read in another way."""
    columns = [
        sa.cast(column, sa.Text).label(column.name) if _is_json(column) else column
        for column in table.columns
    ]
    order = [
        column.collate("C") if _is_text(column) and connection.dialect.name == "postgresql" else column
        for column in table.primary_key.columns
    ]
    statement = sa.select(*columns).order_by(*order).execution_options(yield_per=_AT_ONCE)
    for row in connection.execute(statement):
        yield tuple(row)


def _is_text(column: sa.Column[Any]) -> bool:
    return isinstance(column.type, sa.String)


def _copy(
    reading: Connection, writing: Connection, table: sa.Table, told: Callable[[str, int, int], object]
) -> int:
    count = reading.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()
    names = [column.name for column in table.columns]
    own = [
        key.parent.name for key in table.foreign_keys if key.column.table.name == table.name
    ]  # a row may name one that comes later
    insert = sa.insert(table).values(
        {column.name: _bound(column, writing.dialect.name) for column in table.columns}
    )
    batch: list[dict[str, Any]] = []
    later: list[dict[str, Any]] = []
    done = 0
    for row in _rows(reading, table):
        values = dict(zip(names, row, strict=True))
        for name in own:
            if values[name] is not None:
                later.append({"key_of_row": values["id"], "named": values[name], "column": name})
                values[name] = None
        batch.append({f"new_{name}": value for name, value in values.items()})
        if len(batch) == _AT_ONCE:
            writing.execute(insert, batch)
            done += len(batch)
            batch = []
            told(table.name, done, count)
    if batch:
        writing.execute(insert, batch)
        done += len(batch)
    for one in later:
        writing.execute(
            sa.update(table).where(table.c.id == one["key_of_row"]).values({one["column"]: one["named"]})
        )
    told(table.name, done, count)
    return done


def _bound(column: sa.Column[Any], dialect: str) -> Any:
    name = f"new_{column.name}"
    if not _is_json(column):
        return sa.bindparam(name, type_=column.type)
    text = sa.bindparam(name, type_=sa.Text())
    # SQLite keeps JSON as text, and its cast would make numbers of texts.
    return sa.cast(text, sa.JSON) if dialect == "postgresql" else sa.type_coerce(text, sa.Text)


def _continue_numbers(connection: Connection) -> None:
    """Let PostgreSQL number new rows after those that came with their numbers."""
    if connection.dialect.name != "postgresql":
        return
    for table in Base.metadata.sorted_tables:
        (column, *more) = table.primary_key.columns
        if more or not isinstance(column.type, sa.Integer) or column.foreign_keys:
            continue
        sequence = connection.execute(
            sa.select(sa.func.pg_get_serial_sequence(table.name, column.name))
        ).scalar_one()
        highest = connection.execute(sa.select(sa.func.max(column))).scalar_one()
        if sequence is not None and highest is not None:
            connection.execute(sa.select(sa.func.setval(sequence, highest)))


def _compare(reading: Connection, writing: Connection, table: sa.Table) -> None:
    names = [column.name for column in table.columns]
    for number, (old, new) in enumerate(zip_longest(_rows(reading, table), _rows(writing, table)), start=1):
        if old != new:
            raise MoveFailed(
                f"Row {number} of {table.name} came out otherwise: {_difference(names, old, new)}."
            )


def _difference(names: Sequence[str], old: Any, new: Any) -> str:
    """Which columns differ; their values are data of a person and not told."""
    if old is None or new is None:
        return "there is one more on one side"
    return ", ".join(name for name, before, after in zip(names, old, new, strict=True) if before != after)
