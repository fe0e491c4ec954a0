"""How scores are distributed: what fits, and one sentence for what does not."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import SCORES

from crackdetect.deciding.score_model import (
    KIND_BINS,
    KIND_EDGES,
    SCORE_BINS,
    SCORE_EDGES,
    ScoreModel,
    kind_bin,
    score_bin,
)
from crackdetect.errors import ModelError

LISTS = SCORES.as_lists()


def test_plain_numbers_make_the_same_model_again() -> None:
    assert ScoreModel.from_lists(LISTS).as_lists() == LISTS


def test_an_edge_belongs_to_the_bin_below() -> None:
    """As scipy.stats.binned_statistic does not, and numpy.digitize does with right=True."""
    for value in (-9.0, -3.0, -2.9, 0.0, 0.5, 6.0, 6.1):
        assert score_bin(value) == np.digitize(value, SCORE_EDGES, right=True)
        assert kind_bin(value) == np.digitize(value, KIND_EDGES, right=True)
    assert (score_bin(-99), score_bin(99), kind_bin(-99), kind_bin(99)) == (0, SCORE_BINS - 1, 0, KIND_BINS - 1)


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("crack", [0.1] * (SCORE_BINS - 1)),
        ("crack", [0.0] * SCORE_BINS),
        ("crack", [0.2] * SCORE_BINS),
        ("crack", [0.001] * SCORE_BINS),
        ("other_per_minute", [-1.0] * SCORE_BINS),
        ("other_per_minute", [float("nan")] * SCORE_BINS),
        ("first_kind", [0.1] * (KIND_BINS + 1)),
        ("second_kind", [float("inf")] * KIND_BINS),
    ],
)
def test_what_cannot_be_is_refused(name: str, values: list[float]) -> None:
    with pytest.raises(ModelError, match="train it again"):
        ScoreModel.from_lists(LISTS | {name: values})


def test_what_is_missing_is_refused() -> None:
    with pytest.raises(ModelError, match="incomplete"):
        ScoreModel.from_lists({name: values for name, values in LISTS.items() if name != "crack"})
