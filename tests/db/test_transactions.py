"""What a transaction promises: all or nothing, in one order, whoever writes beside it."""

import importlib.util
import random
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa

from service.db.models import Change, ChangePayload, Subject, Visit
from service.db.transactions import Store, chained_hash, now, payload_digest

WRITER = Path(__file__).with_name("writer.py")
_spec = importlib.util.spec_from_file_location("writer", WRITER)
writer = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(writer)


def subject(code: str) -> Subject:
    return Subject(code=code, created_at=now())


def codes(store) -> set[str]:
    with store.read() as session:
        return set(session.scalars(sa.select(Subject.code)))


def assert_whole(store, *, rows: int = 3) -> int:
    """Every subject has all its visits and its changes, and the chain verifies; answers the number of subjects."""
    with store.read() as session:
        for person in session.scalars(sa.select(Subject)):
            visits = session.scalar(
                sa.select(sa.func.count()).select_from(Visit).where(Visit.subject_id == person.id)
            )
            assert visits == rows == person.revision
            changes = session.scalar(
                sa.select(sa.func.count()).select_from(Change).where(Change.subject_id == person.public_id)
            )
            assert changes == rows + 1
        previous, numbers = "", []
        for change, payload in session.execute(
            sa.select(Change, ChangePayload)
            .join(ChangePayload, ChangePayload.seq == Change.seq)
            .order_by(Change.seq)
        ):
            assert payload_digest(payload.salt, payload.payload) == change.payload_digest
            previous = chained_hash(
                previous,
                at=change.at,
                actor=change.actor,
                kind=change.kind,
                id=change.id,
                subject_id=change.subject_id,
                action=change.action,
                digest=change.payload_digest,
            )
            assert previous == change.hash, f"entry {change.seq}"
            numbers.append(change.seq)
        assert session.execute(sa.text("PRAGMA integrity_check")).scalar_one() == "ok"
        assert session.execute(sa.text("PRAGMA foreign_key_check")).fetchall() == []
        return session.scalar(sa.select(sa.func.count()).select_from(Subject))


def test_an_exception_undoes_everything(store):
    def broken() -> None:
        with store.write("test") as transaction:
            transaction.session.add(subject("a"))
            transaction.changed("subject", "a", action="created")
            transaction.session.flush()
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        broken()
    assert codes(store) == set()
    with store.read() as session:
        assert session.scalars(sa.select(Change)).all() == []
    with store.write("test") as transaction:
        transaction.session.add(subject("b"))
    assert codes(store) == {"b"}


def test_the_write_lock_is_held_from_the_first_read(store, settings):
    # What is read in a write transaction cannot be changed by another before it is written.
    with (
        store.write("test") as transaction,
        closing(sqlite3.connect(settings.sqlite_path, timeout=0)) as other,
    ):
        transaction.session.scalars(sa.select(Subject)).all()
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            other.execute("BEGIN IMMEDIATE")


@pytest.mark.parametrize(
    "statement",
    ["INSERT INTO site (revision, settings) VALUES (1, '{}')", "DELETE FROM subject", "DROP TABLE subject"],
)
def test_a_read_session_cannot_write(store, statement):
    with store.read() as session, pytest.raises(sa.exc.OperationalError, match="readonly"):
        session.execute(sa.text(statement))


def test_a_reader_sees_one_snapshot(store):
    with store.read() as session:
        before = session.scalar(sa.select(sa.func.count()).select_from(Subject))
        with store.write("test") as transaction:
            transaction.session.add(subject("later"))
        assert session.scalar(sa.select(sa.func.count()).select_from(Subject)) == before
    assert codes(store) == {"later"}


def test_a_write_within_a_write_is_a_mistake_and_no_deadlock(store):
    with store.write("outer"), pytest.raises(RuntimeError, match="within another"), store.write("inner"):
        pass
    with store.write("after") as transaction:
        transaction.session.add(subject("after"))
    assert codes(store) == {"after"}


def test_foreign_keys_are_held(store):
    def orphan() -> None:
        with store.write("test") as transaction:
            transaction.session.add(Visit(subject_id=99, started_at=now(), utc_offset_minutes=0))

    with pytest.raises(sa.exc.IntegrityError, match="FOREIGN KEY"):
        orphan()


def test_an_instant_without_offset_is_refused(store):
    def naive() -> None:
        with store.write("test") as transaction:
            transaction.session.add(Subject(code="a", created_at=now().replace(tzinfo=None)))

    with pytest.raises(sa.exc.StatementError, match="offset"):
        naive()


