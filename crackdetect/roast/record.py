"""One roast as the log knows it: what was heard, what the person marked and corrected, and the arithmetic of it.

Times named ``…_s`` count seconds from the first sample of the recording; ``roast_time`` turns them into seconds since
charge. What the person entered outranks what they marked, which outranks what was heard; all three are kept.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

from crackdetect.config import Target
from crackdetect.notation import clock
from crackdetect.roast.arithmetic import development_goal, development_ratio, total_time, weight_loss
from crackdetect.roast.corrections import SAME_CRACK_S, Corrections, CrackLabel

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
#: Development in the cup, from far under to far over; and heat that stalled, which is no matter of development.
CUPS = {-2: "grassy", -1: "under", 0: "balanced", 1: "over", 2: "burnt", 3: "stalled"}
#: Common practice, no source.
CUP_MEANING = {
    "grassy": "hay, raw, sour: far under-developed",
    "under": "thin, dry, sharp: under-developed",
    "balanced": "as it should be",
    "over": "dark, bitter, little left of the coffee's own: over-developed",
    "burnt": "ashy, smoky: far over-developed",
    "stalled": "flat, baked, bready: the heat stalled on the way",
}
#: The words of versions up to 0.1, in tables that they wrote.
FORMER_CUPS = {"raw": -2, "thin": -1, "right": 0, "flat": 1, "bitter": 2}
#: How much it was liked, 1 to 5.
LIKING = {1: "would not drink it", 2: "drinkable", 3: "good", 4: "very good", 5: "the best so far"}


#: A mark farther than this from what was heard may have been a slip, seconds (chosen).
FAR_S = 30.0

#: In a model's hash: before what is known of the machine.
TAUGHT = "+"


def spoken_model(name: str, digest: str | None) -> str:
    """What heard a roast, for people.

    Examples
    --------
    >>> spoken_model("first-crack", "bb67fc0512ab34cd+270aff5435c431cc")
    'first-crack bb67fc05, taught 270aff54'
    """
    shipped, _, taught = (digest or "").partition(TAUGHT)
    return f"{name} {shipped[:8]}{f', taught {taught[:8]}' if taught else ''}"


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment of a roast. Times are seconds from the first sample, ``None`` where there is none.

    Attributes
    ----------
    heard_s, earliest_s, latest_s
        As it was heard, with its 90 % interval.
    announced_s, confidence
        When that was said, and how sure it was (0 to 1).
    marked_s
        As the person marked it at the roaster, or gave it beforehand.
    confirmed
        Whether the person said yes to what was heard: as good as a mark for whoever learns from it.
    corrected, entered_s
        Whether the person has put it right afterwards, and to what; ``None``: it did not happen.
    """

    heard_s: float | None = None
    earliest_s: float | None = None
    latest_s: float | None = None
    announced_s: float | None = None
    confidence: float | None = None
    marked_s: float | None = None
    entered_s: float | None = None
    corrected: bool = False
    confirmed: bool = False

    @property
    def at_s(self) -> float | None:
        """When it was: as corrected, else as marked, else as heard."""
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
    def may_be_a_slip(self) -> bool:
        """Whether it was marked so far from where it was heard that it is asked about before anything is learnt."""
        if self.corrected or self.marked_s is None or self.heard_s is None:
            return False
        return abs(self.heard_s - self.marked_s) > FAR_S

    @property
    def interval_s(self) -> tuple[float, float] | None:
        """The 90 % interval where the moment stands as it was heard."""
        if self.whose != "heard" or self.earliest_s is None or self.latest_s is None:
            return None
        return self.earliest_s, self.latest_s


class Crack(NamedTuple):
    """A ``crack`` event: kind ``first`` or ``second``, probability 0 to 1, snr_db dB over the noise."""

    at_s: float
    kind: str
    probability: float
    snr_db: float


class Density(NamedTuple):
    """Cracks a minute at a moment, with the 90 % interval."""

    at_s: float
    per_minute: float
    low: float
    high: float


#: Kinds of health that are no trouble: the program's own sound is told by itself.
NO_TROUBLE = frozenset({"own_sound"})
#: Kind of the trouble that puts all times off.
WRONG_RATE = "wrong_rate"


class Trouble(NamedTuple):
    """A ``health`` event. occurrences: its ``count``."""

    at_s: float
    kind: str
    occurrences: int
    message: str


@dataclass(frozen=True, slots=True)
class Note:
    """How it tasted. cup: a key of CUPS, liking: of LIKING, or ``None``."""

    number: int
    tasted_on: date
    text: str = ""
    cup: int | None = None
    liking: int | None = None


def cup_word(notes: Sequence[Note]) -> str | None:
    """The cup that was chosen last, in a word. notes: oldest first."""
    return next((CUPS[note.cup] for note in reversed(notes) if note.cup is not None), None)


