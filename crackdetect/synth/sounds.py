"""Real sounds that the caller may lend to the generator, as arrays; the generator itself reads no files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from crackdetect.blocks import Samples

#: The cracks of a class, by recording.
Cracks = tuple[tuple[Samples, ...], ...]


@dataclass(frozen=True, slots=True, eq=False)
class SoundBank:
    """Mono float32 arrays at one sample rate, any of them may be empty.

    cracks: single short breaking sounds, each from a few ms before its peak, by class and then by recording, none of
    which is empty. distractors: anything else one hears in
    a kitchen. beds: steady machine noise of two seconds or more, looped with a cross-fade.
    sessions: numbers of the distractors that are of one session (a keyboard, a reader), where there are several.
    popcorn: whole recordings of popping, which the generator leaves alone (see ``train/scenes.py``).
    """

    cracks: Mapping[str, Cracks] = field(default_factory=dict)
    distractors: tuple[Samples, ...] = ()
    beds: tuple[Samples, ...] = ()
    popcorn: tuple[Samples, ...] = ()
    sessions: tuple[tuple[int, ...], ...] = ()
    samplerate: int = 44_100
