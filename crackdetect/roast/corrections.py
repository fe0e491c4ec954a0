"""What a person put right in a roast afterwards, each with who said so and when: what a program can learn from.

What was heard stays as it was; a correction stands beside it.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass

#: Two places in the sound that are the same crack, seconds: a crack rings for some milliseconds, and the hearing takes
#: none within its hold-off of 15 ms of another.
SAME_CRACK_S = 0.01


@dataclass(frozen=True, slots=True)
class CrackLabel:
    """A person listened to a place in the sound.

    Attributes
    ----------
    at : float
        Seconds from the first sample: exactly as the ``crack`` event has it, or a place where none was heard.
    is_crack : bool or None
        ``None``: it could not be told.
    by : str
        Who said so.
    when : str
        ISO 8601, UTC.
    """

    at: float
    is_crack: bool | None
    by: str
    when: str


@dataclass(frozen=True, slots=True)
class MarkMove:
    """A person put a moment of the roast elsewhere.

    Attributes
    ----------
    mark : str
        One of :data:`crackdetect.roast.record.MOMENTS`.
    was, now : float or None
        Seconds from the first sample before and after; ``None``: not known, or that it did not happen.
    whose : str
        Whose word the time before was: ``heard``, ``marked``, ``corrected``, or nothing.
    by : str
        Who said so.
    when : str
        ISO 8601, UTC.
    """

    mark: str
    was: float | None
    now: float | None
    whose: str
    by: str
    when: str


@dataclass(frozen=True, slots=True)
class Corrections:
    """Of one roast, each sort oldest first; what was taken back is not among them.

    Attributes
    ----------
    labels : tuple of CrackLabel
        A crack that was listened to twice stands here twice.
    moves : tuple of MarkMove
        A moment that was moved twice stands here twice.
    """

    labels: tuple[CrackLabel, ...] = ()
    moves: tuple[MarkMove, ...] = ()

    @property
    def cracks(self) -> tuple[CrackLabel, ...]:
        """The last word on each crack, in the order of the sound: what a model can be taught with."""
        return last_words(self.labels)

    @property
    def marks(self) -> dict[str, MarkMove]:
        """The last word on each moment, by its name."""
        return {move.mark: move for move in self.moves}

    def of_crack(self, at: float) -> CrackLabel | None:
        """The last word on the crack at ``at`` seconds; ``None`` where nobody has listened to it."""
        return next((label for label in reversed(self.labels) if abs(label.at - at) <= SAME_CRACK_S), None)


def last_words(labels: Iterable[CrackLabel]) -> tuple[CrackLabel, ...]:
    """One label a crack, the last, in the order of the sound. labels: oldest first.

    Examples
    --------
    >>> at_first, then = CrackLabel(2.0, True, "Ada", "2026-03-01"), CrackLabel(2.0, False, "Ada", "2026-03-02")
    >>> last_words([at_first, then]) == (then,)
    True
    """
    found: list[CrackLabel] = []  # in the order of the sound
    for label in labels:
        first = bisect_left(found, label.at - SAME_CRACK_S, key=_at)
        found[first : bisect_right(found, label.at + SAME_CRACK_S, key=_at)] = [label]
    return tuple(found)


def _at(label: CrackLabel) -> float:
    return label.at
