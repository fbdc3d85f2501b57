"""Work on several cores: processes, each with connections of its own, that write in turn."""

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from service.db.transactions import Store, Turn
    from service.settings import Settings

# A server that has loaded what is needed makes the workers: a fork of this process would copy the locks of its threads, and
# connections to the record.
_METHOD = "forkserver" if "forkserver" in multiprocessing.get_all_start_methods() else "spawn"

T = TypeVar("T")
R = TypeVar("R")


def cores() -> int:
    """How many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def get_ready(module: str) -> None:
    """Let what makes the workers load a module, while this process does something else."""
    if _METHOD == "forkserver":
        from multiprocessing import forkserver  # not everywhere

        multiprocessing.get_context(_METHOD).set_forkserver_preload(["__main__", module])
        forkserver.ensure_running()


def done_by_all(
    store: "Store", work: "Callable[[Store, T], R]", items: Sequence[T], *, processes: int
) -> Iterator[R]:
    """What `work` makes of each item, in the order of the items, as soon as it is there.

    Parameters
    ----------
    store : Store
    work : callable
        A function of a module, for it is named to other processes; what it takes and answers is sent between them.
    items : sequence
    processes : int
        With one, or with fewer than two items, this process does the work itself.

    Raises
    ------
    Exception
        What `work` raised for an item; items after it that were not begun are not done.
    """
    processes = min(processes, len(items))
    if processes < 2:
        yield from (work(store, item) for item in items)
        return
    get_ready((work.func if isinstance(work, partial) else work).__module__)
    context = multiprocessing.get_context(_METHOD)
    pool = ProcessPoolExecutor(
        processes, mp_context=context, initializer=_begin, initargs=(store.settings, context.Lock())
    )
    try:
        yield from pool.map(partial(_done, work), items)
    finally:
        pool.shutdown(cancel_futures=True)


_store: "Store | None" = None


def _begin(settings: "Settings", writers: "Turn") -> None:
    from service.db.transactions import Store

    global _store  # noqa: PLW0603 a worker has one store for its life
    _store = Store(settings, writers=writers)


def _done(work: "Callable[[Store, T], R]", item: T) -> R:
    assert _store is not None  # noqa: S101 the worker was begun
    return work(_store, item)
