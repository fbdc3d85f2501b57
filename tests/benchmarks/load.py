"""A client that asks quickly: several connections, each with one request at a time, and as little work as may be.

A general client takes longer over an answer than the service does; what is measured would be the client.
"""

import asyncio
import time
from collections.abc import Iterator
from dataclasses import dataclass

CONNECTIONS = 8


@dataclass(frozen=True, slots=True)
class Load:
    """What was answered.

    Attributes
    ----------
    per_second : float
    p50_ms, p99_ms : float
    """

    per_second: float
    p50_ms: float
    p99_ms: float


def request(
    address: str, *, headers: dict[str, str] | None = None, body: bytes = b"", method: str = "GET"
) -> bytes:
    """The bytes of a request."""
    told = {"Host": "127.0.0.1", "Accept": "*/*", **(headers or {})}
    if body:
        told["Content-Length"] = str(len(body))
    lines = [f"{method} {address} HTTP/1.1", *(f"{name}: {value}" for name, value in told.items()), "", ""]
    return "\r\n".join(lines).encode() + body


def asked(
    port: int,
    requests: Iterator[bytes],
    *,
    status: int = 200,
    seconds: float = 1.0,
    connections: int = CONNECTIONS,
) -> Load:
    """Ask for so long, one request a connection at a time.

    Parameters
    ----------
    requests : iterator of bytes
        Shared by the connections; where it ends, the asking ends.
    status : int
        That every answer must have.
    """
    return asyncio.run(_asked(port, requests, status, seconds, connections))


def answered(port: int, one: bytes) -> tuple[dict[str, str], bytes]:
    """Headers, in lower case, and body of one answer."""
    kept: list[tuple[dict[str, str], bytes]] = []

    async def ask() -> None:
        loop = asyncio.get_running_loop()
        _, connection = await loop.create_connection(
            lambda: _Connection(iter([one]), None, time.perf_counter() + 60, kept), "127.0.0.1", port
        )
        await connection.done

    asyncio.run(ask())
    return kept[0]


async def _asked(port: int, requests: Iterator[bytes], status: int, seconds: float, connections: int) -> Load:
    loop = asyncio.get_running_loop()
    began = time.perf_counter()
    until = began + seconds
    opened = [
        (await loop.create_connection(lambda: _Connection(requests, status, until), "127.0.0.1", port))[1]
        for _ in range(connections)
    ]
    await asyncio.gather(*(one.done for one in opened))
    took_s = time.perf_counter() - began
    taken = sorted(took for one in opened for took in one.taken_s)
    return Load(
        len(taken) / took_s,
        1000 * taken[len(taken) // 2],
        1000 * taken[min(len(taken) - 1, len(taken) * 99 // 100)],
    )


class _Connection(asyncio.Protocol):
    def __init__(
        self,
        requests: Iterator[bytes],
        status: int | None,
        until: float,
        kept: list[tuple[dict[str, str], bytes]] | None = None,
    ) -> None:
        self.requests = requests
        self.expected = None if status is None else f"HTTP/1.1 {status} ".encode()
        self.until = until
        self.kept = kept
        self.taken_s: list[float] = []
        self.done: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._buffer = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport
        self._ask()

    def _ask(self) -> None:
        now = time.perf_counter()
        one = next(self.requests, None) if now < self.until else None
        if one is None:
            self.transport.close()
            self.done.set_result(None)
            return
        self._began = now
        self.transport.write(one)  # type: ignore[attr-defined] # a transport of a socket writes

    def data_received(self, data: bytes) -> None:
        self._buffer += data
        end = self._buffer.find(b"\r\n\r\n")
        if end < 0:
            return
        head = self._buffer[:end].lower()
        place = head.find(b"content-length:")
        size = int(head[place + 15 :].split(b"\r\n", 1)[0]) if place >= 0 else 0
        if len(self._buffer) < end + 4 + size:
            return
        if self.expected is not None and not self._buffer.startswith(self.expected):
            self._fail(RuntimeError(f"answered: {self._buffer[:200]!r}"))
            return
        if self.kept is not None:
            lines = self._buffer[:end].decode().split("\r\n")[1:]
            headers = {name.lower(): value for name, _, value in (line.partition(": ") for line in lines)}
            self.kept.append((headers, self._buffer[end + 4 : end + 4 + size]))
        self._buffer = self._buffer[end + 4 + size :]
        self.taken_s.append(time.perf_counter() - self._began)
        self._ask()

    def _fail(self, error: Exception) -> None:
        if not self.done.done():
            self.done.set_exception(error)

    def connection_lost(self, error: Exception | None) -> None:
        self._fail(error or RuntimeError("the service closed a connection"))
