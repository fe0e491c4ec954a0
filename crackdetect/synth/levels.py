"""Levels in the band in which cracks are heard: a crack's peak is given over the noise's rms in it."""

from __future__ import annotations

import numpy as np
import scipy.fft

from crackdetect.blocks import Doubles

#: Band in which levels are measured, Hz.
IN_BAND_HZ = (1_000.0, 12_000.0)


def in_band(samples: Doubles, samplerate: int) -> Doubles:
    """An ideal band-pass from 1 to 12 kHz (or to half the sample rate), by transform."""
    size = scipy.fft.next_fast_len(len(samples), real=True)
    spectrum = scipy.fft.rfft(samples, size)
    f = scipy.fft.rfftfreq(size, 1 / samplerate)
    spectrum[(f < IN_BAND_HZ[0]) | (f >= IN_BAND_HZ[1])] = 0
    return np.asarray(scipy.fft.irfft(spectrum, size)[: len(samples)], np.float64)


def in_band_rms(samples: Doubles, samplerate: int) -> float:
    """Root mean square of the samples (n,) in the band of :func:`in_band`."""
    return float(np.sqrt(np.mean(in_band(samples, samplerate) ** 2)))
