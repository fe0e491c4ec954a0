"""What a machine utters by itself: counts above, learnt rates beneath, against the sum written out."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import SCORES

from crackdetect.deciding.background import Background, BackgroundSettings
from crackdetect.deciding.recent import TICK_S
from crackdetect.deciding.score_model import SCORE_BINS

SETTINGS = BackgroundSettings()
PRIOR = (SCORES.other_per_minute + SETTINGS.strays_per_minute * SCORES.crack) / 60


def _background() -> Background:
    return Background(SCORES, keep_s=60.0, settings=SETTINGS)


def _one(score_bin: int) -> np.ndarray:
    return np.eye(SCORE_BINS)[score_bin]


NONE = np.zeros(SCORE_BINS)


def test_before_anything_was_heard_the_prior_holds() -> None:
    background = _background()
    assert background.rates == pytest.approx(PRIOR)
    assert background.heard_s == 0


def test_rates_are_the_fading_counts_over_the_fading_time() -> None:
    """Slowly: each tick older than the lag counts exp(-age / memory), its seconds as well."""
    rng = np.random.default_rng(1)
    ticks = [rng.poisson(0.05, SCORE_BINS).astype(float) for _ in range(1_200)]
    background = _background()
    for counts in ticks:
        background.learn(counts, TICK_S)

    old = ticks[: len(ticks) - round(SETTINGS.lag_s / TICK_S)]
    fading = np.exp(-TICK_S * np.arange(len(old))[::-1] / SETTINGS.memory_s)
    counted, heard_s = fading @ np.array(old), TICK_S * fading.sum()
    assert background.heard_s == pytest.approx(heard_s)
    assert background.rates == pytest.approx((PRIOR * SETTINGS.prior_s + counted) / (SETTINGS.prior_s + heard_s))


def test_a_steady_machine_is_learnt_as_the_closed_form_says() -> None:
    """Exponential forgetting by d a step remembers 1 / (1 - d) steps (the geometric series; Haykin, Adaptive Filter
    Theory, recursive least squares, from memory). The rate is the mean of a gamma posterior of a Poisson rate,
    (a + counts) / (b + time) (Gelman et al., Bayesian Data Analysis, section 2.6)."""
    background = _background()
    for _ in range(round(20 * SETTINGS.memory_s / TICK_S)):
        background.learn(_one(5), TICK_S)
    steps = 1 / (1 - np.exp(-TICK_S / SETTINGS.memory_s))
    assert background.heard_s == pytest.approx(TICK_S * steps)
    assert background.heard_s == pytest.approx(SETTINGS.memory_s, rel=1e-3)
    a, b = PRIOR[5] * SETTINGS.prior_s, SETTINGS.prior_s
    assert background.rates[5] == pytest.approx((a + steps) / (b + TICK_S * steps))


def test_what_is_younger_than_the_lag_is_not_learnt_yet() -> None:
    background = _background()
    for _ in range(round(SETTINGS.lag_s / TICK_S)):
        background.learn(_one(9), TICK_S)
    assert background.rates == pytest.approx(PRIOR)
    background.learn(NONE, TICK_S)
    assert background.rates[9] > PRIOR[9]


def test_time_that_was_not_heard_neither_teaches_nor_fades() -> None:
    background = _background()
    for _ in range(400):
        background.learn(_one(3), TICK_S)
    for _ in range(round(SETTINGS.lag_s / TICK_S)):
        background.learn(NONE, 0.0)
    before = background.rates.copy()
    for _ in range(4_000):
        background.learn(NONE, 0.0)
    assert background.rates == pytest.approx(before)


@pytest.mark.parametrize(("taken_back", "learnt"), [(True, True), (False, False)])
def test_what_may_be_the_chorus_is_learnt_only_when_it_is_taken_back(taken_back: bool, learnt: bool) -> None:
    background = _background()
    for _ in range(80):
        background.withhold(_one(12), TICK_S, ripen=True)
    assert background.rates == pytest.approx(PRIOR)
    if taken_back:
        background.learn_withheld()
    for _ in range(200):
        background.learn(NONE, TICK_S)
    assert bool(background.rates[12] > 2 * PRIOR[12]) is learnt
