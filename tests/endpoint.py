"""A webhook endpoint on this computer that behaves as it is told, well or badly."""

from __future__ import annotations

import socket
import ssl
import struct
import threading
import time
from collections import deque
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Self

from patience import PATIENCE_S, wait_until


@dataclass(frozen=True)
class Behaviour:
    """status: of the answer. headers: further ones. wait_s: before it. reset: break the connection off instead."""

    status: int = 204
    headers: tuple[tuple[str, str], ...] = ()
    wait_s: float = 0.0
    reset: bool = False


@dataclass(frozen=True)
class Try:
    """One request as it came. at: seconds, monotonic."""

    at: float
    headers: dict[str, str]
    body: bytes
    status: int | None

    @property
    def id(self) -> str:
        return self.headers["webhook-id"]


TAKES = Behaviour()


class Endpoint:
    """script: the behaviours to come, one a request; then it takes everything. tls: a server context for https."""

    def __init__(self, *script: Behaviour, tls: ssl.SSLContext | None = None, port: int = 0) -> None:
        self.tries: list[Try] = []
        self.script = deque(script)
        self.usual = TAKES
        endpoint = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:  # noqa: N802 - the name that the server calls
                body = self.rfile.read(int(self.headers["content-length"]))
                behaviour = endpoint.script.popleft() if endpoint.script else endpoint.usual
                headers = {name.lower(): value for name, value in self.headers.items()}
                status = None if behaviour.reset else behaviour.status
                endpoint.tries.append(Try(time.monotonic(), headers, body, status))
                time.sleep(behaviour.wait_s)
                if behaviour.reset:
                    self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                    self.close_connection = True
                    return
                self.send_response(behaviour.status)
                for name, value in behaviour.headers:
                    self.send_header(name, value)
                self.send_header("content-length", "0")
                self.end_headers()

            do_GET = do_POST  # noqa: N815 - a redirect that is followed would come here

            def log_message(self, format: str, *arguments: object) -> None:
                pass

        class Server(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, request: object, client_address: object) -> None:
                """A client that went away, or did not like the certificate."""

        self._server = Server(("127.0.0.1", port), Handler)
        if tls is not None:
            self._server.socket = tls.wrap_socket(self._server.socket, server_side=True)
        scheme = "http" if tls is None else "https"
        self.port = self._server.server_address[1]
        self.url = f"{scheme}://localhost:{self.port}/hook"
        self._thread = threading.Thread(target=lambda: self._server.serve_forever(poll_interval=0.02), daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(PATIENCE_S)

    @property
    def taken(self) -> list[Try]:
        """Those that were answered with success."""
        return [one for one in self.tries if one.status is not None and 200 <= one.status < 300]

    def wait_for(self, count: int) -> list[Try]:
        """The first ``count`` that were taken."""
        wait_until(lambda: len(self.taken) >= count)
        return self.taken[:count]
