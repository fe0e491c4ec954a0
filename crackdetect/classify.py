"""The small classifier: a feature vector in, calibrated probabilities of other / first / second crack out.

Two hidden layers of rectified linear units on standardised features. The arrays are data (see
``model_files.py``); nothing of the library that fitted them is needed to score.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from crackdetect import features
from crackdetect.errors import ModelError
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
    marks: see :class:`crackdetect.phase.ScoreModel`; plain numbers, by name.
    """

    name: str
    digest: str
    mean: Floats
    scale: Floats
    weights: tuple[Floats, ...]
    biases: tuple[Floats, ...]
    prior: npt.NDArray[np.float64]
    marks: dict[str, list[float]]

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
    """Feature vectors, one at a time (batched products are not the same bit for bit)."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self._log_prior = np.log(model.prior)

    def reset(self) -> None:
        """Nothing is remembered between candidates."""

    def push(self, vector: Floats) -> Verdict:
        """vector: float32 (COUNT,), see :data:`crackdetect.features.NAMES`."""
        logits = self.logits(vector)
        shifted = np.exp(logits - logits.max())
        _, first, second = (shifted / shifted.sum()).tolist()
        evidence = logits - self._log_prior  # ln likelihood of each class, up to a common constant
        crack_share = self.model.prior[1:] / self.model.prior[1:].sum()
        crack = float(np.logaddexp(evidence[1] + np.log(crack_share[0]), evidence[2] + np.log(crack_share[1])))
        score = float(np.clip(crack - evidence[0], -SCORE_LIMIT, SCORE_LIMIT))
        kind_score = float(np.clip(evidence[2] - evidence[1], -SCORE_LIMIT, SCORE_LIMIT))
        return Verdict(first, second, score, kind_score)

    def logits(self, vector: Floats) -> npt.NDArray[np.float64]:
        """Class log-odds before normalisation, float64 (3,); for several vectors at once (training) (n, 3)."""
        values: Floats = (vector - self.model.mean) / self.model.scale
        last = len(self.model.weights) - 1
        for i, (weight, bias) in enumerate(zip(self.model.weights, self.model.biases, strict=True)):
            values = values @ weight + bias
            if i < last:
                values = np.maximum(values, 0)
        return values.astype(np.float64)
