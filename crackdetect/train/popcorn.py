"""Whole recordings of popcorn, the closest open analogue of first crack, as they are and in machine noise.

Nobody has annotated them, so their truth is what a plain detector finds without doubt while nothing else sounds:
peaks of the band-passed rms 20 dB and more over its running median are pops; peaks of 10 to 20 dB may be weak pops,
echoes or kernels that fall, and count neither as missed nor as false. General detectors are not compared here, for one
of them made the truth.
"""

from __future__ import annotations

import numpy as np

from crackdetect.blocks import Doubles, Samples
from crackdetect.errors import InputError
from crackdetect.synth.levels import in_band, in_band_rms
from crackdetect.synth.truth import UNSURE, Truth, TruthEvent
from crackdetect.train.bandpass_peaks import bandpass_peaks
from crackdetect.train.change_point import poisson_change_point

#: dB over the running median of the band-passed rms: surely a pop; possibly one.
SURE_DB, POSSIBLE_DB = 20.0, 10.0
#: Pops after and before the change of rate, at least, for the recording to show how its chorus begins.
_RISE = 3.0
_PEAK_WINDOW_S = 10.0


def pops(samples: Samples, samplerate: int) -> tuple[Doubles, Doubles]:
    """Times (s) of the sure and of the possible pops of a recording in which nothing else sounds.

    samples: float32, shape (n,). samplerate: Hz.
    """
    found = bandpass_peaks(samples, samplerate, threshold_db=POSSIBLE_DB)
    sure = found.strength >= SURE_DB
    return found.time_s[sure], found.time_s[~sure]


def chorus_start(sure_s: Doubles) -> float | None:
    """Where the rate of pops leaves the strays (s), or None when the recording begins in mid-chorus.

    It is the most likely step before the densest ten seconds. sure_s: seconds, ascending, one or more.
    """
    densest = max(np.arange(0.0, float(sure_s[-1]), 1.0), key=lambda t: _within(sure_s, float(t)), default=0.0)
    end = float(densest) + _PEAK_WINDOW_S / 2
    try:
        change = poisson_change_point(sure_s[sure_s <= end], 0.0, end)
    except InputError:
        return None
    return change.time if change.after > _RISE * change.before else None


def _within(times_s: Doubles, start_s: float) -> int:
    return int(((times_s >= start_s) & (times_s < start_s + _PEAK_WINDOW_S)).sum())


def _peaks(samples: Samples, samplerate: int, times_s: Doubles) -> Doubles:
    """Largest band-passed sample within 5 ms of each time."""
    heard = np.abs(in_band(samples.astype(np.float64), samplerate))
    reach = round(0.005 * samplerate)
    centres = np.round(times_s * samplerate).astype(int)
    return np.array([heard[max(0, at - reach) : at + reach].max() for at in centres])


def as_it_is(samples: Samples, samplerate: int) -> tuple[Samples, Truth]:
    """A recording and its truth. The SNR of a pop is its largest band-passed sample over the quiet between the pops.

    samples: float32, shape (n,). samplerate: Hz. Raises InputError when no pop stands out.
    """
    heard = np.abs(in_band(samples.astype(np.float64), samplerate))
    floor = float(np.median(heard)) / 0.6745  # the median of |x| of Gaussian noise is 0.6745 of its rms
    return samples, _truth(samples, samplerate, floor=floor, gain=1.0, lead_s=0.0)


def in_machine_noise(
    samples: Samples, samplerate: int, noise: Samples, *, lead_s: float, snr_db: float
) -> tuple[Samples, Truth]:
    """The recording in machine noise, and the truth.

    Parameters
    ----------
    samples : numpy.ndarray of float32, shape (n,)
        The recording.
    samplerate : int
        Hz, of both.
    noise : numpy.ndarray of float32, shape (m,)
        As long as the lead and the recording.
    lead_s : float
        Seconds of noise alone at the beginning.
    snr_db : float
        Of the median sure pop over the in-band rms of the noise, dB; the truth gives the SNR of each pop in this way.

    Raises
    ------
    InputError
        When no pop stands out.
    """
    sure, _ = pops(samples, samplerate)
    floor = in_band_rms(noise.astype(np.float64), samplerate)
    gain = floor * 10 ** (snr_db / 20) / float(np.median(_peaks(samples, samplerate, sure)))
    mixed = noise.copy()
    first = round(lead_s * samplerate)
    mixed[first : first + len(samples)] += (gain * samples[: len(mixed) - first]).astype(np.float32)
    return mixed, _truth(samples, samplerate, floor=floor, gain=gain, lead_s=lead_s)


def _truth(samples: Samples, samplerate: int, *, floor: float, gain: float, lead_s: float) -> Truth:
    sure, possible = pops(samples, samplerate)
    if not len(sure):
        raise InputError("no pop stands out in this popcorn recording; take a cleaner one")
    peaks = gain * _peaks(samples, samplerate, sure)
    snr_db = 20 * np.log10(np.maximum(peaks, 1e-12) / max(floor, 1e-12))
    events = [
        TruthEvent(float(t) + lead_s, "first", float(snr), "popcorn") for t, snr in zip(sure, snr_db, strict=True)
    ]
    events += [TruthEvent(float(t) + lead_s, UNSURE, float("-inf"), "popcorn") for t in possible]
    return Truth(
        samplerate=samplerate,
        duration_s=lead_s + len(samples) / samplerate,
        charge_s=None,
        first_crack_start_s=lead_s + (chorus_start(sure) or 0.0),
        first_crack_end_s=None,
        second_crack_start_s=None,
        drop_s=None,
        peak_per_minute=max(_within(sure, float(t)) for t in sure) * 60 / _PEAK_WINDOW_S,
        events=tuple(sorted(events, key=lambda e: e.time_s)),
    )
