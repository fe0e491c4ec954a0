"""A kept roast heard again, so that the machine's stage can be asked about it as often as wished."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np

from crackdetect.blocks import Block, Doubles
from crackdetect.deciding.own_machine import AskedCandidate, OwnMachine, OwnMachineModel, log_odds_of
from crackdetect.deciding.recent import TICK_S
from crackdetect.deciding.replay import replay
from crackdetect.deciding.tracker import Asked, AskedTick, TrackerSettings
from crackdetect.model import Model
from crackdetect.pipeline import Pipeline
from crackdetect.teach.sound_sums import MicrophoneLevels


@dataclass(frozen=True, slots=True, eq=False)
class HeardAgain:
    """What the tracker was asked, oldest first; and how loud the noise was, see :class:`MicrophoneLevels`."""

    candidates: tuple[AskedCandidate, ...]
    ticks: tuple[AskedTick, ...]
    levels: Doubles | None = None

    @property
    def times(self) -> list[float]:
        """Of the candidates, seconds."""
        return [one.time for one in self.candidates]

    @property
    def length_s(self) -> float:
        """Of the sound, to the end of its last tick, seconds."""
        return (self.ticks[-1].tick + 1) * TICK_S if self.ticks else 0.0

    def asked(self) -> Iterator[Asked]:
        """All of it as the tracker traces it: the candidates of a tick before the tick."""
        remaining = iter(self.candidates)
        for tick in self.ticks:
            yield from islice(remaining, tick.candidates)
            yield tick


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """What the machine's stage makes of a roast; while it does not know the machine, what was decided without it.

    Attributes
    ----------
    crack : float64, shape (n,)
        Log odds of each candidate to be a crack, nats.
    begun : float64, shape (m,)
        At the end of each tick, that first crack has begun, nats.
    """

    crack: Doubles
    begun: Doubles

    @property
    def probabilities(self) -> Doubles:
        """Of each candidate to be a crack, 0 to 1: float64 (n,)."""
        probabilities: Doubles = 1 / (1 + np.exp(-self.crack))
        return probabilities

    @property
    def announced_s(self) -> float | None:
        """When first crack would be announced at the usual sensitivity without a known charge, seconds."""
        usual = TrackerSettings()
        seconds = (np.arange(len(self.begun)) + 1) * TICK_S
        reached = seconds[(self.begun >= usual.threshold) & (seconds >= usual.ready_s)]
        return float(reached[0]) if len(reached) else None


def hear_again(blocks: Iterable[Block], *, samplerate: int, model: Model) -> HeardAgain:
    """Hears a recording from end to end, as far as the machine's stage.

    samplerate: Hz. Raises SettingError for one that cannot be heard, and what reading the blocks raises.
    """
    candidates: list[AskedCandidate] = []
    ticks: list[AskedTick] = []

    def keep(asked: AskedCandidate | AskedTick) -> None:
        if isinstance(asked, AskedTick):
            ticks.append(asked)
        else:
            candidates.append(asked)

    levels = MicrophoneLevels(samplerate)
    shipped = replace(model, own_machine=None)
    pipeline = Pipeline(samplerate=samplerate, model=shipped, trace=keep, overhear=levels.push)
    for block in blocks:
        pipeline.push(block)
    told = sum(tick.candidates for tick in ticks)  # those of the tick that was not closed were not decided on
    return HeardAgain(tuple(candidates[:told]), tuple(ticks), levels.finish())


def answers_of(heard: HeardAgain, model: OwnMachineModel) -> Answers:
    """What a model of the machine at hand answers."""
    machine = OwnMachine(model)
    crack: list[float] = []
    begun: list[float] = []
    for odds in replay(heard.candidates, heard.ticks, machine):
        if odds is None:
            begun.append(machine.log_odds if machine.known else heard.ticks[len(begun)].hmm_log_odds)
        else:
            crack.append(odds if machine.known else log_odds_of(heard.candidates[len(crack)].probability))
    return Answers(np.array(crack), np.array(begun))
