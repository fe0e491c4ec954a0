"""How far a figure could be off by the chance of which recordings were heard: 95 % intervals.

A share of recordings has Wilson's interval, a number of rare false words the exact one of a Poisson count: they say
something of 0 of 12 too, which no resampling does. Every other figure is computed anew from recordings drawn with
replacement, a roast at a time, for the cracks of one roast are alike.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple, TypeVar

import numpy as np

Recording = TypeVar("Recording")

#: Share of such intervals that hold the truth, and how often the recordings are drawn anew.
LEVEL, RESAMPLES = 0.95, 1000


class Interval(NamedTuple):
    """The two ends of an interval, in the unit of its figure."""

    low: float
    high: float


def share_interval(hits: int, trials: int) -> Interval | None:
    """Of a share (Wilson, J. Am. Stat. Assoc. 22, 209, 1927); None of no trials."""
    if trials == 0:
        return None
    from scipy.stats import binomtest

    found = binomtest(hits, trials).proportion_ci(LEVEL, method="wilson")
    return Interval(round(float(found.low), 4), round(float(found.high), 4))


def rate_interval(count: int, exposure: float) -> Interval | None:
    """Of ``count`` events in an ``exposure`` (Garwood, Biometrika 28, 437, 1936), in events per unit; None of 0."""
    if exposure <= 0:
        return None
    from scipy.stats import chi2

    tail = (1 - LEVEL) / 2
    low = 0.0 if count == 0 else float(chi2.ppf(tail, 2 * count)) / 2
    high = float(chi2.ppf(1 - tail, 2 * count + 2)) / 2
    return Interval(round(low / exposure, 4), round(high / exposure, 4))


def bootstrap_intervals(
    recordings: Sequence[Recording],
    figures: Callable[[Sequence[Recording]], Mapping[str, Any]],
    *,
    resamples: int = RESAMPLES,
    seed: int = 0,
) -> dict[str, Interval]:
    """Percentile intervals of all numbers that ``figures`` gives.

    Efron & Tibshirani, An Introduction to the Bootstrap, 1993, chapter 13.

    Parameters
    ----------
    recordings : sequence
        The independent ones.
    figures : callable
        Takes as many recordings, some of them several times; a figure may be None where there is nothing to measure.
    resamples, seed : int

    Returns
    -------
    dict of str to Interval
        Without figures that are None in more than half of the draws, or the same in nearly all: those rest on one
        recording, or on none that differs.
    """
    if len(recordings) < 2:
        return {}
    rng = np.random.default_rng(seed)
    drawn: dict[str, list[float]] = {}
    for _ in range(resamples):
        chosen = rng.integers(0, len(recordings), len(recordings))
        for name, value in figures([recordings[i] for i in chosen]).items():
            if isinstance(value, int | float):
                drawn.setdefault(name, []).append(float(value))
    tail = 50 * (1 - LEVEL)
    found = {
        name: Interval(*(round(float(end), 4) for end in np.percentile(values, (tail, 100 - tail))))
        for name, values in drawn.items()
        if len(values) >= resamples / 2
    }
    return {name: interval for name, interval in found.items() if interval.low < interval.high}
