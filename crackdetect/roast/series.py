"""What a roast tells again and again: single cracks, their density and its peak, and what was wrong."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Mapping
from typing import Any

from crackdetect.deciding.density import shrunken_peak
from crackdetect.events import Event
from crackdetect.roast.record import WRONG_RATE, Crack, Density, Trouble

#: Seconds of density that are kept for a short history, and the cracks and troubles that are kept at most.
HISTORY_S = 120.0
_MOST_CRACKS, _MOST_TROUBLES = 1000, 100


class Series:
    """Takes ``crack``, ``density`` and ``health`` events, and is told when first crack goes on.

    Parameters
    ----------
    whole
        Keep all of the roast; else the last two minutes or so, which bounds the memory however long it goes on.

    Attributes
    ----------
    crack_count
        Cracks told so far.
    cracks, density, troubles
        The latest of them, oldest first.
    health
        How much there was of each kind of trouble, in the unit of its ``count``.
    wrong_rate
        What was told of a microphone whose rate is not what it says: then all times are off.
    peak
        What first crack reached, and when; see :func:`crackdetect.deciding.density.shrunken_peak`.
    """

    def __init__(self, *, whole: bool = False) -> None:
        self.crack_count = 0
        self.cracks: deque[Crack] = deque(maxlen=None if whole else _MOST_CRACKS)
        self.density: deque[Density] = deque(maxlen=None if whole else int(HISTORY_S))
        self.troubles: deque[Trouble] = deque(maxlen=None if whole else _MOST_TROUBLES)
        self.health: Counter[str] = Counter()
        self.wrong_rate: str | None = None
        self.peak: Density | None = None
        self._told_at: float | None = None  # the latest density, and the peak before it
        self._peak_before: Density | None = None

    def crack(self, event: Event) -> None:
        """Takes a ``crack`` event."""
        fields = event.fields
        self.crack_count += 1
        self.cracks.append(Crack(event.at, fields["kind"], fields["probability"], fields["snr_db"]))

    def trouble(self, event: Event) -> None:
        """Takes a ``health`` event."""
        kind, count = event.fields["kind"], event.fields["count"]
        self.health[kind] += count
        self.troubles.append(Trouble(event.at, kind, count, event.fields["message"]))
        if kind == WRONG_RATE:
            self.wrong_rate = event.fields["message"]

    # -- density; it is told before what begins at the same moment -----------------------------------------------

    def push_density(self, event: Event, *, cracking: bool) -> None:
        """cracking: first crack goes on, as far as is known."""
        fields = event.fields
        self.density.append(Density(event.at, fields["per_minute"], fields["low"], fields["high"]))
        self._told_at, self._peak_before = event.announced_at, self.peak
        if cracking:
            self.first_crack_began(event.announced_at)

    def first_crack_began(self, told_at: float) -> None:
        """A density told at that moment (seconds) is first crack's."""
        if self._told_at == told_at:
            at, *density = self.density[-1]
            reached = Density(at, *shrunken_peak(*density))
            self.peak = reached if self.peak is None else max(self.peak, reached, key=lambda peak: peak[1:])

    def second_crack_began(self, told_at: float) -> None:
        """A density told at that moment (seconds) is not first crack's."""
        if self._told_at == told_at:
            self.peak = self._peak_before

    def correct(self, summary: Mapping[str, Any], *, at: float) -> None:
        """The summary's fields have the last word. at: seconds, of a peak of which nothing else is known."""
        self.crack_count = summary["cracks"]
        peak = tuple(summary[name] for name in ("peak_per_minute", "peak_low", "peak_high"))
        if peak[0] is not None and (self.peak is None or self.peak[1:] != peak):
            self.peak = Density(at, *peak)
