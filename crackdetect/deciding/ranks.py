"""How a candidate stands among this machine's own recent ones: calibrated by construction, on any machine.

    rank(x) = -ln((1/2 + how many of them were at least x) / minutes),

0 for what this machine utters once a minute by itself, the higher the rarer. Speaker verification calls it score
normalisation against a cohort (Auckenthaler, Carey and Lloyd-Thomas, Digital Signal Processing 10, 42, 2000, from
memory); here the cohort is the machine itself.

Its own are its candidates of MEMORY_S quiet seconds, once they are LAGS_S old: a short lag, so that a fan that is
turned up is known soon, and a long one, so that a chorus that begins softly is not taken for the machine.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence

import numpy as np

from crackdetect.blocks import Doubles

#: Quiet seconds before a candidate is counted among the machine's own, and for how long it is.
LAGS_S, MEMORY_S = (12.0, 45.0), 138.0
#: The machine's own are sorted anew so often, seconds.
SORT_EVERY_S = 5.0
#: They are never taken for those of less time than this, minutes; those of the first seconds are of a floor that is not
#: known yet.
_LEAST_MINUTES, _FROM_S = 0.3, 3.0


class OwnRanks:
    """Values of candidates in, their ranks out; told of those that are the machine's own.

    Parameters
    ----------
    count
        Values of each candidate that are ranked.
    """

    def __init__(self, count: int) -> None:
        self._count = count
        self.reset()

    def reset(self) -> None:
        """As new: nothing is known."""
        self._own: Doubles = np.zeros((1 + self._count, 0))  # quiet seconds, then a row of each value
        self._fresh: list[tuple[float, ...]] = []  # the same of those that came since it was sorted
        # of each lag and value: the machine's own, ascending, 1/2 + how many, and of how many minutes
        self._known: list[tuple[list[float], float, float]] = [([], 0.5, _LEAST_MINUTES)] * (len(LAGS_S) * self._count)

    def ranks(self, values: Sequence[float]) -> list[float]:
        """Of each value, by the first lag, then by the other."""
        asked = zip(self._known, tuple(values) * len(LAGS_S), strict=True)
        return [-math.log((most - bisect_left(past, value)) / minutes) for (past, most, minutes), value in asked]

    def own(self, time: float, quiet_s: float, values: Sequence[float]) -> None:
        """A candidate (at ``time``, seconds) that came at this quiet second is the machine's."""
        if time > _FROM_S:
            self._fresh.append((quiet_s, *values))

    def sort(self, quiet_s: float) -> None:
        """So many quiet seconds have passed; to be called every SORT_EVERY_S."""
        known = self._own[:, np.searchsorted(self._own[0], quiet_s - max(LAGS_S) - MEMORY_S) :]
        self._own = np.hstack([known, np.array(self._fresh).reshape(-1, 1 + self._count).T])
        self._fresh = []
        at, values = self._own[0], self._own[1:]
        self._known = []
        for lag_s in LAGS_S:
            until = max(quiet_s - lag_s, 0.0)
            first, last = np.searchsorted(at, [quiet_s - lag_s - MEMORY_S, until]).tolist()
            minutes = max(_LEAST_MINUTES, min(until, MEMORY_S) / 60)
            past = np.sort(values[:, first:last], axis=1).tolist()
            self._known += [(own, last - first + 0.5, minutes) for own in past]
