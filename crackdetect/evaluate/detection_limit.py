"""How weak a single crack can be detected in white noise: by band energies, and by a filter that knows its shape."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import scipy.optimize
import scipy.special

from crackdetect.blocks import Doubles
from crackdetect.errors import SettingError

#: The noise: white, 1 to 16 kHz.
NOISE_LOW_HZ, NOISE_HIGH_HZ = 1000.0, 16_000.0
#: Decay time of the crack's amplitude: 20 dB down in 3 ms.
CRACK_DECAY_S = 0.003 / math.log(10)
_RATE, _LENGTH, _ONSET_S = 32_000, 1280, 0.015  # 40 ms, in bins of 25 Hz


def energy_detection_probability(*, degrees: float, energy: float, false_alarm: float) -> float:
    """Probability that the energy in one window passes the threshold that noise passes with ``false_alarm``.

    degrees: 2 * window * bandwidth. energy: 2 E / N0, the signal's energy over half the noise density. The
    energy is a (non-central) chi-square. Source: H. Urkowitz, Proc. IEEE 55, 1967.
    """
    threshold = scipy.special.chdtri(degrees, false_alarm)
    return float(1 - scipy.special.chndtr(threshold, degrees, energy))


def energy_detector_snr_db(
    *,
    bands: int = 5,
    window_s: float = 0.003,
    frequency_hz: float | None = 3000.0,
    detection: float = 0.9,
    false_per_minute: float = 1.0,
    trials: int = 3000,
    seed: int = 0,
) -> float:
    """The crack (peak amplitude over the rms of the noise, dB) that the largest band energy detects.

    Threshold: chi-square tail with the rate of crossings of a sliding sum (:func:`sliding_threshold`); detections are
    simulated, the maximum over all windows that touch the crack.

    Parameters
    ----------
    bands : int
        Equal parts of the noise band, 1 to 60.
    window_s : float
        The energy is summed over it as it slides, seconds.
    frequency_hz : float or None
        Of the crack, Hz; None draws it from 2 to 14 kHz.
    detection : float
        Share of the cracks detected, 0 to 1.
    false_per_minute : float
        False detections a minute.
    trials, seed : int
        Of the simulation.

    Raises
    ------
    SettingError
        For values that make no sense together, or when the crack lies outside -10 to 40 dB.
    """
    width = (NOISE_HIGH_HZ - NOISE_LOW_HZ) / max(1, bands)
    length = round(window_s * width)
    if length < 1 or not (0 < detection < 1 and false_per_minute > 0) or not 1 <= bands <= 60:
        raise SettingError(f"{bands} bands of {window_s} s at {detection:.0%} make no sense; use fewer bands")
    threshold = sliding_threshold(length=length, per_window=false_per_minute * window_s / 60 / bands)
    noise, crack = _spectra(frequency_hz, trials=trials, seed=seed)
    pieces = (trials, bands, noise.shape[1] // bands)
    noise, crack = (np.fft.ifft(part[:, : bands * pieces[2]].reshape(pieces)) for part in (noise, crack))
    # scaled so that the energy of one sample of noise is a chi-square of 2 degrees
    noise, crack = (part * math.sqrt(pieces[2]) for part in (noise, crack))
    first = max(0, int((_ONSET_S - window_s) * width) - 1)
    last = int((_ONSET_S + 0.003) * width)

    def missing(snr_db: float) -> float:
        energy = np.abs(noise + 10 ** (snr_db / 20) * crack) ** 2
        total = np.cumsum(energy, axis=-1)
        sums = total[..., first + length : last + length] - total[..., first:last]
        return detection - float((sums.max(axis=(1, 2)) > threshold).mean())

    return _weakest(missing)


def sliding_threshold(*, length: int, per_window: float) -> float:
    """Energy (chi-square, 2 ``length`` degrees) that a sliding sum of noise passes so often a window.

    A sum sliding by one sample crosses u^2 nu(u sqrt(2 / length)) times as often as windows without overlap
    exceed it, u the normal quantile of that exceedance, nu(x) ~ exp(-0.583 x): D. Siegmund, Sequential
    Analysis, 1985 (from memory), for Gaussian sums; within a third of simulated counts here, 0.1 dB.
    """
    exceedance = per_window
    for _ in range(50):
        u = -float(scipy.special.ndtri(exceedance))
        exceedance = per_window / max(1.0, u * u * math.exp(-0.583 * u * math.sqrt(2 / length)))
    return float(scipy.special.chdtri(2 * length, exceedance))


def matched_filter_snr_db(
    *,
    frequency_hz: float = 3000.0,
    detection: float = 0.9,
    false_per_minute: float = 1.0,
    trials: int = 3000,
    seed: int = 0,
) -> float:
    """The same (dB) for a filter that knows the shape, frequency and phase of the crack: peaks of the output.

    Threshold u (in sd of the output) from Rice's rate of upward crossings, f_rms exp(-u^2 / 2) a second (S.
    O. Rice, Bell Syst. Tech. J. 24, 1945). Parameters and errors as of :func:`energy_detector_snr_db`.
    """
    noise, crack = _spectra(frequency_hz, trials=trials, seed=seed)
    shape = crack[0]
    bins = np.arange(shape.size) * _RATE / _LENGTH + NOISE_LOW_HZ
    weights = np.abs(shape) ** 2
    f_rms = math.sqrt(float((weights * bins**2).sum() / weights.sum()))
    threshold = math.sqrt(2 * math.log(60 * f_rms / false_per_minute))
    near = np.r_[-40:40]  # 5 ms around the peak at 0, at four times the rate

    def output(spectrum: npt.NDArray[np.complex128]) -> Doubles:
        full = np.zeros((spectrum.shape[0], 2 * _LENGTH + 1), dtype=np.complex128)
        low = round(NOISE_LOW_HZ * _LENGTH / _RATE)
        full[:, low : low + shape.size] = spectrum * np.conj(shape)
        return np.fft.irfft(full)[:, near]

    noise_out, crack_out = output(noise), output(crack[:1])
    # the sd of the output, as both parts of a bin of noise have unit variance
    spread = 2 * math.sqrt(float(weights.sum())) / (4 * _LENGTH)

    def missing(snr_db: float) -> float:
        best = (noise_out + 10 ** (snr_db / 20) * crack_out).max(axis=1)
        return detection - float((best > threshold * spread).mean())

    return _weakest(missing)


def _spectra(
    frequency_hz: float | None, *, trials: int, seed: int
) -> tuple[npt.NDArray[np.complex128], npt.NDArray[np.complex128]]:
    """Spectra from 1 up to 16 kHz, shape (trials, 600), of unit-rms noise and of cracks of unit amplitude.

    Scaled so that a bin of noise has unit variance in its real and its imaginary part.
    """
    rng = np.random.default_rng(seed)
    low, high = (round(hz * _LENGTH / _RATE) for hz in (NOISE_LOW_HZ, NOISE_HIGH_HZ))
    frequency = np.full((trials, 1), frequency_hz) if frequency_hz else rng.uniform(2000, 14_000, (trials, 1))
    # on a sample, so that the amplitude is that of the largest sample; anywhere between the samples of a band
    onset = _ONSET_S + rng.integers(0, 11, (trials, 1)) / _RATE
    since = np.arange(_LENGTH) / _RATE - onset
    sound = np.exp(-np.maximum(since, 0) / CRACK_DECAY_S) * np.cos(2 * np.pi * frequency * since)
    sound[since < -0.5 / _RATE] = 0
    crack = np.fft.rfft(sound)[:, low:high] * (2 * math.sqrt(high - low) / _LENGTH)
    noise = rng.standard_normal((trials, high - low)) + 1j * rng.standard_normal((trials, high - low))
    return noise, crack


def _weakest(missing: Callable[[float], float]) -> float:
    """Where the share that is missing falls to nothing, dB."""
    try:
        return float(scipy.optimize.bisect(missing, -10.0, 40.0, xtol=1e-3))
    except ValueError:
        raise SettingError("no crack of -10 to 40 dB is detected so often; check the numbers") from None
