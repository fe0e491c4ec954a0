"""Short-time energy of the sound in ten bands, on an absolute grid of frames.

A frame is four hops long and lasts 6 ms to the nearest length that transforms fast, and is weighted with a periodic
Hann window: the weighted energy comes from about 3 ms (0.51 of the frame), which is what a crack lasts. As the frame
lasts the same at every sample rate (6 ms, at 44.1 kHz 5.8 ms), bin *k* lies at k x 167 Hz (within 4 %) at every sample
rate, and the band edges are bin numbers.

Latency: one frame. Each frame's transform is independent of its neighbours, which makes the result the same, bit for
bit, however the samples are cut into blocks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

from crackdetect.blocks import Floats, Samples
from crackdetect.errors import SettingError

FRAME_S = 0.006
HOPS_PER_FRAME = 4
#: Band edges as bin numbers: 333, 667, 1000, 1667, 2667, 4000, 5667, 8000, 12000, 16000, 20000 Hz.
BAND_EDGES = (2, 4, 6, 10, 16, 24, 34, 48, 72, 96, 120)
BANDS = len(BAND_EDGES) - 1
#: The bands from 1 to 12 kHz, in which a crack's level is measured.
IN_BAND = slice(2, 8)
#: A band counts as present when at least this share of it lies below half the sample rate.
MIN_BAND_SHARE = 0.6
MIN_SAMPLERATE, MAX_SAMPLERATE = 8_000, 192_000
#: Frames transformed at once, at most: three quarters of a second, which a cache can hold.
_CHUNK = 512


def frame_length(samplerate: int) -> int:
    """Samples of a frame: the product of twos and threes within 4 % of 6 ms if there is one, a multiple of 4."""
    wanted = FRAME_S * samplerate
    fast = (2**twos * 3**threes for twos in range(2, 12) for threes in range(7))
    best = min(fast, key=lambda length: abs(length - wanted))
    return best if abs(best - wanted) <= 0.04 * wanted else HOPS_PER_FRAME * round(wanted / HOPS_PER_FRAME)


def present_bands(samplerate: int) -> int:
    """Number of bands that this sample rate can carry (the bands above are empty): 10 from 40 kHz up."""
    nyquist_bin = frame_length(samplerate) // 2
    return sum(
        min(high, nyquist_bin) - low >= MIN_BAND_SHARE * (high - low)
        for low, high in zip(BAND_EDGES[:-1], BAND_EDGES[1:], strict=True)
    )


@dataclass(frozen=True, slots=True)
class Frames:
    """Consecutive frames. Frame i covers samples [i*hop, i*hop + frame_length); its centre is its time.

    Attributes
    ----------
    first : int
        Index of the first frame.
    band_energy : float32, shape (n, bands present)
        Energy of each band.
    bin_energy : float32, shape (n, bins)
        Energy of each bin from 0 up to the top band's upper edge.
    """

    first: int
    band_energy: Floats
    bin_energy: Floats

    def __len__(self) -> int:
        return len(self.band_energy)


class BandSplitter:
    """Samples in, :class:`Frames` out.

    Parameters
    ----------
    samplerate
        Hz, MIN_SAMPLERATE to MAX_SAMPLERATE.

    Raises
    ------
    SettingError
        On a sample rate out of range.
    """

    def __init__(self, *, samplerate: int) -> None:
        if not MIN_SAMPLERATE <= samplerate <= MAX_SAMPLERATE:
            raise SettingError(
                f"a sample rate of {samplerate} Hz is out of range; {MIN_SAMPLERATE} to {MAX_SAMPLERATE} Hz "
                "can be heard, so convert the recording or set the microphone to 44100 Hz"
            )
        self.samplerate = samplerate
        self.frame_length = frame_length(samplerate)
        self.hop = self.frame_length // HOPS_PER_FRAME
        self.bands = present_bands(samplerate)
        self._bins = min(BAND_EDGES[self.bands], self.frame_length // 2)
        phase = 2 * np.pi * np.arange(self.frame_length) / self.frame_length
        self._window = (0.5 - 0.5 * np.cos(phase)).astype(np.float32)
        self._edges = np.array(BAND_EDGES[: self.bands])
        self.reset()

    def reset(self) -> None:
        """As new."""
        self._kept: Samples = np.zeros(0, np.float32)
        self._skip = 0  # samples still to be thrown away to reach the grid again
        self._next = 0  # index of the next frame
        self._position = 0  # absolute index of the next sample to come

    def push(self, samples: Samples) -> Frames:
        """samples: float32 (n,), finite, never written to. Returns the frames that became complete (often none)."""
        self._position += len(samples)
        if self._skip:
            dropped = min(self._skip, len(samples))
            self._skip -= dropped
            samples = samples[dropped:]
        data = np.concatenate([self._kept, samples]) if len(self._kept) else samples
        count = max(0, (len(data) - self.frame_length) // self.hop + 1)
        band_energy = np.empty((count, self.bands), np.float32)
        bin_energy = np.empty((count, self._bins), np.float32)
        if count:
            data = np.ascontiguousarray(data)
            step = data.itemsize
            # frames that overlap, in a tenth of the time that a sliding window takes to make
            windows = np.ndarray((count, self.frame_length), data.dtype, data, strides=(self.hop * step, step))
            for start in range(0, count, _CHUNK):
                part = slice(start, min(start + _CHUNK, count))
                spectrum = scipy.fft.rfft(windows[part] * self._window, axis=1, overwrite_x=True)
                parts = spectrum.view(np.float32)  # real and imaginary in turn
                np.multiply(parts, parts, out=parts)
                energy = bin_energy[part]
                np.add(parts[:, : 2 * self._bins : 2], parts[:, 1 : 2 * self._bins : 2], out=energy)
                np.add.reduceat(energy, self._edges, axis=1, out=band_energy[part])
        frames = Frames(self._next, band_energy, bin_energy)
        self._next += count
        # a copy, for the block belongs to the caller
        self._kept = data[count * self.hop :].copy()
        return frames

    def gap(self, count: int) -> None:
        """So many samples were lost here. Frames that would touch them are never made."""
        if count == 0:
            return
        self._position += count
        self._kept = np.zeros(0, np.float32)
        self._next = -(-self._position // self.hop)
        self._skip = self._next * self.hop - self._position

    def complete(self, position: int) -> int:
        """All frames before this one are complete once the samples before ``position`` are in, gaps apart."""
        return max(0, (position - self.frame_length) // self.hop + 1)

    def centre(self, frame: int) -> int:
        """Sample index of the middle of a frame."""
        return frame * self.hop + self.frame_length // 2

    def end(self, frame: int) -> int:
        """Sample index at which a frame is complete."""
        return frame * self.hop + self.frame_length
