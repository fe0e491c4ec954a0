"""What a candidate looks like, as numbers that do not depend on level.

All are taken relative to the floor of the noise around the candidate, so that the machine's own spectrum and the
microphone's gain fall out:

- ``patch``: mean ln(energy / floor) of each band in 15 steps from 60 ms before the peak to 60 ms after it, fine
  near the peak and coarse away from it (onset, decay, and where in the spectrum);
- ``before``: the same over 60 to 240 ms before (speech and rattles go on; a crack comes out of nothing);
- ``tone``: how much of the added energy sits in single bins, at the peak and in the tail, low and high (a dish
  rings, a crack does not), in ln(largest bin / mean bin);
- ``spread``: how impulsive the noise itself is;
- ``alike``: likeness to the most similar of the last 16 candidates, and to the first, second and fourth most similar
  of the last 32 strong ones (a clock, a knock once a turn and a keyboard repeat themselves; cracks differ).
"""

from __future__ import annotations

import numpy as np

from crackdetect.onset import AFTER, BEFORE, Candidate
from crackdetect.spectrum import BANDS, Floats

#: Steps of the patch: first frame of each, relative to the peak; the last ends with the neighbourhood.
STEPS = (-40, -24, -12, -6, -3, -2, -1, 0, 1, 2, 3, 5, 9, 15, 24)
_STEP_STARTS = np.array(STEPS) + BEFORE
_STEP_LENGTHS = np.diff(np.append(_STEP_STARTS, BEFORE + AFTER + 1)).astype(np.float32)[:, None]
_TONE_SPLIT = 24  # bin at 4 kHz
_TONE_LOW = 3  # bin at 500 Hz
_RECENT, _STRONG = 16, 32
#: A candidate of this strength (nats above the threshold) is remembered among the strong ones.
_STRONG_FROM = 1.0
#: The steps of the patch that make the shape compared: from one frame before the peak to 14 after it.
_SHAPE_STEPS = slice(6, 13)
#: ln ratios are limited to this range: below is noise, above adds nothing (35 dB).
_CLIP = (-2.0, 8.0)

NAMES: tuple[str, ...] = (
    *(f"patch[{step:+d}][{band}]" for step in STEPS for band in range(BANDS)),
    *(f"before[{band}]" for band in range(BANDS)),
    *(f"tone[{part}][{half}]" for part in ("peak", "tail") for half in ("low", "high")),
    "tail_to_peak",
    *(f"spread[{band}]" for band in range(BANDS)),
    *(f"alike[{which}]" for which in ("recent 1", "strong 1", "strong 2", "strong 4")),
    "bands",
)
COUNT = len(NAMES)


class Features:
    """:class:`Candidate` in, feature vector out: float32, shape (COUNT,), in the order of :data:`NAMES`."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        size = (_SHAPE_STEPS.stop - _SHAPE_STEPS.start) * BANDS
        self._recent: Floats = np.zeros((_RECENT, size), np.float32)
        self._strong: Floats = np.zeros((_STRONG, size), np.float32)
        self._slot = self._strong_slot = 0

    def push(self, candidate: Candidate) -> Floats:
        ratios = candidate.ratios
        near = np.clip(ratios[BEFORE + STEPS[0] :], *_CLIP)
        patch = np.add.reduceat(near, _STEP_STARTS - (BEFORE + STEPS[0]), axis=0) / _STEP_LENGTHS
        before = np.clip(ratios[: BEFORE + STEPS[0]], *_CLIP).mean(axis=0)

        fine = candidate.fine
        rest = fine[BEFORE - 40 : BEFORE - 8].mean(axis=0)
        peak = np.maximum(fine[BEFORE - 1 : BEFORE + 2].mean(axis=0) - rest, 0)
        tail = np.maximum(fine[BEFORE + 5 : BEFORE + 21].mean(axis=0) - rest, 0)
        tone: list[float] = []
        for added in (peak, tail):
            for half in (added[_TONE_LOW:_TONE_SPLIT], added[_TONE_SPLIT:]):
                mean = float(half.mean()) if len(half) else 0.0
                tone.append(float(np.log(half.max() / mean)) if mean > 0 else 0.0)
        peak_sum, tail_sum = float(peak.sum()), float(tail.sum())
        tail_to_peak = max(-8.0, float(np.log(tail_sum / peak_sum))) if peak_sum > 0 and tail_sum > 0 else -8.0

        # the shape of the onset, without its strength, compared with what was heard before
        shape = patch[_SHAPE_STEPS].ravel()
        shape = shape - shape.mean()
        norm = float(np.sqrt((shape * shape).sum()))
        if norm > 0:
            shape = shape / norm
        recent = (self._recent * shape).sum(axis=1).max()
        strong = np.sort((self._strong * shape).sum(axis=1))
        self._recent[self._slot] = shape
        self._slot = (self._slot + 1) % _RECENT
        if candidate.strength >= _STRONG_FROM:
            self._strong[self._strong_slot] = shape
            self._strong_slot = (self._strong_slot + 1) % _STRONG

        return np.concatenate(
            [
                patch.ravel(),
                before,
                np.array([*tone, tail_to_peak], np.float32),
                candidate.spread,
                np.array([recent, strong[-1], strong[-2], strong[-4], np.count_nonzero(candidate.spread)], np.float32),
            ]
        ).astype(np.float32)