@dataclass(frozen=True, slots=True)
class Roast:
    """What one row of the log says, and what follows from it. Weights are grams, ratios 0 to 1.

    Attributes
    ----------
    number
        Short name in this log.
    identity
        The roast's name in its events.
    day
        ``YYYY-MM-DD``, of ``started`` where that is known, else of ``kept``.
    kept, started
        When it was put into the log, and the wall clock at its first sample (ISO 8601).
    source, samplerate, model_name, model_hash, version
        As its ``roast.start`` tells them; source ``table``: imported from a CSV.
    coffee, process, origin, machine, microphone, expect
        As in :class:`crackdetect.config.About`.
    length_s, finished
        How long it was listened to, and whether it has its summary.
    crack_count, peak
        Cracks heard, and the highest density of first crack.
    recording, recording_sha256
        The sound, where there is any.
    moments
        By the names of MOMENTS.
    said
        Texts, weights, target and start as they were before the person corrected them; only those that were corrected.
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
        """A moment by its name in MOMENTS; one of which nothing is known where it is not there."""
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
        return total_time(self.at_s("charge"), self.at_s("drop"))

    @property
    def development(self) -> float | None:
        """First-crack start to drop, seconds; negative when dropped before it."""
        start, drop = self.at_s("first_crack.start"), self.at_s("drop")
        return None if start is None or drop is None else drop - start

    @property
    def ratio(self) -> float | None:
        """Development time over roast time."""
        return development_ratio(self.at_s("first_crack.start"), self.at_s("drop"), charge=self.at_s("charge"))

    @property
    def loss(self) -> float | None:
        """Weight loss, (green - roasted) / green, 0 to 1."""
        if self.green_g is None or self.roasted_g is None:
            return None
        return weight_loss(self.green_g, self.roasted_g) if self.roasted_g < self.green_g else None

    @property
    def wanted(self) -> float | None:
        """Development time (s) that the target asks for in this roast."""
        return development_goal(self.target, self.at_s("first_crack.start"), charge=self.at_s("charge"))

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
class RoastRecord:
    """A roast with all that was heard in it, and what was put right and tasted afterwards."""

    roast: Roast
    cracks: tuple[Crack, ...] = ()
    density: tuple[Density, ...] = ()
    troubles: tuple[Trouble, ...] = ()
    notes: tuple[Note, ...] = ()
    corrections: Corrections = Corrections()

    @property
    def not_heard(self) -> tuple[CrackLabel, ...]:
        """The last word on each place where a person listened and the program had heard no crack, first found first."""
        places = [crack.at_s for crack in self.cracks] if self.corrections.labels else []
        heard = len(places)
        for label in self.corrections.labels:
            if all(abs(label.at - at) > SAME_CRACK_S for at in places):
                places.append(label.at)
        return tuple(filter(None, map(self.corrections.of_crack, places[heard:])))

    @property
    def sound_problems(self) -> tuple[Trouble, ...]:
        """Its troubles without those that are none."""
        return tuple(trouble for trouble in self.troubles if trouble.kind not in NO_TROUBLE)

    @property
    def wrong_rate(self) -> str | None:
        """What was told of a microphone whose rate is not what it says: then all times of the roast are off."""
        return next((trouble.message for trouble in reversed(self.troubles) if trouble.kind == WRONG_RATE), None)


# -- what can have been ----------------------------------------------------------------------------------------

#: The first comes before each of the others.
_BEFORE = {
    "charge": ("first_crack.start", "first_crack.end", "second_crack.start", "drop", "cooled"),
    "first_crack.start": ("first_crack.end", "second_crack.start", "drop", "cooled"),
    "drop": ("cooled",),
}
#: A moment may lie so far past the end of what was heard: the person's own clock, and listening ended a little early.
SLACK_S = 60.0
#: Beans may cool for so long after listening has ended; no longer cooling time can be asked for.
COOLING_S = 3600.0
_LONGEST_S = 86_400.0


def what_is_wrong(roast: Roast, corrected: Collection[str]) -> str | None:
    """Whether the moments of a roast can have been so: their order, and the length of what was heard.

    Parameters
    ----------
    roast
        With the corrections.
    corrected
        Names of the moments just corrected; what stood before is not judged anew.

    Returns
    -------
    str or None
        One sentence on the first thing that cannot have been.
    """
    for what in corrected:
        if (sentence := _out_of_reach(roast, what)) is not None:
            return sentence
    sentence = what_is_out_of_order({what: roast.at_s(what) for what in MOMENTS}, corrected)
    return sentence and f"{sentence}; check the two times, and correct both at once if both are wrong"


def what_is_out_of_order(times: Mapping[str, float | None], said: Collection[str]) -> str | None:
    """Whether moments can have been in this order.

    Parameters
    ----------
    times
        Seconds from the first sample by the names of MOMENTS, ``None`` or missing where there is none.
    said
        Names of the moments just said; the order of others is not judged.

    Returns
    -------
    str or None
        The first thing that cannot have been, a sentence without its end.
    """
    charge = times.get("charge") or 0.0
    for first, others in _BEFORE.items():
        for second in others:
            before, after = times.get(first), times.get(second)
            if before is None or after is None or before < after or not {first, second} & set(said):
                continue
            # a charge that is wrong is no clock to tell other times by
            zero, clocks = (0.0, ", counted from the beginning") if first == "charge" else (charge, "")
            return (
                f"{SPOKEN[second]} {clock(after - zero)} must come after {SPOKEN[first]} {clock(before - zero)}{clocks}"
            )
    return None


def _out_of_reach(roast: Roast, what: str) -> str | None:
    at_s = roast.at_s(what)
    if at_s is None or not roast.moment(what).corrected:
        return None
    if not 0 <= at_s <= _LONGEST_S:
        return f"{SPOKEN[what]} is out of range; give a time between the start of the roast and 24 hours"
    # a table has no length of its own, and of a roast that broke off nobody knows how long it went on
    known = roast.finished and roast.source != "table" and roast.length_s > 0
    if not known or at_s <= roast.length_s + (COOLING_S if what == "cooled" else SLACK_S):
        return None
    heard = "listening" if roast.source == "microphone" else "the recording"
    shown = clock if what == "charge" else lambda seconds: clock(roast.roast_time(seconds))
    return f"{SPOKEN[what]} {shown(at_s)} lies after the end of {heard} ({shown(roast.length_s)}); check the time"
