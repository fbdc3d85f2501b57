"""Short reads of what is decided before a route is chosen."""

from collections.abc import Callable
from typing import TypeVar

import sqlalchemy as sa
from sqlalchemy.exc import OperationalError
from starlette.concurrency import run_in_threadpool

from service.db.transactions import Store

T = TypeVar("T")


async def promptly(store: Store, ask: Callable[[sa.Connection], T]) -> T:
    """What `ask` finds by an index, on one snapshot of the record.

    SQLite is read where the request is: it answers in less time than a switch to another thread takes, and no writer
    makes a reader wait. In the rare moments in which one would have to (the file is held, or is being recovered), and
    always on PostgreSQL, another thread waits.

    Raises
    ------
    DBAPIError
    """
    if store.prompt_engine is not None:
        try:
            return _asked(store.prompt_engine, ask)
        except OperationalError:
            pass  # where waiting does not help, the patient reader meets the same error
    return await run_in_threadpool(_asked, store.read_engine, ask)


def _asked(engine: sa.Engine, ask: Callable[[sa.Connection], T]) -> T:
    with engine.connect() as connection:
        return ask(connection)
