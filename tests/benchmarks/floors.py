"""What the service is held against: ``python -m tests.benchmarks.floors PORT`` with the record in the environment.

`/bare/SIZE` is the framework alone: a coroutine that answers constant bytes. `/v1/floor/SIZE` asks for the same key as the
service does, by its own middleware, reads `select 1` the way the service reads, and answers constant bytes.
`/write` is a constant answer after a bare commit of one row by the database's own driver.
"""

import sys
from pathlib import Path

import sqlalchemy as sa
import uvicorn
from fastapi import FastAPI
from starlette.responses import Response

from service.db.transactions import Store
from service.http.keys import KeyMiddleware, LastUse, PerMinute
from service.http.reading import promptly
from service.settings import Settings
from tests.benchmarks.bare import Bare

_JSON = "application/json"


def app_of(settings: Settings, file: Path) -> FastAPI:
    """The floors on a record; what `/write` commits goes into a file of its own."""
    app = FastAPI()
    app.state.store = store = Store(settings)
    one = sa.select(1)
    bodies: dict[int, bytes] = {}
    bare_table = Bare(settings, file, 20)
    row = [1.5] * 20

    def constant(size: int) -> Response:
        return Response(bodies.setdefault(size, b"x" * size), media_type=_JSON)

    @app.get("/bare/{size}")
    async def bare(size: int) -> Response:
        return constant(size)

    @app.get("/v1/floor/{size}")
    async def floor(size: int) -> Response:
        await promptly(store, lambda connection: connection.scalar(one))
        return constant(size)

    @app.post("/write/{size}")
    async def write(size: int) -> Response:
        bare_table.store([row])
        return constant(size)

    app.add_middleware(
        KeyMiddleware,
        settings=settings,
        failures=PerMinute(settings.auth_failures_per_minute),
        last_use=LastUse(),
    )
    return app


if __name__ == "__main__":
    uvicorn.run(
        app_of(Settings(), Path(sys.argv[2])),
        host="127.0.0.1",
        port=int(sys.argv[1]),
        log_level="warning",
        access_log=False,
    )
