"""How loud a machine and its cracks are, and how the microphone hears it, as sums that add up over roasts.

They say nothing of what a sound is. They tell the person how loud cracks are here, how many sounds could be cracks
(:func:`loudness_told`), and that the microphone is not where it was (:class:`MicrophoneCheck`). Of weights w and values
x are kept sum w, sum w x and sum w x x: with them the weighted mean and standard deviation of all roasts
(:func:`mean_sd`), whatever their order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.hearing.onset import CELL, Cell
from crackdetect.hearing.spectrum import BANDS, HOPS_PER_FRAME, frame_length
from crackdetect.roast.record import RoastRecord

#: Stretches of a roast in which sounds are counted: before first crack, from then to its end, after it.
STRETCHES = 3
#: The microphone is known by the noise of so many seconds of sound, after so many (chosen).
_LISTENED_S, _FROM_S = 60.0, 5.0
#: It has moved where the level differs by this and by more than so many standard deviations between roasts; it sounds
#: different where single bands do by as much, the level apart. No spread is known better than to _LEAST_SD_DB (chosen).
MOVED_DB, _SDS, _LEAST_SD_DB = 9.0, 3.0, 2.0
_SOFTER = "softer", "the roaster may not have been running yet", "down"
_LOUDER = "louder", "something else may have been loud", "up"
_MEND = "put it back as it was, or teach again"
#: The level of a crack is at least and at most so much, dB, as the level meter's (chosen).
_LEVEL_DB = -20.0, 120.0
#: A crack of the log is the candidate within this, seconds.
_SAME_S = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class SoundSums:
    """Sums over roasts, each times its weight.

    Attributes
    ----------
    levels : float64, shape (3, BANDS)
        Of each band's level in the machine's noise, dB of full scale (:class:`MicrophoneLevels`): weights, sums, sums
        of squares. A band that the sample rate does not carry has no weight.
    cracks : float64, shape (3,)
        Of the level of what was heard as a crack and is one, dB over the noise: the same.
    seconds, likely : float64, shape (STRETCHES,)
        Of sound, and how many sounds in it were likely cracks.
    """

    levels: Doubles
    cracks: Doubles
    seconds: Doubles
    likely: Doubles

    @classmethod
    def none(cls) -> SoundSums:
        """Of no roast."""
        return cls(np.zeros((3, BANDS)), np.zeros(3), np.zeros(STRETCHES), np.zeros(STRETCHES))

    def __add__(self, other: SoundSums) -> SoundSums:
        return SoundSums(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))

    def __sub__(self, other: SoundSums) -> SoundSums:
        return self + -1.0 * other

    def __rmul__(self, weight: float) -> SoundSums:
        return SoundSums(*(weight * getattr(self, f.name) for f in fields(self)))

    def is_near(self, other: SoundSums) -> bool:
        """Whether both are the same to the rounding of a file."""
        return all(np.allclose(getattr(self, f.name), getattr(other, f.name), rtol=1e-6) for f in fields(self))

    @property
    def crack_db(self) -> tuple[float, float] | None:
        """Mean and standard deviation of the cracks' levels, dB over the noise; None where fewer than five were."""
        return mean_sd(self.cracks) if self.cracks[0] >= 5 else None

    @property
    def likely_per_minute(self) -> tuple[float | None, ...]:
        """Of each stretch, how many sounds a minute are likely cracks; None where less than half a minute was heard."""
        pairs = zip(self.likely.tolist(), self.seconds.tolist(), strict=True)
        return tuple(60 * likely / seconds if seconds >= 30 else None for likely, seconds in pairs)


def loudness_told(sums: SoundSums) -> list[str]:
    """How loud cracks are on this machine, and how many sounds could be cracks: a sentence each, without its end."""
    told = []
    if sums.crack_db is not None:
        mean, sd = sums.crack_db
        told.append(f"cracks that were heard here are usually {mean:.0f} dB over the noise (give or take {sd:.0f} dB)")
    before, during, after = sums.likely_per_minute
    if before is not None and during is not None:
        rest = "" if after is None else f", {after:.1f} after it"
        told.append(
            f"sounds a minute that it takes for cracks as shipped: {before:.1f} before first crack, {during:.1f} in "
            f"it{rest}"
        )
    return told


def mean_sd(sums: Doubles) -> tuple[float, float]:
    """Weighted mean and standard deviation of what has these sums of weights, values and squares: float64 (3,)."""
    weight, total, squares = sums.tolist()
    mean = total / weight
    return mean, max(0.0, squares / weight - mean * mean) ** 0.5


def stretches(
    times: Doubles, probabilities: Doubles, *, start_s: float | None, end_s: float | None, length_s: float
) -> tuple[Doubles, Doubles]:
    """``seconds`` and ``likely`` of a roast: float64 (STRETCHES,).

    times, probabilities: of its candidates, seconds, 0 to 1. start_s, end_s: of first crack. length_s: of the sound.
    """
    start = length_s if start_s is None else min(max(start_s, 0.0), length_s)
    end = length_s if end_s is None else min(max(end_s, start), length_s)
    edges = np.array([0.0, start, end, length_s])
    likely = times[probabilities >= 0.5]
    counts = np.bincount(np.searchsorted(edges[1:-1], likely, side="right"), minlength=STRETCHES)
    return np.diff(edges), counts.astype(np.float64)


