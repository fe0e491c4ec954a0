"""Matching of found to true cracks, against the reference library of the onset evaluations."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crackdetect.errors import InputError, SettingError
from crackdetect.evaluate.matching import NARROW_WINDOW_S, WIDE_WINDOW_S, match

#: Times on a grid of 1/64 s and a window of 4/64 s are exact: a pair at the edge is no matter of rounding.
GRID = 1 / 64
crowds = st.lists(st.integers(0, 80), max_size=14).map(lambda ticks: np.sort(np.array(ticks, float)) * GRID)


def test_a_small_roast_by_hand() -> None:
    true = [1.00, 2.00, 2.03, 5.00]
    found = [1.02, 2.04, 3.00, 5.03]
    #        25 ms: 1.00-1.02, 2.03-2.04
    #        50 ms: those (2.04 goes to the earliest in reach, 2.00) and 5.00-5.03

    narrow, wide = match(true, found, window_s=0.025), match(true, found, window_s=0.05)

    assert narrow.pairs.tolist() == [[0, 0], [2, 1]]
    assert (narrow.missed.tolist(), narrow.false.tolist()) == ([1, 3], [2, 3])
    assert (narrow.precision, narrow.recall, narrow.f_measure) == (0.5, 0.5, 0.5)
    assert narrow.error_s == pytest.approx([0.02, 0.01])
    assert wide.pairs.tolist() == [[0, 0], [1, 1], [3, 3]]
    assert (wide.precision, wide.recall, wide.f_measure) == (0.75, 0.75, 0.75)


def test_the_nearest_partner_is_given_up_for_one_pair_more() -> None:
    # 1.00 is nearest to 1.00, but then 0.96 and 1.04 are left alone
    assert match([0.96, 1.00], [1.00, 1.04], window_s=0.05).hits == 2


def test_the_windows_are_the_published_ones() -> None:
    """±25 ms: Böck, Krebs & Schedl, ISMIR 2012 (from memory). ±50 ms: the default of mir_eval.onset."""
    onset = pytest.importorskip("mir_eval.onset", reason="the reference: install crackdetect[test]")
    true, found = np.array([1.0, 2.0, 3.0]), np.array([1.024, 2.026, 3.051])

    assert match(true, found, window_s=NARROW_WINDOW_S).hits == 1
    assert match(true, found).hits == match(true, found, window_s=WIDE_WINDOW_S).hits == 2
    assert match(true, found).f_measure == onset.f_measure(true, found)[0]


# mir_eval warns of empty lists, which are meant here
@pytest.mark.filterwarnings("ignore:(Reference|Estimated) onsets are empty:UserWarning")
@given(true=crowds, found=crowds)
def test_as_many_pairs_as_the_reference(true: np.ndarray, found: np.ndarray) -> None:
    """mir_eval.util.match_events finds a maximum matching with Hopcroft and Karp's algorithm."""
    util = pytest.importorskip("mir_eval.util", reason="the reference: install crackdetect[test]")
    onset = pytest.importorskip("mir_eval.onset")

    ours = match(true, found, window_s=4 * GRID)

    assert ours.hits == len(util.match_events(true, found, 4 * GRID))
    f_measure, precision, recall = onset.f_measure(true, found, window=4 * GRID)
    assert (ours.f_measure, ours.precision, ours.recall) == pytest.approx((f_measure, precision, recall), abs=1e-12)


@given(true=crowds, found=crowds, seed=st.integers(0, 99))
def test_every_time_has_one_place(true: np.ndarray, found: np.ndarray, seed: int) -> None:
    """Each index is in one pair or alone, no pair is wider than the window, and order does not matter."""
    ours = match(true, found, window_s=4 * GRID)

    assert sorted([*ours.pairs[:, 0], *ours.missed]) == list(range(len(true)))
    assert sorted([*ours.pairs[:, 1], *ours.false]) == list(range(len(found)))
    assert (np.abs(ours.error_s) <= 4 * GRID).all()
    shuffled = np.random.default_rng(seed).permutation(true)
    assert match(shuffled, found, window_s=4 * GRID).hits == match(found, true, window_s=4 * GRID).hits == ours.hits


@pytest.mark.parametrize(("true", "found"), [([], []), ([1.0], []), ([], [1.0])])
def test_nothing_to_match_scores_zero(true: list[float], found: list[float]) -> None:
    ours = match(true, found)
    assert (ours.hits, ours.precision, ours.recall, ours.f_measure) == (0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("times", [[np.nan], [np.inf], [[1.0, 2.0]]])
def test_times_that_are_none_are_refused(times: list[float]) -> None:
    with pytest.raises(InputError, match="estimated times"):
        match([1.0], times)


@pytest.mark.parametrize("window_s", [-0.01, np.nan, np.inf])
def test_windows_out_of_range_are_refused(window_s: float) -> None:
    with pytest.raises(SettingError, match="window"):
        match([1.0], [1.0], window_s=window_s)
