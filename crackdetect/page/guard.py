"""What a page lets in: every request passes here before anything looks at what it asks for.

The page is served on a network on which anybody may ask, and beside other pages in a browser that may be hostile:

- ``Host`` must be one of those that were announced, else a foreign name could be pointed at this computer (DNS
  rebinding), and its page would be of the same origin as ours.
- Nothing but the one address that holds the token is answered without the cookie that it was exchanged for. The cookie
  is out of reach for scripts and not sent by other sites.
- What changes something must come from our own page (``Origin``), and is small.
- Answers say that nothing but our own files may run, that they are not kept, not framed and not guessed at.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from crackdetect.page.access import DOOR, Access

#: Bytes of a request's body, at most, and the seconds in which it must be there.
MOST_BYTES = 1_000
BODY_S = 5.0
#: Requests a second that are answered, and so many at once; more of them wait. It bounds what a flood can cost.
_A_SECOND = 100.0
_AT_ONCE = 200.0
_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "Cache-Control": "no-store",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}
_SAFE = frozenset({"GET", "HEAD"})


class Guard:
    """Stands before an application.

    Parameters
    ----------
    app
        What is guarded.
    access
        Who may see it.
    hosts
        Every ``Host`` that was announced, with its port.
    cookie
        Name of the cookie; browsers keep them by computer, whatever the port.
    failed
        Takes what the application raised: a defect, which the browser is told nothing of.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        access: Access,
        hosts: frozenset[str],
        cookie: str,
        failed: Callable[[Exception], None],
    ) -> None:
        self._app = app
        self._access = access
        self._hosts = hosts
        self._cookie = cookie
        self._failed = failed
        self._left, self._counted_at = _AT_ONCE, time.monotonic()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            return
        begun = False

        async def send_guarded(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
            await send(message)

        await self._pace()
        answer = self._refusal(scope)
        try:
            if answer is None and scope["method"] not in _SAFE:
                body = await _body(receive, Headers(scope=scope))
                if body is None:
                    answer = sentence(413, "That is too much, or it came too slowly.", close=True)
                else:
                    receive = _given(body)
            await (answer or self._app)(scope, receive, send_guarded)
        except (ConnectionError, TimeoutError):
            pass  # the browser has gone, or does not read
        except Exception as error:
            self._failed(error)
            if not begun:
                await sentence(500, "The page has failed.")(scope, receive, send_guarded)

    async def _pace(self) -> None:
        now = time.monotonic()
        self._left = min(_AT_ONCE, self._left + (now - self._counted_at) * _A_SECOND) - 1
        self._counted_at = now
        if self._left < 0:
            await asyncio.sleep(-self._left / _A_SECOND)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if headers.getlist("host") != [host] or host not in self._hosts:
            return sentence(421, "This page has another address; scan the code at the computer.")
        if "upgrade" in headers:
            return sentence(400, "This page speaks plain HTTP only.")
        if scope["method"] in _SAFE and scope["path"].startswith(DOOR):
            if self._access.opens(scope["path"].removeprefix(DOOR)):
                return None
        elif self._is_known(headers):
            own = headers.get("origin") == f"http://{host}"
            elsewhere = headers.get("sec-fetch-site", "same-origin") != "same-origin"
            if scope["method"] not in _SAFE and (not own or elsewhere):
                return sentence(403, "Only this page itself may mark.")
            return None
        return sentence(403, "This page is not open to you. Scan the code at the computer, or type its address anew.")

    def _is_known(self, headers: Headers) -> bool:
        try:
            found = SimpleCookie(headers.get("cookie", "")).get(self._cookie)
        except CookieError:
            return False
        return found is not None and self._access.knows(found.value)


def sentence(status: int, words: str, *, close: bool = False) -> Response:
    """An answer for a person, as a page of one sentence. words: without anything that came from outside."""
    page = (
        '<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" '
        f'content="width=device-width, initial-scale=1"><title>crackdetect</title><p>{words}</p></html>'
    )
    return HTMLResponse(page, status, {"Connection": "close"} if close else None)


async def _body(receive: Receive, headers: Headers) -> bytes | None:
    """What was sent; ``None`` where it is too much or does not come."""
    length = headers.get("content-length", "0")
    if not length.isdecimal() or len(length) > 9 or int(length) > MOST_BYTES:
        return None
    body, more = b"", True
    try:
        async with asyncio.timeout(BODY_S):
            while more:
                message = await receive()
                if message["type"] != "http.request":
                    raise ConnectionResetError
                body += message.get("body", b"")
                more = message.get("more_body", False)
                if len(body) > MOST_BYTES:
                    return None
    except TimeoutError:
        return None
    return body


def _given(body: bytes) -> Receive:
    async def receive() -> Message:
        return {"type": "http.request", "body": body, "more_body": False}

    return receive
