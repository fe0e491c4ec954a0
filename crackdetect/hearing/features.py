"""What a candidate looks like, as numbers that do not depend on level.

All are taken relative to the floor of the noise around the candidate, so that the machine's own spectrum and the
microphone's gain fall out:

- ``patch``: mean ln(energy / floor) of each band in 17 steps from 60 ms before the peak to 108 ms after it, fine
  near the peak and coarse away from it (onset, decay, where in the spectrum, and whether it rings or goes on);
- ``before``: the same over 60 to 240 ms before (speech and rattles go on; a crack comes out of nothing);
- ``tone``: how much of the added energy sits in single bins, at the peak and in the tail, low and high (a dish
  rings, a crack does not), in ln(largest bin / mean bin);
- ``spread``: how impulsive the noise itself is, ln(q75 / q50) of each band;
- ``alike``: likeness to the most similar of the last 16 candidates, and to the first, second and fourth most similar
  of the last 32 strong ones (a clock, a knock once a turn and a keyboard repeat themselves; cracks differ);
- ``strongest``: the band that stands out most over its threshold: by how much, how far before the next one, which one
  it is, and the course of the patch in it (a crack of a single mode is in no other band).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from crackdetect.blocks import Floats
from crackdetect.hearing.onset import AFTER, BEFORE, Candidate, raised
from crackdetect.hearing.spectrum import BANDS

#: Steps of the patch: first frame of each, relative to the peak; the last ends with the neighbourhood.
STEPS = (-40, -24, -12, -6, -3, -2, -1, 0, 1, 2, 3, 5, 9, 15, 24, 40, 56)
#: First row of each part of the neighbourhood: all that lies before the patch, then its steps.
_PARTS = np.array([0, *(step + BEFORE for step in STEPS)])
_PART_SHARES = (1 / np.diff(np.append(_PARTS, BEFORE + AFTER + 1))).astype(np.float32)[:, None]
#: Bins from 500 Hz and from 4 kHz up: tones are sought in each half. (At 8 kHz, the upper one is the single bin 23.)
_TONE_BINS = (3, 23)
#: The noise before, the peak and the tail, for tones: frames relative to the peak.
_SPANS = ((-40, -8), (-1, 2), (5, 21))
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
    *(f"strongest[{what}]" for what in ("excess", "lead", "band")),
    *(f"strongest[{step:+d}]" for step in STEPS),
    "strongest[before]",
)
COUNT = len(NAMES)


#: Where each group of features begins in the vector, in the order of NAMES.
_PATCH, _BEFORE, _TONE = 0, len(STEPS) * BANDS, (len(STEPS) + 1) * BANDS
_SPREAD = _TONE + 5
_ALIKE = _SPREAD + BANDS
_BANDS = _ALIKE + 4
_STRONGEST = _BANDS + 1
_PEAK = slice(STEPS.index(0) * BANDS, (STEPS.index(0) + 1) * BANDS)
_SHAPE = slice(_SHAPE_STEPS.start * BANDS, _SHAPE_STEPS.stop * BANDS)


class Features:
    """:class:`Candidate` in, feature vectors out, in the order of :data:`NAMES`; no latency."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """As new: nothing is remembered to be alike."""
        size = _SHAPE.stop - _SHAPE.start
        self._shapes: Floats = np.zeros((_RECENT + _STRONG, size), np.float32)  # the last ones, then the strong ones
        self._slot = self._strong_slot = 0

    def push(self, candidates: Sequence[Candidate]) -> Floats:
        """candidates: n of one roast, in the order of time; the same, bit for bit, however they are cut into calls.

        Returns float32, shape (n, COUNT).
        """
        count = len(candidates)
        vectors = np.empty((count, COUNT), np.float32)
        if count == 0:
            return vectors
        ratios = np.array([candidate.ratios for candidate in candidates])
        np.maximum(ratios, _CLIP[0], out=ratios)
        np.minimum(ratios, _CLIP[1], out=ratios)
        means = np.add.reduceat(ratios, _PARTS, axis=1)
        means *= _PART_SHARES
        vectors[:, _PATCH:_BEFORE] = means[:, 1:].reshape(count, -1)
        vectors[:, _BEFORE:_TONE] = means[:, 0]
        vectors[:, _TONE:_SPREAD] = _tones([candidate.bin_energy for candidate in candidates])
        floor_log_spread = np.array([candidate.floor_log_spread for candidate in candidates])
        vectors[:, _SPREAD:_ALIKE] = floor_log_spread
        strong = [candidate.strength >= _STRONG_FROM for candidate in candidates]
        vectors[:, _ALIKE:_BANDS] = self._likeness(vectors[:, _SHAPE], strong)
        vectors[:, _BANDS] = [candidate.bands for candidate in candidates]
        each = np.arange(count)
        excess = vectors[:, _PEAK] - raised(floor_log_spread)
        best = excess.argmax(axis=1)
        most = excess[each, best]
        excess[each, best] = -np.inf
        vectors[:, _STRONGEST] = most
        vectors[:, _STRONGEST + 1] = most - excess.max(axis=1)
        vectors[:, _STRONGEST + 2] = best
        # patch and before, in this band
        vectors[:, _STRONGEST + 3 :] = vectors[:, :_TONE].reshape(count, -1, BANDS)[each, :, best]
        return vectors

    def _likeness(self, shapes: Floats, strong: Sequence[bool]) -> Floats:
        """The shape of each onset, without its strength, compared with what was heard before; then remembered."""
        middle: Floats = np.add.reduce(shapes, axis=1, keepdims=True) * np.float32(1 / shapes.shape[1])
        shapes = shapes - middle
        alike = np.empty((len(shapes), _RECENT + _STRONG), np.float32)
        for shape, likeness, is_strong in zip(shapes, alike, strong, strict=True):
            norm = math.sqrt(float(shape @ shape))
            if norm > 0:
                shape /= np.float32(norm)
            np.matmul(self._shapes, shape, out=likeness)
            self._shapes[self._slot] = shape
            self._slot = (self._slot + 1) % _RECENT
            if is_strong:
                self._shapes[_RECENT + self._strong_slot] = shape
                self._strong_slot = (self._strong_slot + 1) % _STRONG
        ranked = np.sort(alike[:, _RECENT:], axis=1)
        return np.column_stack([alike[:, :_RECENT].max(axis=1), ranked[:, [-1, -2, -4]]])


def _tones(bin_energy: Sequence[Floats]) -> Floats:
    """Shape numbers of n candidates, float32 (n, 5).

    All from 500 Hz up, for what hum adds is no crack's:

    - ln(largest bin / mean bin) of the energy added: peak low, peak high, tail low, tail high;
    - ln(energy added in the tail / energy added at the peak), limited to +-8.
    """
    around = np.array([one[BEFORE + _SPANS[0][0] : BEFORE + _SPANS[-1][1]] for one in bin_energy])
    rest, peak, tail = (
        np.add.reduce(around[:, start - _SPANS[0][0] : end - _SPANS[0][0]], axis=1) * np.float32(1 / (end - start))
        for start, end in _SPANS
    )
    added = np.stack([peak - rest, tail - rest], axis=1)  # (n, 2, bins)
    np.maximum(added, 0, out=added)
    largest = np.maximum.reduceat(added, _TONE_BINS, axis=2).astype(np.float64)
    energy = np.add.reduceat(added, _TONE_BINS, axis=2).astype(np.float64)
    widths = np.diff([*_TONE_BINS, added.shape[2]])
    tones = np.ones((len(added), 2, 2))
    np.divide(largest * widths, energy, out=tones, where=energy > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        longer = np.log(np.divide(*energy.sum(axis=2).T[::-1]))
    longer = np.fmin(8.0, np.fmax(-8.0, longer))  # no energy at all counts as none in the tail
    return np.column_stack([np.log(tones).reshape(-1, 4), longer]).astype(np.float32)
