"""Has first crack begun? A small network sees how many likely cracks came of late, and how many come by themselves.

Each second it sees (NAMES), for the log odds of a crack in context and on this machine, at each of LEVELS,

- how many candidates came above it in the last 1 s, between 1 and 2 s ago, 2 and 4, ... 32 and 64 (square roots, which
  makes the scatter of a Poisson count the same whatever the count: Anscombe, Biometrika 35, 246, 1948);
- how many a minute come above it on this machine by itself, as its quiet seconds tell (ln);

how long the machine is known; and the log odds of the hidden Markov model, now and at most. It answers with the log
odds that first crack has begun, taught on whole roasts and kitchens of many families (``train/own_machine.py``).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Sequence

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.deciding.adaptation import LAG_S
from crackdetect.deciding.ranks import MEMORY_S

#: Log odds of a crack from which candidates are counted, nats; and the edges of the windows, seconds ago.
LEVELS = (-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0)
WINDOWS_S = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
_JUDGED = ("in context", "on this machine")
_LINES = len(_JUDGED) * len(LEVELS)
NAMES = (
    *(
        name
        for judged in _JUDGED
        for level in LEVELS
        for name in (*(f"{judged} over {level}, {window} s" for window in WINDOWS_S), f"{judged} usual {level}")
    ),
    *("known", "hmm", "hmm above 0", "most hmm"),
)
COUNT = len(NAMES)
#: The counts of a level that nothing reached, as most.
_NONE = [0.0] * len(WINDOWS_S)
#: The hidden Markov model's log odds are limited to this, either way, nats.
_MOST_HMM = 15.0
#: After so long the machine is known: it must not tell how old the roast is, seconds.
_KNOWN_S = 150.0


class BegunNumbers:
    """Candidates' log odds and ticks in, the numbers of each second out."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """As new."""
        self._usual: list[deque[float]] = [deque() for _ in range(_LINES)]  # quiet seconds of those above each level
        self.listen_anew()

    def listen_anew(self) -> None:
        """First crack has not begun; what is known of the machine stays."""
        self._lately: list[deque[float]] = [deque() for _ in range(_LINES)]  # seconds of those above each level
        self._most_hmm = -_MOST_HMM

    def push(self, time: float, log_odds: Sequence[float]) -> None:
        """A candidate at ``time`` (seconds) and its log odds in context and on this machine, nats."""
        _count(self._lately, time, log_odds)

    def own(self, quiet_s: float, log_odds: Sequence[float]) -> None:
        """A candidate that came at this quiet second is the machine's."""
        _count(self._usual, quiet_s, log_odds)

    def of_second(self, now: float, *, quiet_s: float, hmm_log_odds: float) -> Doubles:
        """What the network sees at second ``now``, float64 (COUNT,)."""
        hmm = max(-_MOST_HMM, min(_MOST_HMM, hmm_log_odds))
        self._most_hmm = max(self._most_hmm, hmm)
        until = max(quiet_s - LAG_S, 0.0)
        since = max(until - MEMORY_S, 0.0)
        minutes = (until - since) / 60 + 0.5
        starts = [now - window for window in WINDOWS_S]
        numbers: list[float] = []
        for lately, usual in zip(self._lately, self._usual, strict=True):
            while lately and lately[0] <= now - WINDOWS_S[-1]:
                lately.popleft()
            while usual and usual[0] < since:
                usual.popleft()
            if lately:
                within = [len(lately) - bisect_right(lately, start) for start in starts]
                numbers += [math.sqrt(count - nearer) for count, nearer in zip(within, [0, *within], strict=False)]
            else:
                numbers += _NONE
            numbers.append(math.log((bisect_left(usual, until) + 0.5) / minutes))
        known = math.log1p(min(quiet_s, _KNOWN_S) / 10)
        return np.array([*numbers, known, hmm, max(hmm, 0.0), self._most_hmm])


def _count(lines: list[deque[float]], at: float, log_odds: Sequence[float]) -> None:
    for judged, value in enumerate(log_odds):
        first = judged * len(LEVELS)
        for line in lines[first : first + bisect_left(LEVELS, value)]:
            line.append(at)
