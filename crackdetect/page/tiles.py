"""The pictures of a recording in tiles of any zoom: its wave and its spectrogram, cut where somebody looks.

Only the parts that are looked at are read. Tiles of coarse zooms are put together from finer ones, so that each part of
the recording is decoded once however often the zoom changes.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from typing import Any, NamedTuple, cast

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy.ndimage import uniform_filter1d

from crackdetect.audio.files import RecordingSource
from crackdetect.blocks import Reals, Samples

#: Columns of a tile, and rows of its spectrogram, from 0 Hz to :data:`TOP_HZ` or half the rate.
COLUMNS, ROWS = 256, 64
TOP_HZ = 16_000.0
#: A column of zoom 0 lasts so long, seconds, and each further zoom twice as long.
FINEST_S = 0.00025
#: The coarsest: 4.1 s a column.
ZOOMS = 15
#: Columns of 16 ms: coarser ones are put together from these.
_BASE = 6
#: Tiles of it that are read at once: half a minute of sound.
_RUN = 8
#: A window of the spectrogram lasts about so long, seconds; of columns finer than a millisecond half as long.
_WINDOW_S = 0.006
#: The wave is shown without what is slower: the mean over this is taken off, seconds. It weakens a hum of 100 Hz by 48
#: dB, 1 kHz by 9 dB and nothing from 1.8 kHz on by more than 1 dB: the response is 1 - sinc(f T).
_RUMBLE_S = 0.0005
#: Values of the spectrogram in a decibel.
PER_DB = 4
#: Tiles that are held, 34 MB.
_MOST = 2_000
#: Where the noise is looked at: so many parts of so many seconds, over all of the recording.
_LOOKS, _LOOK_S = 24, 0.2
#: A crack is looked for from here up, Hz, in bands of so many rows: 2 kHz.
_CRACK_HZ, _CRACK_ROWS = 1_000.0, 8
#: Of a power, so that silence has a logarithm.
_TINY = 1e-16


class _Tile(NamedTuple):
    """wave: lowest and highest value of each column, (n, 2). power: dB over the noise times PER_DB, (n, ROWS)."""

    wave: npt.NDArray[np.int16]
    power: npt.NDArray[np.uint8]


class Tiles:
    """Tiles of one recording, read by one thread.

    Parameters
    ----------
    recording
        Of a known length.
    """

    def __init__(self, recording: RecordingSource) -> None:
        assert recording.frames is not None
        self._recording = recording
        self._rate = recording.samplerate
        self._length = recording.frames
        self._kept: OrderedDict[tuple[int, int], _Tile] = OrderedDict()
        self._window = self._window_of(_WINDOW_S)
        self.peak, self._noise = self._look()

    def count(self, zoom: int) -> int:
        """Tiles of a zoom."""
        return math.ceil(self._length / self._rate / (_step_s(zoom) * COLUMNS))

    def tile(self, zoom: int, number: int) -> bytes | None:
        """A tile for the browser; ``None`` where there is none.

        Parameters
        ----------
        zoom
            0 to ZOOMS - 1.
        number
            From 0; it begins ``number * COLUMNS`` columns from the first sample.

        Returns
        -------
        bytes
            COLUMNS pairs of int16, little-endian: the lowest and highest value of the wave in each column; then COLUMNS
            times ROWS bytes: a quarter of a decibel each over what the noise itself comes to, from low frequencies up.
        """
        if not (0 <= zoom < ZOOMS and 0 <= number < self.count(zoom)):
            return None
        tile = self._get(zoom, number)
        offset = round(PER_DB * _loudest_of_noise(self._frames_of(zoom)))
        power = np.maximum(tile.power.astype(np.int16) - offset, 0).astype(np.uint8)
        return tile.wave.astype("<i2").tobytes() + power.tobytes()

    def loudest(self, first_s: float, last_s: float) -> float:
        """Where in a stretch the power of 3 ms in any band is the highest over its noise, as a crack's is; seconds.

        The stretch is taken to be inside of the recording, and half a second at the most.
        """
        end_s = self._length / self._rate
        first = round(min(max(first_s, 0.0), end_s) / FINEST_S)
        count = max(1, min(round(min(last_s, end_s) / FINEST_S) - first, round(0.5 / FINEST_S)))
        over = 10 ** (self._cut(0, first, count).power / (10 * PER_DB))
        lowest = math.ceil(_CRACK_HZ / min(TOP_HZ, self._rate / 2) * ROWS)
        bands = np.add.reduceat(over[:, lowest:], np.arange(0, ROWS - lowest, _CRACK_ROWS), axis=1)
        return min((first + int(np.argmax(bands.max(axis=1))) + 0.5) * FINEST_S, end_s)

    # -- read ahead, a bit at a time ---------------------------------------------------------------------------

    def runs(self) -> range:
        """Parts of the recording that are read at once."""
        return range(math.ceil(self.count(_BASE) / _RUN))

    def runs_below(self, zoom: int, number: int) -> range:
        """Those that a tile is put together from."""
        if zoom <= _BASE or not (zoom < ZOOMS and 0 <= number < self.count(zoom)):
            return range(0)
        tiles = 1 << (zoom - _BASE)
        return range(number * tiles // _RUN, min(math.ceil((number + 1) * tiles / _RUN), len(self.runs())))

    def read_run(self, number: int) -> None:
        """Reads one of them, where it is not there yet."""
        self._get(_BASE, number * _RUN)

    # -- put together -----------------------------------------------------------------------------------------

    def _get(self, zoom: int, number: int) -> _Tile:
        key = (zoom, number)
        if key not in self._kept:
            if zoom > _BASE:
                self._keep(key, self._joined(zoom, number))
            elif zoom == _BASE:
                first = number - number % _RUN
                columns = self._cut(zoom, first * COLUMNS, _RUN * COLUMNS)
                for place in range(_RUN):
                    part = slice(place * COLUMNS, (place + 1) * COLUMNS)
                    self._keep((zoom, first + place), _Tile(columns.wave[part], columns.power[part]))
            else:
                self._keep(key, self._cut(zoom, number * COLUMNS, COLUMNS))
        self._kept.move_to_end(key)
        return self._kept[key]

    def _keep(self, key: tuple[int, int], tile: _Tile) -> None:
        self._kept[key] = tile
        while len(self._kept) > _MOST:
            self._kept.popitem(last=False)

    def _joined(self, zoom: int, number: int) -> _Tile:
        """Two of the finer zoom side by side, two columns of theirs to each of ours."""
        halves = []
        for half in (2 * number, 2 * number + 1):
            if half < self.count(zoom - 1):
                tile = self._get(zoom - 1, half)
                halves.append(
                    _Tile(
                        np.stack([tile.wave[:, 0].reshape(-1, 2).min(1), tile.wave[:, 1].reshape(-1, 2).max(1)], 1),
                        _loudest(tile.power.reshape(-1, 2, ROWS)),
                    )
                )
            else:
                nothing = COLUMNS // 2
                halves.append(_Tile(np.zeros((nothing, 2), np.int16), np.zeros((nothing, ROWS), np.uint8)))
        return _Tile(np.concatenate([half.wave for half in halves]), np.concatenate([half.power for half in halves]))

    # -- cut from the recording -------------------------------------------------------------------------------

    def _cut(self, zoom: int, first: int, count: int) -> _Tile:
        """Columns from the recording itself."""
        step = _step_s(zoom) * self._rate
        bounds = np.round((first + np.arange(count + 1)) * step).astype(np.int64)
        window = self._window if zoom >= 2 else self._window_of(_WINDOW_S / 2)
        half = len(window) // 2
        begins = int(bounds[0]) - half
        samples = self._recording.part(begins, int(bounds[-1]) + half - begins)
        inside = self._without_rumble(samples)[half : len(samples) - half]
        edges = (bounds[:-1] - bounds[0]).astype(np.intp)
        wave = np.stack([np.minimum.reduceat(inside, edges), np.maximum.reduceat(inside, edges)], axis=1)
        each = self._each(zoom)
        # middles of the windows, evenly in each column, in samples of what was read
        middles = bounds[:-1, None] + (np.arange(each) + 0.5) * step / each - begins
        power = self._powers(samples, np.round(middles).astype(np.int64).ravel(), window)
        decibels = 10 * np.log10(_loudest(power.reshape(count, each, ROWS)) / self._noise)
        return _Tile(
            np.round(np.clip(wave, -1.0, 1.0) * 32_767).astype(np.int16),
            np.clip(np.round(PER_DB * decibels), 0, 255).astype(np.uint8),
        )

    def _powers(self, samples: Samples, middles: npt.NDArray[np.int64], window: Samples) -> Reals:
        """Power of each row around each middle, by the window's energy; shape (n, ROWS)."""
        half = len(window) // 2
        frames = np.lib.stride_tricks.sliding_window_view(samples, len(window))[
            np.clip(middles - half, 0, len(samples) - len(window))
        ]
        frames *= window  # taken by places, so they are a copy
        spectrum = scipy.fft.rfft(frames, axis=1, overwrite_x=True)[:, self._bins(len(window))]
        return cast(Reals, (spectrum.real**2 + spectrum.imag**2) / np.sum(window**2) + _TINY)

    def _without_rumble(self, samples: Samples) -> Samples:
        return cast(Samples, samples - uniform_filter1d(samples, 2 * round(_RUMBLE_S * self._rate / 2) + 1))

    def _bins(self, length: int) -> npt.NDArray[np.int64]:
        """The bin of a transform of so many samples that is nearest to the middle of each row."""
        top = min(TOP_HZ, self._rate / 2)
        middles = (np.arange(ROWS) + 0.5) * top / ROWS
        return np.minimum(np.round(middles * length / self._rate).astype(np.int64), length // 2)

    def _window_of(self, seconds: float) -> Samples:
        length = 2 ** max(4, round(math.log2(seconds * self._rate)))
        return np.hanning(length + 1)[:-1].astype(np.float32)

    def _each(self, zoom: int) -> int:
        """Windows in a column that is cut from the recording: half overlapping, one at the least."""
        return max(1, round(_step_s(zoom) / (_WINDOW_S / 2)))

    def _frames_of(self, zoom: int) -> int:
        return self._each(min(zoom, _BASE)) << max(0, zoom - _BASE)

    def _look(self) -> tuple[float, Reals]:
        """The highest sample, and the mean power of the noise in each row, of parts from all over the recording."""
        length = len(self._window)
        count = max(2 * length, round(_LOOK_S * self._rate))
        powers, peak = [], 0.0
        for first in np.linspace(0, max(0, self._length - count), _LOOKS).astype(int).tolist():
            samples = self._recording.part(first, count)
            peak = max(peak, float(np.abs(samples).max(initial=0.0)))
            if samples.any():  # where nothing was heard there is no noise
                powers.append(
                    self._powers(samples, np.arange(length // 2, count - length // 2, length // 2), self._window)
                )
        if not powers:
            return peak, np.full(ROWS, _TINY)
        # powers of noise are distributed exponentially: its mean is its median / ln 2, and cracks do not shift a median
        return peak, cast(Reals, np.median(np.concatenate(powers), axis=0) / math.log(2))


def _step_s(zoom: int) -> float:
    """How long a column lasts, seconds."""
    return FINEST_S * (1 << zoom)


def _loudest(power: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The highest of each column and row, of shape (columns, windows in a column, ROWS).

    Window by window, which is several times as fast as a reduction over the middle of three axes.
    """
    found = power[:, 0].copy()
    for window in range(1, power.shape[1]):
        np.maximum(found, power[:, window], out=found)
    return found


def _loudest_of_noise(frames: int) -> float:
    """What the loudest of so many windows of noise alone comes to over its mean, dB.

    The largest of n exponential variables has the mean 1 + 1/2 + ... + 1/n = ln n + 0.5772 (Euler's constant) times
    theirs (a standard result, from memory).
    """
    return 0.0 if frames == 1 else 10 * math.log10(math.log(frames) + 0.5772)
