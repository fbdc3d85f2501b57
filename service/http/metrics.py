"""Numbers for whoever runs the service: how much is asked, how it is answered, how long it takes. No ids, no names.

In the text format of Prometheus, an open one that many programs read.
"""

import os
from typing import Any

from prometheus_client import (
    CONTENT_TYPE_LATEST,
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    generate_latest,
)
from prometheus_client.multiprocess import MultiProcessCollector

#: The folder in which the processes of one service put their numbers together; `upslope serve` sets it for several.
FOLDER_VARIABLE = "PROMETHEUS_MULTIPROC_DIR"

_BUCKETS_S = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)


class Metrics:
    """What one service counts."""

    def __init__(self) -> None:
        self._registry = CollectorRegistry()
        self._requests = Counter(
            "upslope_requests",
            "Requests answered.",
            ["method", "route", "status"],
            registry=self._registry,
        )
        self._seconds = Histogram(
            "upslope_request_seconds",
            "Time from a request to the end of its answer.",
            ["method", "route"],
            buckets=_BUCKETS_S,
            registry=self._registry,
        )
        self._open = Gauge(
            "upslope_requests_open",
            "Requests being answered.",
            registry=self._registry,
            multiprocess_mode="livesum",
        )

    def began(self) -> None:
        """A request came."""
        self._open.inc()

    def answered(self, *, method: str, route: str | None, status: int, seconds: float) -> None:
        """A request was answered; one that no route knows is counted under one name, whatever it asked for."""
        self._open.dec()
        known = method if method in {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"} else "other"
        where = route or "unknown"
        self._requests.labels(known, where, str(status)).inc()
        self._seconds.labels(known, where).observe(seconds)

    def text(self, gauges: dict[str, tuple[str, float]]) -> tuple[bytes, str]:
        """All numbers, and the media type of their format.

        Parameters
        ----------
        gauges : dict
            Values of now by name, each with what it is.
        """
        registry: Any = self._registry
        if FOLDER_VARIABLE in os.environ:
            registry = CollectorRegistry()
            MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
        told = generate_latest(registry)
        # Values of now belong to no process: as text, since several processes would each add theirs.
        lines = [
            f"# HELP {name} {words}\n# TYPE {name} gauge\n{name} {value:g}\n"
            for name, (words, value) in gauges.items()
        ]
        return told + "".join(lines).encode(), CONTENT_TYPE_LATEST
