"""What a capable person would write in an evening instead: classical detectors, for comparison only.

None of them is part of the hearing. scipy.signal and librosa are imported when a detector is called.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crackdetect.errors import InputError, MissingPartError, SettingError

Doubles = npt.NDArray[np.float64]
#: Mono samples of any float type, full scale ±1.
Signal = npt.NDArray[np.floating]

#: The pass band in which cracks stand out, Hz; cut below the Nyquist frequency where needed.
LOW_HZ, HIGH_HZ = 1000.0, 12_000.0


@dataclass(frozen=True, slots=True)
class Onsets:
    """What a detector found: ``time_s`` and ``strength`` (in its own unit), both of shape (n,), by time."""

    time_s: Doubles
    strength: Doubles

    def above(self, threshold: float) -> Onsets:
        """Those at or over a higher threshold, as if the detector had been run with it."""
        keep = self.strength >= threshold
        return Onsets(self.time_s[keep], self.strength[keep])


def count_rule(times_s: Sequence[float] | Doubles, *, n: int = 3, window_s: float = 10.0) -> float | None:
    """First crack by the hard count, "``n`` pops in ``window_s`` seconds": when it says so, or None.

    times_s: seconds, ascending.
    """
    if n < 1 or not window_s > 0:
        raise SettingError(f"a count of {n} in {window_s} s does not make sense; give 1 or more, in more than 0 s")
    times = np.asarray(times_s, dtype=np.float64)
    if len(times) < n:
        return None
    hits = np.flatnonzero(times[n - 1 :] - times[: len(times) - n + 1] <= window_s)
    return float(times[hits[0] + n - 1]) if hits.size else None


def bandpass_peaks(
    samples: Signal,
    samplerate: int,
    *,
    threshold_db: float = 8.0,
    rms_s: float = 0.001,
    median_s: float = 0.5,
    hold_off_s: float = 0.015,
) -> Onsets:
    """Band-pass of order 4, short RMS over its running median, peaks. Strength in dB over the median.

    samples: shape (n,). The RMS is read every half window. Warm-up and latency: half of ``median_s``.
    """
    import scipy.ndimage
    import scipy.signal

    power = _bandpass(samples, samplerate)
    np.square(power, out=power)
    level_db, hop_s = _short_power_db(power, samplerate, rms_s)
    if not level_db.size:
        return Onsets(np.zeros(0), np.zeros(0))
    floor_db = scipy.ndimage.median_filter(level_db, size=2 * round(median_s / hop_s / 2) + 1, mode="nearest")
    over_db = level_db - floor_db
    peaks, _ = scipy.signal.find_peaks(over_db, height=threshold_db, distance=max(1, round(hold_off_s / hop_s)))
    return Onsets(peaks * hop_s + rms_s / 2, over_db[peaks])


def recursive_sta_lta(x: Signal, *, ns: int, nl: int) -> Doubles:
    """Recursive short-term over long-term average of the power of ``x``, shape (n,) -> (n,).

    sta_i = sta_(i-1) + (x_i^2 - sta_(i-1)) / ns, lta likewise with ``nl``; ratio 0 for the first ``nl``
    samples. Sources: R. Allen, Bull. Seismol. Soc. Am. 68, 1978; M. Withers et al., Bull. Seismol. Soc. Am.
    88, 1998; the start (the first sample is skipped, lta starts at next to nothing) is that of the
    seismologists' reference library.
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
    samples: Signal,
    samplerate: int,
    *,
    threshold: float = 4.0,
    short_s: float = 0.0015,
    long_s: float = 0.1,
    hold_off_s: float = 0.015,
) -> Onsets:
    """Peaks of :func:`recursive_sta_lta` of the band-passed sound; strength: ratio. Warm-up: ``long_s``."""
    import scipy.signal

    ratio = recursive_sta_lta(
        _bandpass(samples, samplerate), ns=max(1, round(short_s * samplerate)), nl=round(long_s * samplerate)
    )
    peaks, _ = scipy.signal.find_peaks(ratio, height=threshold, distance=max(1, round(hold_off_s * samplerate)))
    return Onsets(peaks / samplerate, ratio[peaks])


def librosa_onsets(
    samples: Signal,
    samplerate: int,
    *,
    delta: float = 3.0,
    n_mels: int = 6,
    average_s: float = 0.5,
    hold_off_s: float = 0.015,
) -> Onsets:
    """Spectral flux of a mel spectrogram and librosa's peak picker, tuned for pops; strength: mean dB risen.

    A few wide bands and frames of 12 ms did best on synthetic pops at 8 to 32 dB (chosen so).
    Raises MissingPartError without librosa.
    """
    try:
        import librosa
    except ImportError:
        raise MissingPartError(
            "librosa is not installed; install the optional part with: pip install 'crackdetect[train]'"
        ) from None

    sound = _checked(samples, samplerate)
    n_fft = 2 ** round(math.log2(0.0116 * samplerate))  # 512 at 44.1 kHz
    hop = n_fft // 4
    frames = (len(sound) - n_fft) // hop + 1
    if frames < 2:
        return Onsets(np.zeros(0), np.zeros(0))
    # a minute at a time: a spectrogram of the whole roast would not fit into a small computer
    step = max(1, 60 * samplerate // hop)
    mel = np.concatenate(
        [
            librosa.feature.melspectrogram(
                y=sound[first * hop : (min(first + step, frames) - 1) * hop + n_fft],
                sr=samplerate,
                n_fft=n_fft,
                hop_length=hop,
                center=False,
                n_mels=n_mels,
                fmin=LOW_HZ,
                fmax=_high_hz(samplerate),
            )
            for first in range(0, frames, step)
        ],
        axis=1,
    )
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


def aic_pick(x: Signal) -> int:
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


def _high_hz(samplerate: int) -> float:
    return min(HIGH_HZ, 0.45 * samplerate)


def _checked(samples: Signal, samplerate: int) -> npt.NDArray[np.float32]:
    if samplerate < 4000:
        raise SettingError(f"samplerate {samplerate} Hz is out of range; give 4000 Hz or more")
    if samples.ndim != 1:
        raise InputError(f"a detector takes one channel, not shape {samples.shape}; mix or pick a channel first")
    return np.asarray(samples, dtype=np.float32)


def _bandpass(samples: Signal, samplerate: int) -> npt.NDArray[np.float32]:
    import scipy.signal

    sound = _checked(samples, samplerate)
    if not sound.size:
        return sound
    sos = scipy.signal.butter(4, (LOW_HZ, _high_hz(samplerate)), "bandpass", fs=samplerate, output="sos")
    return np.asarray(scipy.signal.sosfilt(sos.astype(np.float32), sound), dtype=np.float32)


def _short_power_db(power: Signal, samplerate: int, window_s: float) -> tuple[Doubles, float]:
    """Mean power (dB re 1) over ``window_s``, read every half window; and that step in seconds."""
    half = max(1, round(window_s * samplerate / 2))
    halves = power[: len(power) // half * half].reshape(-1, half).mean(axis=1, dtype=np.float64)
    mean = (halves[1:] + halves[:-1]) / 2
    return 10 * np.log10(np.maximum(mean, 1e-20)), half / samplerate
