"""What a recorder does after the microphone: a slow automatic gain, and a lossy coder.

The coder is what all transform coders share (a lapped transform, coarser steps where the ear hears less; H. S. Malvar,
Signal Processing with Lapped Transforms, 1992, from memory), with no format's tables. Numbers are chosen.
"""

from __future__ import annotations

import numpy as np
import scipy.fft

from crackdetect.blocks import Doubles


class SlowGain:
    """Holds the level near a reference, on a grid of 10 ms.

    Parameters
    ----------
    range_db : float
        It goes up to so far either way.
    fall_s, rise_s : float
        How fast, seconds.
    reference : float
        Rms.
    samplerate : int
        Hz.
    """

    def __init__(self, *, range_db: float, fall_s: float, rise_s: float, reference: float, samplerate: int) -> None:
        self._most = 10 ** (range_db / 20)
        self._fall, self._rise = 0.01 / fall_s, 0.01 / rise_s
        self._reference = reference
        self._step = samplerate // 100
        self._level, self._gain = reference, 1.0

    def __call__(self, samples: Doubles) -> Doubles:
        """The next samples (n,), with their gain."""
        if self._most == 1.0:
            return samples
        steps = -(-len(samples) // self._step)
        padded = np.zeros(steps * self._step)
        padded[: len(samples)] = samples
        loud = np.sqrt((padded.reshape(steps, -1) ** 2).mean(axis=1)).tolist()
        gains = [self._gain]
        for rms in loud:
            self._level += (self._fall if rms > self._level else self._rise) * (rms - self._level)
            gains.append(min(max(self._reference / max(self._level, 1e-12), 1 / self._most), self._most))
        self._gain = gains[-1]
        curve = np.interp(np.arange(len(samples)) / self._step, np.arange(steps + 1), gains)
        return np.asarray(samples * curve, np.float64)


class Coder:
    """A lapped transform of 1024 values, each band of it quantised in steps ``noise_db`` below its own level.

    What comes out is two transforms late; ``delay`` says how many samples, the caller drops them.
    """

    _N = 1024

    def __init__(self, *, noise_db: float, highest_hz: float, samplerate: int) -> None:
        n = self._N
        self.delay = 2 * n
        self._window = np.sin(np.pi * (np.arange(2 * n) + 0.5) / (2 * n))
        self._kept = round(min(1.0, highest_hz / (samplerate / 2)) * n)
        # bands of a sixth of an octave or eight values, whichever is more
        edges = [0]
        while edges[-1] < n:
            edges.append(min(n, max(edges[-1] + 8, int(edges[-1] * 2 ** (1 / 6)))))
        self._edges = np.array(edges[:-1])
        self._widths = np.diff(edges)
        self._step = np.sqrt(12) * 10 ** (-noise_db / 20)
        self._input = np.zeros(n)
        self._overlap = np.zeros(n)
        self._ready = np.zeros(n)

    def __call__(self, samples: Doubles) -> Doubles:
        """As many samples as went in, ``delay`` late (zeros first)."""
        n = self._N
        joined = np.concatenate([self._input, samples])
        frames = len(joined) // n - 1
        if frames > 0:
            index = np.arange(frames)[:, None] * n + np.arange(2 * n)
            out = self._inverse(self._quantised(self._transform(joined[index])))
            whole = np.zeros((frames + 1) * n)
            whole[:n] = self._overlap
            for i in range(frames):
                whole[i * n : (i + 2) * n] += out[i]
            self._overlap = whole[frames * n :].copy()
            self._ready = np.concatenate([self._ready, whole[: frames * n]])
            joined = joined[frames * n :]
        self._input = joined
        given, self._ready = np.split(self._ready, [len(samples)])
        return given

    def _transform(self, frames: Doubles) -> Doubles:
        n = self._N
        a, b, c, d = np.split(frames * self._window, 4, axis=1)
        folded = np.concatenate([-c[:, ::-1] - d, a - b[:, ::-1]], axis=1)
        return np.asarray(scipy.fft.dct(folded, 4, axis=1, norm="ortho"), np.float64).reshape(-1, n)

    def _inverse(self, values: Doubles) -> Doubles:
        folded = scipy.fft.dct(values, 4, axis=1, norm="ortho")
        first, second = np.split(folded, 2, axis=1)
        frames = np.concatenate([second, -second[:, ::-1], -first[:, ::-1], -first], axis=1)
        return np.asarray(frames * self._window, np.float64)

    def _quantised(self, values: Doubles) -> Doubles:
        power = np.add.reduceat(values**2, self._edges, axis=1) / self._widths
        step = np.repeat(self._step * np.sqrt(power) + 1e-15, self._widths, axis=1)
        out = np.round(values / step) * step
        out[:, self._kept :] = 0
        return np.asarray(out, np.float64)
