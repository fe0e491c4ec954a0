"""A small network fitted by scikit-learn, so that the same inputs and seed give the same numbers, bit for bit."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import numpy.typing as npt

from crackdetect.errors import MissingPartError

#: Passes through all rows, and the share of the learning rate in them: large steps to get near, small ones to settle.
PASSES = ((12, 1.0), (5, 0.3), (5, 0.1))


def fitted(
    inputs: npt.NDArray[Any],
    labels: npt.NDArray[np.int64],
    *,
    hidden: tuple[int, ...],
    penalty: float,
    step: float,
    seed: int,
) -> Any:
    """A fitted ``MLPClassifier``. inputs: standardised, (n, features). labels: (n,).

    hidden: units of each layer. penalty: weight of the squared weights in the loss (``alpha``). step: learning rate of
    the first passes.
    Raises MissingPartError without scikit-learn.
    """
    try:
        from sklearn.exceptions import ConvergenceWarning
        from sklearn.neural_network import MLPClassifier
        from threadpoolctl import threadpool_limits
    except ModuleNotFoundError:
        raise MissingPartError.training() from None
    network = MLPClassifier(
        hidden_layer_sizes=hidden,
        alpha=penalty,
        batch_size=512,
        n_iter_no_change=1000,
        warm_start=True,
        random_state=seed,
    )
    # one thread, for sums in another order would be another model; the number of passes is chosen
    with threadpool_limits(limits=1), warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        for passes, share in PASSES:
            network.set_params(max_iter=passes, learning_rate_init=share * step)
            network.fit(inputs, labels)
    return network
