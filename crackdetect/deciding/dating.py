"""When first crack began and ended, looking back: a posterior over the date, with its 5 % and 95 % points.

Under a date t the candidates of weight w = f1 / lambda0 (see :mod:`deciding.context`) are a Poisson process, so

    ln L(t) = trust (sum of ln(1 + w r(u)) over the candidates - detected * integral of r(u) over the heard time)

with the crack rate r(u) = peak * ramp((u - t) / length), summed over lengths and peaks with the weights of a prior.
``trust`` is below 1 because candidates are not independent.

*Start.* ramp(x) = min(x, 1)**(5/4): a step fitted to a ramp would be 8 to 14 s late, and a straight ramp is some 2 s
late, for faint cracks are missed. Few are announced long after the start: L falls by e for every ``delay_fade_s`` past
``delay_usual_s`` between start and announcement.

*End.* The same backwards in time, with straight ramps from the known peak; the date is where a tenth of it is left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.deciding.recent import Recent

#: Lengths of a ramp, seconds, and peaks, cracks a second, with the shares of their prior.
_LENGTHS_S = np.array([2.0, 5.0, 10.0, 20.0, 35.0, 60.0])
_PEAKS = np.array([25.0, 50.0, 90.0, 150.0]) / 60
_PRIOR = np.outer([0.15, 0.1, 0.15, 0.2, 0.22, 0.18], [0.2, 0.3, 0.3, 0.2]).ravel()
_LOG_PRIOR = np.log(_PRIOR / _PRIOR.sum())
_STEP_S = 1.0
_QUANTILES = (0.05, 0.5, 0.95)
#: No end is looked for further back than this, seconds; and the share of the peak at which first crack is over.
_END_SPAN_S, _LEFT_AT_END = 120.0, 0.1


class Dated(NamedTuple):
    """A date and its 90 % interval, seconds from the first sample."""

    time: float
    earliest: float
    latest: float


@dataclass(frozen=True, slots=True)
class DatingSettings:
    """trust, delay_usual_s, delay_fade_s: as above. span_s: no start is looked for further back than this, seconds."""

    trust: float = 0.6
    span_s: float = 200.0
    delay_usual_s: float = 30.0
    delay_fade_s: float = 40.0


class StrayClumps:
    """Weights of candidates against strays that come in clumps (double and triple pops).

    Every candidate raises the rate of further strays by ``share`` / ``length_s``, fading with exp(-age / length_s) (a
    self-exciting process: Hawkes, Biometrika 58, 83, 1971, from memory); the excess is added to lambda0.
    detected: probability that a crack is a candidate.
    """

    def __init__(self, *, detected: float, share: float, length_s: float) -> None:
        self._detected, self._share, self._length_s = detected, share, length_s
        self.reset()

    def reset(self) -> None:
        """As new."""
        self._excess = 0.0  # strays a second
        self._last = 0.0

    def push(self, time: float, *, crack_llr: float, weight: float) -> float:
        """The candidate's weight f1 / (lambda0 + excess), seconds. weight: f1 / lambda0."""
        self._excess *= math.exp(-(time - self._last) / self._length_s)
        self._last = time
        against_both = 1 / (1 / weight + self._excess / self._detected) if weight > 0 else 0.0
        self._excess += self._share / self._length_s / (1 + math.exp(-(crack_llr - 2.0)))
        return against_both


