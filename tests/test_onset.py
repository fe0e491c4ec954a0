"""Candidates: clicks above, the expected candidates beneath; thresholds and rates against scipy.stats."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest
import scipy.stats
from clicks import candidates_of, clicks_in_noise

from crackdetect.deciding.density import dead_time_loss
from crackdetect.hearing.onset import (
    AFTER,
    BEFORE,
    CELL,
    HOLD_OFF_FRAMES,
    TAIL_PROBABILITY,
    WARM_UP_CELLS,
    Candidate,
    Onset,
    band_excess,
)
from crackdetect.hearing.spectrum import BAND_EDGES, BANDS, FRAME_S, HOPS_PER_FRAME, BandSplitter, Frames

RATE = 44_100
HOP_S = FRAME_S / HOPS_PER_FRAME


def _strong(samples: np.ndarray, *, samplerate: int = RATE, least: float = 1.0) -> list[float]:
    splitter, candidates = candidates_of(samples, samplerate=samplerate)
    return [splitter.centre(c.frame) / samplerate for c in candidates if c.strength > least]


@pytest.mark.parametrize(
    ("clicks_s", "expected_s"),
    [
        ([1.0, 1.5, 2.0], [1.0, 1.5, 2.0]),
        ([1.0, 1.02, 1.04], [1.0, 1.02, 1.04]),  # beyond the hold-off of 12 ms: each its own
        ([1.0, 1.004, 2.0], [1.002, 2.0]),  # within it: one
        ([0.3, 1.0], [1.0]),  # before the warm-up of 0.6 s: not heard
        ([], []),
    ],
    ids=["apart", "20 ms apart", "4 ms apart", "too early", "none"],
)
def test_clicks_and_their_candidates(clicks_s: list[float], expected_s: list[float]) -> None:
    sound = clicks_in_noise(clicks_s, samplerate=RATE, duration_s=2.5)
    assert _strong(sound) == pytest.approx(expected_s, abs=0.0035)


@pytest.mark.parametrize("frequency_hz", [500, 1_300, 3_000, 7_000, 11_000, 14_000, 18_000])
def test_a_click_is_found_in_whatever_band_it_is(frequency_hz: float) -> None:
    sound = clicks_in_noise([1.2], samplerate=RATE, duration_s=1.6, amplitude=0.05, frequency_hz=frequency_hz)
    assert _strong(sound) == pytest.approx([1.2], abs=0.0035)


def test_thresholds_are_the_tail_of_a_chi_square() -> None:
    """Degrees of freedom of the sum of n bins: twice its squared mean over its variance (Welch, IEEE Trans. Audio
    Electroacoust. 15, 1967; the variance summed here over all pairs of bins); ratio to the median."""
    widths = np.diff(BAND_EDGES)
    # correlation of the power of neighbouring bins under a Hann window: (2/3)**2 and (1/6)**2 (Harris, Proc. IEEE
    # 66, 1978, from memory; computed here from the window's autocorrelation)
    window = np.hanning(257)[:-1] ** 2
    spectrum = np.abs(np.fft.fft(window))
    correlation = (spectrum / spectrum[0]) ** 2
    apart = np.minimum(np.abs(np.subtract.outer(np.arange(24), np.arange(24))), 3)
    pairs = np.append(correlation[:3], 0.0)[apart]
    freedom = [2 * n**2 / pairs[:n, :n].sum() for n in widths]

    chi = scipy.stats.chi2(freedom)
    expected = np.log(chi.isf(TAIL_PROBABILITY) / chi.median())
    assert band_excess(BANDS, TAIL_PROBABILITY) == pytest.approx(expected, rel=2e-3)
    assert band_excess(5, TAIL_PROBABILITY) == pytest.approx(expected[:5], rel=2e-3)


def _exceeds(level: float, eigenvalues: np.ndarray) -> float:
    """Probability that a sum of exponential variables of these means passes a level (Imhof, Biometrika 48, 1961)."""
    u = np.linspace(1e-6, 60 / eigenvalues.max(), 4_001)
    product = np.multiply.outer(eigenvalues, u)
    angle = np.arctan(product).sum(axis=0) - level * u
    damping = np.sqrt(1 + product**2).prod(axis=0)
    return 0.5 + float(scipy.integrate.trapezoid(np.sin(angle) / (u * damping), u)) / np.pi


def test_the_tail_in_real_noise_is_that_of_correlated_bins() -> None:
    """Share of the frames of 100 s of Gaussian noise above each band's threshold, beside the exact law: the energy of
    n bins is a sum of exponentials with the eigenvalues of their correlation as means. The chi-square of the thresholds
    has its mean and variance, and a lighter tail."""
    noise = np.random.default_rng(1).normal(0, 0.1, 100 * RATE).astype(np.float32)
    bands = BandSplitter(samplerate=RATE).push(noise).band_energy
    excess = band_excess(BANDS, TAIL_PROBABILITY)
    share = (np.log(bands / np.median(bands, axis=0)) > excess).mean(axis=0)
    exact = []
    for width, threshold in zip(np.diff(BAND_EDGES), excess, strict=True):
        apart = np.minimum(np.abs(np.subtract.outer(np.arange(width), np.arange(width))), 3)
        means = np.linalg.eigvalsh(np.array([1.0, -2 / 3, 1 / 6, 0.0])[apart])  # amplitudes under a Hann window
        means = means[means > 1e-6]
        low, high = 0.0, 4.0 * width
        for _ in range(40):  # the median
            middle = (low + high) / 2
            low, high = (middle, high) if _exceeds(middle, means) > 0.5 else (low, middle)
        exact.append(_exceeds(middle * np.exp(threshold), means))

    # some 30 exceedances of each band, which come in clumps of two or three, for frames overlap
    assert share == pytest.approx(exact, rel=0.8)
    assert share.mean() == pytest.approx(np.mean(exact), rel=0.25)
    assert all(1.5 < tail / TAIL_PROBABILITY < 2.2 for tail in exact)


@pytest.mark.parametrize(("samplerate", "per_s"), [(8_000, 1.4), (16_000, 1.6), (44_100, 2.5), (96_000, 2.5)])
def test_candidates_in_noise_are_as_rare_as_documented(samplerate: int, per_s: float) -> None:
    noise = clicks_in_noise([], samplerate=samplerate, duration_s=100, noise_rms=0.05, seed=samplerate)
    count = len(candidates_of(noise, samplerate=samplerate)[1])
    assert count / 100 == pytest.approx(per_s, abs=0.04 + 3 * (per_s / 100) ** 0.5)  # three standard errors


def _frames(energy: np.ndarray, first: int = 0) -> Frames:
    bands = energy.astype(np.float32)
    return Frames(first, bands, np.ones((len(bands), 4), np.float32))


def _noise_energy(rng: np.random.Generator, count: int) -> np.ndarray:
    """Energies of ten bands without any exceedance."""
    return rng.uniform(0.9, 1.1, (count, BANDS))


@pytest.mark.parametrize("per_minute", [100, 500, 1500])
def test_dead_time(per_minute: int) -> None:
    """A hold-off tau loses 1 - exp(-r tau) of a Poisson process (computed): 2 % at 100, 9.5 % at 500 a minute.

    "The largest within tau on both sides" loses 1 - (1 - exp(-2 r tau)) / (2 r tau), the same to first order.
    """
    count = 400_000
    rng = np.random.default_rng(per_minute)
    per_frame = per_minute / 60 * HOP_S
    hits = rng.random(count) < per_frame
    hits[: BEFORE + CELL * WARM_UP_CELLS] = False
    hits[-AFTER:] = False
    energy = _noise_energy(rng, count)
    energy[hits] *= rng.uniform(30, 300, (int(hits.sum()), 1))

    found = Onset(bands=BANDS).push(_frames(energy)).candidates
    lost = 1 - len(found) / hits.sum()
    tau = HOLD_OFF_FRAMES * HOP_S
    expected = dead_time_loss(per_minute, tau, model="local-maximum")
    assert lost == pytest.approx(expected, abs=4 * np.sqrt(expected / hits.sum()))
    assert expected == pytest.approx(dead_time_loss(per_minute, tau), abs=0.2 * expected)


def test_the_candidate_carries_its_neighbourhood() -> None:
    rng = np.random.default_rng(5)
    energy = _noise_energy(rng, 2_000)
    energy[1_000, 3] = 50.0
    energy[1_001, 7] = 20.0
    (candidate,) = Onset(bands=BANDS).push(_frames(energy)).candidates

    assert candidate.frame == 1_000
    assert candidate.ratios.shape == (BEFORE + 1 + AFTER, BANDS)
    assert candidate.bin_energy.shape == (BEFORE + 1 + AFTER, 4)
    assert candidate.ratios[BEFORE, 3] == pytest.approx(np.log(50), abs=0.02)
    assert candidate.ratios[BEFORE + 1, 7] == pytest.approx(np.log(20), abs=0.02)
    assert abs(candidate.ratios[:BEFORE]).max() < 0.12
    assert candidate.strength == pytest.approx(np.log(50) - band_excess(BANDS, TAIL_PROBABILITY)[3], abs=0.02)
    assert candidate.in_band_floor == pytest.approx(6.0, rel=0.02)  # six bands of median 1
    # ln of the upper quartile over the median of uniform 0.9..1.1
    assert candidate.floor_log_spread == pytest.approx(np.full(BANDS, np.log(1.05)), abs=0.015)


def test_noise_that_spreads_wider_raises_its_own_threshold() -> None:
    """Energies of Gaussian noise and the same to the power of 1.5: their logarithms spread 1.5 times as wide.

    A threshold that stays would let ten times as many frames through; one that follows, some twice as many.
    """
    widths = np.diff(BAND_EDGES)
    chi = scipy.stats.chi2(2 * widths**2 / (1.944 * widths - 1))
    energy = chi.rvs((60_000, BANDS), random_state=4)
    median = np.median(energy, axis=0)
    counts, fixed = [], []
    for power in (1.0, 1.5):
        counts.append(len(Onset(bands=BANDS).push(_frames(energy**power)).candidates))
        above = power * np.log(energy / median) > band_excess(BANDS, TAIL_PROBABILITY)
        fixed.append(int(above.any(axis=1).sum()))

    assert counts[0] > 50
    assert fixed[1] > 10 * fixed[0]
    assert counts[1] < 3 * counts[0]


def test_bands_that_are_missing_are_zero() -> None:
    energy = _noise_energy(np.random.default_rng(6), 1_500)[:, :5]
    energy[1_000] *= 40
    (candidate,) = Onset(bands=5).push(_frames(energy)).candidates
    assert not candidate.ratios[:, 5:].any()
    assert not candidate.floor_log_spread[5:].any()


def test_a_chorus_does_not_lift_the_floor() -> None:
    """A quarter of the frames 20 dB up: the floor, a median, moves by less than 1 dB."""
    rng = np.random.default_rng(7)
    energy = _noise_energy(rng, 6_000)
    busy = np.zeros(6_000, bool)
    busy[2_000:] = rng.random(4_000) < 0.25
    energy[busy] *= 100
    energy[5_900] = 1e4
    (last,) = [c for c in Onset(bands=BANDS).push(_frames(energy)).candidates if c.frame == 5_900]
    assert last.in_band_floor / 6 < 10**0.1


def test_the_floor_follows_the_noise_and_only_the_past() -> None:
    """The machine gets 10 dB louder at frame 5,000: candidates at once, none once half of the memory is new."""
    rng = np.random.default_rng(8)
    energy = _noise_energy(rng, 8_000)
    energy[5_000:] *= 10
    frames = [c.frame for c in Onset(bands=BANDS).push(_frames(energy)).candidates]
    assert frames
    assert min(frames) >= 5_000
    assert max(frames) <= 5_000 + 7 * CELL


def _described(found: Iterable[Candidate]) -> list[tuple[int, float, bytes, bytes, float]]:
    return [(c.frame, c.strength, c.ratios.tobytes(), c.floor_log_spread.tobytes(), c.in_band_floor) for c in found]


def test_frames_one_at_a_time_give_the_same_candidates() -> None:
    sound = clicks_in_noise([0.9, 1.0, 1.006, 1.8], samplerate=RATE, duration_s=2.2)
    frames = BandSplitter(samplerate=RATE).push(sound)
    whole = Onset(bands=BANDS).push(frames).candidates
    stage = Onset(bands=BANDS)
    single = [
        candidate
        for i in range(len(frames))
        for candidate in stage.push(Frames(i, frames.band_energy[i : i + 1], frames.bin_energy[i : i + 1])).candidates
    ]
    assert len(whole) >= 3
    assert _described(single) == _described(whole)


def test_nothing_reaches_across_a_gap() -> None:
    """Clicks within 60 ms before a gap and 240 ms after it have no neighbourhood: they are not candidates."""
    rng = np.random.default_rng(9)
    energy = _noise_energy(rng, 4_000)
    for frame in (1_000, 1_480, 2_010, 2_150, 2_161, 2_400):
        energy[frame] *= 50
    stage = Onset(bands=BANDS)
    found = [stage.push(_frames(energy[:1_500])), stage.push(_frames(energy[2_000:], first=2_000))]

    assert [c.frame for one in found for c in one.candidates] == [1_000, 2_161, 2_400]
    judged = sum(len(one.heard.audible) for one in found)
    assert judged == (1_500 - BEFORE - AFTER) + (2_000 - BEFORE - AFTER)


def test_silence_is_not_heard_and_wakes_nobody() -> None:
    energy = _noise_energy(np.random.default_rng(10), 3_000)
    energy[1_500:2_000] = 0.0
    found = Onset(bands=BANDS).push(_frames(energy))
    heard = found.heard.audible

    assert found.candidates == ()
    assert not heard[1_500 - BEFORE : 2_000 - BEFORE].any()
    assert heard[CELL * WARM_UP_CELLS : 1_500 - BEFORE].all()
