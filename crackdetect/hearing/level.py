"""How far a crack stands above the noise: its band-passed peak over the running rms floor of the same band."""

from __future__ import annotations

import math

import numpy as np
import scipy.fft

from crackdetect.blocks import Samples
from crackdetect.hearing.spectrum import BAND_EDGES, IN_BAND, frame_length

_SEGMENT_FRAMES = 4


class LevelMeter:
    """Measures single cracks in the last ``keep_s`` seconds of samples and the newest block.

        snr_db = 20 lg(peak / rms)

    with the peak of the samples from 1 to 12 kHz (an ideal band-pass by transform of the 24 ms around the crack) and
    the rms of the noise floor in the same bins. By Parseval, a frame of N samples under a Hann window w has
    rms**2 = 2 energy / (N sum(w**2)), of its one-sided bins.

    samplerate: Hz. keep_s: seconds.
    """

    def __init__(self, *, samplerate: int, keep_s: float = 0.35) -> None:
        self.samplerate = samplerate
        length = frame_length(samplerate)
        self._half = _SEGMENT_FRAMES * length // 2
        self._near = length
        self._to_mean_square = 2 / (length * 0.375 * length)
        frequencies = scipy.fft.rfftfreq(2 * self._half, 1 / samplerate)
        bin_hz = samplerate / length
        low, high = BAND_EDGES[IN_BAND.start] * bin_hz, BAND_EDGES[IN_BAND.stop] * bin_hz
        self._low, self._high = np.searchsorted(frequencies, [low, high]).tolist()  # bins that pass
        self._keep = int(keep_s * samplerate)
        self.reset()

    def reset(self) -> None:
        """As new."""
        self._samples: Samples = np.zeros(0, np.float32)
        self._end = 0

    def push(self, samples: Samples) -> None:
        """samples: float32 (n,)."""
        self._end += len(samples)
        self._samples = np.concatenate([self._samples[-self._keep :], samples])

    def gap(self, count: int) -> None:
        """So many samples were lost here: nothing is measured across them."""
        if count:
            self._end += count
            self._samples = np.zeros(0, np.float32)

    def snr_db(self, centre: int, in_band_floor: float) -> float:
        """Level of one crack, dB, within -20 to 120; 0 where there is no peak or no floor.

        centre: sample index of the crack. in_band_floor: energy of the floor of a frame from 1 to 12 kHz.
        """
        start = len(self._samples) - (self._end - centre) - self._half
        segment = self._samples[max(start, 0) : start + 2 * self._half]
        if len(segment) < 2 * self._half:
            segment = np.pad(segment, (max(-start, 0), 0))
            segment = np.pad(segment, (0, 2 * self._half - len(segment)))
        spectrum = scipy.fft.rfft(segment)
        spectrum[: self._low] = spectrum[self._high :] = 0
        wave = scipy.fft.irfft(spectrum, 2 * self._half, overwrite_x=True)[
            self._half - self._near : self._half + self._near
        ]
        peak = max(float(wave.max()), -float(wave.min()))
        rms = math.sqrt(in_band_floor * self._to_mean_square)
        if peak <= 0 or rms <= 0:
            return 0.0
        return min(120.0, max(-20.0, 20 * math.log10(peak / rms)))
