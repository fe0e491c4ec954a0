"""What a report needs of the recording: level over time, the chorus, and the moments around single cracks.

The file is read once, block by block, by the same path as it was heard by (the same channel); only what is wanted of
it is held.
"""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from crackdetect.audio.files import open_recording
from crackdetect.blocks import Reals, Samples
from crackdetect.errors import InputError
from crackdetect.roast.record import Crack, Roast, RoastRecord
from crackdetect.storage.log_keeping import sha256_of

LEVEL_EVERY_S = 0.5
#: The chorus is shown from this long before first crack, for at most this long.
BEFORE_S, CHORUS_S = 4.0, 75.0
#: Half of a close-up, and of a clip to listen to, seconds.
CLOSE_S, CLIP_S = 0.03, 0.45
#: The pour of the beans is over this long after charge, seconds (chosen).
POUR_S = 20.0
#: Close-ups, and clips of each sort.
CLOSE_UPS, CLIPS = 6, 5
#: Levels below this are digital silence, dB of full scale.
FLOOR_DB = -120.0
#: The same of a spectrum's square: so digital silence has a logarithm.
_NOTHING = 1e-18


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a recording.

    Attributes
    ----------
    start_s : float
        Seconds from the first sample.
    samples : numpy.ndarray of float32, shape (n,)
        Mono, full scale ±1.
    """

    start_s: float
    samples: Samples


@dataclass(slots=True)
class Sound:
    """What was gathered of a recording.

    Attributes
    ----------
    samplerate : int
        Hz.
    level_s, level_db : numpy.ndarray, shape (n,)
        Rms over LEVEL_EVERY_S, dB of full scale, at so many seconds.
    chorus : Part
        First crack with a little before it.
    close_ups, surest, doubtful : list of (Crack, Part)
        The moments around single cracks: to look at, and to listen to.
    """

    samplerate: int
    level_s: Reals
    level_db: Reals
    chorus: Part
    close_ups: list[tuple[Crack, Part]] = field(default_factory=list)
    surest: list[tuple[Crack, Part]] = field(default_factory=list)
    doubtful: list[tuple[Crack, Part]] = field(default_factory=list)


def why_not(roast: Roast) -> str | None:
    """One sentence on why the recording cannot be used; None when it can."""
    if roast.recording is None:
        return "No recording of this roast was kept."
    try:
        if not roast.recording.is_file():
            return f"The recording is no longer at {roast.recording}."
        same = roast.recording_sha256 in (None, sha256_of(roast.recording))
    except (InputError, OSError, ValueError):  # of names that no system takes, too
        return f"The recording {roast.recording} cannot be read."
    return None if same else f"The recording {roast.recording} has changed since it was heard."


def gather(record: RoastRecord, path: Path) -> Sound:
    """Reads the recording of a roast. Raises InputError when it cannot be read."""
    start, end = chorus_span(record)
    surest, doubtful = choose(_in_the_roast(record))
    developed = [crack for crack in record.cracks if start <= crack.at_s <= end] or list(record.cracks)
    close = sorted(sorted(developed, key=lambda crack: -crack.snr_db)[:CLOSE_UPS])
    with closing(open_recording(path)) as source:
        rate = source.samplerate
        wants = [(start, end)]
        wants += [(crack.at_s - CLOSE_S, crack.at_s + CLOSE_S) for crack in close]
        wants += [(crack.at_s - CLIP_S, crack.at_s + CLIP_S) for crack in (*surest, *doubtful)]
        spans = [(max(0, round(low * rate)), round(high * rate)) for low, high in wants]
        parts: list[list[Samples]] = [[] for _ in spans]
        step = max(1, round(LEVEL_EVERY_S * rate))
        powers: list[float] = []
        held: Samples = np.zeros(0, np.float32)
        position = 0
        for block in source:
            samples = np.nan_to_num(np.clip(block.samples, -1.0, 1.0))
            stop = position + len(samples)
            for found, (low, high) in zip(parts, spans, strict=True):
                if low < stop and high > position:
                    found.append(samples[max(0, low - position) : max(0, high - position)].copy())
            held = np.concatenate([held, samples])
            whole = len(held) // step
            powers += np.mean(held[: whole * step].reshape(whole, step).astype(np.float64) ** 2, axis=1).tolist()
            held = held[whole * step :]
            position = stop
    made = [
        Part(low / rate, np.concatenate(found) if found else np.zeros(0, np.float32))
        for found, (low, _) in zip(parts, spans, strict=True)
    ]
    clips = made[1 + len(close) :]
    return Sound(
        samplerate=rate,
        level_s=(np.arange(len(powers)) + 0.5) * LEVEL_EVERY_S,
        level_db=10 * np.log10(np.maximum(powers, 10 ** (FLOOR_DB / 10))),
        chorus=made[0],
        close_ups=list(zip(close, made[1:], strict=False)),
        surest=list(zip(surest, clips, strict=False)),
        doubtful=list(zip(doubtful, clips[len(surest) :], strict=True)),
    )


def _in_the_roast(record: RoastRecord) -> list[Crack]:
    """Without the pour of the beans and their fall into the tray, which crackle as well."""
    charge, drop = record.roast.at_s("charge"), record.roast.at_s("drop")
    first = -math.inf if charge is None else charge + POUR_S
    return [crack for crack in record.cracks if first <= crack.at_s <= (math.inf if drop is None else drop)]


def chorus_span(record: RoastRecord) -> tuple[float, float]:
    """Seconds from the first sample: first crack with a little before it; the densest stretch where there is none."""
    roast = record.roast
    start = roast.at_s("first_crack.start")
    if start is None:
        densest = max(record.density, key=lambda density: density.per_minute, default=None)
        start = 0.0 if densest is None else max(0.0, densest.at_s - 30)
    end = roast.at_s("first_crack.end") or roast.at_s("drop") or start + CHORUS_S
    if end <= start:
        end = start + CHORUS_S
    return max(0.0, start - BEFORE_S), min(end + BEFORE_S, start + CHORUS_S)


def choose(cracks: Sequence[Crack]) -> tuple[list[Crack], list[Crack]]:
    """The surest and the most doubtful ones, in their order in time; none is both."""
    ranked = sorted(cracks, key=lambda crack: (-round(crack.probability, 2), -crack.snr_db))
    surest = ranked[:CLIPS]
    doubtful = ranked[max(len(surest), len(ranked) - CLIPS) :]
    return sorted(surest), sorted(doubtful)


def as_wav(part: Part, samplerate: int) -> str:
    """A clip as a data URI: 16-bit WAV, its peak raised to half of full scale, faded at both ends."""
    import soundfile

    samples = part.samples.astype(np.float64)
    peak = float(np.abs(samples).max(initial=0.0))
    if peak > 0:
        samples *= 0.5 / peak
    fade = min(len(samples) // 2, round(0.02 * samplerate))
    if fade:
        ramp = np.linspace(0, 1, fade)
        samples[:fade] *= ramp
        samples[-fade:] *= ramp[::-1]
    out = io.BytesIO()
    soundfile.write(out, samples, samplerate, format="WAV", subtype="PCM_16")
    return "data:audio/wav;base64," + base64.b64encode(out.getvalue()).decode("ascii")


# -- spectra ---------------------------------------------------------------------------------------------------


def spectrogram(part: Part, samplerate: int, *, columns: int) -> tuple[Reals, Reals, Reals]:
    """A spectrogram over the noise of each frequency.

    Hann windows of 6 ms at half overlap; the noise is the median of each frequency. Of the frames that fall into one
    column of the picture the loudest stands, for a crack is shorter than a column.

    Returns
    -------
    times : numpy.ndarray, shape (columns at most,)
        Seconds.
    frequencies : numpy.ndarray, shape (m,)
        Hz.
    decibels : numpy.ndarray, shape (m, columns at most)
        dB over the noise.
    """
    length = 2 ** round(np.log2(0.006 * samplerate))
    times, frequencies, decibels = _over_noise(part, samplerate, length=length, hop=length // 2)
    each = max(1, -(-len(times) // columns))
    pad = -len(times) % each
    if pad:
        decibels = np.concatenate([decibels, np.repeat(decibels[:, -1:], pad, axis=1)], axis=1)
    return times[::each], frequencies, decibels.reshape(decibels.shape[0], -1, each).max(axis=2)


def close_spectrum(part: Part, samplerate: int) -> tuple[Reals, Reals, Reals]:
    """As ``spectrogram``, of a close-up: windows of 3 ms, 0.25 ms apart; times count from the middle, ms."""
    length = max(16, 2 ** round(np.log2(0.003 * samplerate)))
    hop = max(1, round(0.00025 * samplerate))
    times, frequencies, decibels = _over_noise(part, samplerate, length=length, hop=hop)
    return 1e3 * (times - part.start_s - CLOSE_S), frequencies, decibels


def _over_noise(part: Part, samplerate: int, *, length: int, hop: int) -> tuple[Reals, Reals, Reals]:
    """Middles of the windows in seconds, frequencies in Hz, and dB over the median of each frequency."""
    from scipy.signal import spectrogram as short_transform

    samples = np.pad(part.samples, (0, max(0, length + hop - len(part.samples))))
    frequencies, times, power = short_transform(
        samples, samplerate, window="hann", nperseg=length, noverlap=length - hop, detrend=False, scaling="spectrum"
    )
    decibels = 10 * np.log10(np.maximum(power, _NOTHING).astype(np.float64))
    return part.start_s + times, frequencies, decibels - np.median(decibels, axis=1, keepdims=True)


def band_passed(part: Part, samplerate: int) -> Reals:
    """The part from 1 to 12 kHz, where cracks are heard, by transform; the rumble of the machine is left out."""
    spectrum = np.fft.rfft(part.samples.astype(np.float64))
    frequencies = np.fft.rfftfreq(len(part.samples), 1 / samplerate)
    return np.asarray(
        np.fft.irfft(spectrum * ((frequencies >= 1_000) & (frequencies <= 12_000)), len(part.samples)), np.float64
    )


def loudest_frequency(part: Part, samplerate: int, at_s: float) -> float:
    """Where a crack stands highest over the noise just before it, Hz between 800 and 15,000."""
    length = 2 ** round(np.log2(0.006 * samplerate))
    centre = round((at_s - part.start_s) * samplerate)

    def power(first: int) -> Reals:
        piece = part.samples[max(0, first) : max(0, first) + length]
        if len(piece) < length:
            piece = np.pad(piece, (0, length - len(piece)))
        return np.asarray(np.abs(np.fft.rfft(piece * np.hanning(length))) ** 2 + 1e-16, np.float64)

    before = np.mean([power(centre - (3 + step) * length) for step in range(6)], axis=0)
    frequencies = np.fft.rfftfreq(length, 1 / samplerate)
    heard = (frequencies >= 800) & (frequencies <= 15_000)
    ratio = np.where(heard, power(centre - length // 2) / before, 0.0)
    return float(frequencies[int(np.argmax(ratio))])
