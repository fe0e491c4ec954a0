"""The page on which a person looks at one kept roast, listens to it and puts it right."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Any, TypeVar

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from crackdetect.audio.files import RecordingSource
from crackdetect.errors import CrackdetectError
from crackdetect.page.access import Access
from crackdetect.page.address import Place
from crackdetect.page.asking import Asking, seconds
from crackdetect.page.guard import sentence
from crackdetect.page.site import NOTHING, Site
from crackdetect.page.tiles import COLUMNS, FINEST_S, ROWS, TOP_HZ, Tiles
from crackdetect.page.wav import as_wav

#: Sound that is given at once, at most, seconds.
SOUND_S = 12.0
_T = TypeVar("_T")


class ReviewPage:
    """Serves one roast and one recording, and nothing else: no request names a file.

    Parameters
    ----------
    place
        Where it is; of this computer only.
    access
        Who may see it.
    asking
        The roast.
    recording
        Its sound, of a known length; closed with the page.
    failed
        Told what went wrong by a defect.
    """

    def __init__(
        self,
        place: Place,
        access: Access,
        *,
        asking: Asking,
        recording: RecordingSource,
        failed: Callable[[BaseException], None],
    ) -> None:
        self._asking = asking
        self._recording = recording
        self._length = recording.frames or 0
        # one after the other: the file and its tiles are of one thread, and the roast is changed by one at a time
        self._reader = ThreadPoolExecutor(1, thread_name_prefix="recording")
        self._tiles = self._reader.submit(Tiles, recording)
        routes = [
            Route("/roast", self._roast),
            Route("/tile/{zoom}/{number}", self._tile),
            Route("/sound/{first}/{count}", self._sound),
            Route("/say", self._say, methods=["POST"]),
        ]
        self._site = Site("review", place, access, routes=routes, beside=self._look_ahead, failed=failed)

    @property
    def address(self) -> str:
        """With the token in it."""
        return self._site.address

    def begin(self) -> None:
        """Serves from now on."""
        self._site.begin()

    def close(self) -> None:
        """Ends it, within a few seconds at most."""
        self._site.close()
        self._reader.shutdown(cancel_futures=True)
        self._recording.close()

    async def _read(self, work: Callable[[], _T]) -> _T:
        return await asyncio.get_running_loop().run_in_executor(self._reader, work)

    async def _look_ahead(self) -> None:
        """Reads the recording once before anybody asks, a bit at a time so that whoever asks does not wait for all."""
        tiles = await asyncio.wrap_future(self._tiles)
        for number in tiles.runs():
            with suppress(RuntimeError):  # the page is being closed
                await self._read(lambda number=number: tiles.read_run(number))  # type: ignore[misc]
        await asyncio.Event().wait()

    # -- what is answered --------------------------------------------------------------------------------------

    async def _roast(self, request: Request) -> Response:
        tiles = await asyncio.wrap_future(self._tiles)
        shown = await self._read(self._asking.shown)
        sound = {
            "samplerate": self._recording.samplerate,
            "length": self._length,
            "peak": tiles.peak,
            "columns": COLUMNS,
            "rows": ROWS,
            "finest": FINEST_S,
            "top": min(TOP_HZ, self._recording.samplerate / 2),
            "most": SOUND_S,
        }
        return JSONResponse({**shown, "sound": sound})

    async def _tile(self, request: Request) -> Response:
        zoom, number = (_whole(request.path_params[name]) for name in ("zoom", "number"))
        if zoom is None or number is None:
            return NOTHING
        tiles = await asyncio.wrap_future(self._tiles)
        for run in tiles.runs_below(zoom, number):
            await self._read(lambda run=run: tiles.read_run(run))  # type: ignore[misc]
        tile = await self._read(lambda: tiles.tile(zoom, number))
        return NOTHING if tile is None else Response(tile, media_type="application/octet-stream")

    async def _sound(self, request: Request) -> Response:
        first, count = (_whole(request.path_params[name]) for name in ("first", "count"))
        most = SOUND_S * self._recording.samplerate
        if first is None or count is None or not 0 < count <= most or first >= self._length:
            return NOTHING
        samples = await self._read(lambda: self._recording.part(first, min(count, self._length - first)))
        return Response(as_wav(samples, self._recording.samplerate), media_type="audio/wav")

    async def _say(self, request: Request) -> Response:
        try:
            said = json.loads(await request.body())
            if not isinstance(said, dict):
                raise TypeError("nothing was said")
            if "missed" in said:
                return JSONResponse(await self._missed(seconds(said["missed"]), seconds(said["within"])))
            return JSONResponse(await self._read(lambda: self._asking.say(said)))
        except CrackdetectError as error:
            return Response(f"{str(error)[:1].upper()}{str(error)[1:]}.", 409, media_type="text/plain")
        except (ValueError, TypeError, KeyError, RecursionError):
            return sentence(400, "That is nothing that can be said here.")

    async def _missed(self, at: float, within: float) -> dict[str, Any]:
        """A crack that was not heard is where the sound is loudest so near to where a person points."""
        tiles = await asyncio.wrap_future(self._tiles)
        return await self._read(lambda: self._asking.add(tiles.loudest(at - within, at + within)))


def _whole(text: str) -> int | None:
    """A number as the page's script writes it."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= 12 else None
