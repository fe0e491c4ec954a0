"""The judge's numbers: what surrounds a candidate, seen from small lists of times."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import JUDGE

from crackdetect import judge
from crackdetect.errors import ModelError
from crackdetect.judge import Judge
from crackdetect.phase import SCORE_EDGES

RHYTHM, KNOWN = judge.NAMES.index("rhythm"), judge.NAMES.index("known")


def _met(times: list[float], score: float = 4.0) -> list[np.ndarray]:
    stage = Judge(JUDGE, edges=SCORE_EDGES)
    stage.kept = kept = []
    for time in times:
        stage.push(time, score, 0.0, 2.0, log_odds=0.0)
    return [vector for _, vector in kept]


def test_a_clock_has_a_rhythm_and_cracks_have_none() -> None:
    """Four intervals of a clock are doubled within eight seconds, so 4 / 5; of cracks at random, one a second, hardly
    any: the chance is twice the sway times the rate."""
    assert _met([float(t) for t in range(20)])[-1][RHYTHM] == pytest.approx(4 / 5)
    random = [
        _met(np.cumsum(np.random.default_rng(seed).exponential(1.0, 20)).tolist())[-1][RHYTHM] for seed in range(200)
    ]
    assert np.mean(random) < 0.06


def test_of_a_few_candidates_no_rhythm_is_said() -> None:
    assert [vector[RHYTHM] for vector in _met([1.0, 2.0])] == [0.0, 0.0]
    assert _met([1.0, 2.0, 3.0])[-1][RHYTHM] == 0.5


def test_a_clock_with_a_beat_missing_and_pops_between_still_has_its_rhythm() -> None:
    ticks = [float(t) for t in range(20) if t != 16]
    assert _met(sorted([*ticks, 13.37, 17.61]))[-1][RHYTHM] >= 0.4


def test_weak_candidates_between_the_ticks_do_not_hide_their_rhythm() -> None:
    stage = Judge(JUDGE, edges=SCORE_EDGES)
    stage.kept = kept = []
    for second in range(20):
        stage.push(second + 0.0, 4.0, 0.0, 2.0, log_odds=0.0)
        stage.push(second + 0.3, 1.0, 0.0, 2.0, log_odds=0.0)
        stage.push(second + 0.7, -2.0, 0.0, 2.0, log_odds=0.0)
    strong = [vector for time, vector in kept if time % 1 == 0]
    assert strong[-1][RHYTHM] == pytest.approx(4 / 5)


def test_one_loudness_is_told_from_many() -> None:
    """Of a clock at 2.0 nats and a pop at 5.0: no spread, and 3.0 louder than what was before. A weak one, which scores
    below 0, is compared but does not count among those of late."""
    stage = Judge(JUDGE, edges=SCORE_EDGES)
    stage.kept = kept = []
    for time, score, strength in ((1.0, 4.0, 2.0), (2.0, 4.0, 2.0), (3.0, 1.0, 2.0), (3.5, -1.0, 1.0), (4.0, 4.0, 5.0)):
        stage.push(time, score, 0.0, strength, log_odds=0.0)
    louder = [vector[judge.NAMES.index("louder")] for _, vector in kept]
    assert louder == [0.0, 0.0, 0.0, -1.0, 3.0]
    last = dict(zip(judge.NAMES, kept[-1][1].tolist(), strict=True))
    assert last["loudness spread"] == 0.0
    assert last["late score"] == 3.0
    assert last["late score spread"] == pytest.approx(np.std([4, 4, 1]))


def test_how_long_it_has_listened_soon_tells_nothing() -> None:
    """Else the judge would learn at which minute of a roast cracks come."""
    stage = Judge(JUDGE, edges=SCORE_EDGES)
    stage.kept = kept = []
    for time, heard_s in ((1.0, 0.0), (2.0, 40.0), (3.0, 100.0), (4.0, 150.0)):
        stage.know(np.full(len(SCORE_EDGES) + 1, 0.01), heard_s=heard_s)
        stage.push(time, 4.0, 0.0, 2.0, log_odds=0.0)
    known = [vector[KNOWN] for _, vector in kept]
    assert known[0] < known[1] < known[2] == known[3]


@pytest.mark.parametrize(("part", "value"), [("hidden", 1e308), ("out_bias", -1e7), ("scale", 1e-9), ("mean", np.nan)])
def test_a_network_of_absurd_numbers_is_refused(part: str, value: float) -> None:
    with pytest.raises(ModelError, match="no training gives|not finite"):
        replace(JUDGE.crack, **{part: np.full_like(getattr(JUDGE.crack, part), value)})


@pytest.mark.parametrize(
    ("name", "value"), [("counted", 0.0), ("counted", 9.0), ("counted_cv", -0.1), ("counted_cv", 2.0)]
)
def test_a_judge_that_counts_absurdly_is_refused(name: str, value: float) -> None:
    with pytest.raises(ModelError, match="counts"):
        replace(JUDGE, **{name: value})


# -- what comes after another ---------------------------------------------------------------------------------------


def _last(pushed: list[tuple[float, float, float, float]]) -> dict[str, float]:
    """The numbers of the last of these candidates: time, score, kind score, strength."""
    stage = Judge(JUDGE, edges=SCORE_EDGES)
    stage.kept = kept = []
    for time, score, kind_score, strength in pushed:
        stage.push(time, score, kind_score, strength, log_odds=0.0)
    return dict(zip(judge.NAMES, kept[-1][1].tolist(), strict=True))


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
            for seed in range(300)
        ]
        assert np.mean(trials) == pytest.approx(expected, abs=0.08)


def test_of_few_candidates_nothing_is_uneven() -> None:
    assert _unevenness([1.0, 1.1, 5.0]) == 1.0
    assert _unevenness([1.0, 1.1, 5.0, 60.0]) == 1.0  # the others are too long ago


def _keys(count: int, *, back_s: float = 0.1) -> list[tuple[float, float, float, float]]:
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
    stage = Judge(JUDGE, edges=SCORE_EDGES)
    stage.know(np.array([1 / 3] * 3 + [1e-9] * (len(SCORE_EDGES) - 2)), heard_s=60.0)
    stage.kept = kept = []
    for i in range(200):
        stage.push(0.5 * i, -1.1, 0.0, 0.1, log_odds=0.0)
        stage.push(0.5 * i, -0.9, 0.0, 0.1, log_odds=0.0)  # not so poor
    stage.push(100.0, 4.0, 0.0, 2.0, log_odds=0.0)
    remembered = 1 / (np.exp(0.5 / judge.SECONDS) - 1)  # of one every half second, fading
    expected = np.log1p(remembered) - np.log1p(judge.SECONDS)
    assert kept[-1][1][judge.NAMES.index("poor ones")] == pytest.approx(expected, abs=1e-3)


def test_after_a_reset_it_remembers_nothing() -> None:
    """The other tests of a reset have a judge that does not see what is remembered here."""
    stage = Judge(JUDGE, edges=SCORE_EDGES)

    def met() -> list[list[float]]:
        stage.kept = kept = []
        for time, score, kind_score, strength in _keys(12):
            stage.push(time, score, kind_score, strength, log_odds=0.0)
        return [vector.tolist() for _, vector in kept]

    stage.know(np.full(len(SCORE_EDGES) + 1, 0.3), heard_s=60.0)
    first = met()
    stage.reset()
    assert met() != first
    stage.reset()
    stage.know(np.full(len(SCORE_EDGES) + 1, 0.3), heard_s=60.0)
    assert met() == first


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
