"""The page of a live roast: a sink that shows itself in browsers, and takes the marks that are pressed there."""

from __future__ import annotations

import asyncio
import io
import json
import time
from contextlib import aclosing
from queue import SimpleQueue

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from crackdetect.errors import CrackdetectError
from crackdetect.events import Event
from crackdetect.notice import Notice, Notices
from crackdetect.page.access import Access
from crackdetect.page.address import Place
from crackdetect.page.board import LiveBoard
from crackdetect.page.guard import sentence
from crackdetect.page.site import NOTHING, Site
from crackdetect.page.stream import Stream
from crackdetect.page.wav import as_wav
from crackdetect.roast.alerts import Alerts
from crackdetect.roast.marking import Mark
from crackdetect.terminal.level import LevelWatch

#: A phone that takes nothing for so long has gone, seconds.
SEND_S = 10.0
#: Streams at a time, at most: connections are left for what else a page asks.
MOST_STREAMS = 24
#: What the last board may take to be told, seconds.
LAST_S = 1.0
#: Hz; of the signals that phones play.
_SOUND_RATE = 16_000


class LivePage:
    """A sink that is a page.

    Parameters
    ----------
    place
        Where it is.
    access
        Who may see it.
    device
        The microphone's name.
    marks
        Where the person's marks are put.
    alerts
        An alert stage of its own.
    level
        Observes the same microphone.
    notices
        Told once when the page fails; the roast is heard on.
    """

    def __init__(
        self,
        place: Place,
        access: Access,
        *,
        device: str,
        marks: SimpleQueue[Mark],
        alerts: Alerts,
        level: LevelWatch,
        notices: Notices,
    ) -> None:
        self.place = place
        self._notices = notices
        self._told = False
        self._board = LiveBoard(device=device, alerts=alerts, level=level, mark=marks.put)
        self.stream = Stream(self._board.shown)
        self._board.changed = self.stream.wake
        routes = [
            Route("/events", Events(self.stream)),
            Route("/code.svg", self._code),
            Route("/signal/{name}.wav", _signal),
            Route("/mark", self._mark, methods=["POST"]),
        ]
        self._site = Site("live", place, access, routes=routes, beside=self.stream.run, failed=self._fail)

    @property
    def address(self) -> str:
        """With the token in it."""
        return self._site.address

    @property
    def phones(self) -> int:
        """How many are looking."""
        return self.stream.phones

    def begin(self) -> None:
        """Serves from now on."""
        self._site.begin()

    def send(self, event: Event) -> None:
        """Takes the next event of the roast; it never waits for a browser."""
        self._board.send(event)

    def close(self) -> None:
        """The roast has ended. Whoever looks is told so by the last board, for which a moment is left."""
        ends = time.monotonic() + LAST_S
        while self.stream.phones and self._board.finished and time.monotonic() < ends:
            time.sleep(0.02)
        self.stream.close()
        self._site.close()

    def _fail(self, error: BaseException) -> None:
        if self._told:
            return
        self._told = True
        defect = f"a defect of crackdetect, {type(error).__name__}: {error}"
        reason = error if isinstance(error, CrackdetectError) else defect
        self._notices.put(Notice("output_failed", f"the page has failed ({reason}); the roast is heard on"))

    # -- what is answered --------------------------------------------------------------------------------------

    async def _code(self, request: Request) -> Response:
        """For the next phone, shown by one that has been let in."""
        import segno

        drawn = io.BytesIO()
        segno.make(self.address, error="l", micro=False).save(drawn, kind="svg", scale=6, light="#ffffff", border=4)
        return Response(drawn.getvalue(), media_type="image/svg+xml")

    async def _mark(self, request: Request) -> Response:
        try:
            what = json.loads(await request.body())["what"]
        except (ValueError, TypeError, KeyError, RecursionError):
            return sentence(400, "That is no mark.")
        if not isinstance(what, str):
            return sentence(400, "That is no mark.")
        refused = self._board.press(what)
        return Response(status_code=204) if refused is None else Response(refused, 409, media_type="text/plain")


class Events:
    """The stream, for one phone at a request."""

    def __init__(self, stream: Stream) -> None:
        self._stream = stream

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Raises TimeoutError where the phone takes nothing."""
        request = Request(scope)
        if request.method != "GET":
            await NOTHING(scope, receive, send)
            return
        if self._stream.phones >= MOST_STREAMS:
            await sentence(503, "Too many pages are open already; close one.")(scope, receive, send)
            return
        # a browser whose own attempt to come back has failed begins anew, and cannot say it in the header
        last = request.headers.get("last-event-id") or request.query_params.get("last", "")
        headers = [(b"content-type", b"text/event-stream; charset=utf-8"), (b"x-accel-buffering", b"no")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        gone = asyncio.ensure_future(_gone(receive))
        try:
            async with aclosing(self._stream.told(last)) as told:
                async for piece in told:
                    async with asyncio.timeout(SEND_S):
                        await send({"type": "http.response.body", "body": piece, "more_body": True})
                    if gone.done():
                        return
            await send({"type": "http.response.body", "body": b"", "more_body": False})
        finally:
            gone.cancel()


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


async def _signal(request: Request) -> Response:
    """The same sound that the computer gives."""
    from crackdetect.sound.signals import NAMES, signal

    name = request.path_params["name"]
    return (
        Response(as_wav(signal(name, samplerate=_SOUND_RATE), _SOUND_RATE), media_type="audio/wav")
        if name in NAMES
        else NOTHING
    )
