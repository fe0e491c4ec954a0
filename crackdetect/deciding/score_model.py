"""How the classifier's scores are distributed among cracks and among everything else, in bins."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Self

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.errors import ModelError

#: Edges of the bins, nats: of crack_llr and of second_vs_first_llr (see :class:`hearing.classifier.CrackScore`).
SCORE_EDGES = (-3.0, -2.0, -1.0, -0.25, 0.5, 1.25, 2.0, 2.75, 3.5, 4.25, 5.0, 6.0)
KIND_EDGES = (-4.0, -2.0, -1.0, 0.0, 1.0, 2.0, 4.0)
SCORE_BINS = len(SCORE_EDGES) + 1
KIND_BINS = len(KIND_EDGES) + 1


def score_bin(crack_llr: float) -> int:
    """Index of its bin, 0 to SCORE_BINS - 1."""
    return bisect_left(SCORE_EDGES, crack_llr)


def kind_bin(second_vs_first_llr: float) -> int:
    """Index of its bin, 0 to KIND_BINS - 1."""
    return bisect_left(KIND_EDGES, second_vs_first_llr)


@dataclass(frozen=True, slots=True, eq=False)
class ScoreModel:
    """Learnt in training (``train/fit.py``). All numbers above 0, float64.

    Attributes
    ----------
    crack : shape (SCORE_BINS,)
        Share of true cracks whose candidate falls into each bin; sums to the probability that a crack is a candidate.
    other_per_minute : shape (SCORE_BINS,)
        Rate of candidates that are not cracks on a usual machine, strays apart.
    burst : shape (SCORE_BINS,)
        Share of each bin in what household bursts have beyond the seconds around them, poor candidates too.
    first_kind, second_kind, burst_kind : shape (KIND_BINS,)
        Share of each kind bin among first cracks, second cracks, and the candidates of household bursts above 0.

    Raises
    ------
    ModelError
        Where an array does not fit this version or is no share.
    """

    crack: Doubles
    other_per_minute: Doubles
    first_kind: Doubles
    second_kind: Doubles
    burst: Doubles
    burst_kind: Doubles

    def __post_init__(self) -> None:
        for part in fields(self):
            array = getattr(self, part.name)
            size = KIND_BINS if part.name.endswith("kind") else SCORE_BINS
            if array.shape != (size,) or not np.isfinite(array).all() or (array <= 0).any():
                raise ModelError("the model's score statistics do not fit this version; train it again")
        if not 0.2 <= self.crack.sum() <= 1.0 + 1e-9:
            raise ModelError("the model's crack shares do not sum to a probability; train it again")

    @classmethod
    def from_lists(cls, lists: Mapping[str, Any]) -> Self:
        """The inverse of :meth:`as_lists`. Raises ModelError."""
        try:
            return cls(**{part.name: np.array(lists[part.name], np.float64) for part in fields(cls)})
        except (KeyError, ValueError, TypeError, OverflowError):
            raise ModelError("the model's score statistics are incomplete; fetch or train it again") from None

    def as_lists(self) -> dict[str, list[float]]:
        """Plain numbers, by name, as a model file holds them."""
        return {part.name: getattr(self, part.name).tolist() for part in fields(self)}

    @classmethod
    def flat(cls) -> Self:
        """Nothing is known: every bin as likely as any other."""
        scores, kinds = np.full(SCORE_BINS, 1 / SCORE_BINS), np.full(KIND_BINS, 1 / KIND_BINS)
        return cls(0.65 * scores, np.ones(SCORE_BINS), kinds, kinds, scores, kinds)

    @property
    def detected(self) -> float:
        """Probability that a crack is a candidate at all."""
        return float(self.crack.sum())

    @property
    def likely(self) -> float:
        """Probability that a crack is a candidate that scores above 0."""
        return float(self.crack[np.searchsorted(SCORE_EDGES, 0.0) :].sum())
