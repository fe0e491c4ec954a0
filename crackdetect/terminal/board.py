"""The board: one screen to be read from two metres, and the keys of the person's own marks.

It runs in the main thread; the roast is heard in another one, which hands over events and never waits for the board.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from queue import SimpleQueue
from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual.app import App, ComposeResult
from textual.content import Content
from textual.events import Key, Resize
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget
from textual.widgets import Static

from crackdetect.events import Event
from crackdetect.roast import marking
from crackdetect.roast.alerts import Alerts
from crackdetect.roast.marking import Keys, Mark
from crackdetect.roast.roast_clock import RoastClock
from crackdetect.roast.stage import Stage
from crackdetect.roast.standing import marked
from crackdetect.terminal import keys
from crackdetect.terminal.board_text import MOMENT_S, Look, Message, Row, View, view
from crackdetect.terminal.hang_up import HangUp
from crackdetect.terminal.level import FLOOR_DB, LevelWatch
from crackdetect.terminal.page_card import PageCard

#: The board is drawn anew so often for its clocks, seconds.
REDRAW_S = 0.25
#: And at once for what was said, but so long after the last drawing at least, seconds.
REST_S = 0.1
#: The level is for the eye and moves all the time; it is drawn anew so often, seconds.
LEVEL_S = 0.4
#: Events that may wait for a board that is busy; drawing takes them all at once.
_WAITING = 5_000

#: One calm colour for each stage, of the terminal's own; listening has none. It stands beside the word, for of xterm's
#: colours only magenta can be read on white and on black (4.5 to 1 and more, WCAG 2.2; green on white has 2.2).
ACCENT: Mapping[Stage, str | None] = {
    "listening": None,
    "pops coming": "blue",
    "first crack": "green",
    "drop soon": "magenta",
    "drop now": "red",
    "cooling": "cyan",
}
_LOOKS: Mapping[Look, Style] = {
    "plain": Style(),
    "bold": Style(bold=True),
    "accent": Style(bold=True),
    "urgent": Style(bold=True, reverse=True),
}
#: Cells between the word and the fields of its colour, and the most that one of these is wide.
_BESIDE, _FIELD = 2, 10


class Screenful(Widget):
    """The rows of a :class:`View`; only those that have changed are drawn anew."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[Strip] = []

    def show(self, shown: View) -> None:
        """Draws it."""
        colour = None if self.app.no_color else ACCENT[shown.stage]
        width = self.size.width
        before, self.rows = self.rows, _strips(shown.rows, Style(bgcolor=colour), width=width)
        changed = [y for y, row in enumerate(self.rows) if y >= len(before) or before[y] != row]
        if changed:
            self.refresh(*(Region(0, y, width, 1) for y in changed))

    def render_line(self, y: int) -> Strip:
        """A row of the screen; the library asks for it."""
        return self.rows[y].adjust_cell_length(self.size.width) if y < len(self.rows) else Strip.blank(self.size.width)


def _strips(rows: Sequence[Row], field: Style, *, width: int) -> list[Strip]:
    """As they are drawn. field: on the right of the stage's word, and on the left where there is room."""
    words = [row.text for row in rows if row.look == "accent" and row.text]
    begin = max(1, min((len(text) - len(text.lstrip()) for text in words), default=0) - _BESIDE)
    end = min(width - 1, max(map(len, words), default=0) + _BESIDE)
    cuts = [0, max(1, begin - _FIELD), begin, end, min(width - 1, end + _FIELD), width]
    strips = []
    for row in rows:
        text, style = row.text.ljust(width), _LOOKS[row.look]
        pieces = [(text, style)]
        if row.look == "accent":
            styles = (style, field, style, field, style)
            pieces = [(text[left:right], look) for (left, right), look in zip(pairwise(cuts), styles, strict=True)]
        strips.append(Strip([Segment(piece, look) for piece, look in pieces if piece]))
    return strips


