"""Small networks as plain numbers: one, or a few whose answers are added up.

With z = (x - mean) / scale, and over the members m of the ensemble,

    y = sum over m of  W[L, m] relu(... relu(W[1, m] z + b[1, m]) ...) + b[L, m].

For the average of M networks (Hansen and Salamon, IEEE Trans. Pattern Anal. 12, 993, 1990), W[L, m] and b[L, m] are
theirs divided by M.

Nothing of the library that fitted them is needed to score (``train/network.py`` fits them).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from crackdetect.blocks import Reals
from crackdetect.errors import ModelError

#: No number of a network is larger, and no scale smaller than one over it: sums of products stay finite.
_LARGEST = 1e6
_MOST_MEMBERS, _MOST_UNITS, _MOST_LAYERS = 16, 1024, 4
_ADVICE = "fetch or train the model again"


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """M networks of L layers, 2 to 4, with rectified linear hidden units. All arrays of one type, float32 or float64.

    Attributes
    ----------
    mean, scale : shape (inputs,)
        Standardise the inputs.
    weights : tuple of L arrays, shape (M, inputs of the layer, outputs of the layer)
    biases : tuple of L arrays, shape (M, outputs of the layer)

    Raises
    ------
    ModelError
        Where shapes do not meet, or a number is not finite or larger than any training gives.
    """

    mean: Reals
    scale: Reals
    weights: tuple[Reals, ...]
    biases: tuple[Reals, ...]
    _first: Reals = field(init=False, repr=False)
    _first_bias: Reals = field(init=False, repr=False)
    _biases: tuple[Reals, ...] = field(init=False, repr=False)  # of the hidden layers after the first
    _last: Reals = field(init=False, repr=False)
    _last_bias: Reals = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if not self._fits():
            raise ModelError(f"the layers of a network do not fit together; {_ADVICE}")
        arrays = (self.mean, self.scale, *self.weights, *self.biases)
        if not all(np.isfinite(array).all() for array in arrays) or not (self.scale > 0).all():
            raise ModelError(f"a network holds numbers that are not finite; {_ADVICE}")
        if max(float(np.abs(array).max()) for array in arrays) > _LARGEST or self.scale.min() < 1 / _LARGEST:
            raise ModelError(f"a network holds numbers that no training gives; {_ADVICE}")
        # all members see the same inputs and feed one sum: their first and last layers are one product each
        _, inputs, _ = self.weights[0].shape
        *_, outputs = self.weights[-1].shape
        object.__setattr__(self, "_first", np.ascontiguousarray(self.weights[0].swapaxes(0, 1).reshape(inputs, -1)))
        object.__setattr__(self, "_first_bias", self.biases[0].ravel())
        object.__setattr__(self, "_biases", tuple(bias[:, None] for bias in self.biases[1:-1]))
        object.__setattr__(self, "_last", self.weights[-1].reshape(-1, outputs))
        object.__setattr__(self, "_last_bias", self.biases[-1].sum(axis=0))

    def _fits(self) -> bool:
        if not (2 <= len(self.weights) == len(self.biases) <= _MOST_LAYERS):
            return False
        if self.mean.ndim != 1 or any(bias.ndim != 2 for bias in self.biases):
            return False
        members = len(self.biases[0])
        sizes = [len(self.mean), *(bias.shape[1] for bias in self.biases)]
        shapes = [(members, before, after) for before, after in zip(sizes[:-1], sizes[1:], strict=True)]
        return (
            1 <= members <= _MOST_MEMBERS
            and all(1 <= size <= _MOST_UNITS for size in sizes)
            and self.scale.shape == self.mean.shape
            and [weight.shape for weight in self.weights] == shapes
            and all(len(bias) == members for bias in self.biases)
        )

    @property
    def inputs(self) -> int:
        """Numbers that it sees."""
        return len(self.mean)

    @property
    def hidden(self) -> int:
        """Units of the last hidden layer, of all members."""
        return len(self._last)

    @property
    def outputs(self) -> int:
        """Numbers that it answers."""
        return int(self.biases[-1].shape[1])

    def forward(self, vectors: Reals) -> Reals:
        """The formula above for each row by itself, so that the answer does not depend on its neighbours, bit for bit.

        A product of many rows need not give what each row gives alone. vectors: shape (..., inputs). Returns shape
        (..., outputs), of the network's type.
        """
        if len(self.biases[0]) == 1:
            if vectors.ndim == 1:
                return self._forward_one(vectors)
            if len(vectors) == 1 and vectors.ndim == 2:
                return self._forward_one(vectors[0])[None]
        return self.answer(self.last_hidden(vectors))

    def last_hidden(self, vectors: Reals) -> Reals:
        """The last hidden layer of all members, one behind the other, for each row by itself.

        vectors: shape (..., inputs). Returns shape (..., units), of the network's type.
        """
        *rows, _ = vectors.shape
        standard = vectors - self.mean
        standard /= self.scale
        values: Reals = standard[..., None, :] @ self._first
        values += self._first_bias
        np.maximum(values, 0, out=values)
        for weight, bias in zip(self.weights[1:-1], self._biases, strict=True):
            values = values.reshape(*rows, len(weight), 1, weight.shape[1]) @ weight
            values += bias
            np.maximum(values, 0, out=values)
        return values.reshape(*rows, len(self._last))

    def answer(self, hidden: Reals) -> Reals:
        """The answers to what :meth:`last_hidden` gave: shape (..., outputs), of the network's type."""
        last: Reals = hidden[..., None, :] @ self._last
        last += self._last_bias
        return last[..., 0, :]

    def _forward_one(self, vector: Reals) -> Reals:
        """The same for one vector and one network, in two thirds of the time: no axes come and go."""
        values = vector - self.mean
        values /= self.scale
        for (weight,), (bias,) in zip(self.weights[:-1], self.biases[:-1], strict=True):
            values = values @ weight
            values += bias
            np.maximum(values, 0, out=values)
        answer: Reals = values @ self._last
        answer += self._last_bias
        return answer
