"""The last minutes on the grid of decisions: what was found, and how much of each tick was heard.

Time is in seconds from the first sample, on a grid of ticks of TICK_S. Every tick carries how much of it was heard, so
a gap is neither silence nor evidence.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

import numpy as np

from crackdetect.blocks import Doubles

TICK_S = 0.25
#: A candidate with less weight (seconds) dates nothing, and one with less probability counts nothing.
_LEAST_WEIGHT_S, _LEAST_PROBABILITY = 0.02, 0.005


class _Point(NamedTuple):
    time: float
    weight: float
    probability: float


class Recent:
    """Candidates and ticks of the last ``keep_s`` seconds."""

    def __init__(self, *, keep_s: float) -> None:
        self._keep_s = keep_s
        self.reset()

    def reset(self) -> None:
        """As new."""
        self._points: deque[_Point] = deque()
        self._ticks: deque[tuple[float, float]] = deque()  # end of the tick, observed seconds

    def add(self, time: float, *, weight: float, probability: float) -> None:
        """A candidate: its time, its weight f1 / lambda0 (both in seconds) and its probability of a crack."""
        if weight > _LEAST_WEIGHT_S or probability > _LEAST_PROBABILITY:
            self._points.append(_Point(time, weight, probability))

    def close_tick(self, end: float, *, observed_s: float) -> None:
        """The candidates of a tick are in; what is too old is forgotten."""
        self._ticks.append((end, observed_s))
        limit = end - self._keep_s
        while self._points and self._points[0].time < limit:
            self._points.popleft()
        while self._ticks and self._ticks[0][0] < limit:
            self._ticks.popleft()

    def heard_since(self, start: float) -> float:
        """Seconds that were heard of the ticks that end after ``start``."""
        observed = 0.0
        for end, seconds in reversed(self._ticks):
            if end <= start + 1e-9:
                break
            observed += seconds
        return observed

    def ticks_since(self, start: float) -> tuple[Doubles, Doubles]:
        """Middle of each tick that ends after ``start``, and the seconds of it that were heard; float64 (n,)."""
        ticks = np.array([(end - TICK_S / 2, seconds) for end, seconds in self._ticks if end > start])
        return ticks[:, 0], ticks[:, 1]

    def weights_since(self, start: float) -> tuple[Doubles, Doubles]:
        """Times and weights of the candidates after ``start`` that say anything of a date; float64 (n,), seconds."""
        chosen = [(p.time, p.weight) for p in self._points if p.time > start and p.weight > _LEAST_WEIGHT_S]
        times, weights = np.array(chosen).reshape(-1, 2).T
        return times, weights

    def cracks_since(self, start: float) -> tuple[float, float]:
        """Expected number of cracks after ``start``, sum p, and its variance, sum p (1 - p)."""
        number = variance = 0.0
        for point in reversed(self._points):
            if point.time <= start:
                break
            number += point.probability
            variance += point.probability * (1 - point.probability)
        return number, variance
