"""Whether probabilities are honest: of the sounds that were given about .7, seven in ten should have been cracks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from crackdetect.evaluate.intervals import Interval, share_interval

#: Edges of the classes of probability.
EDGES = (0.1, 0.3, 0.5, 0.7, 0.9, 1.0)


@dataclass(frozen=True, slots=True)
class ReliabilityClass:
    """Sounds that were given a probability from ``low`` to ``high``.

    Attributes
    ----------
    low, high : float
    given : int
        How many they are.
    mean_probability, true_share : float
        What they were given, and what share of them was a crack.
    interval : Interval
        Of the share, as if each were independent of the others.
    """

    low: float
    high: float
    given: int
    mean_probability: float
    true_share: float
    interval: Interval

    def to_dict(self) -> dict[str, Any]:
        """As JSON takes it."""
        return asdict(self)


def reliability(
    probabilities: npt.ArrayLike, hits: npt.ArrayLike, *, edges: Sequence[float] = EDGES
) -> list[ReliabilityClass]:
    """The reliability diagram as numbers (Murphy & Winkler, Appl. Stat. 26, 41, 1977).

    Classes without a sound are left out, and so is what lies below the first edge.

    Parameters
    ----------
    probabilities, hits : array_like, shape (n,)
        Given to each sound, 0 to 1, and whether it was a crack.
    edges : sequence of float
        Ascending; a class holds its lower edge, the last one both.
    """
    given, true = np.asarray(probabilities, np.float64), np.asarray(hits, bool)
    found = []
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        inside = (given >= low) & ((given < high) | (high == edges[-1]) & (given == high))
        count, hit = int(inside.sum()), int(true[inside].sum())
        interval = share_interval(hit, count)
        if interval is not None:
            mean, share = round(float(given[inside].mean()), 4), round(hit / count, 4)
            found.append(ReliabilityClass(low, high, count, mean, share, interval))
    return found


def calibration_error(classes: Sequence[ReliabilityClass]) -> float | None:
    """Expected calibration error (Naeini, Cooper & Hauskrecht, AAAI 2015): by how much they are off in the mean."""
    given = sum(one.given for one in classes)
    off = sum(one.given * abs(one.true_share - one.mean_probability) for one in classes)
    return round(off / given, 4) if given else None
