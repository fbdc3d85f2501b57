"""Telling those who watch a test what is recorded of it.

One task a process reads the feed of changes, in a short transaction of its own, and hands what it finds to all who listen; it
runs only while somebody does. A listener holds neither a session nor a connection.
"""

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import structlog
from sqlalchemy.orm import Session

from service.changes.queries import check_kept
from service.db.transactions import Store
from service.errors import Gone, NotFound, TooManyRequests
from service.recordings import queries as recordings
from service.watching import queries
from service.watching.queries import Noted

_log = structlog.get_logger(__name__)

#: Statuses of a test that more is expected of.
OPEN = ("planned", "recording")
#: Changes that are told one by one; beyond that the present state is all that is told.
_MOST_REPLAYED = 500


@dataclass(frozen=True, slots=True)
class Told:
    """One event of the stream.

    Attributes
    ----------
    name : {"change", "end"}
    data : dict
    seq : int, optional
        Where to go on from, as Last-Event-ID.
    """

    name: str
    data: dict[str, Any]
    seq: int | None = None

    def text(self) -> str:
        """As it stands in the stream; JSON has no line ends of its own."""
        head = "" if self.seq is None else f"id: {self.seq}\n"
        return f"{head}event: {self.name}\ndata: {json.dumps(self.data, default=str, allow_nan=False)}\n\n"


@dataclass(frozen=True, slots=True)
class Listens:
    """Who listens, and to what.

    Attributes
    ----------
    test_pk : int
    test_id : str
    key_id : int
    digest : str, optional
        Of the secret, or of the session of a browser: either may end before the key does.
    """

    test_pk: int
    test_id: str
    key_id: int
    digest: str | None = None


@dataclass(eq=False, slots=True)
class _Listener:
    who: Listens
    # None closes the stream; whoever watches comes again by itself.
    waiting: asyncio.Queue[Told | None]
    after: int | None = None
    fell_behind: bool = False


@dataclass(frozen=True, slots=True)
class _Found:
    """What one reading of the feed found."""

    end: int
    told: dict[str, list[Told]] = field(default_factory=dict)
    over: dict[str, str] = field(default_factory=dict)
    keys: set[int] = field(default_factory=set)
    digests: set[str] = field(default_factory=set)