def date_start(
    recent: Recent, *, now: float, not_before: float, announced_at: float, detected: float, settings: DatingSettings
) -> Dated:
    """Date of the start of first crack.

    Parameters
    ----------
    now
        The end of the last tick, seconds.
    not_before
        Before this it cannot have begun, for charge or the person has said so, seconds. Of the posterior only what
        comes after is left; where that is less than a step, the date is the present moment.
    announced_at
        When it was announced, seconds.
    detected
        Probability that a crack is a candidate.
    """
    if now - not_before < _STEP_S:
        moment = max(now, not_before)
        return Dated(moment, not_before, moment)
    span = min(settings.span_s, now - not_before // _STEP_S * _STEP_S)
    starts = np.arange(now - span, now, _STEP_S)
    times, weights = recent.weights_since(now - span - 1.0)
    centres, seconds = recent.ticks_since(now - span)
    # whole seconds, back from now, are fine enough for the integral of the rate over the time heard
    heard = np.bincount(((now - centres) // 1).astype(int), weights=seconds)
    middles = now - 0.5 - np.arange(len(heard))
    since_candidate = np.maximum(times[None, :] - starts[:, None], 0)
    since_heard = np.maximum(middles[None, :] - starts[:, None], 0)
    logs = []
    for length in _LENGTHS_S:
        up = _ramp(since_candidate / length)
        passed = _ramp(since_heard / length) @ heard
        logs += [np.log1p(up * (peak * weights)).sum(axis=1) - detected * peak * passed for peak in _PEAKS]
    before = middles <= announced_at
    delays = (since_heard[:, before] > 0) @ heard[before]  # heard seconds: a gap delays nothing
    late = np.maximum(delays - settings.delay_usual_s, 0) / settings.delay_fade_s
    log_posterior = settings.trust * np.stack(logs, axis=1) + _LOG_PRIOR - late[:, None]
    posterior = np.exp(log_posterior - log_posterior.max()).sum(axis=1)
    earliest, middle, latest = (min(edge, now) for edge in _quantiles(starts - 0.5, posterior, not_before=not_before))
    return Dated(middle, earliest, latest)


def date_end(
    recent: Recent, *, now: float, begun: float, peak_per_minute: float, detected: float, settings: DatingSettings
) -> Dated:
    """Date of the end of first crack. begun: its start, before now, seconds. The others: see :func:`date_start`."""
    span = min(_END_SPAN_S, now - begun)
    ends = np.arange(now - span, now, _STEP_S)
    times, weights = recent.weights_since(now - span)
    centres, seconds = recent.ticks_since(now - span)
    until_candidate = np.maximum(ends[:, None] - times[None, :], 0)
    until_tick = np.maximum(ends[:, None] - centres[None, :], 0)
    peak = peak_per_minute / 60
    logs = np.empty((len(ends), len(_LENGTHS_S)))
    for i, length in enumerate(_LENGTHS_S):
        rate = np.minimum(until_candidate * (peak / length), peak)
        passed = np.minimum(until_tick * (peak / length), peak) @ seconds
        logs[:, i] = np.log1p(rate * weights).sum(axis=1) - detected * passed
    posterior = np.exp(settings.trust * (logs - logs.max()))
    shifts = [round(_LEFT_AT_END * length / _STEP_S) for length in _LENGTHS_S]
    most = 10
    shifted = np.zeros(len(ends) + most)
    for i, shift in enumerate(shifts):  # the last tenth of the fall lies below a tenth of the peak
        shifted[most - shift : most - shift + len(ends)] += posterior[:, i]
    grid = np.concatenate([ends[0] - np.arange(most, 0, -1), ends])
    earliest, middle, latest = (min(edge, now) for edge in _quantiles(grid - 0.5, shifted, not_before=begun))
    return Dated(middle, earliest, latest)


def _ramp(share: Doubles) -> Doubles:
    """min(share, 1)**(5/4), made from roots."""
    up = np.minimum(share, 1)
    return up * np.sqrt(np.sqrt(up))


def _quantiles(left: Doubles, weights: Doubles, *, not_before: float) -> list[float]:
    """Quantiles of a histogram, of what lies after ``not_before``; its cells begin at ``left`` and are a step wide."""
    # cut before it is summed: next to what lies before it, what is left may be too little to be seen in a sum
    kept = np.cumsum(weights * np.clip((left + _STEP_S - not_before) / _STEP_S, 0, 1))
    cumulative = np.concatenate([[0.0], kept]) / kept[-1]
    edges = np.maximum(np.concatenate([left, [left[-1] + _STEP_S]]), not_before)
    return [float(np.interp(q, cumulative, edges)) for q in _QUANTILES]
