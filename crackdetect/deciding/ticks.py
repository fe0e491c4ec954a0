"""What was heard, sorted into ticks on an absolute grid: whatever the blocks, every tick holds the same."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from crackdetect.deciding.recent import TICK_S
from crackdetect.deciding.tracker import ScoredCandidate
from crackdetect.hearing.onset import CELL, Cell, HeardFrames

_TICKS_A_SECOND = round(1 / TICK_S)


class Tick(NamedTuple):
    """A quarter of a second.

    number: it ends at (number + 1) x TICK_S. border: the first frame after it. candidates: those of its frames, in
    order. cells: those that ended since the tick before. observed_s: how much of it was heard, 0 to TICK_S.
    """

    number: int
    border: int
    candidates: list[ScoredCandidate]
    cells: list[Cell]
    observed_s: float

    @property
    def end_s(self) -> float:
        """Seconds from the first sample."""
        return (self.number + 1) * TICK_S


class TickGrid:
    """Takes candidates, frames and cells in their order, and closes ticks.

    Parameters
    ----------
    samplerate
        Hz.
    hop
        Samples from frame to frame.
    """

    def __init__(self, *, samplerate: int, hop: int) -> None:
        self._samplerate = samplerate
        self._hop = hop
        self.reset()

    def reset(self) -> None:
        """As new."""
        self.skip_to(0)
        self._candidates: deque[tuple[int, ScoredCandidate]] = deque()  # with their frames
        self._frames: deque[HeardFrames] = deque()
        self._cells: deque[Cell] = deque()

    def add(self, frame: int, candidate: ScoredCandidate) -> None:
        """A candidate of that frame."""
        self._candidates.append((frame, candidate))

    def hear(self, frames: HeardFrames | None, cells: Sequence[Cell]) -> None:
        """Frames that were judged, ``None`` for none, and cells that became whole."""
        if frames is not None:
            self._frames.append(frames)
        self._cells.extend(cells)

    def border(self, tick: int) -> int:
        """The first frame after a tick."""
        return -(-(tick + 1) * self._samplerate // (_TICKS_A_SECOND * self._hop))

    @property
    def open_until(self) -> int:
        """The first frame after the tick that is open."""
        return self._border

    def skip_to(self, tick: int) -> None:
        """Earlier ticks are closed."""
        self._next, self._border = tick, self.border(tick)  # to be closed, and the first frame after it

    def close(self, judged: int) -> Iterator[Tick]:
        """The ticks that end at or before frame ``judged`` and are not closed yet, one by one."""
        while self._border <= judged:
            tick, border = self._next, self._border
            self.skip_to(tick + 1)
            candidates, cells = [], []
            while self._candidates and self._candidates[0][0] < border:
                candidates.append(self._candidates.popleft()[1])
            while self._cells and (self._cells[0].index + 1) * CELL <= border:
                cells.append(self._cells.popleft())
            observed_s = self._count_audible(border) * self._hop / self._samplerate
            yield Tick(tick, border, candidates, cells, min(observed_s, TICK_S))

    def _count_audible(self, border: int) -> int:
        """Frames before ``border`` in which anything could be heard; they are counted once."""
        count = 0
        while self._frames and self._frames[0].first < border:
            first, audible = self._frames.popleft()
            here = audible[: border - first]
            count += int(np.count_nonzero(here))
            if len(here) < len(audible):
                self._frames.appendleft(HeardFrames(border, audible[border - first :]))
        return count
