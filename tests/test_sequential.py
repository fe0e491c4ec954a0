"""Sequential tests and change points, against published tables and a famous series."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from crackdetect.errors import InputError, SettingError
from crackdetect.evaluate.announcement_limit import (
    gaussian_cusum_run_length,
    point_cusum_run_length,
    point_cusum_threshold,
    poisson_cusum_run_length,
)
from crackdetect.evaluate.dating_limit import ramp_start
from crackdetect.train.change_point import poisson_change_point

_LINES = (Path(__file__).parent / "data" / "coal_mining_disasters.txt").read_text(encoding="utf-8").splitlines()
#: Dates in years; the head of the file says where they are from.
DISASTERS = 1851 + np.array([float(day) for line in _LINES if line[0] != "#" for day in line.split()]) / 365.25


@pytest.mark.parametrize(("h", "shift", "expected"), [(4, 0.0, 336), (4, 1.0, 8.38), (5, 0.0, 930), (5, 1.0, 10.4)])
def test_gaussian_run_lengths(h: float, shift: float, expected: float) -> None:
    """One-sided, k = 0.5: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.1."""
    assert gaussian_cusum_run_length(k=0.5, h=h, shift=shift) == pytest.approx(expected, rel=0.003)


@pytest.mark.parametrize(("mean", "expected"), [(1.88, 37.20), (3.20, 5.49)])
def test_poisson_run_lengths(mean: float, expected: float) -> None:
    """k = 2, h = 6, signal at or above h: after J. M. Lucas, Technometrics 27, 1985, as a package quotes it."""
    assert poisson_cusum_run_length(mean=mean, k=2, h=6) == pytest.approx(expected, abs=0.005)


def test_poisson_run_length_on_a_finer_lattice() -> None:
    """k = 1.5, h = 4: the Markov chain against 20,000 plain simulated runs (2 % is three standard errors)."""
    rng = np.random.default_rng(3)
    total, length, alive = np.zeros(20_000), np.zeros(20_000), np.ones(20_000, bool)
    while alive.any():
        total = np.maximum(0, total + rng.poisson(1.4, 20_000) - 1.5)
        length += alive
        alive &= total < 4
    assert poisson_cusum_run_length(mean=1.4, k=1.5, h=4) == pytest.approx(length.mean(), rel=0.02)


@pytest.mark.parametrize(
    ("rate", "background", "design", "threshold"), [(1, 1, 30, 3.0), (12, 3, 9, 5.0), (3, 3, 9, 2.5)]
)
def test_point_process_run_length_equals_a_plain_simulation(
    rate: float, background: float, design: float, threshold: float
) -> None:
    """Page's test for a point process, one run after the other (4 % is three standard errors)."""
    rng = np.random.default_rng(1)
    times = []
    for _ in range(6000):
        total = time = 0.0
        while total < threshold:
            wait = rng.exponential(1 / rate)
            time += wait
            total = max(0.0, total - (design - background) * wait) + math.log(design / background)
        times.append(time)
    exact = point_cusum_run_length(rate=rate, background=background, design=design, threshold=threshold)
    assert exact == pytest.approx(np.mean(times), rel=0.04)


def test_one_point_is_enough_below_one_gain() -> None:
    #        ln(30 / 1) = 3.4: the first point reaches a threshold of 3, after 1 / rate
    assert point_cusum_run_length(rate=0.25, background=1, design=30, threshold=3.0) == pytest.approx(4.0)


def test_threshold_gives_the_false_alarms_asked_for() -> None:
    threshold = point_cusum_threshold(background=3, design=30, between_false=600)
    assert point_cusum_run_length(rate=3, background=3, design=30, threshold=threshold) == pytest.approx(600, rel=1e-6)


def test_coal_mining_disasters_fell_in_march_1890() -> None:
    """Jarrett, Biometrika 66, 1979: 191 events; by whole years after 1891, 3.10 a year before, 0.91 after.

    By days: 10 March 1890 (Raftery & Akman, Biometrika 73, 1986; from memory).
    """
    change = poisson_change_point(DISASTERS, 1851, 1962.22)

    assert len(DISASTERS) == 191
    assert change.time == pytest.approx(1890 + 68.5 / 365.25, abs=2 / 365.25)
    assert change.before == pytest.approx(3.10, rel=0.05)
    assert change.after == pytest.approx(0.91, rel=0.02)
    # the same by whole years, from the same list
    counts = np.bincount(DISASTERS.astype(int) - 1851, minlength=112)
    years = np.arange(1, 112)
    early, late = np.cumsum(counts)[:-1], counts.sum() - np.cumsum(counts)[:-1]
    likelihood = early * np.log(early / years) + late * np.log(late / (112 - years))
    best = int(likelihood.argmax())
    assert (1851 + best, round(early[best] / years[best], 2)) == (1891, 3.10)


