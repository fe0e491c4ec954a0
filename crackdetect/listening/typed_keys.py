"""The person's marks without the board: a letter and Enter on the terminal."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from queue import SimpleQueue

from crackdetect.events import Event
from crackdetect.listening import keys
from crackdetect.standing import Standing

HINT = "Mark with a letter and Enter: " + ", ".join(f"{key} {word}" for key, word in keys.WORDS) + "."


class TypedKeys:
    """A sink, for what may be taken back depends on what stands. marks, end: as on the board. say: answers a typo.

    read: the next piece of what was typed, empty at its end. The thread stays behind at the end of the roast, for
    nothing can wake a read from a terminal; it holds nothing.
    """

    def __init__(
        self,
        *,
        marks: SimpleQueue[str],
        end: Callable[[], None],
        say: Callable[[str], None],
        read: Callable[[], bytes] = lambda: os.read(0, 1024),
    ) -> None:
        self._standing = Standing()
        self._marks = marks
        self._end = end
        self._say = say
        self._read = read
        self._thread = threading.Thread(target=self._run, name="typed-keys", daemon=True)

    def begin(self) -> None:
        self._thread.start()

    def send(self, event: Event) -> None:
        self._standing.take(event)

    def _run(self) -> None:
        while not self._standing.ended:
            try:
                typed = self._read()
            except OSError:
                return
            if not typed:
                return
            for word in typed.decode("utf-8", "replace").split():
                self._take(word.lower())

    def _take(self, key: str) -> None:
        if key in keys.MARKING:
            self._marks.put(keys.MARKING[key][0])
        elif key == keys.TAKE_BACK:
            what = self._standing.to_take_back
            if what is None:
                self._say("there is nothing to take back")
            else:
                self._marks.put(what)
        elif key == keys.END:
            self._end()
        else:
            self._say(HINT)
