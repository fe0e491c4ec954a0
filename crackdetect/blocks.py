"""What a source of sound gives: blocks of mono samples with what was lost before them. And the names of arrays."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, Protocol, TypeAlias

import numpy as np
import numpy.typing as npt

from crackdetect.errors import InputError

#: Mono samples: float32, shape (n,), full scale = ±1.
Samples: TypeAlias = npt.NDArray[np.float32]
#: What a device or file gives: float32, shape (n, channels), full scale = ±1.
Frames: TypeAlias = npt.NDArray[np.float32]
#: Other arrays; shapes stand where they are used.
Floats: TypeAlias = npt.NDArray[np.float32]
Doubles: TypeAlias = npt.NDArray[np.float64]
Reals: TypeAlias = npt.NDArray[np.floating]  # either of the two
Indices: TypeAlias = npt.NDArray[np.int64]
Flags: TypeAlias = npt.NDArray[np.bool_]
#: Where sound comes from.
SourceKind: TypeAlias = Literal["microphone", "file", "stdin"]


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


class Source(Protocol):
    """Where blocks come from: iterated over once, then closed.

    Iteration raises CrackdetectError, one sentence, when the sound ends in another way than it should.
    """

    @property
    def samplerate(self) -> int:
        """Hz."""

    @property
    def kind(self) -> SourceKind:
        """What it is."""

    @property
    def name(self) -> str:
        """As the person knows it: a path, the name of a device."""

    def __iter__(self) -> Iterator[Block]: ...
    def close(self) -> None:
        """Gives the device or the file back."""
