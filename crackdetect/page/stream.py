"""Tells each phone what has changed on the board since it was last told, as server-sent events.

Nothing waits in a queue: a phone that is slow, asleep or out of reach is told less often, and then of everything that
has changed meanwhile. The last boards are kept by number, so that one that comes back with ``Last-Event-ID`` goes on
where it was; any other gets the whole board. Either way it shows the same.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections import OrderedDict
from collections.abc import AsyncGenerator, Callable
from contextlib import suppress
from dataclasses import replace
from typing import Any

from crackdetect.page.board import Shown

#: The board is looked at anew so often for its clocks, seconds,
LOOK_S = 0.25
#: and at once for what was said, but so long after the last time at least, seconds.
REST_S = 0.05
#: Boards that are kept for phones that come back: a minute or two.
_KEPT = 240
#: A browser that has lost the stream asks again after this, milliseconds.
_RETRY_MS = 1000
#: A phone is told that this computer is there so often at least, seconds; the page counts on it.
BEAT_S = 1.0
_HERE = b"event: here\ndata: 1\n\n"


class Stream:
    """The boards of one roast, numbered. All of it belongs to the server's event loop; only ``wake`` does not.

    Parameters
    ----------
    shown
        Gives the board as it stands. A stream ends with the board that says that the roast has.
    """

    def __init__(self, shown: Callable[[], Shown]) -> None:
        self._shown = shown
        self._name = secrets.token_hex(4)
        self._boards: OrderedDict[int, Shown] = OrderedDict()
        self._number = 0
        self._news = asyncio.Event()  # replaced with every board
        self._due = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._payloads: dict[int | None, bytes] = {}
        self._over = False
        self.phones = 0

    def wake(self) -> None:
        """Something was said. From any thread."""
        loop = self._loop
        if loop is not None and not self._due.is_set():
            with suppress(RuntimeError):  # the loop has closed already
                loop.call_soon_threadsafe(self._due.set)

    def close(self) -> None:
        """Ends every stream. From any thread."""
        self._over = True
        if self._loop is not None:
            with suppress(RuntimeError):  # the loop has closed already
                self._loop.call_soon_threadsafe(lambda: self._news.set())

    async def run(self) -> None:
        """Looks at the board until it is cancelled, and only while somebody is there."""
        self._loop = asyncio.get_running_loop()
        while True:
            await _until(self._due, LOOK_S)
            self._due.clear()
            if self.phones:
                self._look()
            await asyncio.sleep(REST_S)

    def _look(self) -> None:
        board = self._shown()
        before = self._boards.get(self._number)
        if before is not None and replace(before, now=board.now) == board:
            return  # the clock alone says nothing
        self._number += 1
        self._boards[self._number] = board
        while len(self._boards) > _KEPT:
            self._boards.popitem(last=False)
        self._payloads.clear()
        self._news.set()
        self._news = asyncio.Event()

    async def told(self, last_id: str) -> AsyncGenerator[bytes]:
        """What one phone is told, as it is sent. last_id: of ``Last-Event-ID``, may be empty."""
        self.phones += 1
        try:
            self._look()
            yield b"retry: %d\n\n" % _RETRY_MS
            number = self._of(last_id)
            while True:
                if number == self._number:
                    yield _HERE
                else:
                    message, number = self._message(number), self._number
                    yield message
                if number == self._number:
                    if self._over or self._boards[number].parts["ended"]:
                        return
                    await _until(self._news, BEAT_S)
        finally:
            self.phones -= 1

    def _of(self, last_id: str) -> int | None:
        """The board that a phone has; ``None`` where it is not kept."""
        name, _, number = last_id.partition("-")
        if name != self._name or not number.isdecimal() or len(number) > 12:
            return None
        return int(number) if int(number) in self._boards else None

    def _message(self, number: int | None) -> bytes:
        """From the board of that number to the newest. Most phones have the same one."""
        if number is not None and number not in self._boards:
            number = None
        payload = self._payloads.get(number)
        if payload is None:
            board = self._boards[self._number]
            before = None if number is None else self._boards[number]
            text = json.dumps(difference(before, board), ensure_ascii=False, separators=(",", ":"))
            data = text.encode("utf-8", "replace")
            payload = b"id: %s-%d\ndata: %s\n\n" % (self._name.encode(), self._number, data)
            self._payloads[number] = payload
        return payload


async def _until(event: asyncio.Event, within_s: float) -> None:
    with suppress(TimeoutError):
        await asyncio.wait_for(event.wait(), within_s)


def difference(before: Shown | None, board: Shown) -> dict[str, Any]:
    """What has changed; everything without a board before.

    Returns
    -------
    dict
        ``whole``: forget what was before. ``now``: seconds from the first sample. ``parts``: those that are new.
        ``density``, ``pops``: rows to be added.
    """
    if before is None:
        return {
            "whole": True,
            "now": board.now,
            "parts": dict(board.parts),
            "density": board.density,
            "pops": board.pops,
        }
    return {
        "whole": False,
        "now": board.now,
        "parts": {name: value for name, value in board.parts.items() if before.parts.get(name) != value},
        "density": _later(before.density, board.density),
        "pops": _later(before.pops, board.pops),
    }


def _later(before: tuple[Any, ...], rows: tuple[Any, ...]) -> tuple[Any, ...]:
    """The rows that come after those before; rows go in the order in which they were said."""
    if not before:
        return rows
    try:
        return rows[rows.index(before[-1]) + 1 :]
    except ValueError:  # all of them have left
        return rows
