"""Copies by the clock: made when due, checked, only so many kept, by one process alone."""

import os
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from service.app import create_app
from service.backups.workflow import back_up, back_up_if_due, backups_in, next_backup_at
from service.db.models import Subject
from service.errors import UpslopeError
from service.settings import Settings

pytestmark = pytest.mark.sqlite_file


@pytest.fixture
def folder(tmp_path) -> Path:
    return tmp_path / "copies"


@pytest.fixture
def settings(store, folder) -> Settings:
    return store.settings.model_copy(update={"backup_folder": str(folder), "backup_keep": 3})


def as_if_made(folder: Path, hours_ago: float) -> Path:
    """A copy with the name of one made some hours ago."""
    at = datetime.now(UTC) - timedelta(hours=hours_ago)
    path = folder / f"upslope-{at:%Y%m%dT%H%M%SZ}.db"
    folder.mkdir(exist_ok=True)
    path.write_bytes(b"")
    return path


def test_the_first_is_made_at_once_and_the_next_when_it_is_due(settings, folder, store):
    with store.write("test") as transaction:
        transaction.session.add(Subject(code="S-01", revision=1, created_at=datetime.now(UTC)))
    made = back_up_if_due(settings)
    assert made is not None
    with closing(sqlite3.connect(made.path)) as copy:
        assert copy.execute("SELECT code FROM subject").fetchall() == [("S-01",)]
        assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert back_up_if_due(settings) is None
    assert next_backup_at(settings) == made.at + timedelta(hours=24)
    made.path.rename(as_if_made(folder, 24.1))
    assert back_up_if_due(settings) is not None
    assert len(backups_in(folder)) == 2


def test_only_so_many_are_kept_and_other_files_are_left_alone(settings, folder):
    old = [as_if_made(folder, hours) for hours in (30, 60, 90, 120)]
    others = [folder / name for name in ("notes.txt", "upslope-old.db", "upslope-20200101T000000Z.db.gz")]
    for other in others:
        other.write_text("mine")
    back_up(settings, folder)
    assert [one.exists() for one in old] == [True, True, False, False]
    assert all(other.exists() for other in others)


def test_none_is_made_where_none_is_asked_for(store, folder):
    assert next_backup_at(store.settings) is None
    assert back_up_if_due(store.settings) is None


def test_one_that_fails_leaves_no_half_copy_and_takes_none_away(settings, folder, store):
    kept = [as_if_made(folder, hours) for hours in (30, 60, 90)]
    store.close()
    Path(store.settings.sqlite_path).write_bytes(b"not a record" * 1000)
    with pytest.raises(UpslopeError):
        back_up(settings, folder)
    assert sorted(folder.glob("upslope*")) == sorted(kept)


def test_rows_without_their_parent_are_no_sound_copy(settings, folder, store):
    with closing(sqlite3.connect(store.settings.sqlite_path)) as connection, connection:
        connection.execute("INSERT INTO change_payload (seq, salt, payload) VALUES (99, 's', 'p')")
    with pytest.raises(UpslopeError, match="without their parent"):
        back_up(settings, folder)
    assert backups_in(folder) == []


def test_another_process_that_makes_it_is_left_to_it(settings, folder):
    folder.mkdir()
    context = get_context("spawn")
    with context.Pool(2) as pool:
        made = pool.map(_made, [settings.model_dump()] * 6)
    assert sum(made) == 1
    assert len(backups_in(folder)) == 1


def test_what_a_killed_process_left_half_made_is_taken_away(settings, folder):
    folder.mkdir()
    half = folder / "upslope-20240101T000000Z.making"
    beside = folder / "upslope-20240101T000000Z.making-journal"
    for left in (half, beside):
        left.write_bytes(b"SQLite format 3")
    (folder / "mine.making").write_text("mine")
    back_up(settings, folder)
    assert not half.exists()
    assert not beside.exists()
    assert (folder / "mine.making").exists()
    assert len(backups_in(folder)) == 1


def _made(fields) -> bool:
    return back_up_if_due(Settings(**fields)) is not None


def test_the_service_makes_it_when_it_starts(settings, folder):
    with TestClient(create_app(settings)):
        deadline = datetime.now(UTC) + timedelta(seconds=20)
        while not backups_in(folder) and datetime.now(UTC) < deadline:
            os.sched_yield()
    assert len(backups_in(folder)) == 1
