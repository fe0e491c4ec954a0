"""The small classifier: a feature vector in, calibrated probabilities of other / first / second crack out.

Two hidden layers of rectified linear units on standardised features; several networks side by side are one with
zeros between them (``train/fit.py``). The arrays are data (see ``model_files.py``); nothing of the library that fitted
them is needed to score.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from crackdetect import features
from crackdetect.errors import ModelError
from crackdetect.judge import JudgeModel
from crackdetect.spectrum import Floats

CLASSES = ("other", "first", "second")
#: Scores are limited to this many nats: no single sound may count for more than e**8 to one.
SCORE_LIMIT = 8.0


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """The numbers of a fitted classifier and of the score statistics that the phase stage needs.

    name, digest: identity, the digest over all arrays. mean, scale: float32 (COUNT,).
    weights, biases: of each layer, float32 (inputs, outputs) and (outputs,); 3 outputs in the order of CLASSES.
    prior: float64 (3,), share of each class among the candidates it was calibrated on.
    marks: see :class:`crackdetect.phase.ScoreModel`; plain numbers, by name. judge: the network that weighs a score in
    what was heard around it.
    """

    name: str
    digest: str
    mean: Floats
    scale: Floats
    weights: tuple[Floats, ...]
    biases: tuple[Floats, ...]
    prior: npt.NDArray[np.float64]
    marks: dict[str, list[float]]
    judge: JudgeModel

    def __post_init__(self) -> None:
        sizes = [features.COUNT, *(len(bias) for bias in self.biases)]
        shapes = [weight.shape for weight in self.weights]
        if (
            self.mean.shape != (features.COUNT,)
            or self.scale.shape != (features.COUNT,)
            or shapes != list(zip(sizes[:-1], sizes[1:], strict=True))
            or sizes[-1] != len(CLASSES)
            or self.prior.shape != (len(CLASSES),)
        ):
            raise ModelError(f"model {self.name!r} does not fit this version's features; train it again")
        numbers: list[npt.NDArray[Any]] = [self.mean, self.scale, *self.weights, *self.biases, self.prior]
        if not all(np.isfinite(array).all() for array in numbers) or not (self.scale > 0).all():
            raise ModelError(f"model {self.name!r} holds numbers that are not finite; fetch or train it again")


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the classifier says of one candidate.

    first, second: probabilities, 0 to 1 (the rest is "other").
    score: ln likelihood ratio of "a crack" against "other". kind_score: ln likelihood ratio second against first.
    """

    first: float
    second: float
    score: float
    kind_score: float

    @property
    def crack(self) -> float:
        return min(1.0, self.first + self.second)


class Classifier:
    """Feature vectors in, one :class:`Verdict` each out."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self._log_prior = np.log(model.prior).tolist()
        self._log_share = np.log(model.prior[1:] / model.prior[1:].sum()).tolist()

    def reset(self) -> None:
        """Nothing is remembered between candidates."""

    def push(self, vectors: Floats) -> list[Verdict]:
        """vectors: float32 (n, COUNT), see :data:`crackdetect.features.NAMES`."""
        # each by itself, for a product of many rows is not the same, bit for bit, as that of one
        return [self._verdict(*each) for each in self.logits(vectors[:, None])[:, 0].tolist()]

    def _verdict(self, other: float, first: float, second: float) -> Verdict:
        top = max(other, first, second)
        odds = math.exp(other - top), math.exp(first - top), math.exp(second - top)
        # ln likelihood of each class, up to a common constant; a crack's is the mean over its two kinds
        first_evidence, second_evidence = first - self._log_prior[1], second - self._log_prior[2]
        weighed = first_evidence + self._log_share[0], second_evidence + self._log_share[1]
        crack = max(weighed) + math.log1p(math.exp(-abs(weighed[0] - weighed[1])))
        score = _limited(crack - (other - self._log_prior[0]))
        kind_score = _limited(second_evidence - first_evidence)
        whole = sum(odds)
        return Verdict(odds[1] / whole, odds[2] / whole, score, kind_score)

    def logits(self, vectors: Floats) -> npt.NDArray[np.float64]:
        """Class log-odds before normalisation. vectors: float32 (..., COUNT). Returns float64 (..., 3)."""
        values: Floats = (vectors - self.model.mean) / self.model.scale
        last = len(self.model.weights) - 1
        for i, (weight, bias) in enumerate(zip(self.model.weights, self.model.biases, strict=True)):
            values = values @ weight + bias
            if i < last:
                np.maximum(values, 0, out=values)
        return values.astype(np.float64)


def _limited(nats: float) -> float:
    return max(-SCORE_LIMIT, min(SCORE_LIMIT, nats))
