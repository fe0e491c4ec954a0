"""The way from the roaster to the file: room, microphone, automatic gain. Everything goes the same way."""

from __future__ import annotations

import numpy as np
import scipy.fft

from crackdetect.blocks import Doubles, Floats
from crackdetect.synth.plan import Microphone, Room


def room_response(rng: np.random.Generator, room: Room, *, samplerate: int) -> Floats:
    """Impulse response: direct sound, early reflections within 30 ms, and a decaying tail that dulls with time.

    The tail is noise with an exponential decay of 60 dB in rt60_s (Sabine's definition), cut 45 dB down.
    """
    length = max(64, int(0.75 * room.rt60_s * samplerate))
    t = np.arange(length) / samplerate
    tail = rng.standard_normal(length)
    spectrum = np.fft.rfft(tail)
    f = np.fft.rfftfreq(length, 1 / samplerate)
    spectrum /= np.sqrt(1 + (f / 6_000) ** 2)  # air and soft walls
    tail = np.fft.irfft(spectrum, length)
    tail *= np.exp(-6.91 * t / room.rt60_s) * (1 - np.exp(-t / 0.004))
    response = tail * 10 ** (-room.direct_db / 20) / np.sqrt(float((tail**2).sum()))
    response[0] += 1.0
    for _ in range(room.early):
        i = int(rng.uniform(0.0006, 0.030) * samplerate)
        if i < length:
            response[i] += float(rng.normal(0, 0.35)) * float(np.exp(-i / samplerate / 0.015))
    return np.asarray(response.astype(np.float32), np.float32)


def bump_sections(bumps: tuple[tuple[float, float, float], ...], samplerate: int) -> list[list[float]]:
    """Peaking equalisers as second-order sections (R. Bristow-Johnson, Audio EQ Cookbook, W3C note 2021)."""
    sections = []
    for frequency, quality, gain_db in bumps:
        if frequency > 0.45 * samplerate:
            continue
        amplitude = 10 ** (gain_db / 40)
        w = 2 * np.pi * frequency / samplerate
        alpha = np.sin(w) / (2 * quality)
        a0 = 1 + alpha / amplitude
        b1 = -2 * np.cos(w) / a0
        sections.append(
            [(1 + alpha * amplitude) / a0, b1, (1 - alpha * amplitude) / a0, 1.0, b1, (1 - alpha / amplitude) / a0]
        )
    return sections


class Sections:
    """Second-order sections with carried state; none = a wire."""

    def __init__(self, sections: list[list[float]]) -> None:
        self._sos = np.array(sections, np.float64).reshape(-1, 6)
        self._state = np.zeros((len(self._sos), 2))

    def __call__(self, samples: Doubles) -> Doubles:
        """The next samples (n,), filtered."""
        if len(self._sos) == 0:
            return samples
        from scipy.signal import sosfilt

        out, self._state = sosfilt(self._sos, samples, zi=self._state)
        return np.asarray(out, np.float64)


def microphone_sections(microphone: Microphone, samplerate: int) -> list[list[float]]:
    """Second-order sections of a microphone's pass band and resonances, each of six coefficients."""
    from scipy.signal import butter

    sections: list[list[float]] = butter(1, microphone.low_hz, "highpass", fs=samplerate, output="sos").tolist()
    for edge, order in ((microphone.high_hz, 2), (microphone.lossy_hz, 8)):
        if 0 < edge < 0.47 * samplerate:
            sections += butter(order, edge, "lowpass", fs=samplerate, output="sos").tolist()
    sections += bump_sections(microphone.resonances, samplerate)
    if microphone.tilt_db:
        sections.append(_shelf(microphone.tilt_db, min(2_500.0, 0.2 * samplerate), samplerate))
    return sections


def _shelf(gain_db: float, frequency: float, samplerate: int) -> list[float]:
    """High shelf (Audio EQ Cookbook, slope 0.5)."""
    amplitude = 10 ** (gain_db / 40)
    w = 2 * np.pi * frequency / samplerate
    alpha = np.sin(w) / 2 * np.sqrt((amplitude + 1 / amplitude) * (1 / 0.5 - 1) + 2)
    root, cosine = 2 * np.sqrt(amplitude) * alpha, np.cos(w)
    a0 = (amplitude + 1) - (amplitude - 1) * cosine + root
    return [
        float(v / a0)
        for v in (
            amplitude * ((amplitude + 1) + (amplitude - 1) * cosine + root),
            -2 * amplitude * ((amplitude - 1) + (amplitude + 1) * cosine),
            amplitude * ((amplitude + 1) + (amplitude - 1) * cosine - root),
            a0,
            2 * ((amplitude - 1) - (amplitude + 1) * cosine),
            (amplitude + 1) - (amplitude - 1) * cosine - root,
        )
    ]


class Reverberator:
    """Convolution with a room response, a cell of fixed length at a time (overlap-add)."""

    def __init__(self, response: Floats, *, cell: int) -> None:
        self._cell = cell
        self._size = scipy.fft.next_fast_len(cell + len(response) - 1, real=True)
        self._spectrum = scipy.fft.rfft(response, self._size)
        self._tail = np.zeros(self._size - cell, np.float32)

    def __call__(self, samples: Floats) -> Floats:
        """samples: float32 (cell,)."""
        out = np.zeros(self._size, np.float32)
        if samples.any():
            out = scipy.fft.irfft(scipy.fft.rfft(samples, self._size) * self._spectrum, self._size)
        out[: len(self._tail)] += self._tail
        self._tail = out[self._cell :].copy()
        return np.asarray(out[: self._cell], np.float32)


class GainControl:
    """A slow automatic gain as laptops have: falls in 0.1 s, rises in 2 s, on a grid of 10 ms."""

    def __init__(self, strength: float, *, reference: float, samplerate: int) -> None:
        self._strength, self._reference = strength, reference
        self._step = samplerate // 100
        self._level = reference
        self._gain = 1.0

    def __call__(self, samples: Doubles) -> Doubles:
        """The next samples (n,), with their gain."""
        if self._strength == 0:
            return samples
        out = np.empty_like(samples)
        for start in range(0, len(samples), self._step):
            part = samples[start : start + self._step]
            rms = float(np.sqrt(np.mean(part**2)))
            share = 0.1 if rms > self._level else 0.005
            self._level += share * (rms - self._level)
            gain = (self._reference / max(self._level, 1e-12)) ** self._strength
            out[start : start + len(part)] = part * np.linspace(self._gain, gain, len(part))
            self._gain = gain
        return out
