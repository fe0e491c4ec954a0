"""The forward pass against scikit-learn, which fits the numbers and is not needed to use them."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pytest

from crackdetect.errors import ModelError
from crackdetect.hearing.network import Network
from crackdetect.train.network import fitted, layers_of

INPUTS = 6


def _network(*, members: int = 3, hidden: tuple[int, ...] = (5, 4), outputs: int = 2, **changes: Any) -> Network:
    rng = np.random.default_rng(1)
    sizes = (INPUTS, *hidden, outputs)
    values: dict[str, Any] = {
        "mean": rng.normal(size=INPUTS),
        "scale": rng.uniform(0.5, 2, INPUTS),
        "weights": tuple(rng.normal(size=(members, a, b)) for a, b in zip(sizes[:-1], sizes[1:], strict=True)),
        "biases": tuple(rng.normal(size=(members, size)) for size in sizes[1:]),
    }
    return Network(**(values | changes))


def _slowly(network: Network, vector: np.ndarray) -> np.ndarray:
    """The formula, member by member."""
    answer = np.zeros(network.outputs)
    for m in range(len(network.biases[0])):
        values = (vector - network.mean) / network.scale
        for weight, bias in zip(network.weights[:-1], network.biases[:-1], strict=True):
            values = np.maximum(values @ weight[m] + bias[m], 0)
        answer += values @ network.weights[-1][m] + network.biases[-1][m]
    return answer


@pytest.mark.parametrize("members", [1, 3])
@pytest.mark.parametrize("hidden", [(5,), (5, 4), (5, 4, 3)])
def test_the_formula(members: int, hidden: tuple[int, ...]) -> None:
    network = _network(members=members, hidden=hidden)
    rows = np.random.default_rng(2).normal(size=(20, INPUTS))
    assert network.forward(rows) == pytest.approx(np.array([_slowly(network, row) for row in rows]))
    assert network.forward(rows[0]) == pytest.approx(_slowly(network, rows[0]))
    assert network.forward(rows[:0]).shape == (0, 2)


def test_rows_are_the_same_whatever_stands_beside_them() -> None:
    """Bit for bit: candidates come one at a time or many together."""
    network = _network(hidden=(160, 56))
    rows = np.random.default_rng(3).normal(size=(64, INPUTS)).astype(np.float32)
    together = network.forward(rows)
    assert all((network.forward(row) == answer).all() for row, answer in zip(rows, together, strict=True))


def test_the_average_of_scikit_learns_networks() -> None:
    """The reference is scikit-learn's own answer: the geometric mean of ``predict_proba`` up to a constant."""
    pytest.importorskip("sklearn", reason="the reference: install crackdetect[test]")
    rng = np.random.default_rng(2)
    rows = rng.normal(size=(600, INPUTS)).astype(np.float32)
    labels = np.argmax(rows[:, :3] + rng.normal(0, 1, (600, 3)), axis=1)
    members = fitted(rows, labels, hidden=(12, 7), penalty=0.1, step=1e-2, seeds=(4, 5, 6), jobs=2)
    alone = fitted(rows, labels, hidden=(12, 7), penalty=0.1, step=1e-2, seeds=(5,))
    for many, one, other in zip(members[1].coefs_, alone[0].coefs_, members[0].coefs_, strict=True):
        assert (many == one).all()  # by its seed, whatever is fitted beside it
        assert (many != other).any()

    network = Network(np.zeros(INPUTS), np.ones(INPUTS), *layers_of(members))
    unseen = rng.normal(size=(50, INPUTS)).astype(np.float32)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        expected = np.mean([np.log(member.predict_proba(unseen)) for member in members], axis=0)
    expected -= expected.mean(axis=1, keepdims=True)
    found = network.forward(unseen)
    assert found - found.mean(axis=1, keepdims=True) == pytest.approx(expected, abs=1e-4)


ZEROS = np.zeros((3, 5))


@pytest.mark.parametrize(
    "changes",
    [
        {"mean": np.zeros(INPUTS + 1)},
        {"scale": np.ones(INPUTS - 1)},
        {"weights": (np.zeros((3, INPUTS, 2)),), "biases": (np.zeros((3, 2)),)},
        {"biases": (ZEROS, np.zeros((3, 4)))},
        {"biases": (ZEROS, np.zeros((2, 4)), np.zeros((3, 2)))},
        {"weights": (np.zeros((3, INPUTS, 5)), np.zeros((3, 4, 4)), np.zeros((3, 4, 2)))},
    ],
    ids=["mean", "scale", "one layer", "a bias too few", "a member too few", "layers that do not meet"],
)
def test_layers_that_do_not_fit_are_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(ModelError, match="do not fit together"):
        _network(**changes)


@pytest.mark.parametrize(
    "changes",
    [
        {"scale": np.zeros(INPUTS)},
        {"scale": np.full(INPUTS, 1e-9)},
        {"mean": np.full(INPUTS, np.nan)},
        {"mean": np.full(INPUTS, 1e308)},
        {"biases": (ZEROS, np.zeros((3, 4)), np.full((3, 2), -1e7))},
    ],
)
def test_absurd_numbers_are_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(ModelError, match="no training gives|not finite"):
        _network(**changes)
