"""How rare a value is on this machine: against scipy.stats, and what holds whatever the values are."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from crackdetect.deciding.ranks import LAGS_S, MEMORY_S, OwnRanks

#: Long known, and no time that a candidate comes at.
KNOWN_S = 250.0
#: Later than the first seconds.
T = 10.0


def _ranks(own: Sequence[tuple[float, float]], quiet_s: float, value: float) -> list[float]:
    """By both lags, of a machine whose own came at these quiet seconds with these values."""
    ranks = OwnRanks(1)
    for second, of in own:
        ranks.own(T, second, (of,))
    ranks.sort(quiet_s)
    return ranks.ranks([value])


def _minutes(quiet_s: float) -> list[float]:
    """For which a machine is known by each lag."""
    return [max(0.3, min(max(quiet_s - lag_s, 0.0), MEMORY_S) / 60) for lag_s in LAGS_S]


@pytest.mark.parametrize("quiet_s", [5.0, 14.0, 40.0, 100.0, KNOWN_S])
def test_the_formula_by_scipys_percentiles(quiet_s: float) -> None:
    """``percentileofscore`` of kind "strict" is the share below, in percent; ties are in it: values are whole."""
    rng = np.random.default_rng(1)
    at = np.sort(rng.uniform(0, quiet_s, round(4 * quiet_s)))
    values = rng.poisson(6, len(at)).astype(float)
    own = list(zip(at.tolist(), values.tolist(), strict=True))
    for value in (-1.0, 3.0, 6.0, 6.5, 12.0, 40.0):
        expected = []
        for lag_s, minutes in zip(LAGS_S, _minutes(quiet_s), strict=True):
            past = values[(at >= quiet_s - lag_s - MEMORY_S) & (at < quiet_s - lag_s)]
            below = scipy.stats.percentileofscore(past, value, kind="strict") / 100 if len(past) else 0.0
            expected.append(-math.log((len(past) * (1 - below) + 0.5) / minutes))
        assert _ranks(own, quiet_s, value) == pytest.approx(expected)


def test_its_own_candidates_are_in_the_order_of_rankdata() -> None:
    values = np.random.default_rng(2).normal(size=300)
    own = [(100.0, value) for value in values.tolist()]
    found = [_ranks(own, KNOWN_S, value)[0] for value in values.tolist()]
    at_least = len(values) + 1 - scipy.stats.rankdata(values)
    assert np.exp(-np.array(found)) * _minutes(KNOWN_S)[0] == pytest.approx(at_least + 0.5)


@pytest.mark.parametrize(("second", "known"), [(120.0, (True, True)), (160.0, (True, False)), (190.0, (False, False))])
def test_a_candidate_is_known_after_each_lag(second: float, known: tuple[bool, bool]) -> None:
    """At quiet second 194, lags of 12 and 45 s: what came before 182, and before 149."""
    assert LAGS_S == (12.0, 45.0)
    none = _ranks([(100.0, -9.0), (second, -9.0)], 194.0, 5.0)
    found = _ranks([(100.0, -9.0), (second, 7.0)], 194.0, 5.0)
    assert tuple(one < other for one, other in zip(found, none, strict=True)) == known


def test_a_candidate_is_forgotten_after_the_memory() -> None:
    """150 s after its quiet second it is out of the memory of the short lag, and 33 s later of the long one."""
    ranks, larger = OwnRanks(1), {}
    ranks.own(T, 20.0, (7.0,))
    for second in range(25, 245, 5):
        ranks.own(T, second - 0.5, (-9.0,))  # the machine goes on, softly
        ranks.sort(float(second))
        larger[second] = [
            round(math.exp(-r) * m - 0.5, 6) for r, m in zip(ranks.ranks([5.0]), _minutes(second), strict=True)
        ]
    assert [larger[second][0] for second in (30, 35, 170, 175)] == [0, 1, 1, 0]
    assert [larger[second][1] for second in (65, 70, 200, 205)] == [0, 1, 1, 0]


def test_a_machine_that_falls_silent_is_forgotten_as_well() -> None:
    """Hundreds of loud ones in the first minute; after five quiet minutes none of them is of the last two."""
    ranks = OwnRanks(1)
    for i in range(300):
        ranks.own(T, i / 5, (7.0,))
    for second in range(5, 400, 5):
        ranks.sort(float(second))
    assert ranks.ranks([5.0]) == pytest.approx([-math.log(0.5 / minutes) for minutes in _minutes(400.0)])


def test_what_a_silent_machine_utters_first_is_rare() -> None:
    """Nothing in four minutes is less than once in them."""
    assert _ranks([], KNOWN_S, 0.0) == pytest.approx([math.log(2 * minutes) for minutes in _minutes(KNOWN_S)])


def test_of_an_unknown_machine_nothing_is_rare() -> None:
    """As if it had been heard for 0.3 minutes without a candidate."""
    unknown = pytest.approx([-math.log(0.5 / 0.3)] * 2)
    assert OwnRanks(1).ranks([99.0]) == unknown
    assert _ranks([(4.0, 1.0)], 5.0, 99.0) == unknown


def test_the_first_seconds_are_not_the_machines() -> None:
    """Three seconds, in which the floor is not known yet."""
    ranks = OwnRanks(1)
    for time in (0.1, 2.9, 3.0):
        ranks.own(time, time, (7.0,))
    ranks.sort(20.0)
    assert ranks.ranks([5.0])[0] == pytest.approx(-math.log(0.5 / 0.3))
    ranks.own(3.1, 3.1, (7.0,))
    ranks.sort(20.0)
    assert ranks.ranks([5.0])[0] == pytest.approx(-math.log(1.5 / 0.3))


def test_values_are_ranked_each_by_itself() -> None:
    """The first lag of all values, then the other."""
    rng = np.random.default_rng(3)
    rows = rng.normal(size=(80, 3))
    ranks = OwnRanks(3)
    for row in rows.tolist():
        ranks.own(T, 100.0, row)
    ranks.sort(KNOWN_S)
    singly = [_ranks([(100.0, value) for value in column], KNOWN_S, 0.3) for column in rows.T.tolist()]
    assert ranks.ranks([0.3, 0.3, 0.3]) == [*(first for first, _ in singly), *(second for _, second in singly)]


def test_a_reset_forgets() -> None:
    ranks = OwnRanks(1)
    ranks.own(T, 10.0, (3.0,))
    ranks.sort(100.0)
    ranks.own(T, 99.0, (3.0,))
    ranks.reset()
    ranks.own(T, 100.0, (1.0,))
    ranks.sort(150.0)
    assert ranks.ranks([2.0])[0] == pytest.approx(-math.log(0.5 / _minutes(150.0)[0]))


# -- whatever the values are ----------------------------------------------------------------------------------------


@settings(max_examples=40)
@given(
    values=st.lists(st.integers(-20, 20), min_size=1, max_size=60),
    asked=st.integers(-25, 25),
    shape=st.sampled_from([np.exp, np.cbrt, np.arctan, lambda x: 5 * x - 3]),
)
def test_a_rank_knows_order_alone(values: list[int], asked: int, shape: Callable[[float], float]) -> None:
    """Any rising curve drawn over the values leaves their ranks as they are (the definition of a rank statistic)."""
    plain = _ranks([(100.0, float(value)) for value in values], KNOWN_S, float(asked))
    bent = _ranks([(100.0, float(shape(value))) for value in values], KNOWN_S, float(shape(asked)))
    assert bent == plain


@settings(max_examples=40)
@given(values=st.lists(st.floats(-9, 9), max_size=60), asked=st.lists(st.floats(-9, 9), min_size=2, max_size=9))
def test_larger_is_not_less_rare(values: list[float], asked: list[float]) -> None:
    own = [(100.0, value) for value in values]
    ranks = [_ranks(own, KNOWN_S, value) for value in sorted(asked)]
    assert ranks == sorted(ranks)


MANY = 1_000
SHAPES: dict[str, Callable[[np.random.Generator, int], np.ndarray]] = {
    "normal": lambda rng, n: rng.normal(size=(n, MANY)),
    "one tail": lambda rng, n: rng.exponential(size=(n, MANY)),
    "no mean": lambda rng, n: rng.standard_cauchy(size=(n, MANY)),
    "two heaps": lambda rng, n: rng.choice([-5.0, 5.0], (n, MANY)) + rng.normal(size=(n, MANY)),
}


@pytest.mark.parametrize("shape", SHAPES.values(), ids=list(SHAPES))
def test_a_rank_above_r_comes_as_often_as_it_says(shape: Callable[[np.random.Generator, int], np.ndarray]) -> None:
    """On a machine that utters a candidate a second at random, of whatever values.

    The next candidate is as likely to stand in any place among the n that are known as in any other (exchangeability,
    from memory: Kingman 1978), so at most k of them are at least as large with a chance of (k + 1) / (n + 1). A rank of
    r and more is k + 1/2 <= M exp(-r), and a Poisson number n of mean l M has E[1 / (n + 1)] = (1 - exp(-l M)) / (l M).
    That is (k + 1) / M times a minute, for a whole k next to once a minute at r = 0 and to twice at r = -ln 2. Each
    value of a candidate stands for a machine of its own; how many come so high is binomial.
    """
    rng = np.random.default_rng(4)
    minutes = _minutes(KNOWN_S)[0]
    met = {0.0: 0, -math.log(2): 0}
    asked = 0
    for _ in range(4):
        ranks = OwnRanks(MANY)
        at = np.sort(rng.uniform(0, KNOWN_S, rng.poisson(KNOWN_S)))
        for second, row in zip(at.tolist(), shape(rng, len(at)), strict=True):
            ranks.own(T, second, row)
        ranks.sort(KNOWN_S)
        found = np.array(ranks.ranks(shape(rng, 1)[0])[:MANY])
        asked += MANY
        met = {rank: count + int((found >= rank).sum()) for rank, count in met.items()}
    for rank, count in met.items():
        often = (math.floor(minutes * math.exp(-rank) - 0.5) + 1) / minutes  # a minute
        assert often == pytest.approx(math.exp(-rank), abs=0.5 / minutes)
        assert scipy.stats.binomtest(count, asked, often / 60).pvalue > 1e-4
