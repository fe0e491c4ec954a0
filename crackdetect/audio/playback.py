"""A recording that passes at a chosen pace."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator

from crackdetect.audio.wrapped_source import WrappedSource
from crackdetect.blocks import Block, Source

#: A computer that is so many seconds behind with the sound does not try to catch up.
LATE_S = 1.0


class Tempo:
    """Seconds of a recording that is played: a clock whose speed may change while it runs. From any thread.

    Parameters
    ----------
    speed
        Times real time.
    """

    def __init__(self, speed: float) -> None:
        self._stood: tuple[float, float, float] = (time.monotonic(), 0.0, speed)
        self._limit = math.inf

    @property
    def speed(self) -> float:
        """Times real time, from the last change on."""
        return self._stood[2]

    def now(self) -> float:
        """Seconds, never further than the limit."""
        return min(self._running(), self._limit)

    def late_s(self, at: float) -> float:
        """Seconds of a person's time since these seconds were due; negative before."""
        return (self._running() - at) / self.speed

    def change(self, speed: float) -> None:
        """Runs at another speed from now on."""
        self._stood = (time.monotonic(), self.now(), speed)

    def set(self, to: float) -> None:
        """Stands at these seconds now."""
        self._stood = (time.monotonic(), to, self.speed)

    def limit(self, to: float) -> None:
        """Runs no further than these seconds: a clock does not leave a slow computer's sound behind."""
        self._limit = to

    def _running(self) -> float:
        since, at, speed = self._stood
        return at + speed * (time.monotonic() - since)


class Playback(WrappedSource):
    """Gives the blocks of a recording when their last sample would have sounded, as a microphone does.

    Parameters
    ----------
    source
        The recording.
    speed
        Times real time, or a clock that says it; ``None`` = as fast as possible.
    from_s
        What comes before this second passes as fast as possible.
    progress
        Called after each block with the seconds let through so far.

    Attributes
    ----------
    ended
        Whether all of it has passed.
    """

    def __init__(
        self,
        source: Source,
        *,
        speed: float | Tempo | None = None,
        from_s: float = 0.0,
        progress: Callable[[float], None] | None = None,
    ) -> None:
        super().__init__(source)
        self.ended = False
        self._tempo = Tempo(speed) if isinstance(speed, int | float) else speed
        self._from_s = from_s
        self._progress = progress

    def __iter__(self) -> Iterator[Block]:
        position = 0
        if self._tempo is not None:
            self._tempo.set(0.0)
        for block in self._source:
            position += len(block.samples)
            passed_s = position / self.samplerate
            if self._tempo is not None:
                self._keep_time(self._tempo, passed_s)
                self._tempo.limit(passed_s + len(block.samples) / self.samplerate)
            yield block
            if self._progress is not None:
                self._progress(passed_s)
        self.ended = True

    def _keep_time(self, tempo: Tempo, passed_s: float) -> None:
        """Waits until so much of it is due."""
        late_s = tempo.late_s(passed_s)
        if passed_s <= self._from_s or late_s > LATE_S:
            tempo.set(passed_s)
        else:
            time.sleep(max(0.0, -late_s))
