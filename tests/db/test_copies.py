"""Copies of a record, and a copy put in its place."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa

from service.db import migrate
from service.db.models import Subject
from service.db.transactions import Store, now
from service.errors import UpslopeError


def add(store: Store, code: str) -> None:
    with store.write("test") as transaction:
        transaction.session.add(Subject(code=code, created_at=now()))


def codes(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as connection:
        return [row[0] for row in connection.execute("SELECT code FROM subject ORDER BY code")]


@pytest.fixture
def record(settings) -> Path:
    return Path(settings.sqlite_path)


@pytest.fixture
def copy(store, record, tmp_path) -> Path:
    """A copy with one subject; the record has a second one since, and is closed."""
    add(store, "first")
    target = tmp_path / "copy of a record?.db"
    migrate.copy_sqlite(record, target)
    add(store, "second")
    store.close()
    return target


def test_a_copy_while_a_write_is_open_has_what_was_committed(store, record, tmp_path):
    add(store, "first")
    with store.write("test") as transaction:
        transaction.session.add(Subject(code="half", created_at=now()))
        transaction.session.flush()
        migrate.copy_sqlite(record, tmp_path / "copy.db")
    assert codes(tmp_path / "copy.db") == ["first"]
    assert sorted(path.name for path in tmp_path.glob("copy.db*")) == ["copy.db"]


def test_restoring_keeps_what_was_there(copy, record):
    told = migrate.restore_sqlite(copy, record)
    assert codes(record) == ["first"]
    (kept,) = record.parent.glob("record.db.before-restore-*")
    assert codes(kept) == ["first", "second"]
    assert str(kept) in told
    assert codes(copy) == ["first"]


def test_restoring_where_nothing_is(copy, record):
    record.unlink()
    migrate.restore_sqlite(copy, record)
    assert codes(record) == ["first"]


def test_a_damaged_record_can_be_restored(copy, record):
    damaged = b"x" * 5000
    record.write_bytes(damaged)
    migrate.restore_sqlite(copy, record)
    assert codes(record) == ["first"]
    (kept,) = record.parent.glob("record.db.before-restore-*")
    assert kept.read_bytes() == damaged


@pytest.mark.parametrize("open_for", ["reading", "writing"])
def test_a_record_in_use_is_not_moved_away(copy, record, settings, open_for):
    server = Store(settings)
    with server.read() as session:
        session.scalars(sa.select(Subject)).all()
    if open_for == "writing":
        add(server, "third")
    with pytest.raises(UpslopeError, match="in use; stop the service first"):
        migrate.restore_sqlite(copy, record)
    assert "second" in codes(record)
    server.close()
    migrate.restore_sqlite(copy, record)
    assert codes(record) == ["first"]


def _damage(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[4096 : 4096 * 12] = bytes(4096 * 11)
    path.write_bytes(data)


def _orphan(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            "INSERT INTO exclusion (test_id, seq, by, reason, at) VALUES (5, 1, 'a', 'b', '2026-01-01 00:00:00')"
        )


def _newer(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = 'later'")


def _other_database(path: Path) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("CREATE TABLE subject (code)")


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda path: path.write_bytes(b"a,b,c\n" * 300), "no record of this service"),
        (lambda path: path.write_bytes(b""), "no record of this service"),
        (_other_database, "no record of this service"),
        (_damage, "no record of this service|integrity check"),
        (_orphan, "1 rows without their parent"),
        (_newer, "newer"),
    ],
)
def test_an_unsound_copy_is_refused_and_the_record_stays(copy, record, spoil, told):
    spoil(copy)
    with pytest.raises(UpslopeError, match=told):
        migrate.restore_sqlite(copy, record)
    assert codes(record) == ["first", "second"]
    assert not list(record.parent.glob("*before-restore*"))
    assert not list(record.parent.glob("*.restoring"))


def test_the_record_is_no_copy_of_itself(copy, record):
    with pytest.raises(UpslopeError, match="the record itself"):
        migrate.restore_sqlite(record, record)
    assert codes(record) == ["first", "second"]


def test_no_half_copy_is_left(tmp_path, record):
    source = tmp_path / "none.db"
    source.write_bytes(b"no database " * 100)
    with pytest.raises(UpslopeError, match="cannot be copied"):
        migrate.copy_sqlite(source, tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()
    with pytest.raises(UpslopeError, match="cannot be copied"):
        migrate.copy_sqlite(source, tmp_path / "no folder" / "copy.db")