def crack_levels(record: RoastRecord, times: Doubles, weights: Doubles) -> Doubles:
    """``cracks`` of a roast: float64 (3,).

    times, weights: of its candidates, seconds in order, and how much each counts as a crack.
    """
    sums = np.zeros(3)
    for crack in record.cracks if len(times) else ():
        place = int(np.abs(times - crack.at_s).argmin())
        if crack.kind == "first" and abs(times[place] - crack.at_s) <= _SAME_S:
            level = min(max(crack.snr_db, _LEVEL_DB[0]), _LEVEL_DB[1])
            sums += weights[place] * np.array([1.0, level, level**2])
    return sums


class MicrophoneLevels:
    """Cells of noise in, the level of each band out, once: of a minute the median, which few cracks move.

    By Parseval, a frame of N samples under a Hann window w has rms**2 = 2 energy / (N sum(w**2)), of its one-sided
    bins.

    samplerate: Hz.
    """

    def __init__(self, samplerate: int) -> None:
        length = frame_length(samplerate)
        cell_s = CELL * length / HOPS_PER_FRAME / samplerate
        self._from, self._wanted = round(_FROM_S / cell_s), round(_LISTENED_S / cell_s)
        self._to_mean_square = 2 / (length * 0.375 * length)
        self._medians: list[Doubles] = []
        #: dB of full scale, float64 (BANDS,), nan where the sample rate has no band; None until a minute was heard.
        self.levels: Doubles | None = None

    def push(self, cells: Sequence[Cell]) -> None:
        """The next cells that held sound."""
        for cell in cells:
            if self.levels is None and cell.index >= self._from:
                self._medians.append(cell.levels[0].astype(np.float64))
                if len(self._medians) >= self._wanted:
                    self.levels = self._of_noise()

    def finish(self) -> Doubles | None:
        """The levels, also of a recording that is shorter; None where not a sixth of the time was heard."""
        if self.levels is None and 6 * len(self._medians) >= self._wanted:
            self.levels = self._of_noise()
        return self.levels

    def _of_noise(self) -> Doubles:
        median = np.median(self._medians, axis=0)
        levels = np.full(BANDS, np.nan)
        levels[: len(median)] = 10 * np.log10(np.maximum(median * self._to_mean_square, 1e-18))
        self._medians = []
        return levels


def level_sums(levels: Doubles | None) -> Doubles:
    """``levels`` of a roast: float64 (3, BANDS). levels: of :class:`MicrophoneLevels`."""
    if levels is None:
        return np.zeros((3, BANDS))
    heard = np.isfinite(levels)
    known = np.where(heard, levels, 0.0)
    return np.array([heard.astype(np.float64), known, known**2])


def microphone_change(sums: SoundSums, levels: Doubles) -> str:
    """One sentence where the first minute's level or colour is not what it was; nothing where it is, or nobody knows.

    sums: of the roasts that taught. levels: of this one, dB, float64 (BANDS,).
    """
    weights = sums.levels[0]
    known = np.isfinite(levels) & (weights > 0)
    if not known.any():
        return ""
    mean_sds = np.array([mean_sd(column) for column in sums.levels.T[known]])
    apart = levels[known] - mean_sds[:, 0]
    usual = _SDS * np.maximum(mean_sds[:, 1], _LEAST_SD_DB)
    level = float(np.median(apart))
    if abs(level) >= max(MOVED_DB, float(np.median(usual))):
        how, why, turned = _SOFTER if level < 0 else _LOUDER
        return (
            f"the first minute is about {abs(level):.0f} dB {how} than when this machine was taught: {why}, or the "
            f"microphone was moved or turned {turned}; {_MEND}"
        )
    rest = np.abs(apart - level)
    if np.count_nonzero(rest >= np.maximum(MOVED_DB, usual)) >= 2:
        return (
            f"the first minute differs by up to {rest.max():.0f} dB in some pitches from when this machine was taught: "
            f"something else may sound, or the microphone is covered or another one; {_MEND}"
        )
    return ""


class MicrophoneCheck:
    """Cells of noise in; out, once, how the microphone differs from what it was in the roasts of these sums."""

    def __init__(self, sums: SoundSums, *, samplerate: int) -> None:
        self._sums, self._heard, self._over = sums, MicrophoneLevels(samplerate), not sums.levels[0].any()

    def push(self, cells: Sequence[Cell]) -> str:
        """The next cells that held sound; a sentence, or nothing."""
        if self._over:
            return ""
        self._heard.push(cells)
        if self._heard.levels is None:
            return ""
        self._over = True
        return microphone_change(self._sums, self._heard.levels)