def test_changes_stand_in_the_order_of_the_commits(store):
    order: list[str] = []
    watch = threading.Lock()

    def write(name: str) -> None:
        for turn in range(5):
            with store.write(name) as transaction:
                transaction.changed("subject", f"{name}-{turn}", action="created")
                with watch:  # noted while the write lock is held: the order in which they will commit
                    order.append(f"{name}-{turn}")

    run_all([threading.Thread(target=write, args=(f"thread{n}",)) for n in range(6)])
    with store.read() as session:
        assert list(session.scalars(sa.select(Change.id).order_by(Change.seq))) == order


def test_numbers_of_changes_are_not_used_again(store):
    with store.write("test") as transaction:
        transaction.changed("subject", "a", action="created")
    with store.write("test") as transaction:
        transaction.session.execute(sa.delete(Change))
    with store.write("test") as transaction:
        transaction.changed("subject", "b", action="created")
    with store.read() as session:
        assert list(session.scalars(sa.select(Change.seq))) == [2]


def run_all(threads: list[threading.Thread]) -> None:
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def crowd(settings, seconds: float, *, writers: int, readers: int) -> None:
    """Writers and readers at once; no error, no lost write, no torn read."""
    store = Store(settings)
    faults: list[BaseException] = []
    written: list[str] = []
    until = time.monotonic() + seconds

    def write(name: str) -> None:
        turn = 0
        try:
            while time.monotonic() < until:
                writer.write_one(store, f"{name}-{turn}")
                written.append(f"{name}-{turn}")
                turn += 1
        except Exception as error:  # noqa: BLE001 shown by the assertion below
            faults.append(error)

    def read() -> None:
        try:
            while time.monotonic() < until:
                with store.read() as session:
                    people = session.scalar(sa.select(sa.func.count()).select_from(Subject))
                    visits = session.scalar(sa.select(sa.func.count()).select_from(Visit))
                    assert visits == 3 * people
        except BaseException as error:  # noqa: BLE001 shown by the assertion below
            faults.append(error)

    run_all(
        [threading.Thread(target=write, args=(f"w{n}",)) for n in range(writers)]
        + [threading.Thread(target=read) for _ in range(readers)]
    )
    assert faults == []
    assert len(written) >= writers, "not every writer had a turn"
    assert codes(store) == set(written)
    assert_whole(store)
    store.close()


def test_sixteen_writers_and_sixteen_readers(store, settings):
    crowd(settings, 3.0, writers=16, readers=16)


@pytest.mark.proof
def test_sixteen_writers_and_sixteen_readers_for_a_minute(store, settings):
    crowd(settings, 60.0, writers=16, readers=16)


def start(settings, name: str, number: int, rows: int = 3) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, str(WRITER), settings.database_url, name, str(number), str(rows)],
        stdout=subprocess.PIPE,
        text=True,
    )


def test_two_processes_write_at_once(store, settings):
    processes = [start(settings, name, 20) for name in ("one", "two")]
    for turn in range(20):  # and this process as a third
        writer.write_one(store, f"own-{turn}")
    for process in processes:
        process.communicate(timeout=60)
        assert process.returncode == 0
    assert assert_whole(store) == 60


def kill_and_look(store, settings, times: int) -> int:
    """Kill a writing process again and again; answers how often it died within a transaction."""
    torn = 0
    for turn in range(times):
        process = start(settings, f"run{turn}", 10_000, rows=25)
        process.stdout.readline()
        time.sleep(random.uniform(0.0, 0.15))
        process.kill()
        said = [int(line) for line in process.stdout.read().split()]
        process.wait()
        process.stdout.close()
        kept = {code for code in codes(store) if code.startswith(f"run{turn}-")}
        # What it said was committed is there; one more may be, if it died between the commit and the word.
        told = max(said, default=0) + 1
        assert kept in (
            {f"run{turn}-{n}" for n in range(told)},
            {f"run{turn}-{n}" for n in range(told + 1)},
        )
        torn += len(kept) == told
        assert_whole(store, rows=25)
    return torn


def test_a_killed_writer_leaves_the_earlier_state(store, settings):
    kill_and_look(store, settings, 3)


@pytest.mark.proof
def test_fifty_killed_writers_leave_the_earlier_state(store, settings):
    assert kill_and_look(store, settings, 50) > 10
