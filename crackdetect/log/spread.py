"""Mean and spread of a few values, and where the next one is to be expected: honest about how few there are."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

#: From this many values on their own spread says where the next will be; with fewer it is only guessed.
ENOUGH = 3


@dataclass(frozen=True, slots=True)
class Spread:
    """n values: their mean, and their standard deviation (n - 1 in the denominator; None for fewer than two)."""

    n: int
    mean: float
    sd: float | None

    @classmethod
    def of(cls, values: Iterable[float]) -> Spread | None:
        """None for no values at all."""
        found = list(values)
        if not found:
            return None
        mean = math.fsum(found) / len(found)
        if len(found) == 1:
            return cls(1, mean, None)
        return cls(len(found), mean, math.sqrt(math.fsum((value - mean) ** 2 for value in found) / (len(found) - 1)))

    def next_within(self, *, share: float = 0.9, at_least: float, guess: float) -> tuple[float, float]:
        """Where the next value falls with probability ``share``: mean ± t sd sqrt(1 + 1/n), Student's t of n - 1.

        That is the prediction interval of a normal sample (from memory: Hahn and Meeker, Statistical Intervals). No
        side is narrower than ``at_least``; with fewer than ENOUGH values each side is ``guess``, which is not measured.
        """
        if self.n < ENOUGH or self.sd is None:
            side = guess
        else:
            from scipy.special import stdtrit

            side = max(at_least, float(stdtrit(self.n - 1, 0.5 + share / 2)) * self.sd * math.sqrt(1 + 1 / self.n))
        return self.mean - side, self.mean + side
