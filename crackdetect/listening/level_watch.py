"""How loud it is at the microphone, for the eye: an observer of blocks that costs next to nothing."""

from __future__ import annotations

import math

import numpy as np

from crackdetect.blocks import Block

#: What silence is shown as, dB of full scale.
FLOOR_DB = -90.0


class LevelWatch:
    """Takes blocks in the hearing thread, gives the level since it was last asked, in any other."""

    def __init__(self) -> None:
        self._peak = 0.0
        self._last_db = FLOOR_DB

    def observe(self, block: Block) -> None:
        samples = block.samples
        if len(samples):
            peak = max(float(samples.max()), -float(samples.min()))
            if math.isfinite(peak):
                self._peak = max(self._peak, peak)

    def take(self) -> float:
        """Peak level in dB of full scale since the last call; the one before when no block came meanwhile."""
        peak, self._peak = self._peak, 0.0
        if peak > 0:
            self._last_db = max(FLOOR_DB, 20 * float(np.log10(peak)))
        return self._last_db
