"""A recovery drill: a copy made while others write, the record lost, the copy put in its place, everything checked."""

import os
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa

from service.backups.workflow import back_up
from service.db.migrate import restore_sqlite
from service.db.models import Subject
from service.db.transactions import Store
from service.settings import Settings
from service.upkeep.workflow import run_checks
from tests.api.conftest import Laboratory

pytestmark = pytest.mark.sqlite_file


@pytest.mark.parametrize("seconds", [0.5, pytest.param(20.0, marks=pytest.mark.proof)], ids=["quick", "full"])
def test_what_was_answered_before_the_copy_was_begun_is_in_it(seconds, store, client, tmp_path, figures):
    laboratory = Laboratory(client)
    laboratory.complete(laboratory.visit(laboratory.subject(code="first")["id"])["id"])
    answered: list[str] = []
    ended = threading.Event()

    def write(name: str) -> None:
        number = 0
        while not ended.is_set():
            code = f"{name}-{number:06}"
            with store.write(name) as transaction:
                transaction.session.add(Subject(code=code, revision=1, created_at=datetime.now(UTC)))
                transaction.changed("subject", code, action="created", payload={"after": {"code": code}})
            answered.append(code)
            number += 1

    threads = [threading.Thread(target=write, args=(name,)) for name in "abcd"]
    for thread in threads:
        thread.start()
    copies, until = 0, time.monotonic() + seconds
    settings = store.settings.model_copy(update={"backup_keep": 10_000})
    while copies == 0 or time.monotonic() < until:
        time.sleep(min(0.2, seconds / 4))
        before = list(answered)
        copy = back_up(settings, tmp_path / "copies")
        copies += 1
    ended.set()
    for thread in threads:
        thread.join()
    store.close()
    path = Path(store.settings.sqlite_path)
    path.write_bytes(os.urandom(100_000))  # the disk gave up
    told = restore_sqlite(copy.path, path)
    assert "What was there is kept" in told
    restored = Settings(database_url=store.settings.database_url)
    outcomes = run_checks(restored)
    assert all(one.passed for one in outcomes), outcomes
    again = Store(restored)
    with again.read() as session:
        codes = set(session.scalars(sa.select(Subject.code)))
    again.close()
    assert set(before) | {"first"} <= codes
    # What came later is a whole write or none: the check has walked the chain of every one.
    assert codes <= set(answered) | {"first"}
    figures(
        "recovery",
        f"{copies} copies made while 4 threads wrote, the last with all {len(before)} writes answered before it was "
        f"begun; record destroyed, restored, check clean",
    )
