"""The peak of first crack against Poisson processes whose peak is known, and the normal distribution (scipy)."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from crackdetect.deciding.density import Peak, shrunken_peak

WINDOW_S = 15.0


def test_a_peak_is_one_standard_deviation_less() -> None:
    """Of a normal density of 100 with a standard deviation of 10: 90, and an interval 0.7 times as wide about it."""
    low, high = scipy.stats.norm(100, 10).interval(0.9)
    assert shrunken_peak(100, low, high) == pytest.approx((90, 90 - 0.7 * 16.45, 90 + 0.7 * 16.45), abs=0.02)


def test_nothing_counted_says_little() -> None:
    """Jeffreys' posterior of no crack in a window (Gamma(1/2), scipy) is skewed: nothing falls under zero."""
    rate = scipy.stats.gamma(0.5, scale=60 / WINDOW_S)
    peak = shrunken_peak(rate.mean(), *rate.interval(0.9))
    assert 0 == peak.low < peak.per_minute < rate.mean() < peak.high < 8


@pytest.mark.parametrize("per_minute", [40.0, 70.0, 100.0, 150.0])
@pytest.mark.parametrize(
    ("hold_s", "least", "most", "held_at_least"), [(15, 0.9, 1.05, 0.75), (25, 0.92, 1.1, 0.8), (60, 1.0, 1.25, 0.7)]
)
def test_the_peak_of_a_poisson_chorus_is_found(
    per_minute: float, hold_s: float, least: float, most: float, held_at_least: float
) -> None:
    """200 choruses, each crack heard, ramp and fall of 25 s; densities every second, as the gamma posterior of
    Jeffreys' prior. The largest of them is too large; the peak made from them is nearer, whatever the hold."""
    rng = np.random.default_rng(round(per_minute))
    largest, peaks = [], []
    for _ in range(200):
        times = _chorus(rng, per_minute / 60, hold_s)
        ends = np.arange(WINDOW_S, 50.0 + hold_s)
        counts = np.searchsorted(times, ends) - np.searchsorted(times, ends - WINDOW_S)
        rates = scipy.stats.gamma(np.unique(counts) + 0.5, scale=60 / WINDOW_S)
        densities = np.stack([rates.mean(), *rates.interval(0.9)], axis=1)
        largest.append(densities[:, 0].max())
        peaks.append(max(shrunken_peak(*density) for density in densities.tolist()))
    middle = np.median([peak.per_minute for peak in peaks])
    held = np.mean([peak.low <= per_minute <= peak.high for peak in peaks])

    assert least * per_minute < middle < most * per_minute
    assert abs(middle - per_minute) < abs(np.median(largest) - per_minute)
    assert held >= held_at_least


def _chorus(rng: np.random.Generator, top: float, hold_s: float) -> np.ndarray:
    """Times of its cracks, by thinning (Lewis and Shedler, Nav. Res. Logist. Q. 26, 403, 1979, from memory)."""
    end = 50 + hold_s
    possible = np.sort(rng.uniform(0, end, rng.poisson(end * top)))
    return possible[rng.random(len(possible)) < np.minimum(1, np.minimum(possible, end - possible) / 25)]


def test_peaks_compare_by_their_density() -> None:
    assert max(Peak(80, 40, 160), Peak(90, 30, 100)) == (90, 30, 100)
