"""Small networks fitted by scikit-learn, so that the same inputs and seeds give the same numbers, bit for bit."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Doubles, Indices
from crackdetect.errors import MissingPartError

#: Passes through all rows, and the share of the learning rate in them: large steps to get near, small ones to settle.
PASSES = ((12, 1.0), (5, 0.3), (5, 0.1))


def fitted(
    inputs: npt.NDArray[Any],
    labels: Indices,
    *,
    hidden: tuple[int, ...],
    penalty: float,
    step: float,
    seeds: Sequence[int],
    jobs: int = 1,
) -> list[Any]:
    """A fitted ``MLPClassifier`` for each seed.

    Parameters
    ----------
    inputs : numpy.ndarray, shape (n, features)
        Standardised.
    labels : numpy.ndarray of int64, shape (n,)
    hidden : tuple of int
        Units of each hidden layer.
    penalty : float
        Weight of the squared weights in the loss (``alpha``).
    step : float
        Learning rate of the first passes.
    seeds : sequence of int
    jobs : int
        So many are fitted at a time, in threads, which share the inputs.

    Raises
    ------
    MissingPartError
        Without scikit-learn.
    """
    try:
        from sklearn.exceptions import ConvergenceWarning
        from sklearn.neural_network import MLPClassifier
        from threadpoolctl import threadpool_limits
    except ModuleNotFoundError:
        raise MissingPartError.of("train") from None

    def one(seed: int) -> Any:
        network = MLPClassifier(
            hidden_layer_sizes=hidden,
            alpha=penalty,
            batch_size=512,
            n_iter_no_change=1000,
            warm_start=True,
            random_state=seed,
        )
        for passes, share in PASSES:
            network.set_params(max_iter=passes, learning_rate_init=share * step)
            network.fit(inputs, labels)
        return network

    # one thread a product, for sums in another order would be another model; the number of passes is chosen
    with threadpool_limits(limits=1), warnings.catch_warnings(), ThreadPoolExecutor(max_workers=jobs) as pool:
        warnings.simplefilter("ignore", ConvergenceWarning)
        return list(pool.map(one, seeds))


def layers_of(members: Sequence[Any]) -> tuple[tuple[Doubles, ...], tuple[Doubles, ...]]:
    """Weights and biases of the :class:`crackdetect.hearing.network.Network` whose answer is the mean of theirs."""
    *weights, last = (np.stack(layer) for layer in zip(*(member.coefs_ for member in members), strict=True))
    *biases, last_bias = (np.stack(layer) for layer in zip(*(member.intercepts_ for member in members), strict=True))
    return (*weights, last / len(members)), (*biases, last_bias / len(members))
