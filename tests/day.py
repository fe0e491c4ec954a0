"""A day at the roaster in one process, as fast as it goes: roast after roast, each kept, recorded, announced and sent.

The sound is the demonstration's, with outages of some seconds at random; nobody is there to take what is sent, the
signals are sounded into nothing. After each roast is looked at what the process holds.
"""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
import random
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from queue import SimpleQueue

import kills
import numpy as np

from crackdetect.audio.files import open_recording
from crackdetect.blocks import Block
from crackdetect.config import About
from crackdetect.events import Event, Sink
from crackdetect.listening.attachments import Attachments, ObservedSource
from crackdetect.listening.kept_roast import KeptRoast, Webhooks
from crackdetect.model import Model
from crackdetect.notice import Notice
from crackdetect.pipeline import Pipeline
from crackdetect.roast.alerts import Alerts
from crackdetect.running.loop import listen
from crackdetect.sound.announcer import Announcer
from crackdetect.sound.own_sound import OwnSound

#: Nobody listens there: port 9 of this computer, the discard protocol (RFC 863), is closed on systems of today.
NOBODY = "http://127.0.0.1:9/"
#: Events that may wait for a sink (chosen: those of some seconds).
BEHIND = 20


@dataclass(frozen=True)
class Held:
    """What a process holds.

    memory_mb: resident and its own, not pages of program files; of that a part is what the C library keeps, see below.
    blocks: pieces of memory in which Python's objects live. files: descriptors.
    """

    memory_mb: float
    blocks: int
    files: int
    threads: int


def only_what_is_kept() -> None:
    """From here on memory does not grow by what grows once, at some moment of a day, whatever the program does.

    The C library gives threads that meet in it arenas of their own, up to eight a core (mallopt(3), M_ARENA_MAX), of
    which some pages stay for good: there is one from now on. Python's table of names, into which pathlib puts each part
    of a path, becomes twice as large when some thousands have come and gone: they come and go now.

    What is left is small and slows down: freed pieces that the C library keeps for each thread (its tunable
    ``glibc.malloc.tcache_count``, from memory: with 0 a minute heard over and over takes nothing more, else some 100
    bytes), and pages that are given back only when nothing is left in them.
    """
    with contextlib.suppress(OSError, AttributeError):  # another C library has no mallopt(3)
        ctypes.CDLL(None).mallopt(-8, 1)
    for number in range(100_000):
        sys.intern(f"a name that nothing has, {number}")


def held() -> Held:
    """Of this process, now (Linux), without memory that the C library keeps for later.

    Pages of program files are left out (``RssAnon``, proc(5)): the system brings and drops them as it likes.
    """
    gc.collect()
    with contextlib.suppress(OSError, AttributeError):  # another C library has no malloc_trim(3)
        ctypes.CDLL(None).malloc_trim(0)
    time.sleep(0.1)  # a thread that has been joined stays in the system's list for a moment
    with open("/proc/self/status", encoding="ascii") as file:
        (own_kb,) = (int(line.split()[1]) for line in file if line.startswith("RssAnon:"))
    return Held(own_kb / 1024, sys.getallocatedblocks(), len(os.listdir("/proc/self/fd")), threading.active_count())


class Silent:
    """A loudspeaker that sounds nothing."""

    def play(self, signal: object, *, enough: object) -> None: ...


class Followed:
    """A sink, and how far it is: the number of the last event that it has had."""

    def __init__(self, sink: Sink) -> None:
        self._sink = sink
        self.last = -1

    def send(self, event: Event) -> None:
        self._sink.send(event)
        self.last = event.seq

    def settle(self) -> None:
        getattr(self._sink, "settle", lambda: None)()


class Sound:
    """The demonstration as a microphone gives it, with outages; no faster than what follows it takes.

    said: numbers of the last events; nothing is given while the sinks are further behind than in a roast in real time.
    """

    kind, name, samplerate = "microphone", "day", kills.RATE

    def __init__(self, seconds: float, sinks: Sequence[Followed], *, said: Callable[[], int], seed: int) -> None:
        self._seconds = seconds
        self._sinks = sinks
        self._said = said
        self._chance = random.Random(seed)

    def __iter__(self) -> Iterator[Block]:
        source = open_recording(kills.DEMO, block_s=0.1)
        try:
            for number, block in enumerate(source):
                if number * 0.1 >= self._seconds:
                    return
                if self._chance.random() < 0.0005:
                    lost = self._chance.randrange(1, 10) * kills.RATE
                    yield Block(np.zeros(0, np.float32), lost=lost, lost_to="outage")
                while min(sink.last for sink in self._sinks) < self._said() - BEHIND:
                    time.sleep(0.001)
                yield block
        finally:
            source.close()

    def close(self) -> None: ...


def roast(home: Path, model: Model, *, number: int, seconds: float) -> None:
    """One roast, from its name to the log, under CRACKDETECT_HOME."""
    told: list[str] = []
    notices: SimpleQueue[Notice] = SimpleQueue()
    kept = KeptRoast(home / "data", f"roast-{number:04d}", folder=None, tell=told.append)
    attachments, started, own = Attachments(), datetime.now().astimezone(), OwnSound()
    alerts = Alerts(max_development_s=60)
    announcer = Announcer(alerts, player=Silent(), voice=None, own_sound=own, say=told.append, notices=notices)
    attachments.sinks.append(announcer)
    attachments.after.callback(announcer.close)
    about = About(started=started.isoformat(), coffee="Day")
    pipeline = Pipeline(
        samplerate=kills.RATE, model=model, settings=kills.SETTINGS, roast=kept.roast, source="microphone", about=about
    )
    with attachments.after:
        kept.attach(
            attachments, samplerate=kills.RATE, position=0, record=True, webhooks=Webhooks((NOBODY,)), started=started,
            notices=notices,
        )  # fmt: skip
        sinks = [Followed(sink) for sink in attachments.sinks]
        sound = Sound(seconds, sinks, said=lambda: pipeline.state.next_seq, seed=number)
        source = ObservedSource(sound, attachments.observers)
        code = listen(source, pipeline, sinks, notices=notices, say=told.append)
    assert code == 0, told
    assert kept.finish() == f"roast-{number:04d}", told
    (home / "data" / "roasts" / kept.roast / "sound.flac").unlink()  # a day of sound is some gigabytes
