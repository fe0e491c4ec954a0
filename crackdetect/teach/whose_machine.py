"""Whether what is heard sounds like another of the person's machines than the one that they named.

Each machine that is known has a mean point of what it utters (:mod:`crackdetect.deciding.adaptation`). In the first
quiet minute the mean point of what is heard is held against them by Mahalanobis' distance, with the covariance within
classes of an average machine. One machine moves from roast to roast, so another must be nearer by MARGIN.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.deciding.adaptation import AdaptationModel, within_classes
from crackdetect.deciding.own_machine import AskedCandidate, OwnMachineModel
from crackdetect.deciding.recent import TICK_S
from crackdetect.deciding.tracker import Asked

#: So many quiet seconds are judged, or what there are of them after so long.
_QUIET_S, _LATEST_S = 60.0, 120.0
#: So many candidates have a mean worth the name (chosen).
_LEAST = 30
#: By how much another machine must be nearer, squared standard deviations; see ``deciding/DECISIONS.md``.
MARGIN = 2.0


class WhoseMachine:
    """What the tracker is asked in, the name of another machine out, once or never.

    Parameters
    ----------
    named : str
        The machine that the person named.
    machines : mapping of str to OwnMachineModel
        What is known of each of theirs, ``named`` among them; all by one model.
    average : AdaptationModel
        Of that model.
    """

    def __init__(self, named: str, machines: Mapping[str, OwnMachineModel], *, average: AdaptationModel) -> None:
        self._named = named
        self._means = {name: machine.adaptation.machine_mean for name, machine in machines.items()}
        self._within = within_classes(average.machine_cov, average.crack_cov)
        self._points: deque[Doubles] = deque()  # of candidates whose tick is not over
        self._sum = np.zeros_like(average.machine_mean)
        self._count, self._quiet_s = 0, 0.0
        self._over = len(machines) < 2

    def push(self, asked: Asked) -> str | None:
        """The next of it; the name of the machine that it sounds like, if that is another."""
        if self._over:
            return None
        if isinstance(asked, AskedCandidate):
            self._points.append(np.append(asked.sound.hidden, asked.crack_llr))
            return None
        of_tick = [self._points.popleft() for _ in range(asked.candidates)]
        if asked.quiet:
            self._quiet_s += asked.observed_s
            self._count += len(of_tick)
            self._sum += sum(of_tick, np.zeros_like(self._sum))
        self._over = self._quiet_s >= _QUIET_S or (asked.tick + 1) * TICK_S >= _LATEST_S
        return self._judged() if self._over and self._count >= _LEAST else None

    def _judged(self) -> str | None:
        mean = self._sum / self._count
        distances = {name: self._squared(mean - own) for name, own in self._means.items()}
        nearest = min(distances, key=lambda name: distances[name])
        return nearest if distances[nearest] + MARGIN < distances[self._named] else None

    def _squared(self, apart: Doubles) -> float:
        return float(apart @ np.linalg.solve(self._within, apart))
