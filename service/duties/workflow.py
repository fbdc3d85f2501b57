"""Duties by the clock, in a thread of their own: none of them is in the way of a request, and none may stop the service."""

import threading
from collections.abc import Callable
from dataclasses import dataclass

import structlog

from service.backups.workflow import back_up_if_due
from service.db.transactions import Store
from service.http.keys import LastUse

_log = structlog.get_logger("service.duties")
_EVERY_S = 60.0


@dataclass(frozen=True, slots=True)
class Duty:
    """Something to be done about once a minute, and whether once more at the end."""

    name: str
    do: Callable[[], object]
    at_the_end: bool = False


class Duties:
    """Does its duties until it is stopped; what fails is logged and tried again the next time.

    Parameters
    ----------
    duties : sequence of Duty
    every_s : float
        Seconds from one round to the next.
    """

    def __init__(self, *duties: Duty, every_s: float = _EVERY_S) -> None:
        self._duties = duties
        self._every_s = every_s
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._go_on, name="duties", daemon=True)

    def start(self) -> None:
        """Begin; the first round is done at once."""
        self._thread.start()

    def stop(self) -> None:
        """End, after the round that is being done, and do what is to be done at the end."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join(timeout=30.0)
        self._round([one for one in self._duties if one.at_the_end])

    def _go_on(self) -> None:
        while True:
            self._round(self._duties)
            if self._ended.wait(self._every_s):
                return

    @staticmethod
    def _round(duties: "tuple[Duty, ...] | list[Duty]") -> None:
        for one in duties:
            try:
                one.do()
            except Exception as error:  # noqa: BLE001 whatever it is, it is told and the service goes on
                _log.error("duty failed", duty=one.name, error=type(error).__name__, reason=str(error)[:300])


def duties_of(store: Store, last_use: LastUse) -> Duties:
    """The duties of a service over this record."""

    def back_up() -> None:
        made = back_up_if_due(store.settings)
        if made is not None:
            _log.info("backed up", file=made.path.name, bytes=made.size_bytes)

    return Duties(
        Duty("last use of keys", lambda: last_use.write_down(store), at_the_end=True),
        Duty("backup", back_up),
    )
