"""Answers are read up to a bound: an endpoint that goes on without end is broken off."""

from __future__ import annotations

from collections.abc import Iterable
from ssl import SSLContext
from typing import Any

import httpcore
import httpx

#: Bytes of one answer that are read at most, its TLS not counted; a status and a few headers are all that is wanted.
MOST = 64 * 1024


class _ShortStream(httpcore.NetworkStream):
    """A connection; what is written begins a new answer."""

    def __init__(self, stream: httpcore.NetworkStream) -> None:
        self._stream = stream
        self._left = MOST

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        if self._left <= 0:
            raise httpcore.RemoteProtocolError(f"more than {MOST} bytes")
        data = self._stream.read(min(max_bytes, self._left), timeout)
        self._left -= len(data)
        return data

    def write(self, buffer: bytes, timeout: float | None = None) -> None:
        self._left = MOST
        self._stream.write(buffer, timeout)

    def close(self) -> None:
        self._stream.close()

    def start_tls(
        self, ssl_context: SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.NetworkStream:
        return _ShortStream(self._stream.start_tls(ssl_context, server_hostname, timeout))

    def get_extra_info(self, info: str) -> Any:
        return self._stream.get_extra_info(info)


class _ShortBackend(httpcore.SyncBackend):
    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.NetworkStream:
        return _ShortStream(super().connect_tcp(host, port, timeout, local_address, socket_options))


def read_short_answers(client: httpx.Client) -> httpx.Client:
    """Bounds what the client reads of an answer. It has no setting for that, so its connections are wrapped."""
    for transport in (client._transport, *client._mounts.values()):
        if isinstance(transport, httpx.HTTPTransport):
            transport._pool._network_backend = _ShortBackend()
    return client
