"""The program does not hear itself: what reaches the microphone while it sounds, and shortly after, is a gap.

A block is judged by when it arrives: sound leaves the loudspeaker after it was begun and reaches the microphone's block
later still, so every block that arrives between the beginning and ``TAIL_S`` after the end is taken out. (Chosen: it
covers the microphone's own delay, some 0.1 to 0.2 s, and a kitchen's reverberation, some 0.4 s.)
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import numpy as np

from crackdetect.audio.wrapped_source import WrappedSource
from crackdetect.blocks import Block, Source

TAIL_S = 0.6


class OwnSound:
    """Whether the program sounds. clock: seconds that never run back."""

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._sounding = 0
        self._until = -np.inf

    @contextmanager
    def sounding(self) -> Iterator[None]:
        """To be held while anything sounds, by any thread."""
        with self._lock:
            self._sounding += 1
        try:
            yield
        finally:
            with self._lock:
                self._sounding -= 1
                self._until = self._clock() + TAIL_S

    def covers(self, duration_s: float) -> bool:
        """Whether a block of this length that arrives now holds our own sound."""
        with self._lock:
            return self._sounding > 0 or self._clock() - duration_s < self._until


class MaskedSource(WrappedSource):
    """A source whose blocks are lost to our own sound while it lasts."""

    def __init__(self, source: Source, own_sound: OwnSound) -> None:
        super().__init__(source)
        self._own = own_sound

    def __iter__(self) -> Iterator[Block]:
        nothing = np.zeros(0, np.float32)
        for block in self._source:
            count = len(block.samples)
            if count == 0 or not self._own.covers(count / self.samplerate):
                yield block
                continue
            if block.lost or block.overflow:
                yield Block(nothing, lost=block.lost, overflow=block.overflow)
            yield Block(nothing, lost=count, lost_to="own_sound")
