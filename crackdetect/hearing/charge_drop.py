"""Charge, drop and the end of cooling, heard in the machine's own noise.

The sound is taken as the energies of its bands, a median and an upper sixteenth for every cell of some 0.19 s, in nats
against the first cell: steady noise and what strikes in it, without level.

- *Charge*: a **rush**, the pour, 1 to 6 s of dense impacts that lift the bands above both what was before and what
  comes after, and the change that the tumbling beans leave behind.
- *Drop*: a **step**, a lasting change of the noise's level or colour (the tumbling ends, a cooling fan runs), with or
  without a rush at its beginning; listened for only after first crack.
- *Cooled*: a step down by 6 dB or more over nearly all bands, listened for only after the drop.

Where a rush or a step stands out, its surroundings (12 s before and after) become some twenty numbers, and a logistic
regression over them (Cox, J. R. Stat. Soc. B 20, 1958) gives the log odds; ``train/charge_drop.py`` fitted it on
synthetic roasts and kitchens of the training seeds, so that the confidence is calibrated there. A rush among many
such rushes of the last two minutes is worth little: one of the numbers counts them.

A statement comes 17 to 25 s after the fact, for what lasts has to be waited for. It is dated back to the cell in which
it began. Gaps: cells without sound are missing, never filled; a rush or an edge that touches one is not judged, and
windows that lack more than a third of their seconds say nothing. Expected false alarms and what is found: DECISIONS.md.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from crackdetect.blocks import Doubles, Floats, Indices
from crackdetect.errors import SettingError
from crackdetect.hearing.onset import Cell

Awaited = Literal["charge", "drop", "cooled"]

#: Lengths of a pour that are tried, seconds; a drop's rush is the one of DROP_RUSH_S.
POUR_S = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
DROP_RUSH_S = 2.0
#: Seconds compared on both sides; those a rush is compared with; and what its reverberation is given.
WINDOW_S, SIDE_S, TAIL_S = 12.0, 3.0, 0.6
#: Cells are looked at in batches on an absolute grid.
BATCH = 24
#: A band 60 dB below the strongest holds no sound.
_DEAD_BAND = np.float32(1e-6)
#: Least share of a window's seconds that must have been heard, and least seconds before (the start of listening).
_HEARD_SHARE, _LEAST_BEFORE_S = 2 / 3, 6
#: Least contrast at which surroundings are looked at; nine of ten rendered pours pass, and eight false ones a minute.
_RUSH_GATE, _STEP_GATE = 0.6, 0.08
_RECENT_S = 120.0
#: A fall by 6 dB in power, nats; and the confidence of one, set by hand: in 17 hours of training sound, cooling or not,
#: four such falls were heard, so a false one in the minutes of cooling is rare; how often one is missed is not known.
_FALL = 1.39
_FALL_CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class ChargeDropSettings:
    """level: least confidence (0 to 1) of what is said. Raises SettingError outside that."""

    level: float = 0.85

    def __post_init__(self) -> None:
        if not 0 <= self.level < 1:
            raise SettingError(f"a least confidence of {self.level} is out of range; give 0 to below 1")


@dataclass(frozen=True, slots=True)
class ChargeDropDetection:
    """A charge, a drop or the end of cooling.

    Attributes
    ----------
    what
        Which of them.
    time : float
        When it began, seconds from the first sample.
    confidence : float
        Probability that it is so, 0 to 1.
    evidence : tuple of float
        The numbers it was judged by, in the order of EVIDENCE; empty for ``cooled``.
    """

    what: Awaited
    time: float
    confidence: float
    evidence: tuple[float, ...] = ()


#: What is looked at, in this order, with its weight for a charge and for a drop; heights and changes in nats, see
#: ``_evidence``. Fitted by ``train/charge_drop.py``; "always" is the intercept.
EVIDENCE: dict[str, tuple[float, float]] = {
    "always": (-0.011, -5.027),
    "change over noise": (-1.163, 3.956),
    "change": (1.157, -1.382),
    "louder": (0.182, 1.823),
    "colour": (0.026, 0.771),
    "after wavers": (-0.340, -0.205),
    "before wavers": (-0.171, -0.786),
    "rush, low bands": (0.030, -0.898),
    "rush, mean": (-0.599, 0.317),
    "rush, high bands": (-1.252, -0.109),
    "grain": (-2.774, 2.055),
    "grain, limited": (26.348, 0.347),
    "grain changed": (-1.086, -8.971),
    "noise": (-0.706, 0.628),
    "rush uneven": (-3.857, -0.825),
    "length": (-7.999, 0.000),
    "edge": (0.232, -0.206),
    "rush, log": (0.613, 0.506),
    "grain before": (0.566, -0.221),
    "contrast": (-0.505, -0.489),
    "recent ones": (-1.564, -0.667),
    "grain x rush": (2.375, 1.636),
    "low bands missing": (-0.960, 1.295),
    "edge, limited": (1.233, -1.340),
    "rush, limited": (1.308, 0.361),
}
_CHARGE_WEIGHTS, _DROP_WEIGHTS = zip(*EVIDENCE.values(), strict=True)


class _Past:
    """The last cells as rows of nats against the first cell ever, and where nothing was heard.

    Lengths in cells. keep: of the rows. block: of about a second. blocks: how many of them make a side. tail: between a
    rush and what comes after it.
    """

    def __init__(self, *, keep: int, block: int, blocks: int, tail: int) -> None:
        self._keep, self._block, self._blocks, self._tail = keep, block, blocks, tail
        self.reset()

    def reset(self) -> None:
        self.first = 0  # index of the cell of row 0
        self._next = 0  # index of the next cell expected
        self._rows: Floats | None = None
        self._open: list[Floats] = []  # cells that are not yet rows
        self._reference: Floats | None = None

    def push(self, cell: Cell) -> bool:
        """Whether a batch is full and the rows have grown."""
        levels = cell.levels[::2]
        missing = cell.index - self._next
        if missing >= self._keep or self._reference is None:
            self._rows, self._open = None, []
            self.first = cell.index
        elif missing:
            self._open += [np.full_like(levels, np.nan)] * missing
        self._next = cell.index + 1
        if self._reference is None:
            self._reference = np.maximum(levels[0], levels[0].max() * _DEAD_BAND)
        self._open.append(levels)
        if cell.index % BATCH < BATCH - 1 and len(self._open) < 2 * BATCH:
            return False
        self._store(self._reference)
        return True

    def _store(self, reference: Floats) -> None:
        """Takes the open cells into the rows. Ratios before logarithms: a gain of a power of two changes no bit."""
        levels = np.stack(self._open)
        least = levels[:, :1].max(axis=2, keepdims=True) * _DEAD_BAND
        rows: Floats = np.log(np.maximum(levels, least) / reference)
        self._open = []
        if self._rows is not None:
            rows = np.concatenate([self._rows, rows])
        drop = max(0, len(rows) - self._keep)
        self.first += drop
        self._rows = rows[drop:]

    @property
    def rows(self) -> Floats:
        """Median and upper sixteenth of each band, nats; float32 (n, 2, bands); NaN where nothing was heard."""
        assert self._rows is not None
        return self._rows

    def sums(self) -> tuple[Doubles, Indices]:
        """Running sums over the rows, from 0 on.

        Of the mean of both levels, float64 (n + 1, bands), and of the rows in which nothing was heard, int (n + 1,).
        """
        heard = ~np.isnan(self.rows[:, 0, 0])
        rows = np.where(heard[:, None, None], self.rows, np.float32(0))
        sums = np.concatenate([np.zeros((1, rows.shape[2])), np.cumsum(0.5 * (rows[:, 0] + rows[:, 1]), axis=0)])
        return sums, np.concatenate([[0], np.cumsum(~heard)])

    def sides(self, row: int, length: int) -> tuple[Doubles, Doubles] | None:
        """Rows, as means over blocks of about a second, before and after a rush: float64 (blocks, 2, bands).

        None where too little of a side was heard.
        """
        sides = []
        window, after = self._blocks * self._block, row + length + self._tail
        for first, last, least in (
            (row - 1 - window, row - 1, _LEAST_BEFORE_S),
            (after, after + window, _HEARD_SHARE * self._blocks),
        ):
            whole = first + self._block * -(min(first, 0) // self._block)  # listening may have begun later
            part = self.rows[whole:last]
            blocks = part.reshape(-1, self._block, *part.shape[1:]).mean(axis=1, dtype=np.float64)
            heard = ~np.isnan(blocks[:, 0, 0])
            if heard.sum() < least:
                return None
            sides.append(blocks[heard])
        return sides[0], sides[1]

    def sharpest_edge(self, row: int, near: int) -> int:
        """Of the rows ``near`` to this one, where the second after differs most from the second before."""
        around = range(row - near, row + near + 1)
        medians, block = self.rows[:, 0], self._block
        sharpness = [
            float(np.abs(medians[i : i + block].mean(axis=0) - medians[i - block : i].mean(axis=0)).mean())
            for i in around
        ]
        return around[int(np.argmax(np.nan_to_num(sharpness, nan=-1.0)))]


class ChargeDropDetector:
    """Cells in, :class:`ChargeDropDetection` out.

    cell_s: seconds of a cell. settings: see there.
    """

    def __init__(self, *, cell_s: float, settings: ChargeDropSettings | None = None) -> None:
        self.cell_s = cell_s
        self.settings = settings or ChargeDropSettings()
        self._pours = np.array([max(3, round(length / cell_s)) for length in POUR_S])
        self._drop_rush = max(3, round(DROP_RUSH_S / cell_s))
        self._side, self._tail = round(SIDE_S / cell_s), max(1, round(TAIL_S / cell_s))
        block = max(1, round(1.0 / cell_s))  # about a second: longer than most drums' swing
        blocks = int(WINDOW_S / cell_s) // block
        self._window = blocks * block
        self._near = self._side // 2  # two rushes closer than this are one
        after = self._tail + self._window + self._near
        #: cells after a beginning that must be there before it is judged
        self._horizon = {"charge": int(self._pours[-1]) + after, "drop": self._drop_rush + after + self._near}
        self._horizon["cooled"] = self._horizon["drop"]
        #: rows before a beginning that must be there
        self._room = 1 + max(self._side, _LEAST_BEFORE_S * block) + 2 * self._near
        keep = self._window + 2 * self._near + self._horizon["charge"] + 2 * BATCH
        self._past = _Past(keep=keep, block=block, blocks=blocks, tail=self._tail)
        self.reset()

    def reset(self) -> None:
        """As new."""
        self._past.reset()
        self._judged: dict[str, int] = {}
        self._recent: deque[tuple[int, float]] = deque()
        self._awaited: Awaited | None = None

    def push(
        self, cells: Sequence[Cell], *, awaiting: Awaited | None, since_s: float = 0.0
    ) -> list[ChargeDropDetection]:
        """cells: in order; a missing index is a gap. awaiting: what may be heard now, ``None`` for nothing.

        since_s: only what began at or after this time is meant.
        """
        if awaiting != self._awaited:
            self._awaited = awaiting
            self._recent.clear()
        found: list[ChargeDropDetection] = []
        for cell in cells:
            if self._past.push(cell) and awaiting is not None:
                found += self._search(awaiting, since_s)
        return found

    # -- what stands out -------------------------------------------------------------------------------------

    def _search(self, awaiting: Awaited, since_s: float) -> list[ChargeDropDetection]:
        """Judges the beginnings whose surroundings have become complete."""
        past, near = self._past, self._near
        end = past.first + len(past.rows) - self._horizon[awaiting]
        start = max(self._judged.get(awaiting, 0), past.first + self._room)
        if start >= end:
            return []
        self._judged[awaiting] = end
        low, high = start - past.first - near, end - past.first + near
        sums, unheard = past.sums()
        if awaiting == "charge":
            contrast, lengths = self._rushes(sums, unheard, low, high)
        else:
            contrast, lengths = self._steps(sums, unheard, low, high, down=awaiting == "cooled")
        gate = _RUSH_GATE if awaiting == "charge" else _STEP_GATE
        found = []
        for i in np.flatnonzero(contrast[near : len(contrast) - near] >= gate) + near:
            if contrast[i] < contrast[i - near : i + near + 1].max():
                continue
            row: int | None = low + int(i)
            if awaiting != "charge":
                row = self._edge(low + int(i), unheard)
            if row is None or (past.first + row) * self.cell_s < since_s:
                continue
            said = (
                self._fallen(row)
                if awaiting == "cooled"
                else self._weigh(awaiting, row, int(lengths[i]), float(contrast[i]))
            )
            if said is not None and said.confidence >= self.settings.level:
                found.append(said)
        return found

    def _rushes(self, sums: Doubles, unheard: Indices, low: int, high: int) -> tuple[Doubles, Indices]:
        """For each beginning in [low, high): the best contrast over the lengths of a pour, and that length, cells.

        Contrast: how far the four highest bands stand above both sides, nats, times the root of the length.
        """
        starts, lengths = np.arange(low, high), self._pours[:, None]
        ends = starts + lengths
        afters = ends + self._tail
        before = (sums[starts] - sums[starts - self._side]) / self._side
        inside = (sums[ends] - sums[starts]) / lengths[:, :, None]
        after = (sums[afters + self._side] - sums[afters]) / self._side
        height = np.sort(inside - np.maximum(before, after), axis=2)[:, :, -4:].mean(axis=2)
        contrast = height * np.sqrt(lengths)
        contrast[unheard[afters + self._side] > unheard[starts - self._side]] = -np.inf
        best = contrast.argmax(axis=0)
        return contrast[best, np.arange(len(starts))], self._pours[best]

    def _steps(self, sums: Doubles, unheard: Indices, low: int, high: int, *, down: bool) -> tuple[Doubles, Indices]:
        """For each edge in [low, high): the mean change over the bands between the seconds before and after, nats."""
        starts = np.arange(low, high)
        ends = starts + self._tail

        def mean(first: Indices, last: Indices) -> Doubles:
            heard = np.maximum(last - first - (unheard[last] - unheard[first]), 1)
            return np.asarray((sums[last] - sums[first]) / heard[:, None], np.float64)

        change = mean(ends, ends + self._window) - mean(np.maximum(starts - self._window, 0), starts)
        contrast = -change.mean(axis=1) if down else np.abs(change).mean(axis=1)
        return contrast, np.full(len(starts), self._drop_rush)

    def _edge(self, row: int, unheard: Indices) -> int | None:
        """The sharpest edge near a step; None where the step may lie in what was lost: there is no date to give."""
        around = 2 * self._near
        if unheard[row + around + 1] > unheard[max(0, row - around)]:
            return None
        return self._past.sharpest_edge(row, self._near)

    # -- what it is ------------------------------------------------------------------------------------------

    def _weigh(self, what: Awaited, row: int, length: int, contrast: float) -> ChargeDropDetection | None:
        """By the logistic regression over the evidence; None where too little of the surroundings was heard."""
        sides = self._past.sides(row, length)
        rush = self._past.rows[row : row + length]
        if sides is None or np.isnan(rush).any():
            return None
        now = self._past.first + row
        while self._recent and (now - self._recent[0][0]) * self.cell_s > _RECENT_S:
            self._recent.popleft()
        recent = sum(other > 0.6 * contrast for _, other in self._recent)
        self._recent.append((now, contrast))
        edge = float(rush[:2, 0].mean(axis=1).mean() - self._past.rows[row - 3 : row - 1, 0].mean())
        evidence = _evidence(*sides, rush, edge=edge, seconds=length * self.cell_s, contrast=contrast, recent=recent)
        weights = _CHARGE_WEIGHTS if what == "charge" else _DROP_WEIGHTS
        odds = sum(weight * number for weight, number in zip(weights, evidence, strict=True))
        confidence = 1 / (1 + float(np.exp(-_between(odds, -50, 50))))
        return ChargeDropDetection(
            what, now * self.cell_s, round(confidence, 3), tuple(round(number, 5) for number in evidence)
        )

    def _fallen(self, row: int) -> ChargeDropDetection | None:
        sides = self._past.sides(row, self._drop_rush)
        if sides is None:
            return None
        before, after = (side[:, 0] for side in sides)
        change = _median(after) - _median(before)
        # it stays down: no second after is nearer to what was before than to what it became
        stays = after.mean(axis=1).max() < np.median(before.mean(axis=1)) - _FALL / 2
        if np.sort(change)[int(0.8 * len(change))] > -_FALL or not stays:
            return None
        return ChargeDropDetection("cooled", (self._past.first + row) * self.cell_s, _FALL_CONFIDENCE)


def _evidence(
    before: Doubles, after: Doubles, rush: Floats, *, edge: float, seconds: float, contrast: float, recent: int
) -> list[float]:
    """The numbers of EVIDENCE.

    before, after: blocks of about a second, float64 (n, 2, bands), median and upper sixteenth, nats. rush: cells,
    float32 (n, 2, bands). edge: how far its first cells stand above those before it, nats. seconds: its length.
    contrast: how far it stands out. recent: how many rushes have, of late.
    """
    grain_before, grain_after = (float((side[:, 1] - side[:, 0]).mean()) for side in (before, after))
    before, after = before[:, 0], after[:, 0]
    was, became = _median(before), _median(after)
    change = became - was
    noise = np.sqrt(before.var(axis=0) / len(before) + after.var(axis=0) / len(after) + 0.03**2)
    heights = np.sort(_median(rush[:, 0]) - np.maximum(was, became))
    low, mean, high = float(heights[len(heights) // 4]), float(heights.mean()), float(heights[-3:].mean())
    grain = float(np.median((rush[:, 1] - rush[:, 0]).mean(axis=1))) - max(grain_before, grain_after)
    clipped = _between(grain, -0.3, 0.5)
    evidence = (
        1.0,
        np.log(np.sqrt(np.mean(np.clip(change / noise, -10, 10) ** 2)) + 0.1),
        np.log(0.02 + np.abs(change).mean()),
        _between(change.mean(), -1, 1),
        np.log(0.02 + change.std()),
        np.log(0.03 + _wavers(after)),
        np.log(0.03 + _wavers(before)),
        _between(low, -1, 1),
        _between(mean, -1, 2),
        _between(high, -0.5, 3),
        clipped,
        _between(grain, -0.02, 0.1),
        _between(grain_after - grain_before, -0.2, 0.2),
        np.log(noise.mean()),
        min(rush[:, 0].mean(axis=1).std(), 1.0),
        max(0.0, np.log(1.9 / seconds), np.log(seconds / 4.5)),
        _between(edge, -1, 2),
        np.log(0.05 + max(0.0, high)),
        grain_before,
        np.log(contrast),
        np.log1p(recent),
        clipped * _between(high, -0.5, 3),
        min(low, 0.0),
        min(edge, 0.5),
        min(high, 1.0),
    )
    return [float(number) for number in evidence]


def _wavers(blocks: Doubles) -> float:
    """How far the second half of a side is from its first, nats."""
    half = len(blocks) // 2
    return float(np.abs(_median(blocks[half:]) - _median(blocks[:half])).mean())


def _median(values: Doubles | Floats) -> Doubles:
    """Over the first axis; ``numpy.median`` takes five times as long for so few numbers."""
    ranked = np.sort(values, axis=0)
    return np.asarray(0.5 * (ranked[(len(ranked) - 1) // 2] + ranked[len(ranked) // 2]), np.float64)


def _between(value: float, low: float, high: float) -> float:
    return float(min(max(value, low), high))
