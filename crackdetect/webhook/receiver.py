"""A small receiver for trying webhooks out, on this computer only."""

from __future__ import annotations

import json
import sys
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from crackdetect.config import LONGEST_TIME_S
from crackdetect.errors import CrackdetectError, OutputError
from crackdetect.notation import clock
from crackdetect.webhook.envelope import TYPE_PREFIX
from crackdetect.webhook.signing_secret import SigningSecret

HOST = "127.0.0.1"
#: A sender may be no larger than this, bytes; Standard Webhooks keeps bodies under 20 kB.
LARGEST = 256 * 1024
#: Ids that are remembered, to tell a message that came twice.
_REMEMBERED = 10_000
#: Letters that are shown of what a sender wrote.
_SHOWN = 200


@dataclass(frozen=True, slots=True)
class Received:
    """A message as it was received.

    Attributes
    ----------
    id : str
        ``webhook-id``.
    event : dict or None
        The CloudEvent; None where the body is none.
    signature : str
        What is told of it.
    genuine : bool
        False where a secret is set and the signature does not fit.
    again : bool
        This id had come before.
    """

    id: str
    event: dict[str, Any] | None
    signature: str
    genuine: bool
    again: bool


class Receiver:
    """A receiver on this computer, to try a webhook with; it listens at once.

    Parameters
    ----------
    port : int
        0 = any that is free, see ``address``.
    take : callable
        Gets every message, in the threads that serve.
    secret : SigningSecret, optional
        Messages must be signed with it.
    answer : int
        HTTP status for what is genuine; the rest gets 401.

    Raises
    ------
    OutputError
        When the port is taken.
    """

    def __init__(
        self, *, port: int, take: Callable[[Received], None], secret: SigningSecret | None = None, answer: int = 204
    ) -> None:
        seen: OrderedDict[str, None] = OrderedDict()
        receiver = self
        self._failure: Exception | None = None

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            timeout = 30

            def do_POST(self) -> None:  # noqa: N802 - the name that the server calls
                length = self.headers.get("content-length", "")
                if not length.isdecimal() or len(length) > 9 or int(length) > LARGEST:
                    self._answer(413 if length.isdecimal() else 411)
                    self.close_connection = True
                    return
                received = _received(self.rfile.read(int(length)), dict(self.headers), secret, seen)
                try:
                    take(received)
                except (OSError, CrackdetectError) as error:  # nobody sees what comes: there is no use in going on
                    receiver._failure = error
                    threading.Thread(target=receiver.stop, daemon=True).start()
                    self._answer(503)
                    return
                self._answer(answer if received.genuine else 401)

            def _answer(self, status: int) -> None:
                self.send_response(status)
                self.send_header("content-length", "0")
                self.end_headers()

            def log_message(self, format: str, *arguments: object) -> None:
                """The line of each message is told by whoever takes it."""

        class Server(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, request: object, client_address: object) -> None:
                """A sender that breaks off is no trouble of ours."""
                if not isinstance(sys.exc_info()[1], OSError):
                    super().handle_error(request, client_address)  # type: ignore[arg-type]

        try:
            self._server = Server((HOST, port), Handler)
        except OSError as error:
            raise OutputError(f"port {port} cannot be listened on ({error.strerror}); choose another --port") from None
        self.address = f"http://{HOST}:{self._server.server_address[1]}/"

    def run(self) -> None:
        """Until :meth:`stop`, or an exception such as Ctrl-C, or what ``take`` raised of the output's."""
        try:
            self._server.serve_forever(poll_interval=0.1)
        finally:
            self._server.server_close()
        if self._failure is not None:
            raise self._failure

    def stop(self) -> None:
        """Ends :meth:`run`."""
        self._server.shutdown()


def _received(
    body: bytes, headers: dict[str, str], secret: SigningSecret | None, seen: OrderedDict[str, None]
) -> Received:
    lower = {name.lower(): value for name, value in headers.items()}
    identity = lower.get("webhook-id", "")
    signature, genuine = "not checked, as no secret is set", True
    if secret is not None:
        wrong = secret.verify(body, headers)
        genuine = wrong is None
        signature = "genuine" if wrong is None else f"NOT genuine: {wrong}"
    try:
        event = json.loads(body)
    except (ValueError, RecursionError):
        event = None
    again = identity in seen
    if genuine and identity:
        seen[identity] = None
        if len(seen) > _REMEMBERED:
            seen.popitem(last=False)
    return Received(identity, event if isinstance(event, dict) else None, signature, genuine, again)


def line_of(received: Received) -> str:
    """One line for the person."""
    event = received.event
    if event is None:
        what = "a message that is no JSON"
    else:
        data = event.get("data")
        kind = str(event.get("type", "")).removeprefix(TYPE_PREFIX)
        roast_time = data.get("roast_time") if isinstance(data, dict) else None
        known = isinstance(roast_time, int | float) and abs(roast_time) <= LONGEST_TIME_S
        at = f" at {clock(roast_time)} of roast time" if known else ""
        # 'crackdetect webhook test' says so of what it sends
        sample = ", a sample, no roast" if isinstance(data, dict) and data.get("sample") is True else ""
        what = f"{_harmless(event.get('time', 'without a time'))}  {_harmless(kind)}{at}{sample}"
    again = ", AGAIN" if received.again else ""
    return f"{what}  ({_harmless(received.id) or 'without an id'}{again}; signature {_harmless(received.signature)})"


def _harmless(value: Any) -> str:
    """What a stranger wrote, so that a terminal shows it and does nothing else."""
    text = str(value)[:_SHOWN]
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape", "surrogatepass").decode() for letter in text
    )
