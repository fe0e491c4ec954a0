"""Waveforms of single cracks.

A crack is a broadband transient: from a tenth to half its height in 0.13 ms as a rule (0.65 ms in 99 of 100, measured
over 400 drawn colours; as its modes beat, the largest sample may come a millisecond or two later), and down in a few
(a vapour release, as popcorn's pop: Virot & Ponomarenko, J. R. Soc. Interface 12, 20141247, 2015). Here: a few damped
modes and a damped burst of noise, sometimes twice. Second crack is brighter and shorter (Wilson
2014). The shapes' numbers are chosen.
"""

from __future__ import annotations

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.synth.plan import Colour

#: Second crack's modes lie at these frequencies.
SECOND_CENTRE_HZ = 7_500.0


def first_crack(rng: np.random.Generator, *, samplerate: int, colour: Colour) -> Doubles:
    """A first crack (or a stray), 30 ms, largest sample about 1."""
    centre = colour.centre_hz * 2 ** rng.normal(0, 0.35)
    decay = colour.decay_s * float(np.exp(rng.normal(0, 0.4)))
    wave = _burst(
        rng,
        samplerate,
        centre,
        colour.spread_octaves,
        decay,
        colour.noise * float(np.exp(rng.normal(0, 0.5))),
        modes=colour.modes,
    )
    if rng.random() < colour.doubles:
        delay = int(rng.uniform(0.001, 0.006) * samplerate)
        again = _burst(rng, samplerate, centre, colour.spread_octaves, decay, colour.noise, modes=colour.modes)
        wave[delay:] += float(rng.uniform(0.3, 0.9)) * again[: len(wave) - delay]
    return np.asarray(wave / np.abs(wave).max(), np.float64)


def second_crack(rng: np.random.Generator, *, samplerate: int, colour: Colour) -> Doubles:
    """A second crack: shorter, brighter, largest sample about 1."""
    centre = SECOND_CENTRE_HZ * 2 ** rng.normal(0, 0.5)
    decay = float(rng.uniform(0.0003, 0.0012))
    wave = _burst(rng, samplerate, centre, 0.6, decay, colour.noise + 0.3, modes=0, noise_low_hz=3_000.0)
    return np.asarray(wave / np.abs(wave).max(), np.float64)


def _burst(
    rng: np.random.Generator,
    samplerate: int,
    centre_hz: float,
    spread_octaves: float,
    decay_s: float,
    noise: float,
    *,
    modes: int,
    noise_low_hz: float = 0.0,
) -> Doubles:
    length = int(0.030 * samplerate)
    t = np.arange(length) / samplerate
    wave = np.zeros(length)
    highest = 0.45 * samplerate
    for _ in range(modes or int(rng.integers(2, 6))):
        frequency = float(np.clip(centre_hz * 2 ** rng.normal(0, spread_octaves), 400, min(14_000, highest)))
        # low modes ring longer
        tau = decay_s * float(rng.uniform(0.5, 1.5)) * (2_000 / frequency) ** 0.3
        wave += (
            float(rng.exponential()) * np.exp(-t / tau) * np.cos(2 * np.pi * frequency * t + rng.uniform(0, 2 * np.pi))
        )
    rough = rng.standard_normal(length)
    upper = float(rng.uniform(2_500, 16_000))
    spectrum = np.fft.rfft(rough)
    frequencies = np.fft.rfftfreq(length, 1 / samplerate)
    spectrum *= 1 / (1 + (frequencies / upper) ** 2)
    if noise_low_hz:
        spectrum *= (frequencies / noise_low_hz) ** 2 / (1 + (frequencies / noise_low_hz) ** 2)
    rough = np.fft.irfft(spectrum, length)
    rough *= np.exp(-t / (decay_s * float(rng.uniform(0.4, 1.2)))) / max(float(np.abs(rough).max()), 1e-9)
    wave = wave / max(float(np.abs(wave).max()), 1e-9) + noise * rough
    return np.asarray(wave * (1 - np.exp(-t / float(rng.uniform(0.00005, 0.0004)))), np.float64)
