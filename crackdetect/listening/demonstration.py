"""A recorded roast on the board, as it was at the roaster: played at a chosen pace, with keys to practise."""

from __future__ import annotations

import threading
from contextlib import ExitStack
from dataclasses import dataclass
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

from crackdetect.errors import DeviceError
from crackdetect.listening.attachments import BlockObserver, ObservedSource

if TYPE_CHECKING:
    from collections.abc import Callable

    from crackdetect.audio.playback import Tempo
    from crackdetect.audio.recording_notes import Recording
    from crackdetect.events import Event, Sink
    from crackdetect.notice import Notices
    from crackdetect.pipeline import Pipeline
    from crackdetect.roast.marking import Mark
    from crackdetect.roast.state import RoastState

#: Faster than this a spoken sentence is over after what it speaks of; then there are signals only.
SPEAK_UP_TO = 2.0
#: Times real time at most while pops are coming: some seconds of the roast are then to be seen.
COMING_SPEED = 2.0
_VOLUME = 0.8


@dataclass(frozen=True, slots=True)
class Shown:
    """What became of a demonstration.

    Attributes
    ----------
    exit_code
        0, or that of the error that ended it.
    summary
        Fields of the ``summary``, ``None`` where there is none.
    ended_by_person
        Whether the person ended it before the recording did.
    taken_back
        Whether the person said that first crack had not been.
    """

    exit_code: int
    summary: dict[str, Any] | None
    ended_by_person: bool
    taken_back: bool = False


def show(
    source: Recording,
    pipeline: Pipeline,
    *,
    speed: float,
    from_s: float,
    sound: bool,
    say: Callable[[str], None],
) -> Shown:
    """Shows a recording on the board until it ends or the person ends it.

    Parameters
    ----------
    speed
        Times real time; at 1 the roast itself is played on the loudspeaker as well.
    from_s
        What comes before this second is heard as fast as possible.
    sound
        Whether there are signals.
    say
        Takes sentences for the person, after the board has closed.
    """
    from crackdetect.audio.playback import Playback, Tempo
    from crackdetect.listening import board_in_front
    from crackdetect.roast.alerts import Alerts
    from crackdetect.roast.statements import NOT_YET
    from crackdetect.running import loop
    from crackdetect.running.recordings import AllEvents
    from crackdetect.terminal.board import Board
    from crackdetect.terminal.level import LevelWatch

    stop, level, heard = threading.Event(), LevelWatch(), AllEvents()
    marks: SimpleQueue[Mark] = SimpleQueue()
    notices: Notices = SimpleQueue()
    tempo = Tempo(speed)
    playback = Playback(source, speed=tempo, from_s=from_s)
    observers: list[BlockObserver] = [level]
    told: list[str] = []
    board = Board(
        device="none, a recording" + (f" {speed:g} times as fast" if speed != 1 else ""),
        marks=marks,
        end=stop.set,
        alerts=Alerts(),
        level=level,
        begin=lambda: hearing.begin(),
        speed=speed,
        playing=tempo.now,
    )

    def tell(sentence: str) -> None:
        told.append(sentence)
        board.say(sentence)

    with ExitStack() as after:
        sinks: list[Sink] = [board, heard, Unhurried(pipeline.state, tempo)]
        if sound:
            sinks += _sound(source.samplerate, observers, notices, speed=speed, say=told.append, after=after)
        watched = ObservedSource(playback, observers)
        hearing = board_in_front.Hearing(
            lambda: loop.listen(watched, pipeline, sinks, stop=stop, marks=marks, notices=notices, say=tell),
            finished=board.finished,
        )
        code = board_in_front.run(board, hearing, stop=stop, notices=notices, say=tell)
    for sentence in told:
        say(sentence)
    taken_back = any(event.fields.get("what") == f"first_crack{NOT_YET}" for event in heard.events)
    return Shown(code, heard.summary, ended_by_person=stop.is_set(), taken_back=taken_back)


class Unhurried:
    """A sink that plays slowly while pops are coming, which at the speed of the rest would be over in a blink."""

    def __init__(self, state: RoastState, tempo: Tempo) -> None:
        self._state = state
        self._tempo = tempo
        self._fast = tempo.speed

    def send(self, event: Event) -> None:
        """After each event the speed is what the roast calls for."""
        speed = min(self._fast, COMING_SPEED) if self._state.coming else self._fast
        if speed != self._tempo.speed:
            self._tempo.change(speed)


def _sound(
    samplerate: int,
    observers: list[BlockObserver],
    notices: Notices,
    *,
    speed: float,
    say: Callable[[str], None],
    after: ExitStack,
) -> list[Sink]:
    """What sounds, where there is a loudspeaker; where there is none, that is said."""
    from crackdetect.roast.alerts import Alerts
    from crackdetect.sound.announcer import Announcer
    from crackdetect.sound.loudspeaker import Loudspeaker
    from crackdetect.sound.own_sound import OwnSound
    from crackdetect.sound.player import Player
    from crackdetect.sound.voice import find_voice

    try:
        player = Player(volume=_VOLUME)
        player.check()
        if speed == 1:
            loudspeaker = Loudspeaker(samplerate=samplerate, volume=_VOLUME)
            observers.append(loudspeaker)
            after.callback(loudspeaker.close)
    except DeviceError as error:
        say(f"note: {error}")
        return []
    voice = find_voice(volume=_VOLUME) if speed <= SPEAK_UP_TO else None
    announcer = Announcer(Alerts(), player=player, voice=voice, own_sound=OwnSound(), say=say, notices=notices)
    after.callback(announcer.close)
    return [announcer]
