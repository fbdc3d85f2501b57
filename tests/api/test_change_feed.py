"""The feed of changes never misses and never repeats: pollers beside writers, on a real file."""

import contextlib
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from service.db.models import Change, ChangePayload, Subject
from service.db.transactions import Store, now
from service.subjects.queries import bump

WRITER = Path(__file__).resolve().parents[1] / "db" / "writer.py"


def write_visits(store: Store, subject_pk: int, subject_id: str, name: str, number: int) -> None:
    """Transactions of one to four changes each under one subject; every fifth is undone, with its changes."""
    for turn in range(number):
        with contextlib.suppress(ZeroDivisionError), store.write(name) as transaction:
            bump(transaction.session, subject_pk)
            for part in range(1 + turn % 4):
                transaction.changed("visit", f"{name}-{turn}-{part}", action="changed", subject_id=subject_id)
            if turn % 5 == 4:
                transaction.write_changes()
                raise ZeroDivisionError


class Poller(threading.Thread):
    """Reads on from the place it has come to, until the writers have ended and nothing more comes."""

    def __init__(self, client: Any, limit: int, writers_ended: threading.Event) -> None:
        super().__init__()
        self.client, self.limit, self.ended = client, limit, writers_ended
        self.seen: list[dict[str, Any]] = []
        self.polls = 0
        self.empty = 0
        self.fault: str | None = None

    def run(self) -> None:
        since = 0
        while True:
            last_round = self.ended.is_set()
            answer = self.client.get("/v1/changes", params={"since": since, "limit": self.limit})
            if answer.status_code != 200:
                self.fault = answer.text
                return
            part = answer.json()
            self.polls += 1
            self.empty += not part["items"]
            if len(part["items"]) > self.limit or (part["more"] and len(part["items"]) < self.limit):
                self.fault = f"{len(part['items'])} items, more {part['more']}"
                return
            self.seen += part["items"]
            since = part["next_since"]
            if not part["more"]:
                if last_round:
                    return
                time.sleep(0.002)


def stored(store: Store, subject_id: str | None = None) -> list[tuple[int, str]]:
    """Seq and id of every change of the table, those of keys left out."""
    statement = sa.select(Change.seq, Change.id).where(Change.kind != "key").order_by(Change.seq)
    if subject_id is not None:
        statement = statement.where(Change.subject_id == subject_id)
    with store.read() as session:
        return [tuple(row) for row in session.execute(statement)]


@pytest.fixture
def two(store, make_key, open_client) -> dict[str, Any]:
    """Two subjects, and a reader's key for each alone."""
    answer: dict[str, Any] = {}
    for code in ("A", "B"):
        with store.write("test") as transaction:
            subject = Subject(code=code, created_at=now(), revision=1)
            transaction.session.add(subject)
            transaction.session.flush()
            transaction.changed("subject", subject.public_id, action="created", subject_id=subject.public_id)
        answer[code] = (subject.id, subject.public_id)
        key = make_key(store, f"reader of {code}", "reader", subject_codes=[code])
        answer[f"client of {code}"] = open_client(store, key)
    return answer


def followed(store, make_store, reader, two, *, writers: int, number: int, processes: int) -> list[Poller]:
    """Run writers of several connections and processes beside pollers; the pollers when all have ended."""
    ended = threading.Event()
    pollers = [
        *(Poller(reader, limit, ended) for limit in (1, 3, 500)),
        Poller(two["client of A"], 2, ended),
        Poller(two["client of B"], 7, ended),
    ]
    threads = [
        threading.Thread(
            # A store of its own: nothing but the file is shared, as between processes.
            target=write_visits,
            args=(make_store(), *two["AB"[place % 2]], f"writer {place}", number),
        )
        for place in range(writers)
    ]
    others = [
        subprocess.Popen(
            [sys.executable, str(WRITER), store.settings.database_url, f"process {place}", str(number)],
            stdout=subprocess.DEVNULL,
            cwd=WRITER.parents[2],
        )
        for place in range(processes)
    ]
    for one in (*pollers, *threads):
        one.start()
    for thread in threads:
        thread.join()
    assert [process.wait(timeout=120) for process in others] == [0] * processes
    ended.set()
    for poller in pollers:
        poller.join(timeout=120)
        assert poller.fault is None
    return pollers


