"""What stands on the board of a live roast in a browser: events in, parts of the page out. Nothing is served here."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, NamedTuple

from crackdetect.events import Event
from crackdetect.notation import clock
from crackdetect.roast import standing
from crackdetect.roast.alerts import Alerts, Signal
from crackdetect.roast.course import UNDO
from crackdetect.roast.marking import Answer, Keys, Mark
from crackdetect.roast.record import SPOKEN
from crackdetect.roast.roast_clock import RoastClock
from crackdetect.roast.series import HISTORY_S
from crackdetect.roast.stage import how_dense
from crackdetect.roast.state import RoastState
from crackdetect.sound.signals import NAMES
from crackdetect.terminal.level import FLOOR_DB, LevelWatch, level_words

#: Sentences that stay on the board, the newest first.
SAID = 4
#: The level is for the eye; it is looked at anew so often, seconds.
LEVEL_S = 0.5
#: The same mark again within this is the same press, seconds.
SAME_PRESS_S = 1.0
#: What is pressed, in the words of ``standing.coming``.
_PRESS: Mapping[str, str] = MappingProxyType(
    {
        "charge": "the button",
        "first_crack.start": "the button",
        "drop": "the button",
        "end": "e or Ctrl-C at the computer",
    }
)
#: Words of the large button, and below them.
_BUTTONS = {
    "charge": ("Beans in", "press as they go in"),
    "first_crack.start": ("First crack now", "press if you hear it first"),
    "drop": ("Drop", "press as the beans leave"),
}
#: Words of the small one, where they are not plainly "undo".
_UNDO = {"heard": "Undo {}, as heard", "not_yet": "Undo: bring {} back", "confirmed": "Undo your yes to {}"}
_REFUSED = "That has just changed; look again."


class Said(NamedTuple):
    """A sentence. number: of all sentences. at: s from the first sample. urgency: 0 to 2. signal: how it sounds."""

    number: int
    at: float
    text: str
    urgency: int
    signal: Signal | None


@dataclass(frozen=True, slots=True)
class Shown:
    """The whole board at a moment.

    Attributes
    ----------
    now
        Seconds from the first sample.
    parts
        JSON values by the name of the part.
    density
        Rows of seconds, cracks a minute, and its 90 % interval; of the last two minutes, oldest first.
    pops
        Rows of seconds, kind, and probability, likewise.
    """

    now: float
    parts: Mapping[str, Any]
    density: tuple[tuple[float, float, float, float], ...]
    pops: tuple[tuple[float, str, float], ...]


def next_mark(state: RoastState) -> str | None:
    """What a person would mark next; ``None`` after the drop."""
    if state.drop is not None or state.finished:
        return None
    if state.first_crack is not None:
        return "drop"
    return "charge" if state.charge is None else "first_crack.start"


class LiveBoard:
    """A sink that keeps what stands on the board. Every method may be called from any thread, and returns at once.

    Parameters
    ----------
    device
        The microphone's name.
    alerts
        An alert stage of its own, for the words and for what holds in the roast.
    level
        Observes the same microphone.
    mark
        Takes a mark of the person.
    changed
        Called after each event.
    monotonic
        Seconds that never run back.
    """

    def __init__(
        self,
        *,
        device: str,
        alerts: Alerts,
        level: LevelWatch,
        mark: Callable[[Mark], None],
        changed: Callable[[], None] = lambda: None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.changed = changed
        self._device = device
        self._alerts = alerts
        self._level = level
        self._mark = mark
        self._monotonic = monotonic
        self._clock = RoastClock(monotonic=monotonic)
        self._said: deque[Said] = deque(maxlen=SAID)
        self._count = 0
        self._level_db = FLOOR_DB
        self._level_at = -LEVEL_S
        self._pressed: tuple[str, float] = ("", -SAME_PRESS_S)
        self._lock = threading.Lock()

    def send(self, event: Event) -> None:
        """Takes the next event of the roast."""
        with self._lock:
            self._clock.hear(event.announced_at)
            for alert in self._alerts.push(event):
                self._say(alert.at, alert.text, alert.urgency, alert.signal)
            if event.type == "mark":
                self._say(event.at, standing.marked(event, self._alerts.state, undo="the small button"), 0, None)
        self.changed()

    def _say(self, at: float, text: str, urgency: int, signal: Signal | None) -> None:
        if not text:
            return
        self._count += 1
        self._said.appendleft(Said(self._count, at, text, urgency, signal))

    def press(self, what: str) -> str | None:
        """A button was pressed. what: the mark that it showed. Why it is not taken, ``None`` where it is.

        What a phone shows may be a moment old: only what the board offers now is marked, and once.
        """
        with self._lock:
            state, now = self._alerts.state, self._monotonic()
            before, at = self._pressed
            if state.finished or (what == before and now - at < SAME_PRESS_S):
                return _REFUSED
            answer = self._answer(what, state)
            if answer.mark is None:
                return answer.sentence
            self._pressed = (what, now)
        self._mark(answer.mark)
        return None

    def _answer(self, what: str, state: RoastState) -> Answer:
        offered, undo = next_mark(state), _undo(state)
        if undo is not None and what == undo[0]:
            return Answer(Mark(UNDO))
        if what not in (offered, "first_crack.start"):
            return Answer(None, _REFUSED)
        # who presses for first crack while it is announced says yes to it
        answer = Keys().press(what, "the button", state, self._clock.now)
        return answer if what == offered or answer.mark is not None else Answer(None, _REFUSED)

    @property
    def finished(self) -> bool:
        """Whether the roast has ended."""
        return self._alerts.state.finished

    def shown(self) -> Shown:
        """The board as it stands now."""
        with self._lock:
            state = self._alerts.state
            now = state.until if state.finished else self._clock.now
            moment = self._monotonic()
            if moment - self._level_at >= LEVEL_S and not state.finished:
                self._level_at, self._level_db = moment, self._level.take()
            series, since = state.series, now - HISTORY_S
            return Shown(
                now,
                self._parts(state, now),
                tuple(
                    (one.at_s, round(one.per_minute, 1), round(one.low, 1), round(one.high, 1))
                    for one in series.density
                    if one.at_s > since
                ),
                tuple((one.at_s, one.kind, round(one.probability, 2)) for one in series.cracks if one.at_s > since),
            )

    def _parts(self, state: RoastState, now: float) -> dict[str, Any]:
        large, trouble = standing.leading(state, now), standing.trouble(state, now)
        wrong = "" if trouble is None else trouble.message[:1].upper() + trouble.message[1:]
        if self._said and self._said[0].text == wrong:
            wrong = ""  # it stands there already
        base = 0.0 if state.charge is None else state.charge.at
        what = next_mark(state)
        return {
            "title": "  ·  ".join(standing.described(state)),
            "phase": large.name,
            "figure": clock(large.seconds).lstrip("-"),
            "note": large.note,
            "facts": [list(fact) for fact in standing.facts(state, now)],
            "next": "" if state.finished else standing.coming(state, now, press=_PRESS),
            "density": how_dense(state, now),
            "signals": list(NAMES),
            "device": self._device,
            "level": level_words(self._level_db),
            "loudness": round((self._level_db - FLOOR_DB) / -FLOOR_DB, 2),
            "trouble": wrong,
            "said": [
                [one.number, clock(one.at - base), one.text, one.urgency, one.signal, round(one.at, 2)]
                for one in self._said
            ],
            "button": None if what is None else [what, *_BUTTONS[what]],
            "undo": _undo(state),
            "ended": state.finished,
        }


def _undo(state: RoastState) -> list[str] | None:
    """What the small button sends, and what it says: undo of just this, should the phone be behind."""
    last = None if state.finished else state.steps.last
    if last is None:
        return None
    return [f"{UNDO} {last.what} {last.kind}", _UNDO.get(last.kind, "Undo {}").format(SPOKEN[last.what])]
