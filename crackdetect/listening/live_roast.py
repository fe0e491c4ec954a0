"""A roast while it is heard at the roaster, with everything that tells the person of it.

Whoever wants to follow a roast is attached here, in :meth:`LiveRoast.attach`.
"""

from __future__ import annotations

import os
import shutil
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING

from crackdetect.errors import DeviceError, OutputError
from crackdetect.listening.attachments import Attachments, ObservedSource
from crackdetect.notice import no_silent_ends
from crackdetect.terminal.lines import print_line, tell
from crackdetect.terminal.text_events import event_sink

if TYPE_CHECKING:
    from crackdetect.blocks import Source
    from crackdetect.events import Event
    from crackdetect.notice import Notices
    from crackdetect.page.address import Place
    from crackdetect.pipeline import Pipeline
    from crackdetect.roast.alerts import Alerts
    from crackdetect.roast.marking import Mark
    from crackdetect.sound.announcer import Announcer
    from crackdetect.sound.own_sound import OwnSound
    from crackdetect.terminal.board import Board
    from crackdetect.terminal.page_card import PageCard
    from crackdetect.terminal.teller import Teller


#: On the board as long as alerts cannot sound although they are wanted.
NO_SOUND = "NO SOUND"


def may_board() -> bool:
    """Whether the board can be shown: a terminal on all sides, large enough, that knows more than lines."""
    from crackdetect.terminal.board_text import LEAST_COLUMNS, LEAST_ROWS

    streams = (sys.stdin, sys.stdout, sys.stderr)
    if not all(stream is not None and stream.isatty() for stream in streams) or os.environ.get("TERM") == "dumb":
        return False
    columns, rows = shutil.get_terminal_size()
    return columns >= LEAST_COLUMNS and rows >= LEAST_ROWS


@dataclass(frozen=True, slots=True)
class Telling:
    """How the person wants to be told.

    Attributes
    ----------
    text
        Lines to read, else JSON Lines.
    board
        The board instead of lines, which are told when it has closed.
    sound
        Whether there are signals.
    speech
        Whether alerts are spoken as well.
    ticks
        Whether soft ticks come shortly before the target.
    volume
        Of both, 0 to 1.
    max_development_s
        Development past this is cautioned; ``None`` = never.
    """

    text: bool
    board: bool
    sound: bool
    speech: bool
    ticks: bool
    volume: float
    max_development_s: float | None


