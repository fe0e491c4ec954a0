"""What surrounds a candidate, seen from small lists of times."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest
from conftest import CONTEXT

from crackdetect.deciding import context
from crackdetect.deciding.context import ContextClassifier, ContextModel, HeardCandidate
from crackdetect.deciding.score_model import SCORE_BINS
from crackdetect.errors import ModelError
from crackdetect.hearing.network import Network

#: Time, crack_llr, second_vs_first_llr and strength of a candidate.
Given = tuple[float, float, float, float]


def _numbers(given: Iterable[Given], stage: ContextClassifier | None = None) -> list[dict[str, float]]:
    """What each was judged by, by name."""
    stage = stage or ContextClassifier(CONTEXT)
    met = [score.numbers for one in given for score in stage.push([HeardCandidate(*one)], log_odds=0.0)]
    return [dict(zip(context.NAMES, numbers.tolist(), strict=True)) for numbers in met if numbers is not None]


def _rhythms(times: Iterable[float]) -> list[float]:
    return [numbers["rhythm"] for numbers in _numbers((time, 4.0, 0.0, 2.0) for time in times)]


def test_a_clock_has_a_rhythm_and_cracks_have_none() -> None:
    """Four intervals of a clock are doubled within eight seconds, so 4 / 5; of cracks at random, one a second, hardly
    any: the chance is twice the sway times the rate."""
    assert _rhythms(float(t) for t in range(20))[-1] == pytest.approx(4 / 5)
    random = [_rhythms(np.cumsum(np.random.default_rng(seed).exponential(1.0, 20)).tolist())[-1] for seed in range(200)]
    assert np.mean(random) < 0.06


def test_of_a_few_candidates_no_rhythm_is_said() -> None:
    assert _rhythms([1.0, 2.0]) == [0.0, 0.0]
    assert _rhythms([1.0, 2.0, 3.0])[-1] == 0.5


def test_a_clock_with_a_beat_missing_and_pops_between_still_has_its_rhythm() -> None:
    ticks = [float(t) for t in range(20) if t != 16]
    assert _rhythms(sorted([*ticks, 13.37, 17.61]))[-1] >= 0.4


def test_weak_candidates_between_the_ticks_do_not_hide_their_rhythm() -> None:
    between = ((0.0, 4.0), (0.3, 1.0), (0.7, -2.0))
    found = _numbers((second + at, llr, 0.0, 2.0) for second in range(20) for at, llr in between)
    assert found[-3]["rhythm"] == pytest.approx(4 / 5)


def test_one_loudness_is_told_from_many() -> None:
    """Of a clock at 2.0 nats and a pop at 5.0: no spread, and 3.0 louder than what was before. A weak one, which scores
    below 0, is compared but does not count among those of late."""
    given = ((1.0, 4.0, 2.0), (2.0, 4.0, 2.0), (3.0, 1.0, 2.0), (3.5, -1.0, 1.0), (4.0, 4.0, 5.0))
    found = _numbers((time, llr, 0.0, strength) for time, llr, strength in given)
    assert [numbers["louder"] for numbers in found] == [0.0, 0.0, 0.0, -1.0, 3.0]
    assert found[-1]["loudness spread"] == 0.0
    assert found[-1]["late score"] == 3.0
    assert found[-1]["late score spread"] == pytest.approx(np.std([4, 4, 1]))


def test_how_long_it_has_listened_soon_tells_nothing() -> None:
    """Else it would learn at which minute of a roast cracks come."""
    stage, known = ContextClassifier(CONTEXT), []
    for time, heard_s in ((1.0, 0.0), (2.0, 40.0), (3.0, 100.0), (4.0, 150.0)):
        stage.know(np.full(SCORE_BINS, 0.01), heard_s=heard_s)
        known.append(_numbers([(time, 4.0, 0.0, 2.0)], stage)[0]["known"])
    assert known[0] < known[1] < known[2] == known[3]


def test_a_hopeless_candidate_is_not_looked_at() -> None:
    hopeless = HeardCandidate(1.0, context.HOPELESS, 0.0, 2.0)
    assert ContextClassifier(CONTEXT).push([hopeless], log_odds=9.0) == [(0.0, 0.0, None)]


def test_the_weight_is_the_odds_over_the_rate_of_cracks_trained_among() -> None:
    """One network for both, at log odds of 2: p = 1 / (1 + e**-2), and e**2 / rate seconds."""
    zeros = np.zeros((1, context.COUNT, 1))
    network = Network(
        np.zeros(context.COUNT), np.ones(context.COUNT), (zeros, zeros[:, :1]), (np.zeros((1, 1)), np.array([[2.0]]))
    )
    stage = ContextClassifier(ContextModel(network, network, 0.5))
    (score,) = stage.push([HeardCandidate(1.0, 4.0, 0.0, 2.0)], log_odds=0.0)
    assert score.probability == pytest.approx(1 / (1 + np.exp(-2)))
    assert score.weight == pytest.approx(np.exp(2) / 0.5)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        *(("counted", 0.0), ("counted", 9.0), ("counted_cv", -0.1), ("counted_cv", 2.0)),
        *(("cracks_per_second", 0.0), ("cracks_per_second", 100.0)),
    ],
)
def test_numbers_of_no_training_are_refused(name: str, value: float) -> None:
    numbers = {"cracks_per_second": 1.0, "counted": 0.9, "counted_cv": 0.2}
    with pytest.raises(ModelError, match="counts|no cracks"):
        ContextModel(CONTEXT.crack, CONTEXT.alone, **(numbers | {name: value}))


# -- what comes after another ---------------------------------------------------------------------------------------


def _last(given: Iterable[Given]) -> dict[str, float]:
    """What the last of these was judged by."""
    return _numbers(given)[-1]


def _unevenness(times: list[float]) -> float:
    return _last([(time, 4.0, 0.0, 2.0) for time in times])["unevenness"]


@pytest.mark.parametrize("a_second", [0.25, 0.5])
def test_cracks_come_unevenly_as_chance_has_it(a_second: float) -> None:
    """Local variation is 1 for a Poisson process of any rate, 0 for a clock and 3 / (2 k + 1) for gamma intervals of
    shape k (Shinomoto et al., Neural Comput. 15, 2823, 2003, from memory). Sounds nearer than 30 ms are one here, so
    cracks that are dense come a little more evenly."""
    assert _unevenness([i / a_second for i in range(20)]) == pytest.approx(0.0, abs=1e-9)
    for shape, expected in ((1, 1.0), (4, 1 / 3)):
        trials = [
            _unevenness(np.cumsum(np.random.default_rng(seed).gamma(shape, 1 / shape / a_second, 40)).tolist())
            for seed in range(120)
        ]
        assert np.mean(trials) == pytest.approx(expected, abs=0.08)


def test_of_few_candidates_nothing_is_uneven() -> None:
    assert _unevenness([1.0, 1.1, 5.0]) == 1.0
    assert _unevenness([1.0, 1.1, 5.0, 60.0]) == 1.0  # the others are too long ago


def _keys(count: int, *, back_s: float = 0.1) -> list[Given]:
    """Keys, two a second, each springing back weaker and brighter; the last one not yet."""
    keys = [(0.5 * i, 4.0, -3.0, 2.0) for i in range(count)]
    backs = [(0.5 * i + back_s, 1.0, 1.0, 1.0) for i in range(count - 1)]
    return sorted(keys + backs)


def test_keys_spring_back() -> None:
    met = _last(_keys(20))
    # of the last twelve six are keys, each followed by its weaker half, which is 4 nats brighter
    assert met["followed"] == pytest.approx((6 + 0.5) / (12 + 1))
    assert met["preceded"] == pytest.approx(0.5 / (12 + 1))
    assert met["brighter after"] == pytest.approx(6 * 4.0 / (6 + 1))
    assert met["after louder"] == 0.0
    assert met["kind differs"] == pytest.approx(-3.0 - -1.0)
    assert met["kind spread"] == pytest.approx(2.0)


@pytest.mark.parametrize("back_s", [0.02, 0.2])
def test_an_echo_or_another_sound_is_no_key_that_springs_back(back_s: float) -> None:
    assert _last(_keys(20, back_s=back_s))["followed"] == pytest.approx(0.5 / (12 + 1))


def test_what_springs_back_comes_after_a_louder_one() -> None:
    assert _last(_keys(20)[:-1])["after louder"] == 1.0
    assert _last([(0.0, 4.0, 0.0, 9.0), (0.1, 1.0, 0.0, 1.0)])["after louder"] == 4.0  # no more is said


def test_weaker_ones_come_before_as_often_as_after_when_chance_has_it() -> None:
    rng = np.random.default_rng(5)
    shares = []
    for _ in range(100):
        times, strengths = np.cumsum(rng.exponential(0.3, 40)), rng.uniform(0, 4, 40)
        met = _last([(t, 4.0, 0.0, s) for t, s in zip(times.tolist(), strengths.tolist(), strict=True)])
        shares.append((met["followed"], met["preceded"]))
    after, before = np.mean(shares, axis=0)
    assert after == pytest.approx(before, abs=0.03)
    assert 0.1 < after < 0.3


def test_poor_ones_are_held_against_what_is_usual() -> None:
    """Two poor ones a second where one is usual: ln of 1 + 16 over 1 + 8, of what is remembered in eight seconds."""
    stage = ContextClassifier(CONTEXT)
    stage.know(np.array([1 / 3] * 3 + [1e-9] * (SCORE_BINS - 3)), heard_s=60.0)
    poor, not_so_poor = -1.1, -0.9
    given = [(0.5 * i, llr, 0.0, 0.1) for i in range(200) for llr in (poor, not_so_poor)]
    found = _numbers([*given, (100.0, 4.0, 0.0, 2.0)], stage)
    remembered = 1 / (np.exp(0.5 / context.SECONDS) - 1)  # of one every half second, fading
    expected = np.log1p(remembered) - np.log1p(context.SECONDS)
    assert found[-1]["poor ones"] == pytest.approx(expected, abs=1e-3)


def test_after_a_reset_it_remembers_nothing() -> None:
    """The other tests of a reset have networks that do not see what is remembered here."""
    stage = ContextClassifier(CONTEXT)
    stage.know(np.full(SCORE_BINS, 0.3), heard_s=60.0)
    first = _numbers(_keys(12), stage)
    stage.reset()
    assert _numbers(_keys(12), stage) != first
    stage.reset()
    stage.know(np.full(SCORE_BINS, 0.3), heard_s=60.0)
    assert _numbers(_keys(12), stage) == first


def _regular(times: list[float], now: float) -> float:
    return _last([*((time, 4.0, 0.0, 2.0) for time in sorted(times) if time < now), (now, 4.0, 0.0, 2.0)])["regular"]


def test_what_comes_at_chance_is_seldom_the_next_of_a_series() -> None:
    """Of cracks at random, two a second, one in a hundred is surer of it than e**10 to one, half of them not e**3."""
    surely = [
        _regular(np.cumsum(np.random.default_rng(seed).exponential(0.5, 40)).tolist(), 20.0) for seed in range(300)
    ]
    assert np.median(surely) < 3
    assert np.quantile(surely, 0.99) < 10


@pytest.mark.parametrize("sway_s", [0.003, 0.02])
def test_a_clock_among_cracks_is_the_next_of_a_series(sway_s: float) -> None:
    """Ticks a second apart, each step longer or shorter by so much, among a crack a second: all surer than e**8."""
    for seed in range(50):
        rng = np.random.default_rng(seed)
        ticks = np.cumsum(1 + rng.normal(0, sway_s, 20))
        cracks = rng.uniform(0, ticks[-1], 20)
        assert _regular([*ticks.tolist(), *cracks.tolist()], float(ticks[-1])) > 8


def test_a_series_needs_three_and_a_beat_that_is_not_missing() -> None:
    assert _regular([1.0], 2.0) == 0
    assert _regular([1.0, 2.0], 3.0) > 3
    assert _regular([0.0, 1.0, 2.0, 3.0], 4.0) > _regular([0.0, 1.0, 3.0], 4.0)
