"""What a candidate looks like, as numbers that do not depend on level.

All are taken relative to the floor of the noise around the candidate, so that the machine's own spectrum and the
microphone's gain fall out:

- ``patch``: mean ln(energy / floor) of each band in 17 steps from 60 ms before the peak to 108 ms after it, fine
  near the peak and coarse away from it (onset, decay, where in the spectrum, and whether it rings or goes on);
- ``before``: the same over 60 to 240 ms before (speech and rattles go on; a crack comes out of nothing);
- ``tone``: how much of the added energy sits in single bins, at the peak and in the tail, low and high (a dish
  rings, a crack does not), in ln(largest bin / mean bin);
- ``spread``: how impulsive the noise itself is;
- ``alike``: likeness to the most similar of the last 16 candidates, and to the first, second and fourth most similar
  of the last 32 strong ones (a clock, a knock once a turn and a keyboard repeat themselves; cracks differ);
- ``strongest``: the band that stands out most over its threshold: by how much, how far before the next one, which one
  it is, and the course of the patch in it (a crack of a single mode is in no other band).
"""

from __future__ import annotations

import math

import numpy as np

from crackdetect.onset import AFTER, BEFORE, Candidate, raised
from crackdetect.spectrum import BANDS, Floats

#: Steps of the patch: first frame of each, relative to the peak; the last ends with the neighbourhood.
STEPS = (-40, -24, -12, -6, -3, -2, -1, 0, 1, 2, 3, 5, 9, 15, 24, 40, 56)
#: First row of each part of the neighbourhood: all that lies before the patch, then its steps.
_PARTS = np.array([0, *(step + BEFORE for step in STEPS)])
_PART_SHARES = (1 / np.diff(np.append(_PARTS, BEFORE + AFTER + 1))).astype(np.float32)[:, None]
#: Bins from 500 Hz and from 4 kHz up: tones are sought in each half. (At 8 kHz, the upper one is the single bin 23.)
_TONE_BINS = (3, 23)
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
    """:class:`Candidate` in, feature vector out: float32, shape (COUNT,), in the order of :data:`NAMES`."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        size = _SHAPE.stop - _SHAPE.start
        self._shapes: Floats = np.zeros((_RECENT + _STRONG, size), np.float32)  # the last ones, then the strong ones
        self._slot = self._strong_slot = 0

    def push(self, candidate: Candidate) -> Floats:
        vector = np.empty(COUNT, np.float32)
        ratios = np.minimum(np.maximum(candidate.ratios, _CLIP[0]), _CLIP[1])
        means = np.add.reduceat(ratios, _PARTS, axis=0)
        means *= _PART_SHARES
        vector[_PATCH:_BEFORE] = means[1:].ravel()
        vector[_BEFORE:_TONE] = means[0]
        vector[_TONE:_SPREAD] = _tones(candidate.fine)
        vector[_SPREAD:_ALIKE] = candidate.spread
        vector[_ALIKE:_BANDS] = self._likeness(vector[_SHAPE], strong=candidate.strength >= _STRONG_FROM)
        vector[_BANDS] = candidate.bands
        excess = vector[_PEAK] - raised(candidate.spread)
        best = int(excess.argmax())
        most = excess[best]
        excess[best] = -np.inf
        vector[_STRONGEST : _STRONGEST + 3] = most, most - excess.max(), best
        vector[_STRONGEST + 3 :] = vector[best:_TONE:BANDS]  # patch and before, in this band
        return vector

    def _likeness(self, shape: Floats, *, strong: bool) -> tuple[float, float, float, float]:
        """The shape of the onset, without its strength, compared with what was heard before; then remembered."""
        shape = shape - np.add.reduce(shape) * np.float32(1 / len(shape))
        norm = math.sqrt(float(shape @ shape))
        if norm > 0:
            shape /= np.float32(norm)
        alike = self._shapes @ shape
        ranked = np.sort(alike[_RECENT:])
        self._shapes[self._slot] = shape
        self._slot = (self._slot + 1) % _RECENT
        if strong:
            self._shapes[_RECENT + self._strong_slot] = shape
            self._strong_slot = (self._strong_slot + 1) % _STRONG
        return alike[:_RECENT].max(), ranked[-1], ranked[-2], ranked[-4]


def _tones(fine: Floats) -> tuple[float, ...]:
    """Four times ln(largest / mean bin) of the energy added, at the peak and in the tail, low and high; and ln of the
    tail's energy over the peak's. All from 500 Hz up: what hum adds is no crack's."""
    rest = np.add.reduce(fine[BEFORE - 40 : BEFORE - 8], axis=0) * np.float32(1 / 32)
    added = np.empty((2, len(rest)), np.float32)
    np.subtract(np.add.reduce(fine[BEFORE - 1 : BEFORE + 2], axis=0) * np.float32(1 / 3), rest, out=added[0])
    np.subtract(np.add.reduce(fine[BEFORE + 5 : BEFORE + 21], axis=0) * np.float32(1 / 16), rest, out=added[1])
    np.maximum(added, 0, out=added)
    largest = np.maximum.reduceat(added, _TONE_BINS, axis=1).ravel().tolist()
    sums = np.add.reduceat(added, _TONE_BINS, axis=1).ravel().tolist()
    widths = (_TONE_BINS[1] - _TONE_BINS[0], len(rest) - _TONE_BINS[1]) * 2
    tones = [
        math.log(most * width / sum_) if sum_ > 0 else 0.0
        for most, width, sum_ in zip(largest, widths, sums, strict=True)
    ]
    peak, tail = sums[0] + sums[1], sums[2] + sums[3]
    if peak > 0 and tail > 0:
        return (*tones, min(8.0, max(-8.0, math.log(tail / peak))))
    return (*tones, 8.0 if tail > 0 else -8.0)
