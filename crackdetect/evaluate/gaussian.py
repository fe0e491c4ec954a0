"""Single cracks in Gaussian noise, where the limit of what can be heard is known (``detection_limit``).

White noise up to 16 kHz, of which sigma is the rms in 1 to 16 kHz; a crack A exp(-t/tau) cos(2 pi f t), 20 dB down in
3 ms, f anywhere in 2 to 14 kHz: the signal of ``detection_limit.energy_detector_snr_db``. Cracks come at random, 40 a
minute, at 6 to 18 dB (A over sigma).
"""

from __future__ import annotations

import numpy as np

from crackdetect.blocks import Doubles, Flags, Samples
from crackdetect.evaluate.detection_limit import CRACK_DECAY_S, NOISE_HIGH_HZ, NOISE_LOW_HZ
from crackdetect.synth.truth import Truth, TruthEvent

#: Twice the upper edge of the noise, so that it is white and nothing of a crack lies where no noise is, Hz.
SAMPLERATE = 32_000
PER_MINUTE = 40.0
SNR_DB = (6.0, 18.0)
CRACK_HZ = (2_000.0, 14_000.0)
#: Noise alone at the beginning, for the floors to be learnt, seconds.
LEAD_S = 20.0
#: Least distance of two cracks, seconds: they are single.
_APART_S = 0.2


def noise_with_cracks(*, seed: int, duration_s: float) -> tuple[Samples, Truth]:
    """The signal and its truth; the same for the same arguments.

    Parameters
    ----------
    seed : int
    duration_s : float
        Seconds.

    Returns
    -------
    samples : numpy.ndarray of float32, shape (n,)
        At SAMPLERATE, rms 0.01 before the cracks.
    truth : Truth
    """
    rng = np.random.default_rng(seed)
    length = round(duration_s * SAMPLERATE)
    # of unit rms in the band of the limit
    sound = rng.standard_normal(length) * np.sqrt(NOISE_HIGH_HZ / (NOISE_HIGH_HZ - NOISE_LOW_HZ))
    events = []
    since = np.arange(round(0.02 * SAMPLERATE)) / SAMPLERATE
    time = LEAD_S + float(rng.exponential(60 / PER_MINUTE))
    while time < duration_s - 1.0:
        at = round(time * SAMPLERATE)
        snr_db = float(rng.uniform(*SNR_DB))
        hz = float(rng.uniform(*CRACK_HZ))
        sound[at : at + len(since)] += (
            10 ** (snr_db / 20) * np.exp(-since / CRACK_DECAY_S) * np.cos(2 * np.pi * hz * since)
        )
        events.append(TruthEvent(at / SAMPLERATE, "first", snr_db, "gaussian"))
        time += max(_APART_S, float(rng.exponential(60 / PER_MINUTE)))
    truth = Truth(
        samplerate=SAMPLERATE,
        duration_s=length / SAMPLERATE,
        charge_s=None,
        first_crack_start_s=LEAD_S,
        first_crack_end_s=None,
        second_crack_start_s=None,
        drop_s=None,
        peak_per_minute=PER_MINUTE,
        events=tuple(events),
    )
    return (0.01 * sound).astype(np.float32), truth


def snr_for_recall(snr_db: Doubles, found: Flags, *, recall: float = 0.9) -> float | None:
    """SNR (dB) at which so many cracks are found, by the most likely curve top / (1 + exp(-(snr - middle) / width)).

    Parameters
    ----------
    snr_db : numpy.ndarray of float64, shape (n,)
        Of each crack.
    found : numpy.ndarray of bool, shape (n,)
    recall : float
        Share, 0 to 1.

    Returns
    -------
    float or None
        None when the curve does not reach ``recall``.
    """
    import scipy.optimize
    import scipy.special

    if not found.any():
        return None

    def shape(p: Doubles) -> tuple[float, float, float]:
        return float(scipy.special.expit(p[0])), float(p[1]), float(np.exp(p[2]))

    def loss(p: Doubles) -> float:
        top, middle, width = shape(p)
        probability = np.clip(top * scipy.special.expit((snr_db - middle) / width), 1e-9, 1 - 1e-9)
        return -float(np.log(np.where(found, probability, 1 - probability)).sum())

    start = np.array([4.0, float(np.median(snr_db)), 0.0])
    top, middle, width = shape(scipy.optimize.minimize(loss, start, method="Nelder-Mead").x)
    return middle + width * float(np.log(recall / (top - recall))) if top > recall else None