class Board(App[None]):
    """A sink that is a screen.

    Parameters
    ----------
    device
        The microphone's name.
    marks
        Where the person's marks are put.
    end
        Ends the roast.
    alerts
        An alert stage of its own, for the words and for what holds in the roast.
    level
        Observes the same microphone.
    begin
        Called once the board stands.
    last_time
        What the last roast of this coffee was like, in a line; may be empty.
    card
        How a phone gets to the page: in front of the board until a key is pressed or somebody looks at the page.
    monotonic
        Seconds that never run back.
    speed, playing
        Of a roast that is played: times real time, and seconds of it that never run back.
    warning
        What must stay in sight as long as it is true; empty where there is nothing.
    """

    ENABLE_COMMAND_PALETTE = False
    # colours are the terminal's own, so that it fits light ones and dark ones
    CSS: ClassVar[str] = """
    Screen { background: ansi_default; color: ansi_default; overflow: hidden; }
    Screenful { height: 100%; background: ansi_default; color: ansi_default; }
    Static { background: ansi_default; color: ansi_default; }
    Screen { layers: below above; }
    #card { layer: above; width: 100%; height: 100%; padding: 1 2; display: none; }
    """

    def __init__(
        self,
        *,
        device: str,
        marks: SimpleQueue[Mark],
        end: Callable[[], None],
        alerts: Alerts,
        level: LevelWatch,
        begin: Callable[[], None],
        card: PageCard | None = None,
        last_time: str = "",
        monotonic: Callable[[], float] = time.monotonic,
        speed: float = 1.0,
        playing: Callable[[], float] | None = None,
        warning: Callable[[], str] = lambda: "",
    ) -> None:
        super().__init__(ansi_color=True)
        self._device = device
        self._marks = marks
        self._end = end
        self._alerts = alerts
        self._level = level
        self._begin = begin
        self._card = card
        self._warning = warning
        self._monotonic = monotonic
        self._clock = RoastClock(monotonic=monotonic if playing is None else playing)
        self._arrived: deque[Event | str] = deque(maxlen=_WAITING)
        self._message: Message | None = None
        self._last_time = last_time
        self._moment = Message("", -MOMENT_S)
        self.shown: View | None = None
        self._drawn_at = 0.0
        self._due = False  # a drawing for what has arrived is on its way
        self._level_at = -LEVEL_S
        self._level_db = FLOOR_DB
        self._keys = Keys(speed=speed)
        self._speed = speed
        self._mounted = False
        self._card_shown = False
        self._card_waits = False
        self._terminal = HangUp()

    # -- from other threads ----------------------------------------------------------------------------------

    def send(self, event: Event) -> None:
        """Shows an event soon. From any thread."""
        self._arrived.append(event)
        self._wake()

    def say(self, sentence: str) -> None:
        """Shows a sentence that must not be missed. From any thread."""
        self._arrived.append(sentence)
        self._wake()

    def finished(self) -> None:
        """The roast has ended: the board closes. From any thread."""
        if self._mounted and self._loop is not None:
            self._loop.call_soon_threadsafe(self.exit)

    @property
    def hung_up(self) -> bool:
        """Whether the board has closed as its terminal was closed."""
        return self._terminal.happened()

    def _wake(self) -> None:
        """The next drawing comes at once, or as soon as the last one is a moment ago."""
        if self._mounted and self._loop is not None and not self._due:
            self._due = True
            self._loop.call_soon_threadsafe(self._draw_soon)

    # -- in the board's own thread ---------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        """The screen; the library asks for it."""
        yield Screenful()
        if self._card is not None:
            yield Static(_drawn(self._card), id="card")

    def on_mount(self) -> None:
        """The board stands."""
        self._mounted = True
        self._show_card(True)
        self._draw()
        self.set_interval(REDRAW_S, self._draw)
        self._begin()

    def on_resize(self, event: Resize) -> None:
        """The terminal has another size."""
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
        if self.hung_up:
            self.exit()  # else the library reads its end over and over
            return
        self._drawn_at = self._monotonic()
        self._due = False
        if self._card_shown and self._card_waits and self._card is not None and self._card.joined():
            self._show_card(False)
        self._take_arrived()
        now = self._clock.now
        size = self.size
        if self._drawn_at - self._level_at >= LEVEL_S:
            self._level_at, self._level_db = self._drawn_at, self._level.take()
        self.shown = view(
            self._alerts.state,
            now=now,
            level_db=self._level_db,
            latest=self._latest(now),
            columns=size.width,
            rows=size.height,
            device=self._device,
            last_time=self._last_time,
            moment=self._moment.text if self._drawn_at - self._moment.at < MOMENT_S else "",
            warning=self._warning(),
        )
        self.query_one(Screenful).show(self.shown)

    def _latest(self, now: float) -> Message | None:
        """The last sentence, as old as it is to the person: in a roast played fast it would be gone at once."""
        if self._message is None or self._speed == 1:
            return self._message
        return replace(self._message, at=now - (now - self._message.at) / self._speed)

    def _take_arrived(self) -> None:
        while self._arrived:
            item = self._arrived.popleft()
            if isinstance(item, str):
                self._message = Message(item, self._clock.now, urgent=True)
                continue
            self._clock.hear(item.announced_at)
            if item.type == "drop" and item.fields["how"] == "given" and "undo" not in item.fields:
                self._message = None  # what was said of the target does not hold any more
            for alert in self._alerts.push(item):
                if alert.signal in ("first_crack", "target"):
                    self._moment = Message(alert.text, self._monotonic())
                # pops that come stand in what comes next as long as they do, and a question waits for its answer
                asks = alert.urgency < 2 and self._keys.asks(self._clock.now)
                if alert.signal != "coming" and not asks:
                    self._message = Message(alert.text, alert.at, urgent=alert.urgency == 2)
            if item.type == "mark":
                self._message = Message(marked(item, self._alerts.state, undo=f"[{keys.UNDO}]"), item.at)

    # -- keys ------------------------------------------------------------------------------------------------

    def on_key(self, event: Key) -> None:
        """A key of the person, see ``keys``; Ctrl-C ends the roast as well."""
        key = event.key.lower()
        if self._card_shown and key not in ("ctrl+c", "ctrl+q"):
            self._show_card(False)
        elif key == keys.PAGE and self._card is not None:
            self._show_card(True, waits=False)
        elif key in ("ctrl+c", "ctrl+q"):
            self._end()
        elif key == keys.END or key in keys.MARKING:
            self._press(key)
        else:
            return
        event.stop()
        event.prevent_default()

    def _show_card(self, shown: bool, *, waits: bool = True) -> None:
        """waits: for somebody to look at the page."""
        if self._card is not None:
            self._card_shown, self._card_waits = shown, waits
            self.query_one("#card", Static).display = shown

    async def action_quit(self) -> None:
        """What the library calls for Ctrl-Q: the roast ends, and the board closes when it has."""
        self._end()

    def action_help_quit(self) -> None:
        """What the library calls for Ctrl-C."""
        self._end()

    def _press(self, key: str) -> None:
        self._take_arrived()  # a key answers what the person has just seen
        what = keys.MARKING.get(key, marking.END)
        answer = self._keys.press(what, f"[{key}]", self._alerts.state, self._clock.now)
        if answer.mark is None:
            self._tell(answer.sentence)
        else:
            self._marks.put(answer.mark)
        if answer.ends:
            self._end()

    def _tell(self, text: str) -> None:
        self._message = Message(text, self._clock.now)
        self._draw()


def _drawn(card: PageCard) -> Content:
    code = [Content.styled(line, "black on white") for line in card.code]
    words = Content(f"{card.address}\n{card.who}\nAny key shows the board, {keys.PAGE} this again.")
    return Content("\n").join([*code, words])
