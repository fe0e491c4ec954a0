"""The keys of a person at the roaster, what each of them says, and how they are typed where there is no board."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from queue import SimpleQueue

from crackdetect.errors import OutputError
from crackdetect.events import Event
from crackdetect.roast import marking
from crackdetect.roast.marking import Keys, Mark
from crackdetect.roast.roast_clock import RoastClock
from crackdetect.roast.state import RoastState
from crackdetect.worker import begin

#: What each key marks.
MARKING = {"c": "charge", "f": "first_crack.start", "s": "second_crack.start", "d": "drop", "u": "undo"}
UNDO = "u"
END = "e"
#: Shows how a phone gets to the page.
PAGE = "p"
#: What is pressed for each mark, and at the end.
PRESS = {mark: key for key, mark in MARKING.items()} | {"end": END}
#: Every key in the order of a roast, and how it is called.
WORDS = (
    ("c", "charge"),
    ("f", "first crack"),
    ("s", "second crack"),
    ("d", "drop"),
    (UNDO, "undo"),
    (END, "end"),
)
HINT = "Mark with a letter and Enter: " + ", ".join(f"{key} {word}" for key, word in WORDS) + "."


class TypedKeys:
    """A letter and Enter on the terminal. It is a sink, for what a key means depends on what was said.

    Parameters
    ----------
    marks
        Where the person's marks are put.
    end
        Ends the roast.
    say
        Answers what cannot be done.
    read
        The next piece of what was typed, empty at its end. Its thread stays behind when the roast has ended, for
        nothing can wake a read from a terminal; it holds nothing.
    """

    def __init__(
        self,
        *,
        marks: SimpleQueue[Mark],
        end: Callable[[], None],
        say: Callable[[str], None],
        read: Callable[[], bytes] = lambda: os.read(0, 1024),
    ) -> None:
        self._state = RoastState()
        self._clock = RoastClock()
        self._keys = Keys()
        self._marks = marks
        self._end = end
        self._say = say
        self._read = read
        self._begun_anew = False
        self._thread = threading.Thread(target=self.run, name="typed-keys", daemon=True)

    def begin(self) -> None:
        """Reads in a thread of its own from now on."""
        try:
            begin(self._thread)
        except OutputError as error:
            self._say(f"keys that are typed are not read ({error})")

    def send(self, event: Event) -> None:
        """Takes note of what holds in the roast."""
        self._state.apply(event)
        self._clock.hear(event.announced_at)

    def run(self) -> None:
        """Reads until the roast has ended or nothing can be read any more; a defect is raised, once it reads again."""
        try:
            self._read_on()
        except BaseException:
            if not self._begun_anew:
                self._begun_anew = True
                threading.Thread(target=self.run, name=self._thread.name, daemon=True).start()
            raise

    def _read_on(self) -> None:
        while not self._state.finished:
            try:
                typed = self._read()
            except OSError:
                return
            if not typed:
                return
            for word in typed.decode("utf-8", "replace").split():
                self._press(word.lower())

    def _press(self, key: str) -> None:
        what = marking.END if key == END else MARKING.get(key)
        if what is None:
            self._say(HINT)
            return
        answer = self._keys.press(what, key, self._state, self._clock.now)
        if answer.ends:
            self._end()
        elif answer.mark is None:
            self._say(answer.sentence)
        else:
            self._marks.put(answer.mark)
