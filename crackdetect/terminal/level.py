"""How loud it is at the microphone, for the eye: on the board, and as a line of its own."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

from crackdetect.blocks import Block

#: What silence is shown as, dB of full scale.
FLOOR_DB = -90.0
#: Cells of the bar.
_BAR = 40
#: The line is drawn anew at most so often, seconds.
_REDRAW_S = 0.1


class LevelWatch:
    """An observer that takes blocks in the hearing thread, and gives the level since it was last asked in any other."""

    def __init__(self) -> None:
        self._peak = 0.0
        self._last_db = FLOOR_DB

    def observe(self, block: Block) -> None:
        """Costs next to nothing."""
        samples = block.samples
        if len(samples):
            peak = max(float(samples.max()), -float(samples.min()))
            if math.isfinite(peak):
                self._peak = max(self._peak, peak)

    def take(self) -> float:
        """Peak level in dB of full scale since the last call; the one before when no block came meanwhile."""
        peak, self._peak = self._peak, 0.0
        if peak > 0:
            self._last_db = level_db(peak)
        return self._last_db


def level_db(peak: float) -> float:
    """Level of a peak (full scale = 1) in dB of full scale, FLOOR_DB at least."""
    return max(FLOOR_DB, 20 * math.log10(peak)) if peak > 0 else FLOOR_DB


def level_words(db: float) -> str:
    """A level in words, dB of full scale."""
    return "too loud" if db > -0.5 else f"{db:.0f} dB of full scale"


def bar(share: float) -> str:
    """A bar of fixed length, full for a share of 1; below 0 and above 1 it is empty and full."""
    full = round(_BAR * min(max(share, 0.0), 1.0))
    return "█" * full + "░" * (_BAR - full)


def level_bar(db: float) -> str:
    """The bar of a level, dB of full scale, from FLOOR_DB to 0."""
    return bar((db - FLOOR_DB) / -FLOOR_DB)


class LevelLine:
    """Peaks as a bar on the last line of standard error; nothing where that is no terminal."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._drawn_at = -math.inf

    def show(self, peak: float) -> None:
        """Draws it, now and then. peak: full scale = 1."""
        now = time.monotonic()
        if self._shown and now - self._drawn_at >= _REDRAW_S:
            self._drawn_at = now
            level = level_db(peak)
            self._write(f"\r  level {level_bar(level)} {level:4.0f} dB ")

    def wipe(self) -> None:
        """Leaves an empty line, for something else to be written there."""
        if self._shown:
            self._write("\r" + " " * 60 + "\r")

    @staticmethod
    def _write(text: str) -> None:
        sys.stderr.write(text)
        sys.stderr.flush()


@contextmanager
def level_line() -> Iterator[LevelLine]:
    """A line that is wiped at the end."""
    line = LevelLine()
    try:
        yield line
    finally:
        line.wipe()
