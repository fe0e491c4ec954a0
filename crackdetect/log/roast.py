"""One roast as the log knows it: what was heard, what the person marked and corrected, and the arithmetic of it.

Times named ``…_s`` count seconds from the first sample of the recording; ``roast_time`` turns them into seconds since
charge. What the person entered outranks what they marked, which outranks what was heard; all three are kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

from crackdetect.config import Target
from crackdetect.development import development_ratio
from crackdetect.weight_loss import weight_loss

#: The moments of a roast, in their order.
MOMENTS = ("charge", "first_crack.start", "first_crack.end", "second_crack.start", "drop", "cooled")
#: The same as they are called.
SPOKEN = {
    "charge": "charge",
    "first_crack.start": "first crack",
    "first_crack.end": "first crack end",
    "second_crack.start": "second crack",
    "drop": "drop",
    "cooled": "cooled",
}
#: What the person says of a roast in free text.
TEXTS = ("coffee", "process", "origin", "machine")
#: Development in the cup, from under to over (own wording).
CUPS = {-2: "raw", -1: "thin", 0: "right", 1: "flat", 2: "bitter"}
CUP_MEANING = {
    "raw": "grassy, sour: far under-developed",
    "thin": "light, dry, sharp: under-developed",
    "right": "as it should be",
    "flat": "dull, round: over-developed",
    "bitter": "baked, ashy: far over-developed",
}
#: How much it was liked, 1 to 5.
LIKING = {1: "would not drink it", 2: "drinkable", 3: "good", 4: "very good", 5: "the best so far"}


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment of a roast. All times seconds from the first sample, or None where there is none.

    heard_s with its 90 % interval (earliest_s, latest_s), when it was announced and how sure (0 to 1); marked_s: the
    person's mark at the roaster, or given beforehand; corrected: the person has put it right afterwards, to entered_s
    (None: it did not happen).
    """

    heard_s: float | None = None
    earliest_s: float | None = None
    latest_s: float | None = None
    announced_s: float | None = None
    confidence: float | None = None
    marked_s: float | None = None
    entered_s: float | None = None
    corrected: bool = False

    @property
    def at_s(self) -> float | None:
        if self.corrected:
            return self.entered_s
        return self.heard_s if self.marked_s is None else self.marked_s

    @property
    def whose(self) -> str:
        """``corrected``, ``marked``, ``heard``, or nothing where there is no such moment."""
        if self.corrected:
            return "corrected"
        if self.marked_s is not None:
            return "marked"
        return "" if self.heard_s is None else "heard"

    @property
    def interval_s(self) -> tuple[float, float] | None:
        """The 90 % interval where the moment stands as it was heard."""
        if self.whose != "heard" or self.earliest_s is None or self.latest_s is None:
            return None
        return self.earliest_s, self.latest_s


class Crack(NamedTuple):
    """at_s; kind ``first`` or ``second``; probability 0 to 1; snr_db (dB over the noise)."""

    at_s: float
    kind: str
    probability: float
    snr_db: float


class Density(NamedTuple):
    """Cracks a minute at at_s, with its 90 % interval."""

    at_s: float
    per_minute: float
    low: float
    high: float


class Trouble(NamedTuple):
    """A ``health`` event; occurrences is its ``count``."""

    at_s: float
    kind: str
    occurrences: int
    message: str


@dataclass(frozen=True, slots=True)
class Note:
    """How it tasted. cup: a key of CUPS, liking: of LIKING, or None."""

    number: int
    tasted_on: date
    text: str = ""
    cup: int | None = None
    liking: int | None = None


@dataclass(frozen=True, slots=True)
class Roast:
    """What one row of the log says. Weights in grams; day ``YYYY-MM-DD``; ratios 0 to 1.

    number: short name in this log. identity: the roast's name in its events. day: of ``started`` (wall clock at the
    first sample, ISO 8601), else of keeping. said: texts, weights, target and start as they were before the person
    corrected them, by name, only those that were corrected.
    """

    number: int
    identity: str
    day: str
    kept: str
    started: str | None = None
    source: str | None = None
    samplerate: int | None = None
    model_name: str | None = None
    model_hash: str | None = None
    version: str | None = None
    coffee: str | None = None
    process: str | None = None
    origin: str | None = None
    machine: str | None = None
    microphone: str | None = None
    green_g: float | None = None
    roasted_g: float | None = None
    target: Target | None = None
    expect: tuple[float, float] | None = None
    length_s: float = 0.0
    finished: bool = True
    crack_count: int = 0
    peak: Density | None = None
    recording: Path | None = None
    recording_sha256: str | None = None
    moments: Mapping[str, Moment] = field(default_factory=dict)
    said: Mapping[str, Any] = field(default_factory=dict)

    def moment(self, what: str) -> Moment:
        return self.moments.get(what, _NEVER)

    def at_s(self, what: str) -> float | None:
        """When it was, None where it is not known."""
        moment = self.moment(what)
        if what == "first_crack.end" and moment.whose == "heard":
            start = self.moment("first_crack.start")
            # the end that was heard belongs to the start that was heard
            if start.corrected and (start.at_s is None or start.at_s >= (moment.at_s or 0.0)):
                return None
        return moment.at_s

    def roast_time(self, seconds: float | None) -> float | None:
        """Seconds since charge; from the first sample where charge is not known."""
        return None if seconds is None else seconds - (self.at_s("charge") or 0.0)

    @property
    def first_crack(self) -> float | None:
        """First-crack start, seconds since charge; None where either is not known."""
        return self.roast_time(self.at_s("first_crack.start")) if self._charge_counts else None

    @property
    def total(self) -> float | None:
        """Charge to drop, seconds."""
        charge, drop = self.at_s("charge"), self.at_s("drop")
        return None if charge is None or drop is None or drop <= charge else drop - charge

    @property
    def development(self) -> float | None:
        """First-crack start to drop, seconds; negative when dropped before it."""
        start, drop = self.at_s("first_crack.start"), self.at_s("drop")
        return None if start is None or drop is None else drop - start

    @property
    def ratio(self) -> float | None:
        """Development time over roast time."""
        charge, start, drop = (self.at_s(what) for what in ("charge", "first_crack.start", "drop"))
        if charge is None or start is None or drop is None or drop <= charge or start < charge:
            return None  # a charge after first crack or drop is another roast's
        return development_ratio(start, drop, charge_s=charge)

    @property
    def loss(self) -> float | None:
        """Weight loss, (green - roasted) / green, 0 to 1."""
        if self.green_g is None or self.roasted_g is None:
            return None
        return weight_loss(self.green_g, self.roasted_g) if self.roasted_g < self.green_g else None

    @property
    def wanted(self) -> float | None:
        """Development time (s) that the target asks for in this roast."""
        return None if self.target is None else self.target.drop_after(self.first_crack)

    @property
    def name(self) -> str:
        """How a person calls it."""
        return f"roast {self.number}"

    @property
    def _charge_counts(self) -> bool:
        charge, start = self.at_s("charge"), self.at_s("first_crack.start")
        return charge is not None and (start is None or start >= charge)


_NEVER = Moment()


@dataclass(frozen=True, slots=True)
class Story:
    """A roast with all that was heard in it."""

    roast: Roast
    cracks: tuple[Crack, ...] = ()
    density: tuple[Density, ...] = ()
    troubles: tuple[Trouble, ...] = ()
    notes: tuple[Note, ...] = ()
