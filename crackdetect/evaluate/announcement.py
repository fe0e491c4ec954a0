"""The announcement of first crack: right, false or missed, and how late."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from crackdetect.events import Event
from crackdetect.pipeline import Evidence

#: An announcement up to this long before the true start is not false: the ramp's start is itself uncertain.
EARLY_S = 5.0
#: Evidence below this is never enough, nats.
_LEAST_NATS = -5.0


@dataclass(frozen=True, slots=True)
class Announcement:
    """What became of first crack in one recording.

    Attributes
    ----------
    present : bool
        First crack begins in this recording.
    right : bool
        It was announced, not too early, and not after the drop, where it helps nobody.
    false : bool
        Something was announced that was not there, or more than :data:`EARLY_S` too early.
    delay_s : float or None
        Seconds from the true start to a right announcement.
    """

    present: bool
    right: bool
    false: bool
    delay_s: float | None


class Moments(Protocol):
    """What an announcement is held against: a truth, or a score that remembers it. Seconds, None = not at all."""

    @property
    def first_crack_start_s(self) -> float | None:
        """When first crack begins."""

    @property
    def drop_s(self) -> float | None:
        """When the beans leave."""


def score_announcement(announced_at: float | None, truth: Moments) -> Announcement:
    """Holds the time of an announcement (s, None: there was none) against the truth."""
    start, drop = truth.first_crack_start_s, truth.drop_s
    present = start is not None
    if announced_at is None or (start is not None and drop is not None and announced_at > drop):
        return Announcement(present, False, False, None)
    if start is None or announced_at < start - EARLY_S:
        return Announcement(present, False, True, None)
    return Announcement(present, True, False, announced_at - start)


def time_of_announcement(events: Sequence[Event]) -> float | None:
    """When first crack was announced (s), or None."""
    return next((event.announced_at for event in events if event.type == "first_crack.start"), None)


@dataclass(frozen=True, slots=True)
class EvidenceRise:
    """The evidence that first crack has begun, each time it was stronger than ever before in the recording.

    As long as nothing is announced the evidence does not depend on the threshold. So the evidence of a run that never
    announces tells when any threshold would have been crossed.

    Attributes
    ----------
    known_at : tuple of float
        Seconds, ascending.
    log_odds : tuple of float
        Nats, ascending.
    """

    known_at: tuple[float, ...] = ()
    log_odds: tuple[float, ...] = ()

    @classmethod
    def of(cls, evidence: Iterable[Evidence], *, ready_s: float) -> EvidenceRise:
        """Of all ticks of a recording. ready_s: before that nothing is announced, seconds."""
        times: list[float] = []
        heights: list[float] = []
        for one in evidence:
            if one.now >= ready_s and one.log_odds > (heights[-1] if heights else _LEAST_NATS):
                times.append(one.known_at)
                heights.append(one.log_odds)
        return cls(tuple(times), tuple(heights))

    def announced_at(self, threshold: float) -> float | None:
        """When first crack is announced with a threshold (nats, more than -5), seconds; None: never."""
        record = bisect_left(self.log_odds, threshold)
        return self.known_at[record] if record < len(self.known_at) else None

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> EvidenceRise:
        """The opposite of ``dataclasses.asdict``, also after JSON. Raises KeyError or TypeError."""
        return cls(tuple(content["known_at"]), tuple(content["log_odds"]))
