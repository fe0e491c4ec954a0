"""How much sooner at how many more false words: first crack at every threshold of the decision, not at one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from crackdetect.deciding.tracker import TrackerSettings
from crackdetect.evaluate.intervals import Interval, rate_interval
from crackdetect.evaluate.scoring import Score

#: Thresholds of the table, nats above the usual one.
SHIFTS = (-8.0, -6.0, -4.0, -2.5, -1.0, 0.0, 1.0, 2.0, 4.0, 8.0, 16.0)
#: A missed first crack counts as one announced so late, s: else a threshold that misses the late ones would look soon.
MISSED_AS_S = 90.0
_10_H_S = 36_000.0


@dataclass(frozen=True, slots=True)
class Operation:
    """First crack in a set of recordings with one threshold.

    Attributes
    ----------
    threshold : float
        Nats.
    present, missed, early, false : int
        Roasts with first crack; those without an announcement, those with one too soon, and false words elsewhere.
    false_in_10_h : float or None
        Those too soon and false ones, in ten hours before or without first crack.
    false_interval : Interval or None
        Of that rate.
    delay_mean_s : float or None
        Of the right ones.
    cost_s : float or None
        Mean delay if one that was missed, or came too soon, counts as ``MISSED_AS_S``.
    """

    threshold: float
    present: int
    missed: int
    early: int
    false: int
    false_in_10_h: float | None
    false_interval: Interval | None
    delay_mean_s: float | None
    cost_s: float | None

    def to_dict(self) -> dict[str, Any]:
        """As JSON takes it."""
        return asdict(self)


def operation(scores: Sequence[Score], threshold: float) -> Operation:
    """What becomes of first crack in these recordings with a threshold (nats)."""
    announcements = [score.announcement_at(threshold) for score in scores]
    roasts = [one for one in announcements if one.present]
    early = sum(one.false for one in roasts)
    false = sum(one.false for one in announcements) - early
    delays = [one.delay_s for one in roasts if one.delay_s is not None]
    exposure = sum(score.without_first_crack_s for score in scores) / _10_H_S
    late = [*delays, *[MISSED_AS_S] * (len(roasts) - len(delays))]
    return Operation(
        threshold=threshold,
        present=len(roasts),
        missed=len(roasts) - len(delays) - early,
        early=early,
        false=false,
        false_in_10_h=round((early + false) / exposure, 3) if exposure > 0 else None,
        false_interval=rate_interval(early + false, exposure),
        delay_mean_s=round(float(np.mean(delays)), 2) if delays else None,
        cost_s=round(float(np.mean(late)), 2) if late else None,
    )


def tradeoff(scores: Sequence[Score]) -> list[Operation]:
    """An operation for each of :data:`SHIFTS`; empty where the evidence is not known."""
    if not any(score.rise.known_at for score in scores):
        return []
    usual = TrackerSettings().threshold
    return [operation(scores, usual + shift) for shift in SHIFTS]
