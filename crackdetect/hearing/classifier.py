"""The small classifier: a feature vector in, calibrated probabilities of other / first / second crack out."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from crackdetect.blocks import Doubles, Floats
from crackdetect.errors import ModelError
from crackdetect.hearing import features
from crackdetect.hearing.network import Network

CLASSES = ("other", "first", "second")
#: Log likelihood ratios are limited to this many nats: no single sound may count for more than e**8 to one.
LLR_LIMIT = 8.0


@dataclass(frozen=True, slots=True, eq=False)
class ClassifierModel:
    """The numbers of a fitted classifier.

    Attributes
    ----------
    network : Network, float32
        From the features, in the order of :data:`crackdetect.hearing.features.NAMES`, to the log odds of CLASSES.
    prior : float64, shape (3,)
        Share of each class among the candidates that it was calibrated on, above 0.

    Raises
    ------
    ModelError
        Where it does not fit this version's features.
    """

    network: Network
    prior: Doubles

    def __post_init__(self) -> None:
        if self.network.inputs != features.COUNT or self.network.outputs != len(CLASSES):
            raise ModelError("the classifier does not fit this version's features; fetch or train the model again")
        if self.prior.shape != (len(CLASSES),) or not (np.isfinite(self.prior).all() and (self.prior > 0).all()):
            raise ModelError("the classifier's class shares are not probabilities; fetch or train the model again")


class Sound(NamedTuple):
    """What the classifier saw of a candidate, and what it made of it.

    vector: float32 (features.COUNT,). hidden: float32 (units,), its last hidden layer.
    """

    vector: Floats
    hidden: Floats


#: Of a candidate that is made up.
UNHEARD = Sound(np.zeros(0, np.float32), np.zeros(0, np.float32))


@dataclass(frozen=True, slots=True)
class CrackScore:
    """What the classifier says of one candidate.

    Attributes
    ----------
    first, second : float
        Probabilities of the kinds of crack, 0 to 1; the rest is "other".
    crack_llr : float
        ln p(features | a crack) / p(features | other), nats, within +-LLR_LIMIT.
    second_vs_first_llr : float
        ln p(features | second crack) / p(features | first crack), nats, within +-LLR_LIMIT.
    sound : Sound
        What it was told by.
    """

    first: float
    second: float
    crack_llr: float
    second_vs_first_llr: float
    sound: Sound = field(default=UNHEARD, repr=False, compare=False)

    @property
    def crack(self) -> float:
        """Probability of a crack of either kind."""
        return min(1.0, self.first + self.second)


class Classifier:
    """Feature vectors in, one :class:`CrackScore` each out."""

    def __init__(self, model: ClassifierModel) -> None:
        self.model = model
        self._log_prior = np.log(model.prior).tolist()
        self._log_share = np.log(model.prior[1:] / model.prior[1:].sum()).tolist()

    def reset(self) -> None:
        """Nothing is remembered between candidates."""

    def push(self, vectors: Floats) -> list[CrackScore]:
        """vectors: float32 (n, COUNT), see :data:`crackdetect.hearing.features.NAMES`."""
        hidden = self.model.network.last_hidden(vectors)
        logits = self.model.network.answer(hidden).astype(np.float64).tolist()
        heard = zip(logits, vectors, hidden, strict=True)
        return [self._score(*of_class, sound=Sound(vector, layer)) for of_class, vector, layer in heard]

    def _score(self, other: float, first: float, second: float, *, sound: Sound) -> CrackScore:
        top = max(other, first, second)
        odds = math.exp(other - top), math.exp(first - top), math.exp(second - top)
        # ln likelihood of each class, up to a common constant; a crack's is the mean over its two kinds
        first_evidence, second_evidence = first - self._log_prior[1], second - self._log_prior[2]
        weighed = first_evidence + self._log_share[0], second_evidence + self._log_share[1]
        crack = max(weighed) + math.log1p(math.exp(-abs(weighed[0] - weighed[1])))
        crack_llr = _limited(crack - (other - self._log_prior[0]))
        second_vs_first_llr = _limited(second_evidence - first_evidence)
        whole = sum(odds)
        return CrackScore(odds[1] / whole, odds[2] / whole, crack_llr, second_vs_first_llr, sound)

    def logits(self, vectors: Floats) -> Doubles:
        """Class log-odds before normalisation. vectors: float32 (..., COUNT). Returns float64 (..., 3)."""
        return self.model.network.forward(vectors).astype(np.float64)


def _limited(nats: float) -> float:
    return max(-LLR_LIMIT, min(LLR_LIMIT, nats))
