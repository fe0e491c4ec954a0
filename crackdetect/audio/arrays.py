"""Samples in memory as a source of sound, heard as a file with the same samples is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from crackdetect.audio.channels import (
    MIN_DURATION_S,
    block_frames,
    check_format,
    choose_channel,
    given_channel,
    one_channel,
    sampled_parts,
    too_short,
)
from crackdetect.audio.stdin import BLOCK_S
from crackdetect.blocks import Block, Frames
from crackdetect.errors import InputError


class ArraySource:
    """An array, block by block.

    Parameters
    ----------
    samples : numpy.ndarray, shape (n,) or (n, channels)
        Floats with full scale ±1, or signed integers of 16 or 32 bits.
    samplerate : int
        Hz, 8,000 to 192,000.
    channel : int, optional
        Counted from 1; None takes the one in which cracks stand out best, or the mean.

    Attributes
    ----------
    duration_s : float
        Seconds.
    channel_note : str or None
        One sentence on which channel is heard and why, None for one channel.
    notes, truncated
        As of a recording (``recording_notes``); nothing ever.

    Raises
    ------
    InputError
        For another shape or type, a samplerate out of range, or too few samples.
    SettingError
        For a channel that there is not.
    """

    kind: Literal["file"] = "file"
    name = "the array"

    def __init__(self, samples: npt.NDArray[Any], *, samplerate: int, channel: int | None = None) -> None:
        if samples.ndim not in (1, 2):
            raise InputError(f"an array of shape {samples.shape} is no sound; give shape (n,) or (n, channels)")
        self._frames = samples.reshape(len(samples), -1)
        self.samplerate = samplerate
        self.channels = self._frames.shape[1]
        check_format(self.name, samplerate, self.channels)
        if len(samples) < MIN_DURATION_S * samplerate:
            raise InputError(too_short(self.name, len(samples), samplerate))
        as_float32(self._frames[:1])  # so that a wrong type is told at once
        self.duration_s: float | None = len(samples) / samplerate
        self.notes: list[str] = []
        self.truncated = False
        self.channel_note: str | None = None
        self._channel: int | None = 0
        if channel is not None:
            self._channel = given_channel(self.name, channel, self.channels)
            if self.channels > 1:
                self.channel_note = f"channel {channel} of {self.channels}, as asked for"
        elif self.channels > 1:
            starts, length = sampled_parts(len(samples), samplerate, self.channels)
            parts = (as_float32(self._frames[start : start + length]) for start in starts)
            self._channel, self.channel_note = choose_channel(parts, samplerate=samplerate, channels=self.channels)

    def __iter__(self) -> Iterator[Block]:
        step = block_frames(BLOCK_S, self.samplerate, self.channels)
        for start in range(0, len(self._frames), step):
            yield Block(one_channel(as_float32(self._frames[start : start + step]), self._channel))

    def close(self) -> None:
        """Nothing to close."""


def as_float32(samples: npt.NDArray[Any]) -> Frames:
    """Samples of any shape with full scale ±1, integers scaled as an audio file's are. Raises InputError."""
    if samples.dtype.kind == "f":
        return samples.astype(np.float32, copy=False)
    if samples.dtype.kind == "i" and samples.dtype.itemsize in (2, 4):
        return (samples * (1.0 / -float(np.iinfo(samples.dtype).min))).astype(np.float32)
    raise InputError(f"samples of type {samples.dtype} are not understood; give floats within ±1, int16 or int32")
