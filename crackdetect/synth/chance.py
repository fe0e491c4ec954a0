"""Draws that every generator needs."""

from __future__ import annotations

import numpy as np

#: From and to.
Range = tuple[float, float]


def uniform(rng: np.random.Generator, bounds: Range) -> float:
    """As likely anywhere between the bounds."""
    return float(rng.uniform(*bounds))


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """As likely between 1 and 2 as between 2 and 4."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))
