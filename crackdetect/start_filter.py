"""Has first crack begun? A hidden Markov filter over quiet, clumps, bursts, the rising chorus, and both at once.

States, each adding candidates of its own to the learnt background:

- *quiet*: nothing more than the background;
- *clump*: a double or triple pop, half a second long;
- *burst* and *dense burst*: somebody types, claps or drops cutlery for some seconds, or beans are poured: many
  candidates, with the scores of such sounds;
- *chorus 1 to 4*: first crack at 15, 45, 100 and 250 cracks a minute. A ramp climbs through them, some 8 s each, and
  may stay long in the third; the last one is as dense as a burst, or a burst would explain a dense chorus for ever;
- *chorus 1 to 4 in a burst*: both at once, for somebody may well type, or the machine rattle, while the coffee cracks.
  No burst without a chorus may be denser than those before first crack, or its density would speak for a chorus.

Under any state the candidates of a tick are Poisson with a rate for each bin of score, so a tick multiplies a state's
weight by prod(1 + extra_state(bin) / background) exp(-(extra rate) dt), the background being the rate at which
candidates like this one come by themselves; and between ticks weight moves by the states' mean lengths (the forward
algorithm: Rabiner, Proc. IEEE 77, 257, 1989; with one absorbing class it is Shiryaev's
Bayesian test for a change, Theory Probab. Appl. 8, 22, 1963). A burst explains a short flurry as well as a chorus does
and ends by itself; what goes on past it, or climbs, only the chorus explains. No number of pops in a time is counted.

While charge is not known first crack is as likely to begin at one moment as at another, once in 15 minutes. Once it is
known the first minutes are unlikely (:func:`start_hazard`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StartSettings:
    """Chosen numbers: rates in a minute, mean lengths in seconds, mean waiting times in minutes."""

    chorus_per_minute: tuple[float, float, float, float] = (15.0, 45.0, 100.0, 250.0)
    climb_s: tuple[float, float, float] = (8.0, 8.0, 30.0)
    clump_per_second: float = 4.0
    clump_s: float = 0.4
    clump_every_min: float = 1.5
    burst_per_second: tuple[float, float] = (5.0, 12.0)
    burst_s: float = 5.0
    burst_every_min: float = 4.0
    start_every_min: float = 15.0


#: Small batches begin to crack some 7 minutes after charge, 90 % of them from 3:05 to 16:00 (common practice, no
#: source): the median and the spread (of the ln) of a log-normal time. The hazard is a tenth of the usual one at least.
_START_MEDIAN_S, _START_SPREAD, _LEAST_HAZARD = 420.0, 0.5, 0.1


def start_hazard(roast_time_s: float, *, usual_s: float) -> float:
    """Of first crack beginning now, having not begun, over once in ``usual_s``: 0.1 to 1.

    roast_time_s: since charge. The hazard of the log-normal time until its median, at most the usual one: soon after
    charge first crack is unlikely, later it is no likelier than where charge is not known, for what is usual may not be
    so on this machine.
    """
    if roast_time_s <= 0:
        return _LEAST_HAZARD
    if roast_time_s >= _START_MEDIAN_S:
        return 1.0
    z = math.log(roast_time_s / _START_MEDIAN_S) / _START_SPREAD
    density = math.exp(-z * z / 2) / (roast_time_s * _START_SPREAD * math.sqrt(2 * math.pi))
    surviving = math.erfc(z / math.sqrt(2)) / 2
    return max(_LEAST_HAZARD, min(1.0, density * usual_s / surviving))


class StartFilter:
    """Scores and heard time in, log odds of "first crack has begun" out.

    crack: share of cracks in each score bin (sums to the probability of being a candidate).
    burst: share of a burst's candidates in each score bin, sums to 1. tick_s: seconds of one call of ``push``.
    """

    #: The states before first crack has begun; those after follow, the chorus alone first and then in a burst.
    BEFORE = 4

    def __init__(self, *, crack: Doubles, burst: Doubles, tick_s: float, settings: StartSettings | None = None) -> None:
        s = settings or StartSettings()
        bursts = [rate * burst for rate in s.burst_per_second]
        chorus = [rate / 60 * crack for rate in s.chorus_per_minute]
        nothing = np.zeros(len(crack))
        extra = [nothing, s.clump_per_second * crack, *bursts]
        extra += [one + other for other in (nothing, *bursts) for one in chorus]
        self._extra = np.array(extra)  # (states, bins), candidates a second above the background
        self._total = self._extra.sum(axis=1)
        clump, to_burst, start = (
            tick_s / 60 / every for every in (s.clump_every_min, s.burst_every_min, s.start_every_min)
        )
        leave_clump, leave_burst = (1 - np.exp(-tick_s / mean) for mean in (s.clump_s, s.burst_s))
        climb = np.diag([*np.exp(-tick_s / np.array(s.climb_s)), 1.0])
        for stage in range(len(s.climb_s)):
            climb[stage, stage + 1] = 1 - climb[stage, stage]
        first, steps = self.BEFORE, len(chorus)
        move = np.zeros((len(extra), len(extra)))
        move[0, :first] = 1 - clump - to_burst - start, clump, to_burst / 2, to_burst / 2
        move[1, :first] = leave_clump, 1 - leave_clump - start, 0, 0
        move[2, :first] = leave_burst, 0, 1 - leave_burst - start, 0
        move[3, :first] = leave_burst, 0, 0, 1 - leave_burst - start
        begins = [0, 1, 2, 3], [first, first, first + steps, first + 2 * steps]  # what bursts goes on bursting
        move[begins] = start
        stay = 1 - leave_burst
        bursting = [[1 - to_burst, to_burst / 2, to_burst / 2], [leave_burst, stay, 0], [leave_burst, 0, stay]]
        move[first:, first:] = np.kron(bursting, climb)
        self._move = move
        self._to_start, self._begins = start, begins
        self.reset()

    def reset(self) -> None:
        self._weights = np.zeros(len(self._total))
        self._weights[0] = 1.0
        self._note_odds()

    def push(self, marks: Sequence[tuple[int, float]], *, observed_s: float, hazard: float = 1.0) -> float:
        """marks: score bin of each of the tick's candidates, and its background (a second). observed_s: heard time.

        hazard: of first crack beginning now, over the usual, 0 to 1.
        """
        if observed_s <= 0 and not marks:
            return self.log_odds  # unheard time is no evidence, and nothing is assumed to happen in it
        weights = self._weights @ self._move
        if hazard != 1.0:
            before, after = self._begins
            moved = (hazard - 1) * self._to_start * self._weights[before]
            weights[before] -= moved
            np.add.at(weights, after, moved)
        weights = weights * np.exp(-self._total * observed_s)
        for score_bin, background in marks:
            weights = weights * (1 + self._extra[:, score_bin] / background)
        weights /= weights.sum()
        self._weights = np.maximum(weights, 1e-15)  # nothing is ever impossible
        self._note_odds()
        return self.log_odds

    def _note_odds(self) -> None:
        chorus, rest = float(self._weights[self.BEFORE :].sum()), float(self._weights[: self.BEFORE].sum())
        #: ln of the odds that first crack has begun
        self.log_odds = float(np.log(max(chorus, 1e-15) / max(rest, 1e-15)))