class LiveRoast:
    """One roast at the microphone.

    Parameters
    ----------
    microphone
        Its samplerate (Hz) and name; :meth:`hear` takes the source itself.
    telling
        How the person wants to be told.
    teller
        Takes sentences for the person, and lines when the board has closed.
    before
        Events of a roast that is gone on with; who reads along gets them first.
    notices
        Where other parts put what they have to say; the loop takes it.
    last_time
        What the last roast of this coffee was like, for the board; may be empty.

    Attributes
    ----------
    attachments
        What follows the roast; more may be attached before it is heard. ``attachments.after`` is to be entered around
        :meth:`hear`.
    signalled_by
        The signal that ended it, by its name; ``None`` without one.
    """

    def __init__(
        self,
        microphone: Source,
        telling: Telling,
        *,
        teller: Teller,
        before: Sequence[Event],
        notices: Notices,
        last_time: str = "",
    ) -> None:
        self.attachments = Attachments()
        self._microphone = microphone
        self._telling = telling
        self._before = before
        self._notices = notices
        self._last_time = last_time
        self.signalled_by: str | None = None
        self._stop = threading.Event()
        self._marks: SimpleQueue[Mark] = SimpleQueue()
        self._teller = teller
        self._say = teller.complain
        self._begin: Callable[[], None] = lambda: None
        self._board: Board | None = None
        self._card: PageCard | None = None
        self._lines: list[str] = []  # of a roast on the board, told when it has closed
        self._own_sound: OwnSound | None = None
        self._announcer: Announcer | None = None

    def attach(self) -> None:
        """Attaches what the person wants. Tells what cannot be had."""
        from crackdetect.listening.awake import awake
        from crackdetect.mic.silent_check import SilentCheck

        attachments, telling = self.attachments, self._telling
        attachments.after.enter_context(no_silent_ends(self._notices))
        attachments.after.enter_context(awake(lambda sentence: tell(f"note: {sentence}")))
        attachments.observers.append(SilentCheck(samplerate=self._microphone.samplerate, notices=self._notices))
        if telling.board:
            self._attach_board()
        write = self._lines.append if telling.board else print_line
        lines = event_sink(telling.text or telling.board, name=f"Microphone {self._microphone.name}", write=write)
        attachments.sinks.append(lines)
        if telling.text and not telling.board and sys.stdin is not None and sys.stdin.isatty():
            self._attach_typed_keys()
        if telling.text or telling.board:  # a program that reads along has had what was before
            for event in self._before:
                lines.send(event)
        if telling.sound:
            self._attach_sound()

    def attach_page(self, place: Place, data: Path, roast: str) -> None:
        """Shows the roast in browsers too, and says who can see it.

        Parameters
        ----------
        place
            Where.
        data
            The data folder, in which the access is kept while the roast runs.
        roast
            Its identity.
        """
        from crackdetect.page import access
        from crackdetect.page.address import code_lines
        from crackdetect.page.live import LivePage
        from crackdetect.terminal.level import LevelWatch
        from crackdetect.terminal.page_card import PageCard, tell_card

        level = LevelWatch()
        page = LivePage(
            place,
            access.of_roast(data, roast, origin=place.origin),
            device=self._microphone.name,
            marks=self._marks,
            alerts=self._alerts(),
            level=level,
            notices=self._notices,
        )
        self.attachments.observers.append(level)
        self.attachments.sinks.append(page)
        self.attachments.after.callback(access.forget, data)
        self.attachments.after.callback(page.close)
        page.begin()
        self._card = PageCard(
            page.address,
            kept_at=str(data / access.FILE_NAME),
            who=place.who,
            code=() if place.for_this_computer else code_lines(page.address),
            joined=lambda: page.phones > 0,
        )
        if not self._telling.board:
            tell_card(self._card)

    def hear(self, source: Source, pipeline: Pipeline) -> int:
        """Hears the roast to its end; the exit code, see ``running.loop.listen``."""
        from crackdetect.running import loop

        source = ObservedSource(source, self.attachments.observers)
        if self._own_sound is not None:
            from crackdetect.sound.own_sound import MaskedSource

            source = MaskedSource(source, self._own_sound)

        def hear() -> int:
            return loop.listen(
                source,
                pipeline,
                self.attachments.sinks,
                stop=self._stop,
                marks=self._marks,
                notices=self._notices,
                say=self._say,
                signalled=self._signalled,
            )

        if self._board is not None:
            return self._on_board(self._board, hear)
        self._begin()
        return hear()

    def _on_board(self, board: Board, hear: Callable[[], int]) -> int:
        """The roast on the board; when it has closed, its lines and what was said meanwhile are told."""
        from crackdetect.listening import board_in_front

        told: list[str] = []

        def say(sentence: str) -> None:
            told.append(sentence)
            board.say(sentence)

        self._say = say
        hearing = board_in_front.Hearing(hear, finished=board.finished)
        self._begin = hearing.begin
        try:
            return board_in_front.run(
                board,
                hearing,
                stop=self._stop,
                notices=self._notices,
                say=self._teller.complain,
                signalled=self._signalled,
            )
        finally:
            self._teller.print_lines(self._lines)
            for sentence in told:
                self._teller.complain(sentence)

    def _attach_board(self) -> None:
        from crackdetect.terminal.board import Board
        from crackdetect.terminal.level import LevelWatch

        level = LevelWatch()
        self._board = Board(
            device=self._microphone.name,
            marks=self._marks,
            end=self._stop.set,
            alerts=self._alerts(),
            level=level,
            begin=lambda: self._begin(),
            card=self._card,
            last_time=self._last_time,
            warning=self._no_sound,
        )
        self.attachments.observers.append(level)
        self.attachments.sinks.append(self._board)

    def _attach_typed_keys(self) -> None:
        from crackdetect.terminal.keys import HINT, TypedKeys

        typed = TypedKeys(marks=self._marks, end=self._stop.set, say=self._teller.complain)
        self.attachments.sinks.append(typed)
        for event in self._before:
            typed.send(event)
        self._begin = typed.begin
        tell(HINT)

    def _attach_sound(self) -> None:
        """Signals and speech, and the mask that keeps them from being heard. Without a loudspeaker it says so."""
        from crackdetect.sound.announcer import Announcer
        from crackdetect.sound.own_sound import OwnSound
        from crackdetect.sound.player import Player
        from crackdetect.sound.voice import find_voice

        volume = self._telling.volume
        try:
            player = Player(volume=volume)
            player.check()
            own_sound = OwnSound()
            self._announcer = Announcer(
                self._alerts(),
                player=player,
                voice=find_voice(volume=volume) if self._telling.speech else None,
                own_sound=own_sound,
                say=lambda sentence: self._say(sentence),
                notices=self._notices,
            )
        except (DeviceError, OutputError) as error:
            tell(f"note: there is no sound: {error}" if isinstance(error, OutputError) else f"note: {error}")
            return
        self._own_sound = own_sound
        self.attachments.sinks.append(self._announcer)
        self.attachments.after.callback(self._announcer.close)

    def _signalled(self, name: str) -> None:
        self.signalled_by = name

    def _no_sound(self) -> str:
        """Shown as long as what the person relies on cannot be heard."""
        if not self._telling.sound or (self._announcer is not None and not self._announcer.failing):
            return ""
        return NO_SOUND

    def _alerts(self) -> Alerts:
        """Knows what was before; that does not call for anybody once more."""
        from crackdetect.roast.alerts import Alerts

        alerts = Alerts(max_development_s=self._telling.max_development_s, ticks=self._telling.ticks)
        for event in self._before:
            alerts.push(event)
        return alerts
