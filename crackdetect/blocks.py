"""The one thing a source of sound gives: a block of mono samples, with what was lost before it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from crackdetect.errors import InputError

Samples = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive mono samples, full scale = ±1.

    samples: float32, shape (n,), n >= 0. Never written to by anyone who receives the block.
    lost: number of samples that were lost immediately before this block (0 = none). They take up time.
    overflow: the audio system said that data was lost but not how much (told as ``health``).
    lost_to: why they were lost: a ``gap``, ``own_sound`` that the program made and must not hear, or an ``outage``
    during which nobody listened (the microphone or the program was gone).
    """

    samples: Samples
    lost: int = 0
    overflow: bool = False
    lost_to: Literal["gap", "own_sound", "outage"] = "gap"

    def __post_init__(self) -> None:
        if self.samples.ndim != 1 or self.samples.dtype != np.float32:
            raise InputError(
                f"a block must hold one channel of float32 samples, not shape {self.samples.shape} "
                f"of {self.samples.dtype}; mix or pick a channel first"
            )
        if self.lost < 0:
            raise InputError(f"a block cannot have lost {self.lost} samples; the count must be 0 or more")
