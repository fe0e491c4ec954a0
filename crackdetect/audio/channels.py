"""Which channel is heard, and what a source may offer: sample rates, channel counts, lengths."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import scipy.fft

from crackdetect.blocks import Doubles, Frames, Samples
from crackdetect.errors import InputError, SettingError
from crackdetect.hearing.spectrum import MAX_SAMPLERATE, MIN_SAMPLERATE

MIN_DURATION_S = 0.1
MAX_CHANNELS = 64
#: Samples times channels that are read at once, 16 MB (chosen: 5 s of 16 channels at 48 kHz).
MOST_AT_ONCE = 4_000_000
#: The mean must be better than the best channel by this much, or the channel is taken.
MEAN_MARGIN_DB = 0.5


def click_heights(parts: Iterable[Frames], *, samplerate: int, channels: int) -> Doubles:
    """How far the loudest bursts in 1-12 kHz stand above the noise, dB.

    Energy of 3 ms Hann frames at half overlap, over the median of its part; the figure is the mean in dB of the highest
    thousandth. The floor is raised by a millionth of the loudest channel's mean energy, so that a stray bit in a dead
    channel is no click. Level does not matter.

    Parameters
    ----------
    parts
        float32, shape (n, channels); those shorter than a frame are passed over.
    samplerate
        Hz.

    Returns
    -------
    Doubles
        dB, shape (channels + 1,): each channel, then their mean. Zeros where nothing sounds.
    """
    length = max(8, round(0.003 * samplerate))
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    low, high = (round(hz * length / samplerate) for hz in (1_000, 12_000))
    measured: list[Doubles] = []
    for part in parts:
        if len(part) < length:
            continue
        signals = np.nan_to_num(part, nan=0.0, posinf=0.0, neginf=0.0)
        signals = np.clip(signals, -64, 64)
        energies = []
        for signal in (*signals.T, signals.mean(axis=1)):
            frames = np.lib.stride_tricks.sliding_window_view(signal, length)[:: length // 2]
            spectrum = scipy.fft.rfft(frames * window, axis=1)[:, low : high + 1]
            energies.append((spectrum.real**2 + spectrum.imag**2).sum(axis=1, dtype=np.float64))
        measured.append(np.array(energies))
    if not measured or (floor := 1e-6 * max(float(e[:-1].mean(axis=1).max()) for e in measured)) == 0:
        return np.zeros(channels + 1)
    ratios = [(e + floor) / (np.median(e, axis=1, keepdims=True) + floor) for e in measured]
    ratio = np.sort(np.concatenate(ratios, axis=1), axis=1)
    top = ratio[:, -max(1, ratio.shape[1] // 1000) :]
    heights: Doubles = 10 * np.log10(top).mean(axis=1)
    return heights


def choose_channel(parts: Iterable[Frames], *, samplerate: int, channels: int) -> tuple[int | None, str]:
    """The channel in which loud clicks stand highest, counted from 0 (None: the mean of all), and why, one sentence.

    parts: float32 (n, channels), see :func:`sampled_parts`.
    """
    heights = click_heights(parts, samplerate=samplerate, channels=channels)
    channel, mean = int(np.argmax(heights[:-1])), float(heights[-1])
    best = float(heights[channel])
    if mean > best + MEAN_MARGIN_DB:
        return None, (
            f"the mean of {channels} channels: its loudest clicks stand {mean:.1f} dB above its noise, "
            f"those of channel {channel + 1} {best:.1f} dB"
        )
    return channel, (
        f"channel {channel + 1} of {channels}: its loudest clicks stand {best:.1f} dB above its noise, "
        f"those of the mean {mean:.1f} dB"
    )


def sampled_parts(frames: int | None, samplerate: int, channels: int) -> tuple[list[int], int]:
    """Where to look for the best channel: up to 60 s in parts of 5 s, spread evenly; shorter ones of many channels.

    Parameters
    ----------
    frames
        Length of the recording; ``None``: not known, then its first minute.
    samplerate, channels
        Hz, and how many.

    Returns
    -------
    list of int, int
        The first frame of each part, and the length of all, frames.
    """
    apart = 5 * samplerate
    total = frames or 12 * apart
    count = min(12, -(-total // apart))
    part = min(apart, MOST_AT_ONCE // channels)
    return np.linspace(0, max(0, total - part), count).astype(np.int64).tolist(), part


def one_channel(frames: Frames, channel: int | None) -> Samples:
    """The samples (n,) of one channel of frames (n, channels), counted from 0; of ``None`` the mean."""
    if channel is None:
        mean: Samples = frames.mean(axis=1, dtype=np.float32)
        return mean
    return np.ascontiguousarray(frames[:, channel])


def given_channel(name: str, channel: int, channels: int) -> int:
    """A channel as people count, from 1, as programs do, from 0.

    Parameters
    ----------
    name
        Of the source, for the sentence.
    channel
        1 to ``channels``.

    Raises
    ------
    SettingError
        When there is no such channel.
    """
    if not 1 <= channel <= channels:
        if channels == 1:
            raise SettingError(f"{name} has one channel, so there is no channel {channel}; leave it out")
        raise SettingError(f"channel {channel} does not exist in {name}; choose 1 to {channels}")
    return channel - 1


def check_format(name: str, samplerate: int, channels: int) -> None:
    """Raises InputError when a samplerate (Hz) or a number of channels is out of range. name: of the source."""
    if not MIN_SAMPLERATE <= samplerate <= MAX_SAMPLERATE:
        raise InputError(
            f"{name} has a sample rate of {samplerate} Hz, outside {MIN_SAMPLERATE} to {MAX_SAMPLERATE} Hz; "
            "convert it to 44100 Hz"
        )
    if not 1 <= channels <= MAX_CHANNELS:
        raise InputError(f"{name} has {channels} channels, outside 1 to {MAX_CHANNELS}; export one of them")


def block_frames(block_s: float, samplerate: int, channels: int = 1) -> int:
    """Frames in a block of so many seconds, one at least, fewer of many channels. Raises InputError out of range."""
    if not 0 < block_s <= 60:
        raise InputError(f"a block of {block_s} s is out of range; above 0 to 60 s")
    return min(max(1, round(block_s * samplerate)), max(1, MOST_AT_ONCE // channels))


def too_short(name: str, frames: int, samplerate: int) -> str:
    """One sentence on a source that holds too few frames."""
    if frames == 0:
        return f"{name} holds no sound: its header is all there is; record or export it again"
    length = f"{frames} samples ({frames / samplerate:.4f} s)"
    return f"{name} is {length} long, too short to hear anything in; use a longer recording"
