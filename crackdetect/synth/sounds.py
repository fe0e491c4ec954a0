"""Real sounds that the caller may lend to the generator, as arrays; the generator itself reads no files."""

from __future__ import annotations

from dataclasses import dataclass

from crackdetect.blocks import Samples


@dataclass(frozen=True, slots=True, eq=False)
class SoundBank:
    """Mono float32 arrays at one sample rate, any of the four may be empty.

    cracks: single short breaking sounds, each from a few ms before its peak; those of one recording together, of which
    none is empty. distractors: anything else one hears in
    a kitchen. beds: steady machine noise of two seconds or more, looped with a cross-fade.
    popcorn: whole recordings of popping, which the generator leaves alone (see ``train/scenes.py``).
    """

    cracks: tuple[tuple[Samples, ...], ...] = ()
    distractors: tuple[Samples, ...] = ()
    beds: tuple[Samples, ...] = ()
    popcorn: tuple[Samples, ...] = ()
    samplerate: int = 44_100
