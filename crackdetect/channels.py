"""Which channel is heard, and what a source may offer: sample rates, channel counts, lengths."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import scipy.fft

from crackdetect.blocks import Samples
from crackdetect.errors import InputError, SettingError
from crackdetect.spectrum import MAX_SAMPLERATE, MIN_SAMPLERATE

MIN_DURATION_S = 0.1
MAX_CHANNELS = 64
#: The mean must be better than the best channel by this much, or the channel is taken.
MEAN_MARGIN_DB = 0.5

Frames = npt.NDArray[np.float32]


def click_heights(parts: Iterable[Frames], *, samplerate: int, channels: int) -> npt.NDArray[np.float64]:
    """How far the loudest bursts in 1-12 kHz stand above the noise, dB: each channel, then their mean.

    parts: float32 (n, channels). Energy of 3 ms Hann frames at half overlap, over the median of its part; the
    figure is the mean in dB of the highest thousandth. The floor is raised by a millionth of the loudest
    channel's mean energy, so that a stray bit in a dead channel is no click. Level does not matter.
    """
    length = max(8, round(0.003 * samplerate))
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    low, high = (round(hz * length / samplerate) for hz in (1_000, 12_000))
    measured: list[npt.NDArray[np.float64]] = []
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
    heights: npt.NDArray[np.float64] = 10 * np.log10(top).mean(axis=1)
    return heights


def one_channel(frames: Frames, channel: int | None) -> Samples:
    if channel is None:
        mean: Samples = frames.mean(axis=1, dtype=np.float32)
        return mean
    return np.ascontiguousarray(frames[:, channel])


def given_channel(name: str, channel: int, channels: int) -> int:
    """Counted from 0. channel: from 1, as people count. Raises SettingError."""
    if not 1 <= channel <= channels:
        if channels == 1:
            raise SettingError(f"{name} has one channel, so there is no channel {channel}; leave it out")
        raise SettingError(f"channel {channel} does not exist in {name}; choose 1 to {channels}")
    return channel - 1


def check_format(name: str, samplerate: int, channels: int) -> None:
    if not MIN_SAMPLERATE <= samplerate <= MAX_SAMPLERATE:
        raise InputError(
            f"{name} has a sample rate of {samplerate} Hz, outside {MIN_SAMPLERATE} to {MAX_SAMPLERATE} Hz; "
            "convert it to 44100 Hz"
        )
    if not 1 <= channels <= MAX_CHANNELS:
        raise InputError(f"{name} has {channels} channels, outside 1 to {MAX_CHANNELS}; export one of them")


def block_frames(block_s: float, samplerate: int) -> int:
    if not 0 < block_s <= 60:
        raise InputError(f"a block of {block_s} s is out of range; above 0 to 60 s")
    return max(1, round(block_s * samplerate))


def too_short(name: str, frames: int, samplerate: int) -> str:
    if frames == 0:
        return f"{name} holds no sound: its header is all there is; record or export it again"
    length = f"{frames} samples ({frames / samplerate:.4f} s)"
    return f"{name} is {length} long, too short to hear anything in; use a longer recording"
