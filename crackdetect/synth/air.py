"""The moving air of a machine: broad hisses, tones, their steps and swings. All shapes are chosen."""

from __future__ import annotations

import numpy as np

from crackdetect.blocks import Doubles, Floats
from crackdetect.synth.wide import Hiss, Tone, Wide, WideMachine

#: Points a second at which levels are reckoned; straight between them.
CONTROL = 100
#: How long a fan or flame takes to its new level, s.
_STEP_S = 0.8
_TAPS = 4096


def hiss_taps(hisses: tuple[Hiss, ...], bumps: tuple[tuple[float, float, float], ...], samplerate: int) -> Doubles:
    """A filter (4096 taps) that makes the hisses of white noise, all together, at any level."""
    f = np.maximum(np.fft.rfftfreq(_TAPS, 1 / samplerate), 1.0)
    power = np.zeros(len(f))
    for hiss in hisses:
        x = f / hiss.centre_hz
        shape = 1 / (x ** (-2 * hiss.rise) + x ** (2 * hiss.fall))
        power += 10 ** (hiss.level_db / 10) * shape / shape.sum()
    for frequency, quality, gain_db in bumps:
        x = quality * (f / frequency - frequency / f)
        power *= 10 ** (gain_db / 10 / (1 + x**2))
    power[f < 20] = 0
    taps = np.roll(np.fft.irfft(np.sqrt(power), _TAPS), _TAPS // 2)
    return np.asarray(taps * np.hanning(_TAPS), np.float64)


def step_gain(wide: Wide, time_s: Doubles) -> Doubles:
    """Amplitude of the air against its first level."""
    level = np.zeros_like(time_s)
    before = 0.0
    for time, level_db in wide.air_steps:
        level += (level_db - before) * np.clip((time_s - time) / _STEP_S, 0, 1)
        before = level_db
    return np.asarray(10 ** (level / 20), np.float64)


def hood_gain(wide: Wide, time_s: Doubles) -> Doubles:
    """Amplitude of an extractor's noise against the air's first level: runs up and down in two seconds."""
    gain = np.zeros_like(time_s)
    for start, end, level_db in wide.hood:
        gain += 10 ** (level_db / 20) * np.clip((time_s - start) / 2, 0, 1) * np.clip((end - time_s) / 2, 0, 1)
    return gain


class Tones:
    """A blower's tones, a second at a time: each wanders slowly about its pitch."""

    def __init__(self, machine: WideMachine, samplerate: int) -> None:
        rng = np.random.default_rng([machine.seed, 52])
        self._fs = samplerate
        self._seconds = np.arange(samplerate) / samplerate
        self._tones: list[tuple[Tone, list[float], list[float]]] = []
        for tone in machine.tones:
            count = max(1, min(tone.harmonics, int(0.45 * samplerate / tone.hz)))
            strength = (rng.uniform(0.2, 1.0, count) / np.arange(1, count + 1)).tolist()
            norm = float(np.sqrt(sum(s**2 for s in strength) / 2))
            self._tones.append((tone, [s / norm for s in strength], rng.uniform(0, 2 * np.pi, 3).tolist()))

    def cell(self, j: int) -> Floats:
        """Second j, of rms 10^(level_db / 20) each."""
        fs = self._fs
        out = np.zeros(fs, np.float32)
        control = j + np.arange(CONTROL + 1) / CONTROL
        for tone, strength, phases in self._tones:
            turns = (tone.hz * j) % 1.0 + tone.hz * self._seconds
            if tone.wander:
                # the phase is the integral of a pitch that sways with periods of 7 and 23 s
                sway = sum(
                    tone.hz * tone.wander * period / (2 * np.pi) * np.sin(2 * np.pi * control / period + turned)
                    for period, turned in ((7.0, phases[1]), (23.0, phases[2]))
                )
                turns = turns + np.interp(control[0] + self._seconds, control, sway)
            phase = ((turns - np.floor(turns)) * (2 * np.pi) + phases[0]).astype(np.float32)
            sine, twice = np.sin(phase), 2 * np.cos(phase)
            previous, wave = np.zeros_like(sine), np.float32(strength[0]) * sine
            for level in strength[1:]:  # sin kx = 2 cos x sin (k-1)x - sin (k-2)x
                previous, sine = sine, twice * sine - previous
                wave += np.float32(level) * sine
            out += np.float32(10 ** (tone.level_db / 20)) * wave
        return out


def flicker(machine: WideMachine, time_s: Doubles) -> Doubles:
    """Slow swing of the air's amplitude, of rms 1 (that of exp(a sin x) is the square root of I0(2 a))."""
    phases = np.random.default_rng([machine.seed, 53]).uniform(0, 2 * np.pi, 4)
    swing = sum(
        np.sin(2 * np.pi * machine.flicker_hz * ratio * time_s + phase)
        for ratio, phase in zip((1.0, 1.37, 0.61, 2.23), phases, strict=True)
    )
    depth = 0.7 * machine.flicker
    return np.asarray(np.exp(depth * swing) / np.i0(2 * depth) ** 2, np.float64)
