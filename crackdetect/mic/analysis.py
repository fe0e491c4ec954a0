"""What a few seconds of sound say about the microphone that took them. Pure: samples in, findings out.

Levels are dB of full scale (a full-scale square wave is 0 dB). Thresholds are chosen where no source is named.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crackdetect.blocks import Doubles, Samples
from crackdetect.errors import InputError
from crackdetect.hearing.chain import HearingChain
from crackdetect.hearing.classifier import ClassifierModel
from crackdetect.hearing.health import FULL_SCALE

SILENT_DB = -120.0
#: Samples beyond it are a defect of the driver, and their squares would overflow.
_LOUDEST = np.float32(64.0)
#: Frames in which the level is followed, seconds.
_FRAME_S = 0.02
#: A gate shuts to less than any room and microphone give (dB of full scale), this much under what it lets through (dB).
GATE_SHUT_DB = -85.0
GATED_DB = 15.0
#: A voice channel ends at 8 kHz (wideband telephony, ITU-T G.722); natural noise falls far more gently than this, dB.
CUT_DB = 40.0
#: Automatic level: the noise just after a click is this much weaker than before it, dB.
DUCKED_DB = 6.0
#: Mains hum this far over its neighbours is told, dB.
HUM_DB = 15.0
#: A click counts from this SNR, dB (Gaussian noise by itself peaks at 13 dB now and then), and not within this many
#: seconds of the one before.
CLICK_DB = 14.0
CLICK_APART_S = 0.25


@dataclass(frozen=True, slots=True)
class Findings:
    """What was found in some seconds of the room or the running roaster.

    Attributes
    ----------
    seconds : float
        How much was heard.
    peak_db, rms_db, floor_db : float
        Levels, dB of full scale; the floor is that of the quietest tenth.
    clipped : int
        Samples at full scale.
    zero_share : float
        Share of samples that repeat the one before exactly, 0 to 1.
    hum : tuple of (int, float) or None
        Mains frequency (50 or 60 Hz), and dB over its neighbours.
    signs : tuple of str
        Of processed input, each a clause.
    """

    seconds: float
    peak_db: float
    rms_db: float
    floor_db: float
    clipped: int
    zero_share: float
    hum: tuple[int, float] | None
    signs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Click:
    """A click that was heard.

    Attributes
    ----------
    at : float
        Seconds from the first sample.
    snr_db : float
        As of a ``crack`` event, dB.
    like_crack : bool
        Whether it sounds more like a crack than like something else.
    """

    at: float
    snr_db: float
    like_crack: bool = False


def _db(rms: float) -> float:
    return max(SILENT_DB, 20 * float(np.log10(rms))) if rms > 0 else SILENT_DB


def examine(samples: Samples, *, samplerate: int) -> Findings:
    """Measures the sound of a microphone.

    Parameters
    ----------
    samples : numpy.ndarray of float32, shape (n,)
        At least half a second of the room or the running roaster, full scale ±1.
    samplerate : int
        Hz.

    Raises
    ------
    InputError
        On less than half a second.
    """
    if len(samples) < samplerate // 2:
        raise InputError(f"only {len(samples) / samplerate:.2f} s of sound; half a second is the least to judge by")
    samples = np.clip(np.nan_to_num(samples, nan=0.0), -_LOUDEST, _LOUDEST)
    levels = _levels(samples, samplerate)
    return Findings(
        seconds=len(samples) / samplerate,
        peak_db=_db(float(np.abs(samples).max())),
        rms_db=_db(float(np.sqrt(np.mean(samples.astype(np.float64) ** 2)))),
        floor_db=float(np.quantile(levels, 0.1)),
        clipped=int(np.count_nonzero(np.abs(samples) >= FULL_SCALE)),
        zero_share=float(np.mean(np.diff(samples) == 0)),
        hum=_hum(samples, samplerate),
        signs=tuple(_signs(samples, samplerate, levels)),
    )


def _levels(samples: Samples, samplerate: int) -> Doubles:
    """Level of each frame, dB."""
    length = round(_FRAME_S * samplerate)
    frames = samples[: len(samples) // length * length].reshape(-1, length).astype(np.float64)
    mean_square = np.maximum(np.mean((frames - frames.mean(axis=1, keepdims=True)) ** 2, axis=1), 1e-12)
    return np.asarray(10 * np.log10(mean_square))


def _spectrum(samples: Samples, samplerate: int, resolution_hz: float) -> tuple[Doubles, Doubles]:
    """Frequencies and median power of half-overlapping Hann frames: single events do not count."""
    length = min(len(samples), round(samplerate / resolution_hz))
    step = max(1, length // 2)
    starts = range(0, len(samples) - length + 1, step)
    window = np.hanning(length)
    powers = [np.abs(np.fft.rfft(samples[start : start + length] * window)) ** 2 for start in starts]
    return np.fft.rfftfreq(length, 1 / samplerate).astype(np.float64), np.asarray(np.median(powers, axis=0), np.float64)


def _hum(samples: Samples, samplerate: int) -> tuple[int, float] | None:
    """The mains frequency or its double, where it stands out of the noise around it."""
    hz, power = _spectrum(samples, samplerate, 2.0)
    found: list[tuple[float, int]] = []
    for mains in (50, 60):
        for harmonic in (mains, 2 * mains):
            near = np.abs(hz - harmonic) <= 2.0
            around = (np.abs(hz - harmonic) > 6.0) & (np.abs(hz - harmonic) < 20.0)
            level = 10 * float(np.log10((power[near].max() + 1e-20) / (np.median(power[around]) + 1e-20)))
            found.append((level, mains))
    level, mains = max(found)
    return (mains, level) if level >= HUM_DB else None


def _signs(samples: Samples, samplerate: int, levels: Doubles) -> list[str]:
    """What noise suppression leaves behind. Exact silence is told by itself."""
    signs = []
    low, high = (float(quantile) for quantile in np.quantile(levels, (0.1, 0.8)))
    if low < GATE_SHUT_DB and high - low > GATED_DB:
        signs.append(f"between sounds the noise falls to {low:.0f} dB of full scale, as if a gate shut")
    if samplerate >= 32_000:
        hz, power = _spectrum(samples, samplerate, 100.0)
        below = float(np.mean(power[(hz >= 5_500) & (hz < 7_000)]))
        above = float(np.mean(power[(hz >= 9_000) & (hz < 12_000)]))
        fall = 10 * float(np.log10((below + 1e-20) / (above + 1e-20)))
        if fall > CUT_DB:
            signs.append(f"the sound ends near 8 kHz ({fall:.0f} dB less above), as in a telephone call")
    return signs


def clicks_in(samples: Samples, *, samplerate: int, model: ClassifierModel) -> list[Click]:
    """Clicks by the stages of the listening path itself, the loudest of each cluster.

    samples: float32, shape (n,). samplerate: Hz. model: what tells cracks from other sounds.
    """
    chain = HearingChain(samplerate=samplerate, model=model)
    found: list[Click] = []
    step = samplerate // 20  # the meter looks back a third of a second
    for start in range(0, len(samples), step):
        for candidate, score in chain.push(samples[start : start + step]).candidates:
            click = Click(chain.centre(candidate.frame) / samplerate, chain.snr_db(candidate), score.crack_llr > 0)
            if click.snr_db < CLICK_DB:
                continue
            if found and click.at - found[-1].at < CLICK_APART_S:
                found[-1] = max(found[-1], click, key=lambda one: one.snr_db)
            else:
                found.append(click)
    return found


def own_cracks_per_minute(samples: Samples, *, samplerate: int, model: ClassifierModel) -> float:
    """How many sounds of a machine without beans would be taken for cracks, a minute. As :func:`clicks_in`."""
    chain = HearingChain(samplerate=samplerate, model=model)
    step = samplerate // 20
    heard = (chain.push(samples[start : start + step]) for start in range(0, len(samples), step))
    taken = sum(score.crack_llr > 0 for one in heard for _, score in one.candidates)
    return 60.0 * taken * samplerate / max(1, len(samples))


def ducked_db(samples: Samples, clicks: list[Click], *, samplerate: int) -> float | None:
    """How much weaker the noise is just after a click than before it, dB, in the median; None without a click.

    Automatic level turns down on a click and comes back slowly.
    """
    changes = []
    for click in clicks:
        before = samples[max(0, round((click.at - 0.25) * samplerate)) : round((click.at - 0.05) * samplerate)]
        after = samples[round((click.at + 0.12) * samplerate) : round((click.at + 0.32) * samplerate)]
        if len(before) > 0.1 * samplerate and len(after) > 0.1 * samplerate:
            quiet = [float(np.quantile(_levels(part, samplerate), 0.3)) for part in (before, after)]
            changes.append(quiet[0] - quiet[1])
    return float(np.median(changes)) if changes else None
