"""A connection to the page, as nobody can make it cost much: few at a time, and each must get on with it."""

from __future__ import annotations

import asyncio
from typing import Any, cast

from uvicorn.protocols.http.h11_impl import H11Protocol

#: Connections at a time, at most, and of them from one other computer.
MOST = 32
MOST_OF_ONE = 16
#: A request must be there within so many seconds.
REQUEST_S = 5.0
#: Bytes that wait for a slow reader, at most, beside what the system keeps.
_WAITING = 16_384
_FULL = b"Too many pages are open already; close one."
_REFUSAL = (
    b"HTTP/1.1 503 Service Unavailable\r\nContent-Type: text/plain\r\nRetry-After: 5\r\nConnection: close\r\n"
    b"Content-Length: %d\r\n\r\n%s" % (len(_FULL), _FULL)
)


class GuardedConnection(H11Protocol):
    """The server's own connection with a bound on their number and on the time that a request may take to arrive."""

    def __init__(self, *given: Any, **options: Any) -> None:
        super().__init__(*given, **options)
        self._deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Turned away in one word where there are too many."""
        writing = cast(asyncio.Transport, transport)
        super().connection_made(writing)
        mine = self.client[0] if self.client else ""
        of_one = sum(1 for other in self.connections if _client(other) == mine)
        if len(self.connections) > MOST or (of_one > MOST_OF_ONE and not mine.startswith("127.")):
            self.connections.discard(self)
            writing.write(_REFUSAL)
            writing.close()
            return
        writing.set_write_buffer_limits(high=_WAITING)
        self._watch()

    def data_received(self, data: bytes) -> None:
        """Nothing more is read once it was turned away."""
        if self.transport.is_closing():
            return
        super().data_received(data)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """It is over."""
        self._unwatch()
        super().connection_lost(exc)

    def _watch(self) -> None:
        """Between requests and in the middle of one the clock runs; while one is answered it does not."""
        if self.cycle is not None and not self.cycle.response_complete:
            self._unwatch()
        elif self._deadline is None:
            self._deadline = self.loop.call_later(REQUEST_S, self._too_slow)

    def _unwatch(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    def _too_slow(self) -> None:
        self._deadline = None
        if self.cycle is None or self.cycle.response_complete:
            self.transport.abort()


def _client(connection: Any) -> str:
    return connection.client[0] if connection.client else ""
