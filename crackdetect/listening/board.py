"""The board: one screen to be read from two metres, and the keys of the person's own marks.

It runs in the main thread; the roast is heard in another one, which hands over events and never waits for the board.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from queue import SimpleQueue
from typing import ClassVar

from textual.app import App, ComposeResult
from textual.content import Content
from textual.events import Key, Resize
from textual.widgets import Static

from crackdetect.alerts import Alerts
from crackdetect.events import Event, clock
from crackdetect.listening import keys
from crackdetect.listening.clock import RoastClock
from crackdetect.listening.level_watch import FLOOR_DB, LevelWatch
from crackdetect.listening.view import Word, view

#: The board is drawn anew so often for its clocks, seconds.
REDRAW_S = 0.25
#: And at once for what was said, but so long after the last drawing at least, seconds.
REST_S = 0.1
#: The level is for the eye and moves all the time; it is drawn anew so often, seconds.
LEVEL_S = 0.4
#: Time to press the key of the end a second time, seconds.
CONFIRM_S = 5.0
#: Events that may wait for a board that is busy; drawing takes them all at once.
_WAITING = 5_000

_PARTS = ("header", "label", "large", "facts", "hearing", "level", "coming", "message", "caution", "keys")
_DONE = {
    "charge": "You marked charge",
    "first_crack.start": "You marked first crack",
    "first_crack.end": "You marked the end of first crack",
    "second_crack.start": "You marked second crack",
    "drop": "You marked the drop",
}
_UNDONE = {
    "charge.not_yet": "Charge is taken back.",
    "first_crack.not_yet": "First crack is taken back; listening for it.",
    "second_crack.not_yet": "Second crack is taken back.",
    "drop.not_yet": "The drop is taken back; the roast goes on.",
}


class Board(App[None]):
    """A sink that is a screen. Events are handed over with ``send``, sentences with ``say``, by any thread.

    device: the microphone's name. marks, end: take the person's marks and the end of the roast. alerts: an own copy
    of the alert stage, for their words. level: see :class:`LevelWatch`. begin: called once the board stands.
    """

    ENABLE_COMMAND_PALETTE = False
    # colours are the terminal's own, so that it fits light ones and dark ones
    CSS: ClassVar[str] = """
    Screen { background: ansi_default; color: ansi_default; overflow: hidden; }
    Static { height: 1; padding: 0 1; background: ansi_default; color: ansi_default; }
    #label, #facts { text-style: bold; }
    #large { height: 1fr; }
    #hearing { height: 3; margin: 1 0 0 0; }
    #message { height: 2; }
    #message.urgent { text-style: bold reverse; }
    #header { text-style: none; }
    """

    def __init__(
        self,
        *,
        device: str,
        marks: SimpleQueue[str],
        end: Callable[[], None],
        alerts: Alerts,
        level: LevelWatch,
        begin: Callable[[], None],
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(ansi_color=True)
        self._device = device
        self._marks = marks
        self._end = end
        self._alerts = alerts
        self._level = level
        self._begin = begin
        self._monotonic = monotonic
        self._clock = RoastClock(monotonic=monotonic)
        self._arrived: deque[Event | str] = deque(maxlen=_WAITING)
        self._words: Word | None = None
        self._shown: dict[str, str] = {}
        self._drawn_at = 0.0
        self._due = False  # a drawing for what has arrived is on its way
        self._level_at = -LEVEL_S
        self._level_db = FLOOR_DB
        self._asked_at: float | None = None
        self._mounted = False

    # -- from other threads ----------------------------------------------------------------------------------

    def send(self, event: Event) -> None:
        self._arrived.append(event)
        self._wake()

    def say(self, sentence: str) -> None:
        self._arrived.append(sentence)
        self._wake()

    def finished(self) -> None:
        """The roast has ended: the board closes."""
        if self._mounted and self._loop is not None:
            self._loop.call_soon_threadsafe(self.exit)

    def _wake(self) -> None:
        """The next drawing comes at once, or as soon as the last one is a moment ago."""
        if self._mounted and self._loop is not None and not self._due:
            self._due = True
            self._loop.call_soon_threadsafe(self._draw_soon)

    # -- in the board's own thread ---------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        for part in _PARTS:
            yield Static("", id=part)

    def on_mount(self) -> None:
        self._parts = {part: self.query_one(f"#{part}", Static) for part in _PARTS}
        self._mounted = True
        self._draw()
        self.set_interval(REDRAW_S, self._draw)
        self._begin()

    def on_resize(self, event: Resize) -> None:
        if self._mounted:
            self._draw()

    def _draw_soon(self) -> None:
        rest = self._drawn_at + REST_S - self._monotonic()
        if rest > 0 and self._loop is not None:
            self._loop.call_later(rest, self._draw)
        else:
            self._draw()

    def _draw(self) -> None:
        if not self.is_running:
            return  # asked for before the board closed
        self._drawn_at = self._monotonic()
        self._due = False
        self._take_arrived()
        now = self._clock.now
        size = self.size
        if self._drawn_at - self._level_at >= LEVEL_S:
            self._level_at, self._level_db = self._drawn_at, self._level.take()
        shown = view(
            self._alerts.standing,
            now=now,
            level_db=self._level_db,
            words=self._words,
            columns=size.width,
            rows=size.height,
            device=self._device,
        )
        for part in _PARTS:
            text = getattr(shown, part)
            if self._shown.get(part) != text:
                self._shown[part] = text
                self._parts[part].update(Content(text))
        self._parts["message"].set_class(shown.urgent and bool(shown.message), "urgent")

    def _take_arrived(self) -> None:
        while self._arrived:
            item = self._arrived.popleft()
            if isinstance(item, str):
                self._words = Word(item, self._clock.now, urgent=True)
                continue
            self._clock.hear(item.announced_at)
            for alert in self._alerts.push(item):
                self._words = Word(alert.text, alert.at, urgent=alert.urgency == 2)
            if item.type == "mark":
                self._words = Word(self._marked(item), item.at)

    def _marked(self, event: Event) -> str:
        what = str(event.fields["what"])
        if what in _UNDONE:
            return _UNDONE[what]
        charge = self._alerts.standing.charge
        at = clock(event.at if charge is None else event.at - charge.at)
        return f"{_DONE.get(what, what)} at {at}; [{keys.TAKE_BACK}] takes it back."

    # -- keys ------------------------------------------------------------------------------------------------

    def on_key(self, event: Key) -> None:
        key = event.key.lower()
        if key in ("ctrl+c", "ctrl+q"):
            self._end()
        elif key == keys.END:
            self._ask_for_end()
        elif key == keys.TAKE_BACK:
            self._take_back()
        elif key in keys.MARKING:
            self._marks.put(keys.MARKING[key][0])
        else:
            return
        event.stop()
        event.prevent_default()

    async def action_quit(self) -> None:
        self._end()

    def action_help_quit(self) -> None:
        self._end()

    def _take_back(self) -> None:
        what = self._alerts.standing.to_take_back
        if what is None:
            self._tell("There is nothing to take back.")
        else:
            self._marks.put(what)

    def _ask_for_end(self) -> None:
        """A key pressed by mistake must not end a roast."""
        now = self._monotonic()
        if self._asked_at is not None and now - self._asked_at < CONFIRM_S:
            self._tell("Ending the roast.")
            self._end()
            return
        self._asked_at = now
        self._tell(f"Press [{keys.END}] again to end the roast. Ending it switches nothing off.")

    def _tell(self, text: str) -> None:
        self._words = Word(text, self._clock.now)
        self._draw()
