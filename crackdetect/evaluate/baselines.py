"""What a capable person would write in an evening instead: classical detectors, for comparison only.

None of them is part of the hearing. The simplest one is ``train.bandpass_peaks``. scipy.signal and librosa are
imported when a detector is called.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from crackdetect.blocks import Doubles, Reals
from crackdetect.errors import InputError, MissingPartError, SettingError
from crackdetect.train.bandpass_peaks import LOW_HZ, Onsets, bandpassed, high_hz, one_channel


def count_rule(times_s: Sequence[float] | Doubles, *, n: int = 3, window_s: float = 10.0) -> float | None:
    """First crack by the hard count, "``n`` pops in ``window_s`` seconds": when it says so (s), or None.

    Parameters
    ----------
    times_s : sequence of float
        Of the pops, seconds, ascending.
    n : int
        1 or more.
    window_s : float
        Above 0.

    Raises
    ------
    SettingError
        For a value out of range.
    """
    if n < 1 or not window_s > 0:
        raise SettingError(f"a count of {n} in {window_s} s does not make sense; give 1 or more, in more than 0 s")
    times = np.asarray(times_s, dtype=np.float64)
    if len(times) < n:
        return None
    hits = np.flatnonzero(times[n - 1 :] - times[: len(times) - n + 1] <= window_s)
    return float(times[hits[0] + n - 1]) if hits.size else None


def recursive_sta_lta(x: Reals, *, ns: int, nl: int) -> Doubles:
    """Recursive short-term over long-term average of the power of a signal.

    ``sta_i = sta_(i-1) + (x_i^2 - sta_(i-1)) / ns``, ``lta`` likewise with ``nl``.

    Parameters
    ----------
    x : numpy.ndarray of float, shape (n,)
    ns, nl : int
        Samples of the short and the long average, 0 < ns < nl.

    Returns
    -------
    numpy.ndarray of float64, shape (n,)
        The ratio, 0 for the first ``nl`` samples.

    Raises
    ------
    SettingError
        For averages that make no sense.

    References
    ----------
    R. Allen, Bull. Seismol. Soc. Am. 68, 1978; M. Withers et al., Bull. Seismol. Soc. Am. 88, 1998. The start (the
    first sample is skipped, lta starts at next to nothing) is that of the seismologists' reference library.
    """
    import scipy.signal

    if not 0 < ns < nl:
        raise SettingError(f"averages over {ns} and {nl} samples do not make sense; give 0 < ns < nl")
    power = np.square(np.asarray(x, dtype=np.float64))
    power[:1] = 0
    short = scipy.signal.lfilter([1 / ns], [1, 1 / ns - 1], power)
    long = scipy.signal.lfilter([1 / nl], [1, 1 / nl - 1], power)
    ratio: Doubles = short / np.maximum(long, 1e-99)
    ratio[:nl] = 0
    return ratio


def sta_lta_peaks(
    samples: Reals,
    samplerate: int,
    *,
    threshold: float = 4.0,
    short_s: float = 0.0015,
    long_s: float = 0.1,
    hold_off_s: float = 0.015,
) -> Onsets:
    """Peaks of :func:`recursive_sta_lta` of the band-passed sound.

    Parameters
    ----------
    samples : numpy.ndarray of float, shape (n,)
        Mono, full scale ±1.
    samplerate : int
        Hz, 4,000 or more.
    threshold : float
        Least ratio of a peak.
    short_s, long_s, hold_off_s : float
        The averages, and the least distance of two peaks, seconds.

    Returns
    -------
    Onsets
        Strength: the ratio. Warm-up: ``long_s``.

    Raises
    ------
    SettingError, InputError
        For the samplerate; for samples that are not one channel.
    """
    import scipy.signal

    ratio = recursive_sta_lta(
        bandpassed(samples, samplerate), ns=max(1, round(short_s * samplerate)), nl=round(long_s * samplerate)
    )
    peaks, _ = scipy.signal.find_peaks(ratio, height=threshold, distance=max(1, round(hold_off_s * samplerate)))
    return Onsets(peaks / samplerate, ratio[peaks])


def librosa_onsets(
    samples: Reals,
    samplerate: int,
    *,
    delta: float = 3.0,
    n_mels: int = 6,
    average_s: float = 0.5,
    hold_off_s: float = 0.015,
) -> Onsets:
    """Spectral flux of a mel spectrogram and librosa's peak picker, tuned for pops.

    A few wide bands and frames of 12 ms did best on synthetic pops at 8 to 32 dB (chosen so).

    Parameters
    ----------
    samples : numpy.ndarray of float, shape (n,)
        Mono, full scale ±1.
    samplerate : int
        Hz, 4,000 or more.
    delta : float
        Least mean rise over the average around it, dB.
    n_mels : int
        Bands.
    average_s, hold_off_s : float
        Half of the average's span, and the least distance of two peaks, seconds.

    Returns
    -------
    Onsets
        Strength: mean dB risen.

    Raises
    ------
    MissingPartError
        Without librosa.
    SettingError, InputError
        For the samplerate; for samples that are not one channel.
    """
    try:
        import librosa
    except ImportError:
        raise MissingPartError.of("train", "librosa") from None

    sound = one_channel(samples, samplerate)
    n_fft = 2 ** round(math.log2(0.0116 * samplerate))  # 512 at 44.1 kHz
    hop = n_fft // 4
    frames = (len(sound) - n_fft) // hop + 1
    if frames < 2:
        return Onsets(np.zeros(0), np.zeros(0))
    mel = _mel_power(sound, samplerate, frames=frames, n_fft=n_fft, hop=hop, n_mels=n_mels)
    flux = librosa.onset.onset_strength(
        S=librosa.power_to_db(mel, top_db=None),
        sr=samplerate,
        hop_length=hop,
        n_fft=n_fft,
        lag=2,
        center=False,
    )
    hop_s = hop / samplerate
    wide, hold_off = max(1, round(average_s / hop_s)), max(1, round(hold_off_s / hop_s))
    peaks = librosa.util.peak_pick(
        flux,
        pre_max=hold_off,
        post_max=hold_off + 1,
        pre_avg=wide,
        post_avg=wide + 1,
        delta=delta,
        wait=hold_off,
    )
    return Onsets((peaks * hop + n_fft / 2) / samplerate, np.asarray(flux[peaks], dtype=np.float64))


def _mel_power(sound: Reals, samplerate: int, *, frames: int, n_fft: int, hop: int, n_mels: int) -> Reals:
    """Shape (n_mels, frames); a minute at a time, for a whole roast would not fit into a small computer."""
    import librosa

    step = max(1, 60 * samplerate // hop)
    parts = [
        librosa.feature.melspectrogram(
            y=sound[first * hop : (min(first + step, frames) - 1) * hop + n_fft],
            sr=samplerate,
            n_fft=n_fft,
            hop_length=hop,
            center=False,
            n_mels=n_mels,
            fmin=LOW_HZ,
            fmax=high_hz(samplerate),
        )
        for first in range(0, frames, step)
    ]
    return np.concatenate(parts, axis=1)


def aic_pick(x: Reals) -> int:
    """The onset in a short excerpt: how many samples come before the change of variance, 2 to n - 2.

    Minimum of AIC(k) = k ln var(x[1..k]) + (n - k - 1) ln var(x[k+1..n]), n the length. Source: N. Maeda,
    Zisin 38, 1985. Raises InputError for fewer than 4 samples.
    """
    excerpt: Doubles = np.asarray(x, dtype=np.float64)
    if excerpt.ndim != 1 or len(excerpt) < 4 or not np.isfinite(excerpt).all():
        raise InputError("an onset needs one channel of 4 or more finite samples; cut a longer one")
    return int(np.argmin(aic(excerpt))) + 2


def aic(x: Doubles) -> Doubles:
    """AIC(k) for k = 2..n-2, shape (n - 3,). A constant stretch counts as having -240 dB of the whole."""
    n = len(x)
    x = x - x.mean()  # cumulative sums of a large offset would cancel badly
    k = np.arange(2, n - 1)
    total, square = np.cumsum(x)[1:-2], np.cumsum(x * x)
    before = square[1:-2] / k - (total / k) ** 2
    after = (square[-1] - square[1:-2]) / (n - k) - (total / (n - k)) ** 2
    least = max(float(square[-1]) / n * 1e-24, 1e-300)
    criterion: Doubles = k * np.log(np.maximum(before, least)) + (n - k - 1) * np.log(np.maximum(after, least))
    return criterion
