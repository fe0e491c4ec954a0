"""What the tracker was asked in a roast, put once more to the stage that learns the machine: no sound is needed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from crackdetect.deciding.own_machine import AskedCandidate, OwnMachine
from crackdetect.deciding.recent import TICK_S
from crackdetect.deciding.tracker import AskedTick


def replay(
    candidates: Iterable[AskedCandidate], ticks: Iterable[AskedTick], machine: OwnMachine
) -> Iterator[float | None]:
    """In order: after each candidate its log odds of a crack (nats), after each tick ``None``.

    candidates, ticks: all of a roast, as the tracker traces them, oldest first; of ``machine`` what they leave it with
    can be read after each.
    """
    remaining = iter(candidates)
    for tick in ticks:
        for _ in range(tick.candidates):
            yield from machine.push([next(remaining)])
        end = (tick.tick + 1) * TICK_S
        machine.close_tick(end, observed_s=tick.observed_s, hmm_log_odds=tick.hmm_log_odds, quiet=tick.quiet)
        yield None
