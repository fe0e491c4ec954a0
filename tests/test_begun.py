"""What the network sees that tells whether first crack has begun: against NumPy's histogram and counts by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats

from crackdetect.deciding.adaptation import LAG_S
from crackdetect.deciding.begun import COUNT, LEVELS, NAMES, WINDOWS_S, BegunNumbers
from crackdetect.deciding.ranks import MEMORY_S

JUDGED = ("in context", "on this machine")


def _named(stage: BegunNumbers, now: float, *, quiet_s: float = 0.0, hmm_log_odds: float = 0.0) -> dict[str, float]:
    numbers = stage.of_second(now, quiet_s=quiet_s, hmm_log_odds=hmm_log_odds)
    assert numbers.shape == (COUNT,)
    assert numbers.dtype == np.float64
    return dict(zip(NAMES, numbers.tolist(), strict=True))


def _made(seed: int, end_s: float, a_second: float = 3.0) -> tuple[np.ndarray, np.ndarray]:
    """Times and both log odds of candidates."""
    rng = np.random.default_rng(seed)
    times = np.sort(rng.uniform(0, end_s, rng.poisson(a_second * end_s)))
    return times, rng.uniform(-8, 8, (len(times), len(JUDGED)))


@pytest.mark.parametrize("now", [1.0, 20.0, 100.0])
def test_counts_are_those_of_a_histogram(now: float) -> None:
    """Of how long ago those above each level were; the last of NumPy's bins takes what is older."""
    assert WINDOWS_S == (1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
    times, log_odds = _made(1, now)
    stage = BegunNumbers()
    for time, row in zip(times.tolist(), log_odds.tolist(), strict=True):
        stage.push(time, row)
    found = _named(stage, now)
    for judged, values in zip(JUDGED, log_odds.T, strict=True):
        for level in LEVELS:
            counts, _ = np.histogram(now - times[values > level], [0.0, *WINDOWS_S, np.inf])
            roots = [found[f"{judged} over {level}, {window} s"] for window in WINDOWS_S]
            assert roots == pytest.approx(np.sqrt(counts[:-1]))


def test_counts_are_the_same_whether_asked_each_second_or_once() -> None:
    """What is too old is thrown away on the way."""
    times, log_odds = _made(2, 150.0)
    asked, once = BegunNumbers(), BegunNumbers()
    for second in range(1, 151):
        for time, row in zip(times.tolist(), log_odds.tolist(), strict=True):
            if second - 1 <= time < second:
                asked.push(time, row)
                once.push(time, row)
        last = asked.of_second(float(second), quiet_s=0.0, hmm_log_odds=-15.0)
    assert (last == once.of_second(150.0, quiet_s=0.0, hmm_log_odds=-15.0)).all()


def test_a_candidate_at_a_level_is_not_above_it() -> None:
    stage = BegunNumbers()
    stage.push(0.5, (1.0, -3.0))
    found = _named(stage, 1.0)
    assert [found[f"in context over {level}, 1.0 s"] for level in LEVELS] == [1, 1, 1, 1, 0, 0, 0]
    assert [found[f"on this machine over {level}, 1.0 s"] for level in LEVELS] == [0] * 7


def test_roots_of_counts_scatter_alike() -> None:
    """The root of a Poisson count has a variance near 1/4 whatever its mean, from some eight on (Anscombe, Biometrika
    35, 246, 1948; 0.25 + 3 / (32 m) to the next order, from memory). 300 trials: chi-squared bounds of one in 10^4."""
    trials, ours = 300, WINDOWS_S[-3:]
    rng = np.random.default_rng(3)
    for a_second in (1.0, 4.0):
        roots = []
        for _ in range(trials):
            stage = BegunNumbers()
            for time in np.sort(rng.uniform(0, 64, rng.poisson(64 * a_second))).tolist():
                stage.push(time, (-2.5, -9.0))  # above the lowest level alone
            found = _named(stage, 64.0)
            roots.append([found[f"in context over {LEVELS[0]}, {window} s"] for window in ours])
        means = a_second * np.array([8.0, 16.0, 32.0])
        low, high = scipy.stats.chi2.ppf([5e-5, 1 - 5e-5], trials - 1) / (trials - 1)
        relative = np.var(roots, axis=0, ddof=1) / (0.25 + 3 / (32 * means))
        assert ((low < relative) & (relative < high)).all()


@pytest.mark.parametrize("quiet_s", [0.0, 5.0, LAG_S, 30.0, 100.0, 400.0])
def test_what_is_usual_is_counted_over_the_quiet_time(quiet_s: float) -> None:
    """Those older than the lag and within the memory, half a candidate and half a minute more."""
    at, log_odds = _made(4, max(quiet_s, 1e-9))
    stage = BegunNumbers()
    for second, row in zip(at.tolist(), log_odds.tolist(), strict=True):
        stage.own(second, row)
    found = _named(stage, 1000.0, quiet_s=quiet_s)
    heard_s = min(max(quiet_s - LAG_S, 0.0), MEMORY_S)
    for judged, values in zip(JUDGED, log_odds.T, strict=True):
        for level in LEVELS:
            count = sum(
                value > level and quiet_s - LAG_S - MEMORY_S <= second < quiet_s - LAG_S
                for second, value in zip(at.tolist(), values.tolist(), strict=True)
            )
            expected = math.log((count + 0.5) / (heard_s / 60 + 0.5))
            assert found[f"{judged} usual {level}"] == pytest.approx(expected)


def test_how_long_it_has_listened_soon_tells_nothing() -> None:
    """Else it would learn at which minute of a roast first crack comes."""
    known = [_named(BegunNumbers(), 1.0, quiet_s=quiet_s)["known"] for quiet_s in (0.0, 60.0, 150.0, 151.0, 900.0)]
    assert known == sorted(known)
    assert known[:3] == pytest.approx([0.0, math.log(7), math.log(16)])
    assert known[2] == known[3] == known[4]


def test_the_hidden_markov_models_log_odds_now_and_at_most() -> None:
    stage = BegunNumbers()
    told = (("hmm", "hmm above 0", "most hmm"), (-99.0, -3.0, 4.0, 99.0, -2.0))
    found = [
        [_named(stage, float(i + 1), hmm_log_odds=odds)[name] for name in told[0]] for i, odds in enumerate(told[1])
    ]
    assert found == [[-15, 0, -15], [-3, 0, -3], [4, 4, 4], [15, 15, 15], [-2, 0, 15]]


def test_listening_anew_forgets_the_chorus_and_keeps_the_machine() -> None:
    stage = BegunNumbers()
    for second in range(60):
        stage.own(float(second), (2.5, 2.5))
        stage.push(float(second), (2.5, 2.5))
    before = _named(stage, 60.0, quiet_s=60.0, hmm_log_odds=9.0)
    stage.listen_anew()
    after = _named(stage, 61.0, quiet_s=60.0, hmm_log_odds=-4.0)
    assert before["in context over 1.0, 4.0 s"] > 1
    assert before["most hmm"] == 9
    assert all(value == 0 for name, value in after.items() if " over " in name)
    assert after["most hmm"] == -4
    assert all(after[name] == before[name] for name in NAMES if " usual " in name)
    stage.reset()
    assert _named(stage, 62.0)["in context usual 1.0"] == _named(BegunNumbers(), 62.0)["in context usual 1.0"]