class Watch:
    """All who listen in this process.

    Parameters
    ----------
    store : callable
        The store of the process.
    most_listeners : int
        Beyond that one more is refused.
    most_waiting : int
        Events that wait for one listener; who falls further behind is let go, and may come again with Last-Event-ID.
    every_s : float
        Between two readings of the feed.
    silence_s : float
        After so long without an event a line of comment shows that the connection is there.
    """

    def __init__(
        self,
        store: Callable[[], Store],
        *,
        most_listeners: int = 200,
        most_waiting: int = 200,
        every_s: float = 0.5,
        silence_s: float = 15.0,
    ) -> None:
        self._store = store
        self.most_listeners = most_listeners
        self.most_waiting = most_waiting
        self.every_s = every_s
        self.silence_s = silence_s
        self._listeners: set[_Listener] = set()
        self._task: asyncio.Task[None] | None = None

    def join(self, who: Listens) -> "_Listener":
        """Take a place among those who listen.

        Raises
        ------
        TooManyRequests
            There are as many as this process serves.
        """
        if len(self._listeners) >= self.most_listeners:
            raise TooManyRequests(
                f"{self.most_listeners} screens watch tests at this service already; close one, or try again later.",
                extra={"retry_after_s": 10},
            )
        listener = _Listener(who, asyncio.Queue(self.most_waiting))
        self._listeners.add(listener)
        if self._task is None or self._task.done():
            self._task = asyncio.get_running_loop().create_task(self._follow_the_feed())
        return listener

    def leave(self, listener: "_Listener") -> None:
        """Give the place back."""
        self._listeners.discard(listener)

    async def begin(self, listener: "_Listener", since: int | None) -> tuple[list[Told], bool]:
        """What a listener is told first (what it missed, or the recording as it stands), and whether it is over."""
        told, listener.after, is_over = await asyncio.to_thread(self._first, listener.who, since)
        return told, is_over

    async def stream(self, listener: "_Listener", first: Iterable[Told]) -> AsyncIterator[str]:
        """The text of the stream, until the recording is over, the access ends, or the listener falls behind."""
        try:
            yield "retry: 2000\n\n"
            for told in first:
                yield told.text()
                if told.name == "end":
                    return
            while not (listener.fell_behind and listener.waiting.empty()):
                try:
                    heard = await asyncio.wait_for(listener.waiting.get(), self.silence_s)
                except TimeoutError:
                    yield ": nothing new\n\n"
                    continue
                if heard is None:
                    return
                yield heard.text()
                if heard.name == "end":
                    return
        finally:
            self.leave(listener)

    def let_go(self) -> None:
        """Close every stream: the process is about to end, and waits for its answers."""
        for one in self._listeners:
            with contextlib.suppress(asyncio.QueueFull):  # then it has fallen behind, and is closed by that
                one.waiting.put_nowait(None)

    async def stop(self) -> None:
        """Let everybody go; the process ends."""
        self._listeners.clear()
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task

    def _first(self, who: Listens, since: int | None) -> tuple[list[Told], int, bool]:
        with self._store().read() as session:
            end = recordings.feed_end(session)
            noted: list[Noted] = []
            if since is not None:
                try:
                    check_kept(session, since)
                except Gone:
                    since = None
                else:
                    noted = queries.noted_since(session, [who.test_id], since, limit=_MOST_REPLAYED + 1)
            whole = since is None or len(noted) > _MOST_REPLAYED
            state = _state(session, who.test_pk) if whole or noted else None
            present = [Told("change", {"seq": end, "changed": [], "recording": state}, end)]
            told = present if whole else _changes(noted, state)
            status = recordings.status_of(session, who.test_pk)
        is_over = status not in OPEN
        if is_over and told:
            told.append(_end(status))
        return told, end, is_over

    async def _follow_the_feed(self) -> None:
        while self._listeners:
            await asyncio.sleep(self.every_s)
            ready = [one for one in self._listeners if one.after is not None]
            if not ready:
                continue
            try:
                found = await asyncio.to_thread(self._read, [one.who for one in ready], _earliest(ready))
            except Exception as error:  # noqa: BLE001 a busy database is asked again
                _log.warning("watching", error=type(error).__name__)
                continue
            for one in ready:
                self._hand_over(one, found)

    def _read(self, who: list[Listens], since: int) -> _Found:
        pks = {one.test_id: one.test_pk for one in who}
        told: dict[str, list[Told]] = {}
        over: dict[str, str] = {}
        with self._store().read() as session:
            end = recordings.feed_end(session)
            noted = queries.noted_since(session, pks, since, limit=_MOST_REPLAYED)
            if len(noted) == _MOST_REPLAYED:
                end = noted[-1].seq
            for test_id in {one.test_id for one in noted}:
                of_test = [one for one in noted if one.test_id == test_id]
                told[test_id] = _changes(of_test, _state(session, pks[test_id]))
            for test_id, pk in pks.items():
                status = recordings.status_of(session, pk)
                if status not in OPEN:
                    over[test_id] = status or "deleted"
            keys, digests = queries.allowed(
                session,
                sorted({one.key_id for one in who}),
                sorted({one.digest for one in who if one.digest is not None}),
            )
        return _Found(end, told, over, keys, digests)

    def _hand_over(self, one: "_Listener", found: _Found) -> None:
        who = one.who
        if who.key_id not in found.keys or (who.digest is not None and who.digest not in found.digests):
            told = [Told("end", {"reason": "access_ended"})]
        else:
            told = [each for each in found.told.get(who.test_id, ()) if (each.seq or 0) > (one.after or 0)]
            if who.test_id in found.over:
                told.append(_end(found.over[who.test_id]))
        one.after = max(one.after or 0, found.end)
        for each in told:
            try:
                one.waiting.put_nowait(each)
            except asyncio.QueueFull:
                one.fell_behind = True
                self.leave(one)
                return
            if each.name == "end":
                self.leave(one)


def _earliest(listeners: Iterable["_Listener"]) -> int:
    return min(one.after or 0 for one in listeners)


def _state(session: Session, test_pk: int) -> dict[str, Any] | None:
    """The recording as it stands; None once the test was deleted."""
    try:
        return recordings.out(session, test_pk).model_dump(mode="json")
    except NotFound:
        return None


def _changes(noted: list[Noted], state: dict[str, Any] | None) -> list[Told]:
    """Changes of one test; the last carries the recording as it stands."""
    return [
        Told(
            "change",
            {
                "seq": one.seq,
                "at": one.at.isoformat(),
                "changed": list(one.changed),
                **one.content,
                "recording": state if one is noted[-1] else None,
            },
            one.seq,
        )
        for one in noted
    ]


def _end(status: str | None) -> Told:
    return Told("end", {"reason": status or "deleted"})