def test_coal_mining_disasters_backwards_are_a_rise() -> None:
    """The series reversed in time: what first crack does."""
    rise = poisson_change_point(1962.22 - DISASTERS, 0, 1962.22 - 1851)

    assert 1962.22 - rise.time == pytest.approx(1890.19, abs=0.01)
    assert (rise.before, rise.after) == pytest.approx((0.91, 3.2), rel=0.02)


def test_a_rise_in_coal_mining_disasters_is_dated() -> None:
    """The same backwards, as a ramp too short to see: the median lies in the 95 % interval of Raftery and Akman
    (Biometrika 73, 85, 1986: 1887 to 1895, from memory), and so does most of the 90 % interval."""
    found = ramp_start(1962.22 - DISASTERS, now=111.22, background=0.91, ramps=[1e-3], peaks=[3.1 - 0.91], span=111)

    assert 1962.22 - found.middle == pytest.approx(1890.2, abs=1.0)
    assert 1887 - 0.5 < 1962.22 - found.latest < 1962.22 - found.earliest < 1895 + 0.5


def test_the_intervals_of_the_start_of_a_ramp_hold_what_they_say() -> None:
    """Starts drawn from the very prior lie below each quantile of their posteriors as often as it says (Cook, Gelman
    and Rubin, J. Comput. Graph. Stat. 15, 675, 2006, from memory), and no other date is nearer on average."""
    rng = np.random.default_rng(3)
    ramps, peaks, background = (10.0, 30.0, 60.0), (0.8, 2.0), 0.05
    truth, found = [], []
    for _ in range(600):
        start, ramp, peak = rng.uniform(-100, 0), rng.choice(ramps), rng.choice(peaks)
        times = rng.uniform(-100, 0, rng.poisson((background + peak) * 100))
        rate = background + peak * np.clip((times - start) / ramp, 0, 1)
        times = times[rng.random(len(times)) * (background + peak) < rate]  # thinning (Lewis and Shedler 1979)
        truth.append(start)
        found.append(ramp_start(times, now=0.0, background=background, ramps=ramps, peaks=peaks, span=100.0))
    starts, dates = np.array(truth), np.array(found)

    for quantile, below in zip((0.05, 0.5, 0.95), (starts[:, None] < dates).mean(axis=0), strict=True):
        assert below == pytest.approx(quantile, abs=4 * (quantile * (1 - quantile) / 600) ** 0.5)
    error = np.abs(dates[:, 1] - starts).mean()
    assert all(error < np.abs(dates[:, 1] + shift - starts).mean() for shift in (-3.0, 3.0))


def test_change_point_equals_a_fine_grid() -> None:
    """A slow oracle: the likelihood on 10,000 times of change."""
    rng = np.random.default_rng(8)
    times = np.concatenate([rng.uniform(0, 60, 6), rng.uniform(60, 100, 30)])
    grid = np.linspace(2.5, 97.5, 10_000)
    before = (times[None, :] < grid[:, None]).sum(axis=1)
    after = len(times) - before
    with np.errstate(divide="ignore", invalid="ignore"):
        likelihood = np.nan_to_num(before * np.log(before / grid)) + np.nan_to_num(after * np.log(after / (100 - grid)))

    change = poisson_change_point(times, 0, 100)

    assert change.time == pytest.approx(grid[likelihood.argmax()], abs=0.02)
    assert change.before < change.after


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(InputError, match="two or more"):
        poisson_change_point([1.0], 0, 10)
    with pytest.raises(InputError, match="between 0 and 10"):
        poisson_change_point([1.0, 11.0], 0, 10)
    with pytest.raises(InputError, match="ends of the span"):
        poisson_change_point([0.0, 10.0], 0, 10)
    with pytest.raises(SettingError, match="threshold"):
        gaussian_cusum_run_length(k=0.5, h=0)
    with pytest.raises(SettingError, match="more than 0"):
        poisson_cusum_run_length(mean=0, k=2, h=6)
    with pytest.raises(SettingError, match="more than 0"):
        ramp_start([1.0], now=2.0, background=0.0, ramps=[10.0], peaks=[1.0], span=10.0)
    with pytest.raises(SettingError, match="design more than background"):
        point_cusum_run_length(rate=1, background=3, design=3, threshold=5)