def check(store: Store, two: dict[str, Any], pollers: list[Poller]) -> None:
    expected = [stored(store)] * 3 + [stored(store, two[code][1]) for code in "AB"]
    for poller, changes in zip(pollers, expected, strict=True):
        # Equal as lists: nothing missed, nothing twice, in one order.
        assert [(item["seq"], item["id"]) for item in poller.seen] == changes
        # They read while it was written, and not once at the end.
        assert poller.polls > 5
    assert len(expected[3]) > 10
    assert {item["subject_id"] for item in pollers[3].seen} == {two["A"][1]}


def test_pollers_beside_writers_see_every_change_once(store, make_store, reader, two):
    pollers = followed(store, make_store, reader, two, writers=3, number=15, processes=0)
    check(store, two, pollers)
    undone = [f"writer {place}-{turn}-0" for place in range(3) for turn in range(4, 15, 5)]
    assert not {item["id"] for item in pollers[0].seen} & set(undone)


@pytest.mark.proof
def test_pollers_beside_many_writers_and_processes_see_every_change_once(store, make_store, reader, two):
    pollers = followed(store, make_store, reader, two, writers=4, number=80, processes=2)
    check(store, two, pollers)
    assert len(pollers[0].seen) > 1000


def test_a_part_is_told_to_have_more_only_where_there_is_more(store, two, reader):
    write_visits(store, *two["A"], "writer", 4)
    whole = reader.get("/v1/changes").json()["items"]
    for limit in range(1, len(whole) + 2):
        seen, since, more = [], 0, True
        while more:
            part = reader.get("/v1/changes", params={"since": since, "limit": limit}).json()
            assert len(part["items"]) == min(limit, len(whole) - len(seen))
            seen, since, more = seen + part["items"], part["next_since"], part["more"]
        assert seen == whole
    # A limited key: what it may not see does not count for its limit.
    part = two["client of B"].get("/v1/changes", params={"limit": 1}).json()
    assert ([item["id"] for item in part["items"]], part["more"]) == ([two["B"][1]], False)


def forget(store: Store, up_to: int) -> None:
    with store.write("upkeep") as transaction:
        for table in (ChangePayload, Change):
            transaction.session.execute(sa.delete(table).where(table.seq <= up_to))


def test_what_is_no_longer_kept_is_told(store, two, reader):
    write_visits(store, *two["A"], "writer", 4)
    seqs = [seq for seq, _ in stored(store)]
    forget(store, seqs[2])
    for since in (0, seqs[1]):
        answer = reader.get("/v1/changes", params={"since": since})
        assert answer.status_code == 410
        assert answer.json()["type"].endswith("#gone")
        assert f"kept from {seqs[3]} on" in answer.json()["detail"]
        # Where to go on once everything was read anew.
        assert answer.json()["next_since"] == seqs[-1]
    answer = reader.get("/v1/changes", params={"since": seqs[2]})
    assert [item["seq"] for item in answer.json()["items"]] == seqs[3:]


def test_a_number_left_out_at_the_beginning_is_not_a_lost_part(store, reader):
    # On a server an undone transaction uses up its numbers.
    with store.write("test") as transaction:
        transaction.session.add(
            Change(
                seq=5, at=now(), actor="x", kind="site", id="1", action="changed", payload_digest="", hash=""
            )
        )
        transaction.session.flush()
        transaction.session.execute(sa.delete(Change))
    with store.write("test") as transaction:
        transaction.changed("site", "1", action="changed")
    (only,) = reader.get("/v1/changes", params={"since": 0}).json()["items"]
    assert only["seq"] > 1
    assert reader.get("/v1/changes", params={"since": 1}).status_code == 200


def test_a_place_behind_the_end_is_told(store, two, reader):
    # The record was restored from an older copy: its numbers come a second time, and a poller would miss changes.
    (last, _) = stored(store)[-1]
    with store.read() as session:
        newest = session.scalar(sa.select(sa.func.max(Change.seq)))
    assert reader.get("/v1/changes", params={"since": newest}).json()["items"] == []
    answer = reader.get("/v1/changes", params={"since": newest + 1})
    assert (answer.status_code, answer.json()["next_since"]) == (410, newest)
    assert "older copy" in answer.json()["detail"]
    assert last <= newest
