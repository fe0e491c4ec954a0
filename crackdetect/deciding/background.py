"""What this machine utters without cracks: the rate of candidates in each score bin, learnt before first crack.

    rate = (prior + counts) / (prior_s + heard seconds),   counts and seconds fading with exp(-age / memory_s),

taken from what was heard more than ``lag_s`` ago, so that the beginning of the chorus is not in it. So a machine that
ticks, with whatever score its ticks get, makes ticks of that score worth little. What may be the chorus is withheld.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.deciding.recent import TICK_S
from crackdetect.deciding.score_model import SCORE_BINS, ScoreModel


@dataclass(frozen=True, slots=True)
class BackgroundSettings:
    """Numbers of the background.

    Attributes
    ----------
    lag_s, memory_s : float
        As in the module's text.
    prior_s : float
        Seconds of listening that the prior is worth.
    strays_per_minute : float
        Single cracks that come before first crack, in the prior.
    """

    lag_s: float = 12.0
    memory_s: float = 150.0
    prior_s: float = 30.0
    strays_per_minute: float = 1.5


class Background:
    """Counts of a tick in, rates out.

    scores: for the prior. keep_s: seconds that can be withheld, at most. settings: see there.
    """

    def __init__(self, scores: ScoreModel, *, keep_s: float, settings: BackgroundSettings) -> None:
        s = settings
        self._prior_s = s.prior_s
        self._prior_rates = (scores.other_per_minute + s.strays_per_minute * scores.crack) / 60
        self._lag = round(s.lag_s / TICK_S)
        self._decay = float(np.exp(-TICK_S / s.memory_s))
        self._most_withheld = round(keep_s / TICK_S)
        self.reset()

    def reset(self) -> None:
        """As new: the prior."""
        #: Candidates a second in each score bin, float64 (SCORE_BINS,).
        self.rates = self._prior_rates
        self._prior_count = self._prior_rates * self._prior_s
        self._count = self._prior_count
        self._time = self._prior_s
        self._lagging: deque[tuple[Doubles, float]] = deque()
        self._withheld: deque[tuple[Doubles, float]] = deque(maxlen=self._most_withheld)

    @property
    def heard_s(self) -> float:
        """Seconds that were learnt from and are not forgotten."""
        return self._time - self._prior_s

    def learn(self, counts: Doubles, observed_s: float) -> None:
        """A tick without a chorus. counts: candidates in each bin.

        What was withheld before was something that passed, and is forgotten.
        """
        self._withheld.clear()
        self._ripen(counts, observed_s)

    def withhold(self, counts: Doubles, observed_s: float, *, ripen: bool) -> None:
        """A tick that may be of the chorus. ripen: what was learnt before it still comes of age."""
        self._withheld.append((counts, observed_s))
        if ripen:
            self._ripen(np.zeros(SCORE_BINS), 0.0)

    def learn_withheld(self) -> None:
        """It was this machine after all."""
        while self._withheld:
            self._ripen(*self._withheld.popleft())

    def _ripen(self, counts: Doubles, observed_s: float) -> None:
        self._lagging.append((counts, observed_s))
        if len(self._lagging) <= self._lag:
            return
        old_counts, old_time = self._lagging.popleft()
        decay = self._decay if old_time > 0 else 1.0  # what is not learnt from is not forgotten for either
        self._count = self._prior_count + (self._count - self._prior_count) * decay + old_counts
        self._time = self._prior_s + (self._time - self._prior_s) * decay + old_time
        self.rates = self._count / self._time
