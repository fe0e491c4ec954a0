"""The short signals, made of tones.

A roaster's fan and drum are loudest below 500 Hz and fall with frequency; the ear is most sensitive from 2 to 4 kHz,
but hearing above that fades with age, and small loudspeakers give little below 500 Hz. So all tones lie between 650 and
2,000 Hz, with overtones that reach to 4 kHz: two strong components between 500 and 2,500 Hz, as ISO 7731 has it for
signals that must be heard over noise (from memory). Signals differ in rhythm and in the way the pitch moves, so that
they are told apart by somebody who hears only part of the spectrum. Attacks are soft (15 ms): nobody should be startled
beside a hot machine.
"""

from __future__ import annotations

from typing import get_args

import numpy as np

from crackdetect.blocks import Samples
from crackdetect.roast.alerts import Signal

ATTACK_S = 0.015
RELEASE_S = 0.045
#: Amplitudes of a tone's partials.
_PARTIALS = (1.0, 0.6, 0.25)
#: Notes as (Hz, seconds); 0 Hz is a rest. Pitches are of the equal-tempered scale at A = 440 Hz.
_NOTES: dict[Signal, tuple[tuple[float, float], ...]] = {
    # one low breath: something may come
    "coming": ((659, 0.16),),
    # climbs, twice
    "first_crack": ((880, 0.14), (1175, 0.14), (1568, 0.22), (0, 0.1), (880, 0.14), (1175, 0.14), (1568, 0.26)),
    # two taps
    "near": ((1047, 0.1), (0, 0.1), (1047, 0.1)),
    # one soft tick
    "tick": ((1319, 0.1),),
    # to and fro
    "target": ((1319, 0.12), (1760, 0.12)) * 4,
    # falls, three times
    "over": ((1568, 0.16), (1047, 0.2), (0, 0.08)) * 3,
    # a rattle
    "second_crack": ((1480, 0.07), (0, 0.05)) * 9,
    # low and slow
    "trouble": ((784, 0.34), (0, 0.06), (659, 0.5)),
    # one long tone
    "cooled": ((988, 0.9),),
    # one tap
    "noted": ((1175, 0.12),),
}
#: Those that only say that something may come, and how loud they are beside the others.
_SOFT: dict[Signal, float] = {"coming": 0.7, "tick": 0.7}
NAMES: tuple[Signal, ...] = get_args(Signal)


def signal(name: Signal, *, samplerate: int, volume: float = 1.0) -> Samples:
    """A signal, at most 1.2 s long.

    Parameters
    ----------
    samplerate
        Hz.
    volume
        0 to 1, of full scale.

    Returns
    -------
    Samples
        float32, shape (n,).
    """
    loud = np.float32(volume * _SOFT.get(name, 1.0))
    return np.concatenate([_note(hz, seconds, samplerate) for hz, seconds in _NOTES[name]]) * loud


def _note(hz: float, seconds: float, samplerate: int) -> Samples:
    t = np.arange(round(seconds * samplerate)) / samplerate
    if hz == 0:
        return np.zeros(len(t), np.float32)
    wave = sum(a * np.sin(2 * np.pi * hz * n * t) for n, a in enumerate(_PARTIALS, start=1))
    rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(t / ATTACK_S, 0, 1))
    fall = 0.5 - 0.5 * np.cos(np.pi * np.clip((seconds - t) / RELEASE_S, 0, 1))
    return np.asarray(wave * rise * fall / sum(_PARTIALS), np.float32)
