"""What was said of each moment of a roast: what outranks what, and what "not yet" takes back.

A moment may have been heard, given beforehand and marked by the person, in any order: the mark outranks the given
time, which outranks what was heard. "Not yet" takes all of it back, with what cannot have happened without it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from crackdetect.roast.record import Moment

#: Ends the mark by which the person says that something has not happened.
NOT_YET = ".not_yet"
#: The moments that such a mark takes back.
TAKEN_BACK_WITH: Mapping[str, tuple[str, ...]] = {
    "charge": ("charge",),
    "first_crack": ("first_crack.start", "first_crack.end", "second_crack.start"),
    "second_crack": ("second_crack.start",),
    "drop": ("drop", "cooled"),
}
#: Moments that do not hold any more when another one is said (again).
_FALLS_BY = {"drop": ("cooled",)}
#: The end of first crack that was heard belongs to the start that was heard: it falls by a mark that is later.
_START, _END = "first_crack.start", "first_crack.end"


@dataclass(frozen=True, slots=True)
class Statement:
    """All that was said of one moment. Times are seconds from the first sample, ``None`` = not said.

    Parameters
    ----------
    heard
        When the hearing dates it.
    earliest, latest, confidence, announced_at
        Of that: its 90 % interval, how sure it is (0 to 1), and when it was said.
    given
        As the person gave it beforehand; of ``cooled``: the end of the cooling time.
    marked
        As the person marked it at the roaster.
    """

    heard: float | None = None
    earliest: float | None = None
    latest: float | None = None
    confidence: float | None = None
    announced_at: float | None = None
    given: float | None = None
    marked: float | None = None

    @property
    def how(self) -> Literal["key", "given", "heard"]:
        """Which of them holds."""
        return "key" if self.marked is not None else "given" if self.given is not None else "heard"

    @property
    def at(self) -> float:
        """When it was, seconds from the first sample."""
        if self.marked is not None:
            return self.marked
        if self.given is not None:
            return self.given
        assert self.heard is not None, "a moment of which nothing was said is not kept"
        return self.heard

    @property
    def interval(self) -> tuple[float, float] | None:
        """The 90 % interval of ``at``, seconds, where it holds as it was heard."""
        if self.how != "heard" or self.earliest is None or self.latest is None:
            return None
        return self.earliest, self.latest

    def as_moment(self) -> Moment:
        """As the log keeps it, which has one column for what the person said."""
        by_person = self.given if self.marked is None else self.marked
        return Moment(self.heard, self.earliest, self.latest, self.announced_at, self.confidence, by_person)


class Statements(dict[str, Statement]):
    """What holds of each moment (a name of ``record.MOMENTS``); what was said last stands last."""

    def hear(
        self,
        what: str,
        at: float,
        *,
        announced_at: float,
        earliest: float | None = None,
        latest: float | None = None,
        confidence: float | None = None,
    ) -> None:
        """It was heard. Where the person has said it before, that still holds, and is no newer than it was."""
        said = Statement(at, earliest, latest, confidence, announced_at)
        before = self.get(what)
        if before is None or before.how == "heard":
            self._say(what, said)
        else:
            self[what] = replace(said, given=before.given, marked=before.marked)

    def give(self, what: str, at: float) -> None:
        """A time given beforehand has come."""
        self._say(what, replace(self.get(what, _NOTHING), given=at))

    def mark(self, what: str, at: float) -> None:
        """The person says that it was then."""
        end = self.get(_END)
        if what == _START and end is not None and end.how == "heard" and end.at <= at:
            del self[_END]
        self._say(what, replace(self.get(what, _NOTHING), marked=at))

    def _say(self, what: str, statement: Statement) -> None:
        for fallen in (what, *_FALLS_BY.get(what, ())):
            self.pop(fallen, None)
        self[what] = statement

    def date(self, what: str, at: float, *, earliest: float | None = None, latest: float | None = None) -> None:
        """Dates better what was heard; nothing where it was not. Its announcement stays as it was."""
        before = self.get(what)
        if before is not None and before.heard is not None:
            self[what] = replace(before, heard=at, earliest=earliest, latest=latest)

    def take_back(self, what: str) -> None:
        """The person says "not yet". what: a name of TAKEN_BACK_WITH."""
        for moment in TAKEN_BACK_WITH.get(what, ()):
            self.pop(moment, None)

    def begin_after_charge(self) -> None:
        """What was heard of first crack did not begin before a charge that was said (again) since."""
        charge, start = self.get("charge"), self.get(_START)
        if charge is None or start is None or start.heard is None:
            return
        heard, earliest, latest = (
            None if date is None else max(date, charge.at) for date in (start.heard, start.earliest, start.latest)
        )
        self[_START] = replace(start, heard=heard, earliest=earliest, latest=latest)

    def correct(self, what: str, at: float | None) -> None:
        """Somebody who knows all of the roast says when it was; ``None``: that it was not."""
        before = self.get(what, _NOTHING)
        if at is None:
            self.pop(what, None)
        elif before is _NOTHING or before.how == "heard":
            self[what] = replace(before, heard=at)
        else:
            self[what] = replace(before, marked=at)

    def put(self, what: str, statement: Statement) -> None:
        """Just this holds of it, and keeps its place; one that says nothing holds no more."""
        if statement == replace(_NOTHING, announced_at=statement.announced_at):
            self.pop(what, None)
        else:
            self[what] = statement

    def touched_by(self, what: str) -> dict[str, Statement]:
        """What holds of all moments that a mark of ``what`` can change."""
        with_it = TAKEN_BACK_WITH.get(what.removesuffix(NOT_YET).removesuffix(".start"), (what,))
        return {one: self[one] for one in with_it if one in self}

    def copy(self) -> Statements:
        """The same, to go its own way."""
        return Statements(self)


_NOTHING = Statement()
