"""Has first crack begun? A hidden Markov model of quiet, clumps, bursts, the rising chorus, and both at once.

States, each adding candidates of its own to the learnt background:

- *quiet*: nothing more than the background;
- *clump*: a double or triple pop, half a second long;
- *burst* and *dense burst*: somebody types, claps or drops cutlery for some seconds, or beans are poured: many
  candidates, with the scores of such sounds;
- *chorus 1 to 4*: first crack at 15, 45, 100 and 250 cracks a minute. A ramp climbs through them, some 8 s each, and
  may stay long in the third; the last one is as dense as a burst, or a burst would explain a dense chorus for ever;
- *chorus 1 to 4 in a burst*: both at once, for somebody may well type, or the machine rattle, while the coffee cracks.
  No burst without a chorus may be denser than those before first crack, or its density would speak for a chorus.

Candidates of score bin i come as a Poisson process of rate background(i) + extra(state, i). So a tick with dt heard
seconds multiplies the weight of a state by

    exp(-dt sum over i of extra(state, i)) * product over the candidates of (1 + extra(state, i) / background(i)),

and between ticks weight moves by the states' mean lengths (the forward algorithm: Rabiner, Proc. IEEE 77, 257, 1989;
with one absorbing class it is Shiryaev's Bayesian test for a change, Theory Probab. Appl. 8, 22, 1963). A burst
explains a short flurry as well as a chorus does and ends by itself; what goes on past it, or climbs, only the chorus
explains. No number of pops in a time is counted.

While charge is not known first crack is as likely to begin at one moment as at another, once in 15 minutes. Once it is
known the first minutes are unlikely (:func:`start_hazard`). Expected false announcements at the usual threshold: fewer
than one in 50 hours of ten strays a minute; delay: at most 2.25 times that of the optimal test (``tests``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.config import UsualStart


@dataclass(frozen=True, slots=True)
class HMMSettings:
    """Chosen numbers: rates a minute or a second, mean lengths in seconds, mean waiting times in minutes.

    Attributes
    ----------
    chorus_per_minute, climb_s
        Rate of each stage of the chorus, and how long a ramp stays in all but the last.
    clump_per_second, clump_s, clump_every_min
        Rate, length and interval of clumps.
    burst_per_second, burst_s, burst_every_min
        Rates of the two kinds of burst, their length, and the interval of bursts of either kind.
    start_every_min
        Mean waiting time for first crack.
    """

    chorus_per_minute: tuple[float, float, float, float] = (15.0, 45.0, 100.0, 250.0)
    climb_s: tuple[float, float, float] = (8.0, 8.0, 30.0)
    clump_per_second: float = 4.0
    clump_s: float = 0.4
    clump_every_min: float = 1.5
    burst_per_second: tuple[float, float] = (5.0, 12.0)
    burst_s: float = 5.0
    burst_every_min: float = 4.0
    start_every_min: float = 15.0


#: First crack on any machine: 90 % lie from 3:05 to 16:00, as in small batches (common practice, no source).
ANY_MACHINE = UsualStart(median_s=420.0, spread=0.5)
#: The least hazard, over the usual one.
_LEAST_HAZARD = 0.1


def start_hazard(roast_time_s: float, *, usual_s: float, start: UsualStart = ANY_MACHINE) -> float:
    """Hazard of first crack beginning now over the usual one, once in ``usual_s``: 0.1 to 1.

    h(t) = density / survival of the log-normal time from charge until its median, then the usual one: soon after charge
    first crack is unlikely, but what is usual may not be so this time, so it is never likelier than where charge is not
    known, nor ever out of the question. roast_time_s: since charge. start: what is usual here.
    """
    if roast_time_s <= 0:
        return _LEAST_HAZARD
    if roast_time_s >= start.median_s:
        return 1.0
    z = math.log(roast_time_s / start.median_s) / start.spread
    density = math.exp(-z * z / 2) / (roast_time_s * start.spread * math.sqrt(2 * math.pi))
    surviving = math.erfc(z / math.sqrt(2)) / 2
    return max(_LEAST_HAZARD, min(1.0, density * usual_s / surviving))


class FirstCrackHMM:
    """A tick's candidates in, log odds of "first crack has begun" out.

    Parameters
    ----------
    crack : float64, shape (bins,)
        Share of cracks in each bin; sums to the probability of being a candidate.
    burst : float64, shape (bins,)
        Share of a burst's candidates in each bin; sums to 1.
    tick_s
        Heard or not, the seconds of one call of :meth:`push`.
    """

    #: The states before first crack has begun; those after follow, the chorus alone first and then in a burst.
    BEFORE = 4

    def __init__(self, *, crack: Doubles, burst: Doubles, tick_s: float, settings: HMMSettings | None = None) -> None:
        s = settings or HMMSettings()
        bursts = [rate * burst for rate in s.burst_per_second]
        chorus = [rate / 60 * crack for rate in s.chorus_per_minute]
        nothing = np.zeros(len(crack))
        extra = [nothing, s.clump_per_second * crack, *bursts]
        extra += [one + other for other in (nothing, *bursts) for one in chorus]
        self._extra = np.array(extra)  # (states, bins), candidates a second above the background
        self._total = self._extra.sum(axis=1)
        self._extra_of = np.ascontiguousarray(self._extra.T)  # of each bin
        self._start = tick_s / 60 / s.start_every_min
        first, steps = self.BEFORE, len(chorus)
        # from each state before to the one after; what bursts goes on bursting
        self._begins = [0, 1, 2, 3], [first, first, first + steps, first + 2 * steps]
        self._move = self._moves(s, tick_s)
        self._silent_s, self._silent = 0.0, np.ones(len(extra))
        self.reset()

    def _moves(self, s: HMMSettings, tick_s: float) -> Doubles:
        """Probability of each state (row) to be followed by each other (column)."""
        clump, burst = tick_s / 60 / s.clump_every_min, tick_s / 60 / s.burst_every_min
        start, first = self._start, self.BEFORE
        leave_clump, leave_burst = (1 - np.exp(-tick_s / mean) for mean in (s.clump_s, s.burst_s))
        climb = np.diag([*np.exp(-tick_s / np.array(s.climb_s)), 1.0])
        for stage in range(len(s.climb_s)):
            climb[stage, stage + 1] = 1 - climb[stage, stage]
        move = np.zeros((len(self._total), len(self._total)))
        move[0, :first] = 1 - clump - burst - start, clump, burst / 2, burst / 2
        move[1, :first] = leave_clump, 1 - leave_clump - start, 0, 0
        move[2, :first] = leave_burst, 0, 1 - leave_burst - start, 0
        move[3, :first] = leave_burst, 0, 0, 1 - leave_burst - start
        move[self._begins] = start
        stay = 1 - leave_burst
        bursting = [[1 - burst, burst / 2, burst / 2], [leave_burst, stay, 0], [leave_burst, 0, stay]]
        move[first:, first:] = np.kron(bursting, climb)
        return move

    def reset(self) -> None:
        """Quiet."""
        self._weights = np.zeros(len(self._total))
        self._weights[0] = 1.0
        self._note_odds()

    def push(self, candidates: Sequence[tuple[int, float]], *, observed_s: float, hazard: float = 1.0) -> float:
        """One tick.

        Parameters
        ----------
        candidates
            Bin of each, and the background's rate (a second) of such candidates.
        observed_s
            How much of the tick was heard, 0 to ``tick_s``.
        hazard
            Of first crack beginning now, over the usual one, 0 to 1.

        Returns
        -------
        float
            ln of the odds that first crack has begun.
        """
        if observed_s <= 0 and not candidates:
            return self.log_odds  # unheard time is no evidence, and nothing is assumed to happen in it
        weights = self._weights @ self._move
        if hazard != 1.0:
            before, after = self._begins
            moved = (hazard - 1) * self._start * self._weights[before]
            weights[before] -= moved
            np.add.at(weights, after, moved)
        weights *= self._silence(observed_s)
        for candidate_bin, background in candidates:
            weights *= 1 + self._extra_of[candidate_bin] / background
        weights /= weights.sum()
        self._weights = np.maximum(weights, 1e-15)  # nothing is ever impossible
        self._note_odds()
        return self.log_odds

    def _silence(self, observed_s: float) -> Doubles:
        """Likelihood of no candidate in so many seconds, of each state; those of the last tick mostly serve again."""
        if observed_s != self._silent_s:
            self._silent_s, self._silent = observed_s, np.exp(-self._total * observed_s)
        return self._silent

    def _note_odds(self) -> None:
        weights = self._weights.tolist()
        chorus, rest = sum(weights[self.BEFORE :]), sum(weights[: self.BEFORE])
        #: ln of the odds that first crack has begun
        self.log_odds = math.log(max(chorus, 1e-15) / max(rest, 1e-15))
