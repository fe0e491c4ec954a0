"""Sounds with their place in time, and how they get there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Doubles
from crackdetect.synth import household
from crackdetect.synth.levels import in_band
from crackdetect.synth.sounds import SoundBank


@dataclass(frozen=True, slots=True)
class Sound:
    """Something to be placed: number, sample at which it starts (crack: at which its peak lies), and what it is."""

    number: int
    at: int
    kind: str
    label: str
    level_db: float
    duration_s: float = 0.0


def kitchen_sound(sound: Sound, *, seed: int, samplerate: int, sounds: SoundBank | None, noise_rms: float) -> Doubles:
    """Something of the household, or a recorded one of ``sounds``, its in-band peak so far over the noise's rms."""
    rng = np.random.default_rng([seed, 24, sound.number])
    if sound.label.startswith("real ") and sounds is not None:
        source = sounds.distractors[int(sound.label[5:])]
        longest = int(sound.duration_s * sounds.samplerate)
        offset = int(rng.integers(0, max(1, len(source) - longest + 1)))
        part = source[offset : offset + longest]
        wave = resampled(part, sounds.samplerate, samplerate, speed=float(rng.uniform(0.9, 1.1)))
        wave = wave / max(float(np.abs(wave).max()), 1e-9)
    else:
        wave = household.make(sound.label, rng, kitchen=seed, samplerate=samplerate, duration_s=sound.duration_s)
    if len(wave) == 0:
        return wave
    loud = max(float(np.abs(in_band(wave, samplerate)).max()), 0.05)
    return np.asarray(wave * (noise_rms * 10 ** (sound.level_db / 20) / loud))


def mix(out: Doubles, pending: list[tuple[int, Doubles]], start: int) -> list[tuple[int, Doubles]]:
    """Adds what lies in [start, start + len(out)); returns what goes on beyond it."""
    rest = []
    end = start + len(out)
    for at, wave in pending:
        low, high = max(at, start), min(at + len(wave), end)
        if low < high:
            out[low - start : high - start] += wave[low - at : high - at]
        if at + len(wave) > end:
            rest.append((at, wave))
    return rest


def resampled(wave: npt.NDArray[np.float32], bank_rate: int, samplerate: int, *, speed: float) -> Doubles:
    """A wave (n,) at ``bank_rate`` Hz at another samplerate (Hz), so many times faster."""
    from scipy.signal import resample

    length = max(8, int(len(wave) * samplerate / bank_rate / speed))
    return np.asarray(resample(wave.astype(np.float64), length), np.float64)
