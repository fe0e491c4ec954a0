"""Real sounds for the benchmark: the recordings that never train, by class, so that each row can choose its own."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from crackdetect.blocks import Samples
from crackdetect.synth.sounds import Cracks, SoundBank
from crackdetect.train import sounds
from crackdetect.train.sounds import POPCORN

#: Classes of beds that are no machine (they belong to the kitchen in which nothing cracks).
NO_MACHINE = ("rain", "room_ambience")
_SHORTEST_S = 0.02
_SHORTEST_BED_S = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class RealSounds:
    """Sounds by class, mono float32 at ``sounds.SAMPLERATE``.

    Attributes
    ----------
    cracks : dict of str to Cracks
        Single breaking sounds, by the recording they are cut out of.
    distractors, beds : dict of str to tuple of numpy.ndarray, shape (n,)
        Whole recordings.
    popcorn : dict of str to numpy.ndarray, shape (n,)
        Whole popcorn recordings by name.
    digest : str
        Of all files, for results that are kept.
    """

    cracks: dict[str, Cracks]
    distractors: dict[str, tuple[Samples, ...]]
    beds: dict[str, tuple[Samples, ...]]
    popcorn: dict[str, Samples]
    digest: str

    def machines(self) -> list[str]:
        """Classes of beds that are machines."""
        return [label for label in self.beds if label not in NO_MACHINE]

    def bank(self, *, cracks: Sequence[str] = (), bed: str | None = None) -> SoundBank:
        """For the generator: the cracks of these classes, the beds of one class, all distractors."""
        return SoundBank(
            cracks={label: self.cracks[label] for label in cracks},
            distractors=tuple(wave for waves in self.distractors.values() for wave in waves),
            beds=() if bed is None else self.beds[bed],
            samplerate=sounds.SAMPLERATE,
        )


@lru_cache(maxsize=2)
def load(folder: Path) -> RealSounds:
    """The validation side of a folder of sounds. Raises InputError. Read once in each process."""
    cracks: dict[str, Cracks] = {}
    distractors: dict[str, tuple[Samples, ...]] = {}
    beds: dict[str, tuple[Samples, ...]] = {}
    popcorn: dict[str, Samples] = {}
    digest = hashlib.sha256()
    for recording in sounds.find(folder):
        if recording.side != "validate":
            continue
        digest.update(recording.path.name.encode())
        digest.update(hashlib.sha256(recording.path.read_bytes()).digest())
        wave = sounds.read(recording.path)
        label = recording.label
        if len(wave) < _SHORTEST_S * sounds.SAMPLERATE or not np.any(wave):
            continue
        if recording.role == "crack":
            if label == POPCORN:
                popcorn[recording.path.stem] = wave
            if broken := tuple(sounds.snippets(wave)):
                cracks[label] = (*cracks.get(label, ()), broken)
        elif recording.role == "distractor":
            distractors[label] = (*distractors.get(label, ()), wave)
        elif len(wave) >= _SHORTEST_BED_S * sounds.SAMPLERATE:
            beds[label] = (*beds.get(label, ()), wave)
    return RealSounds(cracks, distractors, beds, popcorn, digest.hexdigest()[:16])
