"""Seeded clicks in white noise at times that the test chooses, and the shortest ways to have them heard."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Block, Samples
from crackdetect.events import Event
from crackdetect.hearing.onset import Candidate, Onset
from crackdetect.hearing.spectrum import BandSplitter
from crackdetect.pipeline import Pipeline

#: Decay of a click, s: 20 dB down in 3 ms.
DECAY_S = 0.0013


def click(samplerate: int, *, frequency_hz: float = 2500.0, decay_s: float = DECAY_S) -> npt.NDArray[np.float64]:
    """exp(-t/decay) cos(2 pi f t), 12 ms long, 1 at its first sample."""
    t = np.arange(round(0.012 * samplerate)) / samplerate
    return np.exp(-t / decay_s) * np.cos(2 * np.pi * frequency_hz * t)


def clicks_in_noise(
    times_s: Sequence[float],
    *,
    samplerate: int,
    duration_s: float,
    amplitude: float = 0.2,
    noise_rms: float = 0.003,
    frequency_hz: float | Sequence[float] = 2500.0,
    seed: int = 1,
) -> Samples:
    """Gaussian noise with a click at each time (its first sample is the nearest to the time)."""
    sound = np.random.default_rng(seed).normal(0, noise_rms, round(duration_s * samplerate))
    frequencies = np.broadcast_to(np.asarray(frequency_hz, np.float64), len(times_s))
    for time, frequency in zip(times_s, frequencies, strict=True):
        first = round(time * samplerate)
        wave = amplitude * click(samplerate, frequency_hz=float(frequency))
        wave = wave[: max(0, len(sound) - first)]
        sound[first : first + len(wave)] += wave
    return sound.astype(np.float32)


def poisson_times(per_minute: float, start_s: float, end_s: float, *, seed: int) -> list[float]:
    """Times of a homogeneous Poisson process."""
    rng = np.random.default_rng(seed)
    count = rng.poisson(per_minute / 60 * (end_s - start_s))
    return sorted(rng.uniform(start_s, end_s, count).tolist())


def candidates_of(samples: Samples, *, samplerate: int) -> tuple[BandSplitter, list[Candidate]]:
    """Band splitting and onset detection alone; the splitter knows the time of a frame."""
    splitter = BandSplitter(samplerate=samplerate)
    onset = Onset(bands=splitter.bands)
    return splitter, list(onset.push(splitter.push(samples)).candidates)


def hear(pipeline: Pipeline, blocks: Iterable[Block]) -> list[Event]:
    """All events of a roast, the summary among them."""
    events = [event for block in blocks for event in pipeline.push(block)]
    return events + pipeline.finish()


def cut(samples: Samples, length: int) -> list[Block]:
    """Blocks of ``length`` samples, the last one shorter."""
    return [Block(samples[start : start + length]) for start in range(0, len(samples), length)]
