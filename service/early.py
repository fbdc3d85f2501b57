"""The service from its first moment: the probes are answered while the rest is being loaded, and all other requests wait for it.

Loading every part takes longer than starting to listen. A request that comes in between is answered as soon as it can be, and
not refused; whoever watches the process need not wait.
"""

import asyncio
import gc
import logging
import signal
import traceback
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from functools import partial
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response
from starlette.routing import Router
from starlette.types import Receive, Scope, Send

from service.http.probes import health, readiness
from service.settings import Settings

if TYPE_CHECKING:
    from fastapi import FastAPI

_log = logging.getLogger("service.early")
_OK = 200
_HEADERS = {"X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer"}


class Early:
    """Answers the probes until the whole service is there, and hands everything to it from then on.

    Parameters
    ----------
    settings : Settings
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._lifespan = Router(lifespan=self._live)
        self._whole: asyncio.Future[FastAPI] | None = None
        self._probes: dict[str, Callable[[], Awaitable[Response]]] = {
            "/healthz": self._healthz,
            "/readyz": self._readyz,
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or wait and pass on."""
        if scope["type"] == "lifespan":
            await self._lifespan(scope, receive, send)
            return
        assert self._whole is not None  # noqa: S101 a server begins with the lifespan
        probe = self._probes.get(scope["path"]) if scope.get("method") == "GET" else None
        if probe is not None and not self._whole.done():
            answer = await probe()
            await answer(scope, receive, send)
            return
        # One request that is given up must not take the service from the others that wait.
        whole = await asyncio.shield(self._whole)
        await whole(scope, receive, send)

    async def _healthz(self) -> Response:
        return JSONResponse(health(), headers=_HEADERS)

    async def _readyz(self) -> Response:
        status, body = await run_in_threadpool(readiness, self._settings)
        if status == _OK:
            # Requests are not refused meanwhile, but whoever chooses between services had better choose another.
            status, body = 503, {"status": "not ready", "reason": "the service is being loaded"}
        return JSONResponse(body, status, headers=_HEADERS)

    @asynccontextmanager
    async def _live(self, router: Any) -> AsyncIterator[None]:
        del router
        self._whole = asyncio.get_running_loop().create_future()
        ended = asyncio.Event()
        living = asyncio.create_task(self._run(self._whole, ended))
        yield
        ended.set()
        await living

    async def _run(self, whole: "asyncio.Future[FastAPI]", ended: asyncio.Event) -> None:
        """Load the whole service, and let it live until the end."""
        try:
            loaded = await asyncio.to_thread(partial(_load, self._settings))
            async with loaded.router.lifespan_context(loaded):
                whole.set_result(loaded)
                await ended.wait()
        except Exception as error:
            if whole.done():
                raise
            # A process that can answer nothing else must not go on saying that it is well.
            _log.critical("The service could not be loaded:\n%s", traceback.format_exc())
            whole.set_exception(error)
            signal.raise_signal(signal.SIGTERM)


def _load(settings: Settings) -> "FastAPI":
    # What is loaded stays: looking through it for rubbish, again and again, would take a tenth of the time.
    gc.disable()
    try:
        from service.app import configure_logging, create_app

        configure_logging(settings.log_level)
        return create_app(settings, warm=True)
    finally:
        gc.freeze()
        gc.enable()


def from_environment() -> Early:
    """The service for the settings of the environment: what each of several worker processes makes."""
    return Early(Settings())
