"""The filter that says whether first crack has begun, against an obvious forward algorithm."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import MARKS

from crackdetect.start_filter import StartFilter, StartSettings

CRACK = np.array(MARKS["crack"])
BURST = np.array(MARKS["burst"])
BACKGROUND = np.array(MARKS["other_per_minute"]) / 60
TICK_S = 0.25
S = StartSettings()


def _filter() -> StartFilter:
    return StartFilter(crack=CRACK, burst=BURST, tick_s=TICK_S)


def _sure(count: int) -> list[int]:
    return [len(CRACK) - 1] * count


def slow_forward(ticks: list[list[int]]) -> float:
    """The same by the textbook (Rabiner 1989, forward algorithm): every path state by state, no vectors."""
    extra = [
        [0.0] * len(CRACK),
        [S.clump_per_second * c for c in CRACK],
        [S.burst_per_second * b for b in BURST],
        *([rate / 60 * c for c in CRACK] for rate in S.chorus_per_minute),
    ]
    clump, burst, start = (TICK_S / 60 / m for m in (S.clump_every_min, S.burst_every_min, S.start_every_min))
    end_clump, end_burst = (1 - math.exp(-TICK_S / t) for t in (S.clump_s, S.burst_s))
    climb = [1 - math.exp(-TICK_S / t) for t in S.climb_s]
    move = {
        (0, 0): 1 - clump - burst - start,
        (0, 1): clump,
        (0, 2): burst,
        (0, 3): start,
        (1, 0): end_clump,
        (1, 1): 1 - end_clump - start,
        (1, 3): start,
        (2, 0): end_burst,
        (2, 2): 1 - end_burst - start,
        (2, 3): start,
        (3, 3): 1 - climb[0],
        (3, 4): climb[0],
        (4, 4): 1 - climb[1],
        (4, 5): climb[1],
        (5, 5): 1 - climb[2],
        (5, 6): climb[2],
        (6, 6): 1.0,
    }
    weights = [1.0] + [0.0] * 6
    for bins in ticks:
        following = [0.0] * 7
        for (origin, state), share in move.items():
            following[state] += weights[origin] * share
        for state in range(7):
            following[state] *= math.exp(-sum(extra[state]) * TICK_S)
            for b in bins:
                following[state] *= 1 + extra[state][b] / BACKGROUND[b]
        total = sum(following)
        weights = [w / total for w in following]
    return math.log(sum(weights[3:]) / sum(weights[:3]))


@pytest.mark.parametrize("seed", range(5))
def test_the_filter_is_the_forward_algorithm(seed: int) -> None:
    rng = np.random.default_rng(seed)
    ticks = [rng.integers(0, len(CRACK), rng.poisson(0.4)).tolist() for _ in range(160)]
    found = _filter()
    for bins in ticks:
        odds = found.push(bins, background=BACKGROUND, observed_s=TICK_S)
    assert odds == pytest.approx(slow_forward(ticks), abs=1e-6)


def test_a_chorus_raises_the_odds_and_silence_lowers_them() -> None:
    found = _filter()
    first = [found.push(_sure(1) if i % 4 == 0 else [], background=BACKGROUND, observed_s=TICK_S) for i in range(80)]
    then = [found.push([], background=BACKGROUND, observed_s=TICK_S) for _ in range(400)]
    assert first[0] < 0 < 6 < first[-1]
    assert then[-1] < first[-1] - 15


def test_ten_sure_cracks_at_once_are_a_clump() -> None:
    """Ten within two seconds, then nothing: a chorus of as many, a second apart, is worth far more."""
    burst, chorus = _filter(), _filter()
    at_once = [burst.push(_sure(5) if i < 2 else [], background=BACKGROUND, observed_s=TICK_S) for i in range(60)]
    spread = [chorus.push(_sure(1) if i % 4 == 0 else [], background=BACKGROUND, observed_s=TICK_S) for i in range(40)]
    assert max(at_once) < 3
    assert spread[-1] > max(at_once) + 2


def test_unheard_time_changes_nothing() -> None:
    found = _filter()
    for i in range(40):
        before = found.push(_sure(1) if i % 8 == 0 else [], background=BACKGROUND, observed_s=TICK_S)
    for _ in range(240):
        assert found.push([], background=BACKGROUND, observed_s=0.0) == before


def test_eight_hours_of_silence_stay_numbers_and_do_not_deafen() -> None:
    found = _filter()
    for _ in range(8 * 3600 * 4):
        odds = found.push([], background=BACKGROUND, observed_s=TICK_S)
    assert math.isfinite(odds)
    assert odds < 0
    late = [found.push(_sure(1) if i % 4 == 0 else [], background=BACKGROUND, observed_s=TICK_S) for i in range(80)]
    assert late[-1] > 6


def test_reset_equals_new() -> None:
    used = _filter()
    for _ in range(20):
        used.push(_sure(1), background=BACKGROUND, observed_s=TICK_S)
    used.reset()
    assert used.push(_sure(2), background=BACKGROUND, observed_s=TICK_S) == _filter().push(
        _sure(2), background=BACKGROUND, observed_s=TICK_S
    )
