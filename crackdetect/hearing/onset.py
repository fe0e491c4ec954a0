"""Candidates: short rises of energy in any band over that band's own running floor.

Floor: in each cell of 128 frames (192 ms) the median energy of each band; the floor of a cell is the median of
the 11 cells (2.1 s) before it. Both are order statistics: a chorus that fills a quarter of the frames barely moves
them. Floors are causal and on an absolute grid.

Statistic: D = max over bands of ln(energy / floor) - threshold of the band. In Gaussian noise the energy of a band of n
bins is near a chi-square with nu = 2 n**2 / (n + 2 ((n - 1) 4/9 + (n - 2) / 36)) = 2 n**2 / (1.944 n - 1) degrees of
freedom (4/9 and 1/36: correlation of the energies of Hann-weighted neighbouring and next bins), so each band's
threshold is set to the same tail probability; the true tail is 1.6 to 2.1 times as heavy. Noise that swings or whistles
has a wider distribution, so the threshold is multiplied by

    min(1.8, max(1, ln(q75 / q50) / ln(q75 / q50 in Gaussian noise)))

with the band's measured quartile q75 and median q50. The largest band ratio beats the average where the energy of a
crack sits in one or two bands (Urkowitz, Proc. IEEE 55, 1967, for the energy detector; ``evaluate`` compares them).

A candidate is a frame with D >= 0 that is the largest within the hold-off on both sides.

Warm-up: 0.6 s. Latency: 108 ms. Expected candidates in Gaussian noise (measured): 1.4 a second at 8 kHz, 1.6 at 16 kHz,
2.5 from 40 kHz up; all judging is left to the classifier.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import scipy.special

from crackdetect.blocks import Flags, Floats, Indices
from crackdetect.hearing.spectrum import BAND_EDGES, BANDS, IN_BAND, Frames

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
#: A band 60 dB below the strongest holds no sound (a codec cut it off): its floor is not let sink to a whisper.
_DEAD_BAND = 1e-6
#: Least floor, energy of a frame: below the quantisation noise of 24 bits, it only guards against zero.
_LEAST = 1e-13
#: Rows of a history, at least: a second and a half, of which a third of a second is needed.
_ROOM = 1024
_HANN_BINS = 1 + 2 * (4 / 9 + 1 / 36)
_MOST_RAISED = np.float32(1.8)
#: Strength of a frame where there is no floor yet; and that below which a frame was not heard: no floor, or silence.
_NO_FLOOR, _UNHEARD = -20.0, -7.5


def band_excess(bands: int, probability: float) -> Floats:
    """ln(energy / median) that one frame of Gaussian noise exceeds with a probability (0 to 1); float32 (bands,)."""
    widths = np.diff(BAND_EDGES)[:bands]
    freedom = 2 * widths**2 / (_HANN_BINS * widths - 1)
    tail = scipy.special.chdtri(freedom, probability)
    excess: Floats = np.log(tail / scipy.special.chdtri(freedom, 0.5)).astype(np.float32)
    return excess


#: Thresholds and ln(q75 / q50) in Gaussian noise, float32 (BANDS,).
_GAUSSIAN, _GAUSSIAN_LOG_SPREAD = band_excess(BANDS, TAIL_PROBABILITY), band_excess(BANDS, 0.25)


def raised(floor_log_spread: Floats) -> Floats:
    """Each band's threshold in noise of this spread, nats: the module's formula.

    floor_log_spread: ln(q75 / q50) of the noise, float32 (..., bands). Returns the same shape.
    """
    bands = floor_log_spread.shape[-1]
    scale = np.maximum(floor_log_spread / _GAUSSIAN_LOG_SPREAD[:bands], np.float32(1.0))
    thresholds: Floats = _GAUSSIAN[:bands] * np.minimum(scale, _MOST_RAISED)
    return thresholds


@dataclass(frozen=True, slots=True)
class Cell:
    """What CELL frames sounded like.

    Attributes
    ----------
    index : int
        Its frames begin at index * CELL.
    levels : float32, shape (3, bands)
        Median, upper quartile and upper sixteenth of each band's energy.
    """

    index: int
    levels: Floats


class Candidate(NamedTuple):
    """A short rise of energy, with its neighbourhood of n = BEFORE + 1 + AFTER frames.

    Attributes
    ----------
    frame : int
        Index of the peak frame.
    strength : float
        D, nats: how far the largest band stands above its threshold.
    ratios : float32, shape (n, BANDS)
        ln(energy / floor), 0 in bands that the sample rate does not carry.
    bin_energy : float32, shape (n, bins)
        Energy of each bin, see :class:`crackdetect.hearing.spectrum.Frames`.
    bands : int
        How many bands the sample rate carries.
    floor_log_spread : float32, shape (BANDS,)
        ln(q75 / q50) of the noise.
    in_band_floor : float
        Energy of the floor from 1 to 12 kHz.
    """

    frame: int
    strength: float
    ratios: Floats
    bin_energy: Floats
    bands: int
    floor_log_spread: Floats
    in_band_floor: float


class HeardFrames(NamedTuple):
    """Consecutive frames that have been judged. first: index. audible: bool (n,), whether anything could be heard."""

    first: int
    audible: Flags


@dataclass(frozen=True, slots=True)
class OnsetResult:
    """What one portion of frames brought.

    Attributes
    ----------
    candidates : tuple of Candidate
        In the order of time.
    heard : HeardFrames
        The frames that were judged, n >= 0.
    cells : tuple of Cell
        The cells that became whole and held sound.
    """

    candidates: tuple[Candidate, ...]
    heard: HeardFrames
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Floor:
    """The floor in force from frame ``first`` on, of the bands present.

    log_spread: ln(q75 / q50), float32 (BANDS,), 0 where there is no band. in_band: its energy from 1 to 12 kHz.
    """

    first: int
    median: Floats
    log_spread: Floats
    thresholds: Floats
    in_band: float


class _NoiseFloor:
    """Energies in, whole cells and new floors out; ``current`` is the floor in force, None in the warm-up."""

    def __init__(self, bands: int) -> None:
        self._bands = bands
        self.reset()

    def reset(self) -> None:
        self.current: _Floor | None = None
        self._cells = np.zeros((0, 2, self._bands), np.float32)  # median, upper quartile, of the last cells
        self.skip()

    def skip(self) -> None:
        """A gap: the cell that it cuts says nothing."""
        self._open = np.zeros((0, self._bands), np.float32)  # energies of the cell being filled

    def push(self, energy: Floats, first: int) -> tuple[list[Cell], list[_Floor]]:
        """energy: float32 (n, bands), of consecutive frames. first: index of the first one."""
        if len(self._open) != first % CELL:
            energy, first = energy[-first % CELL :], first + -first % CELL  # the cell's beginning was lost
        if len(self._open):
            energy, first = np.concatenate([self._open, energy]), first - len(self._open)
        count = len(energy) // CELL
        self._open = energy[count * CELL :]
        if count == 0:
            return [], []
        whole = energy[: count * CELL].reshape(count, CELL, self._bands)
        levels = np.sort(whole.transpose(0, 2, 1), axis=2)[:, :, _RANKS].transpose(0, 2, 1)  # sooner than a partition
        loudest = levels[:, 0].max(axis=1).astype(np.float64)
        heard = np.flatnonzero(loudest > _LEAST)  # digital silence says nothing of the noise: the floor stays
        before = len(self._cells)
        cells = np.concatenate([self._cells, levels[heard, :2]])
        self._cells = cells[-(FLOOR_CELLS - 1) :]
        frames = first + CELL * (heard + 1)
        ends = np.arange(before + 1, len(cells) + 1)  # of the cells known by then
        floors = self._floors(cells, ends[ends >= WARM_UP_CELLS], frames[ends >= WARM_UP_CELLS])
        if floors:
            self.current = floors[-1]
        return [Cell(first // CELL + i, levels[i]) for i in heard.tolist()], floors

    def _floors(self, cells: Floats, ends: Indices, frames: Indices) -> list[_Floor]:
        """Those of the cells before each end, in force from these frames on."""
        if len(ends) == 0:
            return []
        floors = np.array([_median(cells[max(0, end - FLOOR_CELLS) : end]) for end in ends.tolist()])
        least = np.maximum(floors[:, 0].max(axis=1).astype(np.float64) * _DEAD_BAND, _LEAST)
        floors = np.maximum(floors, least.astype(np.float32)[:, None, None])
        median = floors[:, 0]
        log_spread = np.zeros((len(floors), BANDS), np.float32)
        of_present = log_spread[:, : self._bands]
        np.log(floors[:, 1] / median, out=of_present)
        rows = zip(frames.tolist(), median, log_spread, raised(of_present), strict=True)
        return [_Floor(*row, in_band=float(row[1][IN_BAND].sum())) for row in rows]


def _median(cells: Floats) -> Floats:
    """Over the first axis, the upper one of two."""
    middle = len(cells) // 2
    median: Floats = np.partition(cells, middle, axis=0)[middle]
    return median


class Onset:
    """Frames in, :class:`OnsetResult` out; a candidate is ready AFTER frames later.

    bands: number of bands present.
    """

    def __init__(self, *, bands: int) -> None:
        self.bands = bands
        self._noise = _NoiseFloor(bands)
        self.reset()

    def reset(self) -> None:
        """As new."""
        self._noise.reset()
        self._next = 0  # next frame expected
        self._clear_history()

    def _clear_history(self) -> None:
        self._first = self._next  # frame of row 0 of the history
        self._rows = 0  # of the arrays, that are in use
        self._ratios = np.empty((0, self.bands), np.float32)
        self._bin_energy = np.empty((0, 0), np.float32)
        self._strength = np.empty(0, np.float32)
        self._judged = self._next + BEFORE  # next frame to be judged
        self._floors: list[_Floor] = []  # those in force in the history

    @property
    def next_frame(self) -> int:
        """Index of the next frame expected: all before it are in."""
        return self._next

    def push(self, frames: Frames) -> OnsetResult:
        """frames: consecutive; a first index other than ``next_frame`` is a gap, across which nothing reaches."""
        if len(frames) == 0:
            return OnsetResult((), HeardFrames(self._judged, np.zeros(0, np.bool_)), ())
        if frames.first != self._next:
            self._next = frames.first
            self._noise.skip()
            self._clear_history()
        before = self._noise.current
        cells, floors = self._noise.push(frames.band_energy, self._next)
        ratios, strength = self._measure(frames.band_energy, before, floors)
        self._next += len(frames)
        self._keep(ratios, frames.bin_energy, strength)
        heard = self._judge()
        candidates = tuple(self._candidate(i) for i in self._peaks(heard))
        return OnsetResult(candidates, heard, tuple(cells))

    def _measure(self, energy: Floats, before: _Floor | None, floors: Sequence[_Floor]) -> tuple[Floats, Floats]:
        """Ratios and strength of the next frames. before: the floor in force. floors: that come into force."""
        ratios = np.empty_like(energy)
        strength = np.empty(len(energy), np.float32)
        borders = [0, *(min(floor.first - self._next, len(energy)) for floor in floors), len(energy)]
        lengths = [end - start for start, end in pairwise(borders)]
        in_force = [before, *floors] if before is not None else floors
        heard = slice(0 if before is not None else lengths[0], None)
        ratios[: heard.start] = strength[: heard.start] = _NO_FLOOR
        if not in_force:
            return ratios, strength
        if not self._floors or self._floors[-1] is not in_force[0]:
            self._floors.append(in_force[0])
        self._floors += in_force[1:]
        median, thresholds = in_force[0].median, in_force[0].thresholds
        if len(in_force) > 1:
            each = lengths[-len(in_force) :]
            median = np.repeat([floor.median for floor in in_force], each, axis=0)
            thresholds = np.repeat([floor.thresholds for floor in in_force], each, axis=0)
        over = ratios[heard]
        np.maximum(energy[heard], median * np.float32(1e-3), out=over)
        np.divide(over, median, out=over)
        np.log(over, out=over)
        np.max(over - thresholds, axis=1, out=strength[heard])
        return ratios, strength

    def _keep(self, ratios: Floats, bin_energy: Floats, strength: Floats) -> None:
        """Puts frames behind those of the history; what no future candidate can need goes when there is no room.

        Rows are never written over, for candidates are views of them.
        """
        end = self._rows + len(strength)
        if end > len(self._strength):
            needed = slice(max(0, self._judged - BEFORE - self._first), self._rows)
            self._first += needed.start
            self._rows -= needed.start
            end -= needed.start
            room = max(end, _ROOM)
            self._ratios = _moved(self._ratios[needed], (room, self.bands))
            self._bin_energy = _moved(self._bin_energy[needed], (room, bin_energy.shape[1]))
            self._strength = _moved(self._strength[needed], (room,))
        fresh = slice(self._rows, end)
        self._ratios[fresh], self._bin_energy[fresh], self._strength[fresh] = ratios, bin_energy, strength
        self._rows = end
        while len(self._floors) > 1 and self._floors[1].first <= self._judged - BEFORE:
            self._floors.pop(0)

    def _judge(self) -> HeardFrames:
        """The frames whose neighbourhood has become complete."""
        first, end = self._judged, max(self._judged, self._next - AFTER)
        self._judged = end
        return HeardFrames(first, self._strength[first - self._first : end - self._first] > _UNHEARD)

    def _peaks(self, heard: HeardFrames) -> list[int]:
        """Rows of the history, among the frames just judged, that are the strongest within the hold-off."""
        low = heard.first - self._first
        risen = np.flatnonzero(self._strength[low : low + len(heard.audible)] >= 0) + low
        if len(risen) == 0:
            return []
        around = self._strength[risen[:, None] + _HOLD_OFF]
        peaks: list[int] = risen[around.argmax(axis=1) == HOLD_OFF_FRAMES].tolist()
        return peaks

    def _candidate(self, i: int) -> Candidate:
        rows = slice(i - BEFORE, i + AFTER + 1)
        ratios = self._ratios[rows]
        if self.bands < BANDS:
            carried = ratios
            ratios = np.zeros((len(carried), BANDS), np.float32)
            ratios[:, : self.bands] = carried
        frame, strength = self._first + i, float(self._strength[i])
        floor = self._floors[bisect_right(self._floors, frame, key=_first_frame) - 1]
        bin_energy = self._bin_energy[rows]
        return Candidate(frame, strength, ratios, bin_energy, self.bands, floor.log_spread, floor.in_band)


def _first_frame(floor: _Floor) -> int:
    return floor.first


def _moved(rows: Floats, shape: tuple[int, ...]) -> Floats:
    """A larger array that begins with these."""
    array = np.empty(shape, np.float32)
    if len(rows):
        array[: len(rows)] = rows
    return array
