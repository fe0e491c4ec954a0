"""Has second crack begun? The filter of first crack on the kinds of the likely cracks.

Its background is the densest first crack there is, with the kinds that this roast's first crack had up to some seconds
ago: a dense first crack is no evidence; brighter cracks, or far more of them, are. Only likely cracks count, for many
candidates of bursts and clatter score above 0 and are bright; the context classifier knows them.

It is a second instance, not more states of the first: on 65 recordings one model whose ticks carry both score bins and
kind bins gave the same first cracks; of 14 second cracks it missed one and told the others 2.5 s sooner to 3.5 s later;
and it had to be told at each tick whether second crack is possible yet.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.deciding.dating import Dated
from crackdetect.deciding.first_crack import FirstCrackHMM, HMMSettings
from crackdetect.deciding.recent import TICK_S
from crackdetect.deciding.score_model import KIND_BINS, ScoreModel


@dataclass(frozen=True, slots=True)
class SecondCrackSettings:
    """Numbers of the decision on second crack.

    Attributes
    ----------
    threshold : float
        Of the log odds, nats.
    least_probability : float
        Of a crack, for a candidate that counts.
    not_before_s : float
        After first crack.
    lag_s : float
        The kinds of the last seconds are not yet first crack's.
    kind_prior : float
        Cracks that the usual kinds are worth.
    first_at_most_per_minute : float
        The densest first crack.
    hmm : HMMSettings
        Choruses and bursts.
    """

    threshold: float = 5.0
    least_probability: float = 0.3
    not_before_s: float = 30.0
    lag_s: float = 12.0
    kind_prior: float = 30.0
    first_at_most_per_minute: float = 150.0
    hmm: HMMSettings = HMMSettings(
        chorus_per_minute=(100.0, 200.0, 300.0, 450.0),
        climb_s=(3.0, 3.0, 10.0),
        burst_per_second=(6.0, 15.0),
        burst_every_min=2.0,
    )


class SecondCrackFound(NamedTuple):
    """date: with its interval. log_odds: that it has begun, nats."""

    date: Dated
    log_odds: float


class SecondCrack:
    """Kinds of a tick's likely cracks in; what was found out, once."""

    def __init__(self, scores: ScoreModel, *, settings: SecondCrackSettings) -> None:
        s = self.settings = settings
        self._filter = FirstCrackHMM(
            crack=scores.likely * scores.second_kind, burst=scores.burst_kind, tick_s=TICK_S, settings=s.hmm
        )
        self._rate = s.first_at_most_per_minute / 60 * scores.likely
        self._prior = scores.first_kind * s.kind_prior
        self._lag = round(s.lag_s / TICK_S)
        self.reset()

    def reset(self) -> None:
        """As new."""
        self._kinds = self._prior  # of first crack, in each bin
        self._lagging: deque[Doubles] = deque()
        self.listen_anew(0.0)

    def listen_anew(self, now: float) -> None:
        """It has not begun: what was learnt of first crack's kinds stays. now: seconds."""
        self._filter.reset()
        self._rose_at = now  # when the odds last rose above even

    def learn(self, kinds: Doubles, *, of_first_crack: bool) -> None:
        """Takes the kinds of a tick, float64 (KIND_BINS,), into first crack's once they are old enough.

        of_first_crack: whether they are of it, or of what came before or after it.
        """
        self._lagging.append(kinds)
        if len(self._lagging) > self._lag:
            old = self._lagging.popleft()
            if of_first_crack:
                self._kinds = self._kinds + old

    def push(self, kinds: Doubles, *, now: float, observed_s: float) -> SecondCrackFound | None:
        """A tick in which it may begin. now: its end, seconds. observed_s: how much of it was heard."""
        background = self._rate * self._kinds / self._kinds.sum()
        bins = np.repeat(np.arange(KIND_BINS), kinds.astype(int)).tolist()
        odds = self._filter.push([(b, float(background[b])) for b in bins], observed_s=observed_s)
        if odds < 0:
            self._rose_at = now
        if odds < self.settings.threshold:
            return None
        margin = max(2.0, 0.5 * (now - self._rose_at))
        time = self._rose_at
        return SecondCrackFound(Dated(time, max(0.0, time - margin), min(now, time + margin)), odds)
