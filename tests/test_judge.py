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
