"""Which of the cracks found are cracks that were there: one-to-one matching within a window of time.

Every reference crack may be claimed by one estimate and the other way round, and as many pairs as possible
are made. Convention of the onset detection evaluations: Böck, Krebs & Schedl, "Evaluating the online
capabilities of onset detection methods", ISMIR 2012 (±25 ms); ±50 ms is the older, wider window.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Doubles, Indices
from crackdetect.errors import InputError, SettingError

#: ±25 ms, Böck, Krebs & Schedl, ISMIR 2012.
NARROW_WINDOW_S = 0.025
#: ±50 ms, the default of ``mir_eval.onset``.
WIDE_WINDOW_S = 0.05


@dataclass(frozen=True, slots=True)
class Matching:
    """The outcome of :func:`match`; indices refer to the arrays as they were given.

    Attributes
    ----------
    window_s : float
        Seconds.
    pairs : numpy.ndarray of int64, shape (hits, 2)
        Columns (reference, estimated), in order of time.
    error_s : numpy.ndarray of float64, shape (hits,)
        Estimated minus reference time of each pair, seconds.
    missed, false : numpy.ndarray of int64
        Indices of reference times, and of estimated times, without a partner.
    """

    window_s: float
    pairs: Indices
    error_s: Doubles
    missed: Indices
    false: Indices

    @property
    def hits(self) -> int:
        """Number of pairs."""
        return len(self.pairs)

    @property
    def precision(self) -> float:
        """Hits a found crack, 0 to 1; 0 when nothing was found (as in ``mir_eval``)."""
        found = self.hits + len(self.false)
        return self.hits / found if found else 0.0

    @property
    def recall(self) -> float:
        """Hits a true crack, 0 to 1; 0 when there was none (as in ``mir_eval``)."""
        there = self.hits + len(self.missed)
        return self.hits / there if there else 0.0

    @property
    def f_measure(self) -> float:
        """Harmonic mean of precision and recall, 0 to 1."""
        total = 2 * self.hits + len(self.missed) + len(self.false)
        return 2 * self.hits / total if total else 0.0


def match(reference_s: npt.ArrayLike, estimated_s: npt.ArrayLike, *, window_s: float = WIDE_WINDOW_S) -> Matching:
    """Match estimated to reference times one to one, with as many pairs as possible.

    All windows are equally wide, so sweeping both sorted lists and pairing the earliest two that reach each other loses
    no pair; the partner is the earliest in reach, not the nearest.

    Parameters
    ----------
    reference_s, estimated_s : array_like, shapes (n,) and (m,)
        Seconds, in any order.
    window_s : float
        The largest distance of a pair, that distance included, seconds.

    Raises
    ------
    InputError
        For times that are not finite or not one-dimensional.
    SettingError
        For the window.
    """
    if not (math.isfinite(window_s) and window_s >= 0):
        raise SettingError(f"matching window {window_s} s is out of range; give 0 s or more")
    reference, estimated = _times(reference_s, "reference"), _times(estimated_s, "estimated")
    reference_order, estimated_order = (
        np.argsort(reference, kind="stable"),
        np.argsort(estimated, kind="stable"),
    )
    ours, theirs = reference[reference_order].tolist(), estimated[estimated_order].tolist()
    pairs: list[tuple[int, int]] = []
    i = j = 0
    while i < len(ours) and j < len(theirs):
        if theirs[j] < ours[i] - window_s:
            j += 1
        elif theirs[j] > ours[i] + window_s:
            i += 1
        else:
            pairs.append((int(reference_order[i]), int(estimated_order[j])))
            i += 1
            j += 1
    indices = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    return Matching(
        window_s=window_s,
        pairs=indices,
        error_s=estimated[indices[:, 1]] - reference[indices[:, 0]],
        missed=np.setdiff1d(np.arange(len(reference)), indices[:, 0]),
        false=np.setdiff1d(np.arange(len(estimated)), indices[:, 1]),
    )


def _times(values: npt.ArrayLike, name: str) -> Doubles:
    times = np.asarray(values, dtype=np.float64)
    if times.ndim != 1 or not np.isfinite(times).all():
        raise InputError(f"the {name} times must be one list of finite seconds; check the file they came from")
    return times
