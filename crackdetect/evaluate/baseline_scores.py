"""The general detectors of ``baselines``, held against the same truth on the same signals as the hearing.

They are given every chance: besides their usual threshold, the one that is best for them is picked on the answer.
A recording of any length is given to them in pieces of ten minutes, so memory stays bounded.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from crackdetect.blocks import Samples
from crackdetect.evaluate import baselines
from crackdetect.evaluate.announcement import score_announcement
from crackdetect.evaluate.detection import TrueCracks, match_cracks
from crackdetect.evaluate.scoring import BaselineSweep
from crackdetect.synth.truth import Truth
from crackdetect.train.bandpass_peaks import Onsets, bandpass_peaks

#: Thresholds tried, the lowest first, in the unit of each detector (dB, ratio, dB).
THRESHOLDS: dict[str, tuple[float, ...]] = {
    "band-pass peaks": (8, 10, 12, 14, 16, 18, 20, 22, 25, 28),
    "recursive STA/LTA": (4, 5, 6, 7, 8, 10, 12, 15, 20, 27),
    "librosa onsets": (3, 4, 5, 6, 7, 8, 10, 12, 15, 19),
}
#: Which of them each detector has when nobody knows the answer.
USUAL = 2
_PIECE_S = 600.0


def _find_all(samples: Samples, samplerate: int) -> dict[str, Onsets]:
    ways: dict[str, Callable[[float], Onsets]] = {
        "band-pass peaks": lambda least: bandpass_peaks(samples, samplerate, threshold_db=least),
        "recursive STA/LTA": lambda least: baselines.sta_lta_peaks(samples, samplerate, threshold=least),
        "librosa onsets": lambda least: baselines.librosa_onsets(samples, samplerate, delta=least),
    }
    return {name: way(THRESHOLDS[name][0]) for name, way in ways.items()}


class BaselineScores:
    """Samples in, block by block (:meth:`push`); all scores at the end (:meth:`finish`).

    Parameters
    ----------
    samplerate : int
        Hz of the samples, 4,000 or more.
    """

    def __init__(self, *, samplerate: int) -> None:
        self._samplerate = samplerate
        self._waiting: list[Samples] = []
        self._held = 0
        self._before = 0
        self._onsets: dict[str, list[Onsets]] = {name: [] for name in THRESHOLDS}

    def push(self, samples: Samples) -> None:
        """The next samples, float32 (n,)."""
        self._waiting.append(samples)
        self._held += len(samples)
        if self._held >= _PIECE_S * self._samplerate:
            self._hear_piece()

    def _hear_piece(self) -> None:
        piece = np.nan_to_num(np.concatenate(self._waiting))
        offset = self._before / self._samplerate
        for name, found in _find_all(piece, self._samplerate).items():
            self._onsets[name].append(Onsets(found.time_s + offset, found.strength))
        self._before += len(piece)
        self._waiting, self._held = [], 0

    def finish(self, truth: Truth) -> dict[str, BaselineSweep]:
        """Ends the signal and holds all that was found against its truth, detector by detector."""
        if self._held:
            self._hear_piece()
        cracks = TrueCracks.of(truth)
        return {name: _sweep(_joined(parts), THRESHOLDS[name], cracks, truth) for name, parts in self._onsets.items()}


def _joined(parts: Sequence[Onsets]) -> Onsets:
    if not parts:
        return Onsets(np.zeros(0), np.zeros(0))
    return Onsets(np.concatenate([p.time_s for p in parts]), np.concatenate([p.strength for p in parts]))


def _sweep(onsets: Onsets, thresholds: Sequence[float], cracks: TrueCracks, truth: Truth) -> BaselineSweep:
    counts = tuple(match_cracks(cracks, onsets.above(threshold).time_s) for threshold in thresholds)
    announced_at = baselines.count_rule(onsets.above(thresholds[USUAL]).time_s)
    return BaselineSweep(counts, score_announcement(announced_at, truth))
