"""Candidates: short rises of energy in any band over that band's own running floor.

Floor: in each cell of 128 frames (192 ms) the median energy of each band; the floor of a cell is the median of
the 11 cells (2.1 s) before it. Both are order statistics: a chorus that fills a quarter of the frames barely moves
them. Floors are causal and on an absolute grid.

Statistic: D = max over bands of ln(energy / floor) - threshold of the band. In Gaussian noise the energy of a
band of n bins is near a chi-square with nu = 2 n**2 / (n + 2 ((n - 1) 4/9 + (n - 2) / 36)) = 2 n**2 / (1.944 n - 1)
degrees of freedom (4/9 and 1/36: correlation of the energies of Hann-weighted neighbouring and next bins), so each
band's threshold is set to the same tail probability; the true tail is 1.6 to 2.1 times as heavy. Noise that
swings or whistles spreads wider than that; the threshold is then raised by the measured over the Gaussian spread (from
the median to the upper quartile), up to 1.8 times.
The largest band ratio beats the average where the energy of a crack sits in one or two bands (Urkowitz, Proc.
IEEE 55, 1967, for the energy detector; the comparison is ours, see DEVELOPERS.md).

A candidate is a frame with D >= 0 that is the largest within the hold-off on both sides.

Warm-up: 0.6 s. Expected candidates in Gaussian noise (measured): 1.4 a second at 8 kHz, 1.6 at 16 kHz, 2.5 from
40 kHz up; all judging is left to the classifier.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.special

from crackdetect.spectrum import BAND_EDGES, BANDS, IN_BAND, Floats, Frames

CELL = 128
FLOOR_CELLS = 11
#: Ranks among a cell's frames of the median, the upper quartile and the upper sixteenth.
_RANKS = (CELL // 2 - 1, CELL * 3 // 4 - 1, CELL * 15 // 16 - 1)
WARM_UP_CELLS = 3
HOLD_OFF_FRAMES = 8
_HOLD_OFF = np.arange(-HOLD_OFF_FRAMES, HOLD_OFF_FRAMES + 1)
#: Probability that one band exceeds its threshold in one frame of Gaussian noise.
TAIL_PROBABILITY = 2.5e-4
#: Frames that a candidate's neighbourhood needs before and after it (240 ms and 108 ms).
BEFORE, AFTER = 160, 72
#: A band 60 dB below the strongest holds no sound (a codec cut it off): it is not let to whisper itself up.
_DEAD_BAND = 1e-6
#: Least floor, energy of a frame: below the quantisation noise of 24 bits, it only guards against zero.
_LEAST = 1e-13
_HANN_BINS = 1 + 2 * (4 / 9 + 1 / 36)
_MOST_SPREAD = np.float32(1.8)
#: Below this strength a frame is digital silence, or has no floor yet: such time was not heard.
_UNHEARD = -7.5


def band_excess(bands: int, probability: float) -> Floats:
    """ln(energy / median) that one frame of Gaussian noise exceeds with a probability, for each band, float32."""
    widths = np.diff(BAND_EDGES)[:bands]
    freedom = 2 * widths**2 / (_HANN_BINS * widths - 1)
    tail = scipy.special.chdtri(freedom, probability)
    excess: Floats = np.log(tail / scipy.special.chdtri(freedom, 0.5)).astype(np.float32)
    return excess


def raised(spread: Floats) -> Floats:
    """Each band's threshold in noise of this spread, nats. spread: float32 (..., bands), ln of the upper quartile over
    the median; one of Gaussian noise, or less, leaves the threshold as it is."""
    bands = spread.shape[-1]
    scale = np.minimum(np.maximum(spread / _GAUSSIAN_SPREAD[:bands], np.float32(1.0)), _MOST_SPREAD)
    thresholds: Floats = _GAUSSIAN[:bands] * scale
    return thresholds


#: Thresholds and spread in Gaussian noise, float32 (BANDS,).
_GAUSSIAN, _GAUSSIAN_SPREAD = band_excess(BANDS, TAIL_PROBABILITY), band_excess(BANDS, 0.25)


@dataclass(frozen=True, slots=True)
class Cell:
    """What CELL frames sounded like. index: of the cell; its frames begin at index * CELL.

    levels: float32 (3, bands), the median, the upper quartile and the upper sixteenth of each band's energy.
    """

    index: int
    levels: Floats


@dataclass(frozen=True, slots=True)
class Candidate:
    """A short rise of energy, with its neighbourhood.

    frame: index of the peak frame. strength: D in nats. ratios: float32 (BEFORE+1+AFTER, BANDS),
    ln(energy / floor) around it, 0 in bands that the sample rate does not carry.
    fine: float32 (BEFORE+1+AFTER, bins), bin energies. bands: how many the sample rate carries. spread: float32
    (BANDS,), ln of the upper quartile over the median of the noise. in_band_floor: the floor's energy, 1 to 12 kHz.
    """

    frame: int
    strength: float
    ratios: Floats
    fine: Floats
    bands: int
    spread: Floats
    in_band_floor: float


@dataclass(frozen=True, slots=True, eq=False)
class _Floor:
    """The floor in force from a frame on; spread and in_band as a Candidate has them."""

    first: int
    spread: Floats
    in_band: float


class Onset:
    """Frames in, :class:`Candidate` out; a candidate is ready AFTER frames later.

    bands: number of bands present.
    """

    def __init__(self, *, bands: int) -> None:
        self.bands = bands
        self.reset()

    def reset(self) -> None:
        #: (first frame, bool per frame): the frames judged, and whether anything could be heard in them. Whoever
        #: reads the list empties it.
        self.heard: list[tuple[int, npt.NDArray[np.bool_]]] = []
        #: The whole cells that held sound. Whoever reads the list empties it.
        self.cells: list[Cell] = []
        self._cells = np.zeros((0, 2, self.bands), np.float32)  # median, upper quartile, of the last cells
        self._open: list[Floats] = []  # energies of the cell being filled
        self._open_count = 0
        self._open_valid = True
        self._floor = np.ones((2, self.bands), np.float32)
        self._thresholds = _GAUSSIAN[: self.bands]
        self._has_floor = False
        self._next = 0  # next frame expected
        self._clear_history()

    def _clear_history(self) -> None:
        self._first = self._next  # frame of row 0 of the history
        self._ratios = np.zeros((0, self.bands), np.float32)
        self._fine = np.zeros((0, 0), np.float32)
        self._strength = np.zeros(0, np.float32)
        self._judged = self._next + BEFORE  # next frame to be judged
        self._floors: list[_Floor] = []  # of the cells in the history

    @property
    def next_frame(self) -> int:
        """Index of the next frame expected: all before it are in."""
        return self._next

    def push(self, frames: Frames) -> list[Candidate]:
        if len(frames) == 0:
            return []
        if frames.first != self._next:  # a gap: nothing may reach across it
            self._next = frames.first
            self._open, self._open_count, self._open_valid = [], 0, self._next % CELL == 0
            self._clear_history()
        ratios = np.empty_like(frames.bands)
        strength = np.empty(len(frames), np.float32)
        offset = 0
        for length in self._runs(len(frames)):
            part = slice(offset, offset + length)
            self._fill(frames.bands[part], ratios[part], strength[part], self._next + offset)
            offset += length
        self._next += len(frames)
        if len(self._ratios):
            ratios = np.concatenate([self._ratios, ratios])
            fine = np.concatenate([self._fine, frames.fine])
            strength = np.concatenate([self._strength, strength])
        else:
            fine = frames.fine
        self._ratios, self._fine, self._strength = ratios, fine, strength
        found = list(self._judge())
        self._forget()
        return found

    def _runs(self, count: int) -> Iterator[int]:
        """Cuts the next ``count`` frames at cell borders."""
        position, end = self._next, self._next + count
        while position < end:
            border = min((position // CELL + 1) * CELL, end)
            yield border - position
            position = border

    def _fill(self, energy: Floats, ratios: Floats, strength: Floats, first: int) -> None:
        """Frames of one cell: ratios and strength by the floor in force, then into the cell's statistics."""
        if first % CELL == 0:
            self._open, self._open_count, self._open_valid = [], 0, True
        if not self._floors:
            self._note_floor(first)
        if self._has_floor:
            np.maximum(energy, self._floor[0] * 1e-3, out=ratios)
            np.divide(ratios, self._floor[0], out=ratios)
            np.log(ratios, out=ratios)
            np.max(ratios - self._thresholds, axis=1, out=strength)
        else:
            ratios[:] = strength[:] = -20.0  # nothing can be said yet: not heard
        self._open.append(energy)
        self._open_count += len(energy)
        if self._open_valid and self._open_count == CELL:
            cell = self._open[0] if len(self._open) == 1 else np.concatenate(self._open)
            levels = np.sort(cell.T, axis=1)[:, _RANKS].T  # sooner than a partition
            if float(levels[0].max()) <= _LEAST:
                return  # digital silence says nothing of the noise: the floor stays what it was
            self.cells.append(Cell(first // CELL, levels))
            self._cells = np.concatenate([self._cells[-(FLOOR_CELLS - 1) :], levels[None, :2]])
            if len(self._cells) >= WARM_UP_CELLS:
                middle = len(self._cells) // 2
                floor = np.partition(self._cells, middle, axis=0)[middle]
                least = max(float(floor[0].max()) * _DEAD_BAND, _LEAST)
                self._floor = np.maximum(floor, np.float32(least))
                self._has_floor = True
                self._thresholds = raised(np.log(self._floor[1] / self._floor[0]))
                self._note_floor(first + len(energy))

    def _judge(self) -> Iterator[Candidate]:
        """Candidates among the frames whose neighbourhood is complete."""
        end = self._next - AFTER
        if end <= self._judged:
            return
        low = self._judged - self._first
        high = end - self._first
        strength = self._strength
        self.heard.append((self._judged, strength[low:high] > _UNHEARD))
        risen = np.flatnonzero(strength[low:high] >= 0) + low
        around = strength[risen[:, None] + _HOLD_OFF]
        for i in risen[around.argmax(axis=1) == HOLD_OFF_FRAMES].tolist():
            yield self._candidate(i)
        self._judged = end

    def _candidate(self, i: int) -> Candidate:
        rows = slice(i - BEFORE, i + AFTER + 1)
        ratios = self._ratios[rows]
        if self.bands < BANDS:
            carried = ratios
            ratios = np.zeros((len(carried), BANDS), np.float32)
            ratios[:, : self.bands] = carried
        floor = next(floor for floor in reversed(self._floors) if floor.first <= self._first + i)
        return Candidate(
            frame=self._first + i,
            strength=float(self._strength[i]),
            ratios=ratios,
            fine=self._fine[rows],
            bands=self.bands,
            spread=floor.spread,
            in_band_floor=floor.in_band,
        )

    def _note_floor(self, first: int) -> None:
        spread = np.zeros(BANDS, np.float32)
        spread[: self.bands] = np.log(self._floor[1] / self._floor[0])
        self._floors.append(_Floor(first, spread, float(self._floor[0, IN_BAND].sum())))

    def _forget(self) -> None:
        """Drops what no future candidate can need."""
        keep_from = max(self._judged - BEFORE, self._first)
        rows = keep_from - self._first
        self._ratios = self._ratios[rows:].copy()
        self._fine = self._fine[rows:].copy()
        self._strength = self._strength[rows:].copy()
        self._first = keep_from
        while len(self._floors) > 1 and self._floors[1].first <= self._first:
            self._floors.pop(0)
