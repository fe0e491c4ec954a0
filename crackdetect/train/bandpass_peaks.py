"""A plain detector: the peaks of a band-passed rms over its running median.

It is no part of the hearing. It finds the pops of a popcorn recording in which nothing else sounds (``popcorn``), and
is one of the general detectors that the hearing is compared with (``evaluate/baselines``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crackdetect.blocks import Doubles, Floats, Reals
from crackdetect.errors import InputError, SettingError

#: The pass band in which cracks stand out, Hz; its upper edge lies lower where the Nyquist frequency asks for it.
LOW_HZ, HIGH_HZ = 1000.0, 12_000.0


@dataclass(frozen=True, slots=True)
class Onsets:
    """What a detector found, by time.

    Attributes
    ----------
    time_s : numpy.ndarray of float64, shape (n,)
        Seconds from the first sample.
    strength : numpy.ndarray of float64, shape (n,)
        In the detector's own unit.
    """

    time_s: Doubles
    strength: Doubles

    def above(self, threshold: float) -> Onsets:
        """Those at or over a higher threshold, as if the detector had been run with it."""
        keep = self.strength >= threshold
        return Onsets(self.time_s[keep], self.strength[keep])


def bandpass_peaks(
    samples: Reals,
    samplerate: int,
    *,
    threshold_db: float = 8.0,
    rms_s: float = 0.001,
    median_s: float = 0.5,
    hold_off_s: float = 0.015,
) -> Onsets:
    """Band-pass of order 4, short rms over its running median, peaks.

    Parameters
    ----------
    samples : numpy.ndarray of float, shape (n,)
        Mono, full scale ±1.
    samplerate : int
        Hz, 4,000 or more.
    threshold_db : float
        Least height of a peak over the median, dB.
    rms_s, median_s, hold_off_s : float
        Window of the rms, which is read every half window; window of the median; least distance of two peaks. Seconds.

    Returns
    -------
    Onsets
        Strength in dB over the median. Warm-up and latency: half of ``median_s``.

    Raises
    ------
    SettingError, InputError
        For the samplerate; for samples that are not one channel.
    """
    import scipy.ndimage
    import scipy.signal

    power = bandpassed(samples, samplerate)
    np.square(power, out=power)
    level_db, hop_s = _short_power_db(power, samplerate, rms_s)
    if not level_db.size:
        return Onsets(np.zeros(0), np.zeros(0))
    floor_db = scipy.ndimage.median_filter(level_db, size=2 * round(median_s / hop_s / 2) + 1, mode="nearest")
    over_db = level_db - floor_db
    peaks, _ = scipy.signal.find_peaks(over_db, height=threshold_db, distance=max(1, round(hold_off_s / hop_s)))
    return Onsets(peaks * hop_s + rms_s / 2, over_db[peaks])


def bandpassed(samples: Reals, samplerate: int) -> Floats:
    """The samples (n,) in the pass band, by a Butterworth filter of order 4. Raises as :func:`one_channel`."""
    import scipy.signal

    sound = one_channel(samples, samplerate)
    if not sound.size:
        return sound
    sos = scipy.signal.butter(4, (LOW_HZ, high_hz(samplerate)), "bandpass", fs=samplerate, output="sos")
    return np.asarray(scipy.signal.sosfilt(sos.astype(np.float32), sound), dtype=np.float32)


def one_channel(samples: Reals, samplerate: int) -> Floats:
    """The samples (n,) as float32. Raises SettingError under 4,000 Hz, InputError for more than one channel."""
    if samplerate < 4000:
        raise SettingError(f"samplerate {samplerate} Hz is out of range; give 4000 Hz or more")
    if samples.ndim != 1:
        raise InputError(f"a detector takes one channel, not shape {samples.shape}; mix or pick a channel first")
    return np.asarray(samples, dtype=np.float32)


def high_hz(samplerate: int) -> float:
    """Upper edge of the pass band at this samplerate (Hz)."""
    return min(HIGH_HZ, 0.45 * samplerate)


def _short_power_db(power: Reals, samplerate: int, window_s: float) -> tuple[Doubles, float]:
    """Mean power (dB re 1) over ``window_s``, read every half window; and that step in seconds."""
    half = max(1, round(window_s * samplerate / 2))
    halves = power[: len(power) // half * half].reshape(-1, half).mean(axis=1, dtype=np.float64)
    mean = (halves[1:] + halves[:-1]) / 2
    return 10 * np.log10(np.maximum(mean, 1e-20)), half / samplerate
