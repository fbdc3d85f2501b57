"""Copies of a SQLite record into a folder: made while it is in use, checked, and only so many kept."""

import fcntl
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from service.db.migrate import copy_sqlite, refuse_unsound
from service.db.transactions import now
from service.errors import UpslopeError
from service.settings import Settings

_NAME = re.compile(r"upslope-(\d{8}T\d{6}Z)\.db")
_AT = "%Y%m%dT%H%M%SZ"
_LOCK = ".upslope-backup.lock"


@dataclass(frozen=True, slots=True)
class Backup:
    """One copy in the folder; it is there only if it passed its check.

    Attributes
    ----------
    path : Path
    at : datetime
        When it was made.
    size_bytes : int
    """

    path: Path
    at: datetime
    size_bytes: int


def backups_in(folder: Path) -> list[Backup]:
    """The copies of a folder, the newest first; other files are not looked at."""
    found = []
    for path in folder.glob("upslope-*.db") if folder.is_dir() else ():
        if named := _NAME.fullmatch(path.name):
            at = datetime.strptime(named[1], _AT).replace(tzinfo=UTC)
            found.append(Backup(path, at, path.stat().st_size))
    return sorted(found, key=lambda one: one.at, reverse=True)


def next_backup_at(settings: Settings) -> datetime | None:
    """When the next copy is due by the clock; None where none is asked for."""
    if not settings.backup_folder or settings.sqlite_path is None:
        return None
    newest = next(iter(backups_in(Path(settings.backup_folder))), None)
    return now() if newest is None else newest.at + timedelta(hours=settings.backup_hours)


def back_up_if_due(settings: Settings) -> Backup | None:
    """Make the copy that is due; None where none is, or another process is making it."""
    due = next_backup_at(settings)
    if due is None or due > now():
        return None
    folder = _made(Path(settings.backup_folder))
    with _alone(folder) as mine:
        due = next_backup_at(settings)
        return back_up(settings, folder) if mine and due is not None and due <= now() else None


def back_up(settings: Settings, folder: Path) -> Backup:
    """Make a checked copy in a folder, and take away the oldest beyond ``UPSLOPE_BACKUP_KEEP``.

    Raises
    ------
    UpslopeError
        The record is no SQLite file, cannot be read, or the copy does not pass its check; no half copy is left, and no
        earlier one is taken away.
    """
    if settings.sqlite_path is None:
        raise UpslopeError(
            "This makes copies of a SQLite file; copy a PostgreSQL database with its own tools."
        )
    for half_made in _made(folder).glob("upslope-*.making*"):  # by a process that was killed
        half_made.unlink(missing_ok=True)
    at = now().replace(microsecond=0)
    target = folder / f"upslope-{at:{_AT}}.db"
    # Under another name until it has passed, so that a copy with the right name is a sound one.
    making = target.with_suffix(".making")
    try:
        copy_sqlite(Path(settings.sqlite_path), making)
        refuse_unsound(making)
    except BaseException:
        making.unlink(missing_ok=True)
        raise
    making.replace(target)
    for old in backups_in(folder)[settings.backup_keep :]:
        old.path.unlink(missing_ok=True)
    return Backup(target, at, target.stat().st_size)


def _made(folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    return folder


@contextmanager
def _alone(folder: Path) -> Iterator[bool]:
    """Whether this process alone makes copies in the folder now."""
    with (folder / _LOCK).open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        yield True
