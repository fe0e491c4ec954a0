"""What to do, before listening, with roasts that were cut off: go on with one, or close them as they stand."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from crackdetect.blocks import Block
from crackdetect.errors import CrackdetectError
from crackdetect.notice import Notice, Notices

if TYPE_CHECKING:
    from crackdetect.classify import Model
    from crackdetect.events import Event
    from crackdetect.keeping.recovery import CutOff
    from crackdetect.session import Source


def settle(
    data: Path,
    model: Model,
    *,
    wanted: bool | None,
    ask: Callable[[str, bool], bool] | None,
    tell: Callable[[str], None],
) -> CutOff | None:
    """The roast to go on with, ``None`` = a new one begins. Every other that was cut off is closed and told.

    data: the data folder. wanted: what the person said beforehand. ask: a question to be answered with yes or no, and
    its usual answer;
    ``None`` where nobody can answer. What cannot be closed now stays as it is for the next start, and is told.
    """
    from crackdetect.keeping import recovery

    now = datetime.now().astimezone()
    found = recovery.find(data, tell=lambda sentence: tell(_capital(sentence)))
    going_on = None
    running = [cut_off for cut_off in found if cut_off.may_still_run(now) and _can_be_told(cut_off)]
    if running and wanted is not False:
        newest = running[-1]
        told = newest.told(now)
        question = f"{_capital(told)}. Is it still going on, and shall it be gone on with?"
        if wanted or (ask is not None and ask(question, True)):
            going_on = newest
            tell(f"{_capital(told)}; it is gone on with, and its clock is right.")
        elif ask is None:
            tell(f"{_capital(told)}; had it still been going on, 'listen --go-on' would have gone on with it.")
    elif wanted:
        tell("There is no roast to go on with; a new one begins.")
    for cut_off in found:
        if cut_off is not going_on:
            _close(cut_off, model, now, tell)
    return going_on


def _close(cut_off: CutOff, model: Model, now: datetime, tell: Callable[[str], None]) -> None:
    from crackdetect.keeping import recovery

    finished = cut_off.so_far.finished
    try:
        identity = recovery.close(cut_off, model)
    except CrackdetectError as error:
        tell(f"{_capital(cut_off.told(now))} and could not be put into the log: {error}")
        return
    if finished:
        tell(f"The roast {identity} had ended and is now in the log.")
    else:
        tell(f"{_capital(cut_off.told(now))}; it is in the log as far as it was heard, as {identity}.")


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def _can_be_told(cut_off: CutOff) -> bool:
    """Whether what it said can be shown once more; where not, its journal is damaged, and it is closed instead."""
    from crackdetect.alerts import Alerts
    from crackdetect.console import TextSink

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
    from crackdetect.keeping.journal import read_events

    return [Event.from_dict(event) for event in read_events(cut_off.folder)]


class ContinuedSource:
    """A source that goes on with a roast: before its first block comes the time since the last that was said of it.

    started: wall clock at the roast's first sample, Unix seconds. position: samples of the roast so far. notices: where
    it is told how much was not heard.
    """

    def __init__(self, source: Source, *, started: float, position: int, notices: Notices) -> None:
        self._source = source
        self._started = started
        self._position = position
        self._notices = notices
        self.samplerate = source.samplerate
        self.kind: Literal["microphone", "file", "stdin"] = source.kind
        self.name = source.name

    def __iter__(self) -> Iterator[Block]:
        from crackdetect.events import clock

        first = True
        for block in self._source:
            if first and len(block.samples):
                first = False
                now = round((time.time() - self._started) * self.samplerate)
                missed = max(0, now - len(block.samples) - block.lost - self._position)
                there, long = (clock(count / self.samplerate) for count in (self._position, missed))
                message = f"the program was ended at {there} and goes on; {long} were not heard"
                self._notices.put(Notice("interrupted", message))
                yield Block(np.zeros(0, np.float32), lost=missed, lost_to="outage")
            yield block

    def close(self) -> None:
        self._source.close()
