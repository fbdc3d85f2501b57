"""Headers of every answer, and one line in the log for each request."""

import secrets
import time

import structlog
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.http.metrics import Metrics

_log = structlog.get_logger("service.requests")


class HeadersMiddleware:
    """Gives each request an id, and each answer the headers that keep health data out of caches and frames."""

    def __init__(self, app: ASGIApp, *, metrics: Metrics) -> None:
        self.app = app
        self.metrics = metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, and complete the answer's headers."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request_id = secrets.token_hex(8)
        began = time.perf_counter()
        status = 500

        async def completed(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = MutableHeaders(scope=message)
                headers["X-Request-Id"] = request_id
                headers["X-Content-Type-Options"] = "nosniff"
                headers["Referrer-Policy"] = "no-referrer"
                if scope["path"].startswith("/v1"):
                    headers.setdefault("Cache-Control", "no-store")
            await send(message)

        self.metrics.began()
        try:
            await self.app(scope, receive, completed)
        finally:
            # The route's pattern and not its path: ids are personal data in a log.
            route = getattr(scope.get("route"), "path", None)
            principal = (scope.get("state") or {}).get("principal")
            seconds = time.perf_counter() - began
            self.metrics.answered(method=scope["method"], route=route, status=status, seconds=seconds)
            _log.info(
                "answered",
                request_id=request_id,
                method=scope["method"],
                route=route,
                status=status,
                ms=round(seconds * 1000, 1),
                key=principal.name if principal else None,
            )
