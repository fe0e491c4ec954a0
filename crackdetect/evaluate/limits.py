"""What no detector can beat: the limits for hearing one crack, for announcing a change of rate and for dating it.

Run lengths of cumulative sums are exact (integral equation, Markov chain, differential equation). Where a
limit has no closed form (a ramp; a maximum over windows) it is a seeded simulation.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import scipy.special

from crackdetect.errors import InputError, SettingError

Doubles = npt.NDArray[np.float64]

# -- run lengths of cumulative sums


def gaussian_cusum_run_length(*, k: float, h: float, shift: float = 0.0, nodes: int = 64) -> float:
    """Mean number of samples until S = max(0, S + x - k) passes h, from S = 0; x ~ N(``shift``, 1).

    The integral equation of Page (Biometrika 41, 1954) by Gauss-Legendre quadrature with ``nodes`` points:
    L(z) = 1 + L(0) Phi(k - z - shift) + integral over 0..h of L(y) phi(y + k - z - shift) dy.
    """
    if not h > 0:
        raise SettingError(f"threshold {h} is out of range; give more than 0")
    x, w = np.polynomial.legendre.leggauss(nodes)
    y = np.concatenate([[0.0], (x + 1) * h / 2])
    weights = w * h / 2
    kernel = np.empty((nodes + 1, nodes + 1))
    kernel[:, 0] = scipy.special.ndtr(k - y - shift)
    kernel[:, 1:] = weights * np.exp(-((y[None, 1:] + k - y[:, None] - shift) ** 2) / 2) / math.sqrt(2 * math.pi)
    return float(np.linalg.solve(np.eye(nodes + 1) - kernel, np.ones(nodes + 1))[0])


def poisson_cusum_run_length(*, mean: float, k: float, h: float) -> float:
    """Mean number of counts until S = max(0, S + count - k) reaches h, from S = 0; Poisson counts.

    Exact: S lives on a lattice, so it is a Markov chain (Brook & Evans, Biometrika 59, 1972; Lucas,
    Technometrics 27, 1985). k and h are fractions with denominators up to 1000.
    """
    if not (mean > 0 and k > 0 and h > 0):
        raise SettingError(f"mean {mean}, k {k} and h {h} must all be more than 0")
    k_exact, h_exact = (Fraction(value).limit_denominator(1000) for value in (k, h))
    unit = Fraction(1, math.lcm(k_exact.denominator, h_exact.denominator))
    down, states = int(k_exact / unit), int(h_exact / unit)
    step = unit.denominator  # one count moves S by so many units
    chain = np.zeros((states, states))
    for state in range(states):
        for count in range((states - 1 - state + down) // step + 1):
            probability = math.exp(count * math.log(mean) - mean - math.lgamma(count + 1))
            chain[state, max(0, state + count * step - down)] += probability
    return float(np.linalg.solve(np.eye(states) - chain, np.ones(states))[0])


def point_cusum_run_length(
    *, rate: float, background: float, design: float, threshold: float, degree: int = 24
) -> float:
    """Mean time to the alarm of the cumulative sum for a point process, from S = 0, in the unit of 1 / rate.

    S gains u = ln(design / background) at every point and loses design - background in a unit of time,
    restarted at zero; the alarm is at S >= threshold (nats). The points come at ``rate``. This is Page's
    test, optimal for a step from background to design (Moustakides, Ann. Statist. 14, 1986).

    Mean number of points to come, G(s), with c = rate / (design - background): G' = c (1 + G(s + u) - G),
    G = 0 from the threshold on, G(0) = 1 + G(u); solved by Chebyshev collocation on pieces of width u. An
    alarm falls on a point, so the mean time is G(0) / rate (Wald).
    """
    if not (rate > 0 and 0 < background < design and threshold > 0):
        raise SettingError(
            f"rate {rate}, background {background}, design {design} and threshold {threshold} must be more "
            "than 0, and design more than background"
        )
    gain = math.log(design / background)
    pace = rate / (design - background)
    pieces, size = math.ceil(threshold / gain), degree + 1
    x, derivative, weights = _chebyshev(degree)
    # piece p spans threshold - (p + 1) gain .. threshold - p gain, node 0 at its upper end; the lowest may
    # reach below zero, where the smooth continuation does no harm
    equations, right = np.zeros((pieces * size, pieces * size)), np.zeros(pieces * size)
    for p in range(pieces):
        own = slice(p * size, (p + 1) * size)
        equations[own, own] = derivative * 2 / gain + pace * np.eye(size)
        right[own] = pace
        if p:
            above = slice((p - 1) * size, p * size)
            equations[own, above] -= pace * np.eye(size)
            equations[p * size] = 0  # instead of the equation at its upper end, the piece joins the one above
            equations[p * size, p * size], equations[p * size, p * size - 1] = 1, -1
            right[p * size] = 0

    def value_at(s: float) -> Doubles:
        row = np.zeros(pieces * size)
        if s < threshold:
            p = min(int((threshold - s) / gain), pieces - 1)
            z = 2 * (s - threshold + (p + 1) * gain) / gain - 1
            away = z - x
            if np.abs(away).min() < 1e-12:
                row[p * size + int(np.abs(away).argmin())] = 1
            else:
                shares = weights / away
                row[p * size : (p + 1) * size] = shares / shares.sum()
        return row

    equations[0] = value_at(0.0) - value_at(gain)
    right[0] = 1
    return float(value_at(0.0) @ np.linalg.solve(equations, right)) / rate


def _chebyshev(degree: int) -> tuple[Doubles, Doubles, Doubles]:
    """Nodes from 1 to -1, differentiation matrix, barycentric weights (Trefethen, Spectral Methods, 2000)."""
    j = np.arange(degree + 1)
    x = np.cos(np.pi * j / degree)
    c = np.where((j == 0) | (j == degree), 2.0, 1.0) * (-1.0) ** j
    derivative = np.outer(c, 1 / c) / (x[:, None] - x[None, :] + np.eye(degree + 1))
    return x, derivative - np.diag(derivative.sum(axis=1)), 1 / c


def point_cusum_threshold(*, background: float, design: float, between_false: float) -> float:
    """Threshold (nats) with a mean time ``between_false`` to a false alarm, in the unit of 1 / background."""

    def excess(threshold: float) -> float:
        length = point_cusum_run_length(rate=background, background=background, design=design, threshold=threshold)
        return math.log(length / between_false)

    return _root(excess, 0.01, 30.0)


# -- the delay of announcing

#: Rises (cracks a minute over the background) for which the sum is designed when the best one is looked for.
DESIGN_RISES = (15.0, 20.0, 30.0, 40.0, 60.0)


def poisson_cusum_delay(
    *,
    background_per_minute: float,
    rise_per_minute: float,
    ramp_s: float = 0.0,
    between_false_h: float = 10.0,
    design_rise_per_minute: float | None = None,
    runs: int = 20_000,
    seed: int = 0,
) -> float:
    """Mean delay (s) from the start of a rise of the rate of points to its announcement.

    The rate goes from the background up by ``rise_per_minute`` linearly within ``ramp_s`` (0: at once) and
    stays. The cumulative sum starts from zero when the rise does, and announces falsely once in
    ``between_false_h`` hours on average. design_rise_per_minute: the rise it is designed for; ``None``: for a
    step the rise itself, which is optimal, for a ramp the best of :data:`DESIGN_RISES`, which is near it.
    Exact for a step; for a ramp the mean of ``runs`` simulated ones (standard error under 0.5 %).
    """
    if not (background_per_minute > 0 and rise_per_minute > 0):
        raise SettingError(f"rates {background_per_minute} and {rise_per_minute} a minute must be more than 0")
    if ramp_s < 0 or not between_false_h > 0 or runs < 1:
        raise SettingError(f"ramp {ramp_s} s, {between_false_h} h and {runs} runs: none may be negative or nothing")
    if design_rise_per_minute is None and ramp_s > 0:
        return min(
            poisson_cusum_delay(
                background_per_minute=background_per_minute,
                rise_per_minute=rise_per_minute,
                ramp_s=ramp_s,
                between_false_h=between_false_h,
                design_rise_per_minute=design,
                runs=runs,
                seed=seed,
            )
            for design in DESIGN_RISES
        )
    design = background_per_minute + (design_rise_per_minute or rise_per_minute)
    threshold = point_cusum_threshold(
        background=background_per_minute, design=design, between_false=between_false_h * 60
    )
    if ramp_s == 0:
        return 60 * point_cusum_run_length(
            rate=background_per_minute + rise_per_minute,
            background=background_per_minute,
            design=design,
            threshold=threshold,
        )
    return _ramp_delay(
        background=background_per_minute / 60,
        rise=rise_per_minute / 60,
        ramp=ramp_s,
        design=design / 60,
        threshold=threshold,
        runs=runs,
        seed=seed,
    )


def _ramp_delay(
    *, background: float, rise: float, ramp: float, design: float, threshold: float, runs: int, seed: int
) -> float:
    """Mean time to the alarm, in the unit of 1 / background: all runs at once, point by point.

    The points are those of a unit Poisson process with time stretched by the inverse of the integrated rate.
    """
    rng = np.random.default_rng(seed)
    gain, pace = math.log(design / background), design - background
    over_ramp, bend = (background + rise / 2) * ramp, rise / (2 * ramp)
    integrated, now, total = np.zeros(runs), np.zeros(runs), np.zeros(runs)
    alarms: list[Doubles] = []
    while total.size:
        integrated += rng.exponential(size=integrated.size)
        on_ramp = (np.sqrt(background**2 + 4 * bend * integrated) - background) / (2 * bend)
        after_it = ramp + (integrated - over_ramp) / (background + rise)
        point = np.where(integrated < over_ramp, on_ramp, after_it)
        total = np.maximum(0, total - pace * (point - now)) + gain
        alarm = total >= threshold
        alarms.append(point[alarm])
        integrated, now, total = integrated[~alarm], point[~alarm], total[~alarm]
    return float(np.concatenate(alarms).mean())


# -- the change point, after the fact


class ChangePoint(NamedTuple):
    """time: of the change; before, after: points a unit of time on either side of it."""

    time: float
    before: float
    after: float


def poisson_change_point(times: npt.ArrayLike, start: float, end: float, *, margin: float = 0.02) -> ChangePoint:
    """Maximum-likelihood step change of the rate of points observed from ``start`` to ``end``.

    times: shape (n,), n >= 2, in any order. The likelihood peaks just before or just after a point. margin:
    share of the span kept free at both ends, where a single point would have any rate. Raises InputError if
    there is nothing to choose from.
    """
    points = np.sort(np.asarray(times, dtype=np.float64))
    if points.ndim != 1 or len(points) < 2 or not (points[0] >= start and points[-1] <= end):
        raise InputError(f"a change point needs two or more times between {start:g} and {end:g}; check the span")
    n, keep = len(points), margin * (end - start)
    change = np.concatenate([points, points])
    before = np.concatenate([np.arange(n), np.arange(1, n + 1)])  # just before the point, just after it
    inside = (change - start > keep) & (end - change > keep)
    if not inside.any():
        raise InputError("all times lie at the ends of the span; a change point needs some in between")
    change, before = change[inside], before[inside]
    left, right = change - start, end - change
    likelihood = scipy.special.xlogy(before, before / left) + scipy.special.xlogy(n - before, (n - before) / right)
    best = int(likelihood.argmax())
    return ChangePoint(float(change[best]), float(before[best] / left[best]), float((n - before[best]) / right[best]))


# -- the start of a ramp, after the fact


class RampStart(NamedTuple):
    """Posterior of the start of a ramp: its median and the ends of its 90 % interval, in the unit of the times."""

    earliest: float
    middle: float
    latest: float


def ramp_start(
    times: npt.ArrayLike,
    *,
    now: float,
    background: float,
    ramps: Sequence[float],
    peaks: Sequence[float],
    span: float,
    step: float = 0.25,
) -> RampStart:
    """Where the rate of points began to rise, for an observer who saw each one of them until ``now``.

    times: shape (n,). The rate goes from ``background`` up by one of ``peaks`` (points a unit of time) linearly within
    one of ``ramps`` and stays; each pair is as likely as another, and any start within ``span`` before ``now`` as any
    other. The posterior is exact but for ``step``: a Poisson process's likelihood is the product of its rates at the
    points times exp(-integral of the rate) (Snyder and Miller, Random Point Processes in Time and Space, 1991, from
    memory). No date has a smaller mean absolute error than its median.
    """
    if not (background > 0 and 0 < step <= span) or min(ramps) <= 0 or min(peaks) <= 0:
        raise SettingError(f"background {background}, span {span}, step {step}, ramps and peaks must be more than 0")
    starts = np.arange(now - span, now, step) + step / 2
    points = np.asarray(times, dtype=np.float64)
    since = points[(points > now - span) & (points <= now)] - starts[:, None]
    heard = now - starts
    logs = np.empty((len(ramps), len(peaks), len(starts)))
    for i, ramp in enumerate(ramps):
        up = np.clip(since / ramp, 0, 1)
        passed = np.where(heard < ramp, heard**2 / (2 * ramp), heard - ramp / 2)
        for j, peak in enumerate(peaks):
            logs[i, j] = np.log1p(up * (peak / background)).sum(axis=1) - peak * passed
    cumulative = np.concatenate([[0.0], np.cumsum(np.exp(logs - logs.max()).sum(axis=(0, 1)))])
    edges = np.append(starts, now + step / 2) - step / 2
    return RampStart(*np.interp((0.05, 0.5, 0.95), cumulative / cumulative[-1], edges).tolist())


# -- one crack in noise

#: The noise: white, 1 to 16 kHz.
NOISE_LOW_HZ, NOISE_HIGH_HZ = 1000.0, 16_000.0
#: Decay time of the crack's amplitude: 20 dB down in 3 ms.
CRACK_DECAY_S = 0.003 / math.log(10)
_RATE, _LENGTH, _ONSET_S = 32_000, 1280, 0.015  # 40 ms, in bins of 25 Hz


def energy_detection_probability(*, degrees: float, energy: float, false_alarm: float) -> float:
    """Probability that the energy in one window passes the threshold that noise passes with ``false_alarm``.

    degrees: 2 * window * bandwidth. energy: 2 E / N0, the signal's energy over half the noise density. The
    energy is a (non-central) chi-square. Source: H. Urkowitz, Proc. IEEE 55, 1967.
    """
    threshold = scipy.special.chdtri(degrees, false_alarm)
    return float(1 - scipy.special.chndtr(threshold, degrees, energy))


def energy_detector_snr_db(
    *,
    bands: int = 5,
    window_s: float = 0.003,
    frequency_hz: float | None = 3000.0,
    detection: float = 0.9,
    false_per_minute: float = 1.0,
    trials: int = 3000,
    seed: int = 0,
) -> float:
    """The crack (peak amplitude over the rms of the noise, dB) that the largest band energy detects.

    The noise band is split into equal ``bands``, the energy summed over a sliding ``window_s``. frequency_hz:
    of the crack, ``None`` = drawn from 2 to 14 kHz. Threshold: chi-square tail with the rate of crossings of
    a sliding sum (:func:`sliding_threshold`); detections are simulated, the maximum over all windows that
    touch the crack.
    """
    width = (NOISE_HIGH_HZ - NOISE_LOW_HZ) / max(1, bands)
    length = round(window_s * width)
    if length < 1 or not (0 < detection < 1 and false_per_minute > 0) or not 1 <= bands <= 60:
        raise SettingError(f"{bands} bands of {window_s} s at {detection:.0%} make no sense; use fewer bands")
    threshold = sliding_threshold(length=length, per_window=false_per_minute * window_s / 60 / bands)
    noise, crack = _spectra(frequency_hz, trials=trials, seed=seed)
    pieces = (trials, bands, noise.shape[1] // bands)
    noise, crack = (np.fft.ifft(part[:, : bands * pieces[2]].reshape(pieces)) for part in (noise, crack))
    # scaled so that the energy of one sample of noise is a chi-square of 2 degrees
    noise, crack = (part * math.sqrt(pieces[2]) for part in (noise, crack))
    first = max(0, int((_ONSET_S - window_s) * width) - 1)
    last = int((_ONSET_S + 0.003) * width)

    def missing(snr_db: float) -> float:
        energy = np.abs(noise + 10 ** (snr_db / 20) * crack) ** 2
        total = np.cumsum(energy, axis=-1)
        sums = total[..., first + length : last + length] - total[..., first:last]
        return detection - float((sums.max(axis=(1, 2)) > threshold).mean())

    return _root(missing, -10.0, 40.0, tolerance=1e-3)


def sliding_threshold(*, length: int, per_window: float) -> float:
    """Energy (chi-square, 2 ``length`` degrees) that a sliding sum of noise passes so often a window.

    A sum sliding by one sample crosses u^2 nu(u sqrt(2 / length)) times as often as windows without overlap
    exceed it, u the normal quantile of that exceedance, nu(x) ~ exp(-0.583 x): D. Siegmund, Sequential
    Analysis, 1985 (from memory), for Gaussian sums; within a third of simulated counts here, 0.1 dB.
    """
    exceedance = per_window
    for _ in range(50):
        u = -float(scipy.special.ndtri(exceedance))
        exceedance = per_window / max(1.0, u * u * math.exp(-0.583 * u * math.sqrt(2 / length)))
    return float(scipy.special.chdtri(2 * length, exceedance))


def matched_filter_snr_db(
    *,
    frequency_hz: float = 3000.0,
    detection: float = 0.9,
    false_per_minute: float = 1.0,
    trials: int = 3000,
    seed: int = 0,
) -> float:
    """The same for a filter that knows the shape, frequency and phase of the crack: peaks of the output.

    Threshold u (in sd of the output) from Rice's rate of upward crossings, f_rms exp(-u^2 / 2) a second (S.
    O. Rice, Bell Syst. Tech. J. 24, 1945).
    """
    noise, crack = _spectra(frequency_hz, trials=trials, seed=seed)
    shape = crack[0]
    bins = np.arange(shape.size) * _RATE / _LENGTH + NOISE_LOW_HZ
    weights = np.abs(shape) ** 2
    f_rms = math.sqrt(float((weights * bins**2).sum() / weights.sum()))
    threshold = math.sqrt(2 * math.log(60 * f_rms / false_per_minute))
    near = np.r_[-40:40]  # 5 ms around the peak at 0, at four times the rate

    def output(spectrum: npt.NDArray[np.complex128]) -> Doubles:
        full = np.zeros((spectrum.shape[0], 2 * _LENGTH + 1), dtype=np.complex128)
        low = round(NOISE_LOW_HZ * _LENGTH / _RATE)
        full[:, low : low + shape.size] = spectrum * np.conj(shape)
        return np.fft.irfft(full)[:, near]

    noise_out, crack_out = output(noise), output(crack[:1])
    # the sd of the output, as both parts of a bin of noise have unit variance
    spread = 2 * math.sqrt(float(weights.sum())) / (4 * _LENGTH)

    def missing(snr_db: float) -> float:
        best = (noise_out + 10 ** (snr_db / 20) * crack_out).max(axis=1)
        return detection - float((best > threshold * spread).mean())

    return _root(missing, -10.0, 40.0, tolerance=1e-3)


def _spectra(
    frequency_hz: float | None, *, trials: int, seed: int
) -> tuple[npt.NDArray[np.complex128], npt.NDArray[np.complex128]]:
    """Spectra from 1 up to 16 kHz, shape (trials, 600), of unit-rms noise and of cracks of unit amplitude.

    Scaled so that a bin of noise has unit variance in its real and its imaginary part.
    """
    rng = np.random.default_rng(seed)
    low, high = (round(hz * _LENGTH / _RATE) for hz in (NOISE_LOW_HZ, NOISE_HIGH_HZ))
    frequency = np.full((trials, 1), frequency_hz) if frequency_hz else rng.uniform(2000, 14_000, (trials, 1))
    # on a sample, so that the amplitude is that of the largest sample; anywhere between the samples of a band
    onset = _ONSET_S + rng.integers(0, 11, (trials, 1)) / _RATE
    since = np.arange(_LENGTH) / _RATE - onset
    sound = np.exp(-np.maximum(since, 0) / CRACK_DECAY_S) * np.cos(2 * np.pi * frequency * since)
    sound[since < -0.5 / _RATE] = 0
    crack = np.fft.rfft(sound)[:, low:high] * (2 * math.sqrt(high - low) / _LENGTH)
    noise = rng.standard_normal((trials, high - low)) + 1j * rng.standard_normal((trials, high - low))
    return noise, crack


def _root(function: Callable[[float], float], low: float, high: float, *, tolerance: float = 1e-9) -> float:
    """Where a function that falls (or rises) from low to high changes sign, by halving."""
    sign = function(low) > 0
    if (function(high) > 0) == sign:
        raise SettingError("what was asked for has no answer in a reasonable range; check the numbers")
    while high - low > tolerance:
        middle = (low + high) / 2
        if (function(middle) > 0) == sign:
            low = middle
        else:
            high = middle
    return (low + high) / 2
