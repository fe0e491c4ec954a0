"""What to do, before listening, with roasts that were cut off: go on with one, or close them as they stand."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from crackdetect.audio.gap_meter import clock_through_sleep
from crackdetect.audio.wrapped_source import WrappedSource
from crackdetect.blocks import Block, Source
from crackdetect.errors import CrackdetectError
from crackdetect.notation import clock
from crackdetect.notice import Notice, Notices

if TYPE_CHECKING:
    from crackdetect.events import Event
    from crackdetect.model import Model
    from crackdetect.storage.recovery import CutOff


def settle(
    data: Path,
    model: Model,
    *,
    wanted: bool | None,
    ask: Callable[[str, bool], bool] | None,
    tell: Callable[[str], None],
) -> CutOff | None:
    """Settles what becomes of every roast that was cut off: one may be gone on with, the others are closed and told.

    What cannot be closed now stays as it is for the next start, and is told.

    Parameters
    ----------
    data
        The data folder.
    model
        What hears; a roast that is closed gets its summary by it.
    wanted
        What the person said beforehand, ``None`` = nothing.
    ask
        Takes a question to be answered with yes or no, and its usual answer; ``None`` where nobody can answer.
    tell
        Takes sentences for the person.

    Returns
    -------
    CutOff or None
        The roast to go on with, ``None`` = a new one begins.
    """
    from crackdetect.storage import recovery

    now = datetime.now().astimezone()
    found = recovery.find(data, tell=lambda sentence: tell(_capital(sentence)))
    running = [cut_off for cut_off in found if cut_off.may_still_run(now) and _can_be_told(cut_off)]
    ended = recovery.last_ended(data)
    if not running and ended is not None and ended.may_still_run(now) and _can_be_told(ended):
        running = [ended]
    chosen = None
    if running and wanted is not False:
        latest = min(running, key=lambda cut_off: cut_off.ago_s(now) or 0.0)
        if _goes_on(latest.told(now), wanted=wanted, ask=ask, tell=tell) and _reopened(latest, tell):
            chosen = latest
    elif wanted:
        tell("There is no roast to go on with; a new one begins.")
    for cut_off in found:
        if cut_off is not chosen:
            _close(cut_off, model, now, tell)
    return chosen


def _goes_on(
    what: str, *, wanted: bool | None, ask: Callable[[str, bool], bool] | None, tell: Callable[[str], None]
) -> bool:
    """Whether the person goes on with a roast. what: the roast and when it was cut off, a sentence without its end."""
    question = f"{_capital(what)}. Is it still going on, and shall it be gone on with?"
    if wanted or (ask is not None and ask(question, True)):
        tell(f"{_capital(what)}; it is gone on with, and its clock is right.")
        return True
    if ask is None:
        tell(f"{_capital(what)}; had it still been going on, 'listen --resume' would have gone on with it.")
    return False


def _reopened(cut_off: CutOff, tell: Callable[[str], None]) -> bool:
    from crackdetect.storage import recovery

    try:
        recovery.reopen(cut_off)
    except CrackdetectError as error:
        tell(f"The roast cannot be gone on with: {error}; a new one begins.")
        return False
    return True


def _close(cut_off: CutOff, model: Model, now: datetime, tell: Callable[[str], None]) -> None:
    from crackdetect.storage import recovery
    from crackdetect.storage.roast_store import number_of

    finished = cut_off.state.finished
    try:
        number = number_of(recovery.close(cut_off, model))
    except CrackdetectError as error:
        tell(f"{_capital(cut_off.told(now))} and could not be put into the log: {error}")
        return
    if finished:
        tell(f"{_capital(cut_off.named)} had ended and is now in the log, as roast {number}.")
    else:
        tell(f"{_capital(cut_off.told(now))}; it is in the log as far as it was heard, as roast {number}.")


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def _can_be_told(cut_off: CutOff) -> bool:
    """Whether what it said can be shown once more; where not, its journal is damaged, and it is closed instead."""
    from crackdetect.roast.alerts import Alerts
    from crackdetect.terminal.text_events import TextSink

    lines, alerts = TextSink(lambda line: None, name=""), Alerts(max_development_s=None)
    try:
        for event in told_before(cut_off):
            lines.send(event)
            alerts.push(event)
    except (ArithmeticError, AttributeError, LookupError, OSError, TypeError, ValueError):
        return False
    return True


def told_before(cut_off: CutOff) -> list[Event]:
    """The events of the roast until it was cut off, for whatever shows them to the person."""
    from crackdetect.events import Event
    from crackdetect.storage.journal import read_events

    events = map(Event.from_dict, read_events(cut_off.folder))
    return [event for event in events if event.type != "summary"]  # where it was ended by a closed terminal


class ContinuedSource(WrappedSource):
    """A source that goes on with a roast: before its first block comes the time since the last that was said of it.

    Parameters
    ----------
    began_s
        ``clock_through_sleep`` at the roast's first sample, seconds.
    position
        Samples of the roast so far.
    notices
        Where it is told how much was not heard.
    """

    def __init__(self, source: Source, *, began_s: float, position: int, notices: Notices) -> None:
        super().__init__(source)
        self._began_s = began_s
        self._position = position
        self._notices = notices

    def __iter__(self) -> Iterator[Block]:
        first = True
        for block in self._source:
            if first and len(block.samples):
                first = False
                yield self._outage(block)
            yield block

    def _outage(self, block: Block) -> Block:
        now = round((clock_through_sleep() - self._began_s) * self.samplerate)
        missed = max(0, now - len(block.samples) - block.lost - self._position)
        there, long = (clock(count / self.samplerate) for count in (self._position, missed))
        message = f"the program was ended at {there} and goes on; {long} were not heard"
        self._notices.put(Notice("interrupted", message))
        return Block(np.zeros(0, np.float32), lost=missed, lost_to="outage")
