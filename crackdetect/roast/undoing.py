"""Undo: every key and every announcement is a step, and undo goes one back, as often as wished.

A step keeps what held before of the moments that it touched. What was heard meanwhile stays: undo takes back the
person's part of a moment, or the announcement, never what was learnt since.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from crackdetect.roast.record import Density
from crackdetect.roast.statements import TAKEN_BACK_WITH, Statement, Statements

#: What a step was: a person's mark, a time given beforehand that came, something that was heard, a "not yet", or the
#: person's yes to an announcement.
Kind = Literal["key", "given", "heard", "not_yet", "confirmed"]
#: Steps that can be undone, the last ones; nobody presses so many keys.
_MOST_STEPS = 200


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that can be undone.

    Attributes
    ----------
    what
        The moment: a name of ``record.MOMENTS`` that begins an entry of ``TAKEN_BACK_WITH``.
    kind
        What it was.
    before
        What held of every moment that it touched.
    told_lead, peak, confirmed
        Of the roast's state before it.
    """

    what: str
    kind: Kind
    before: Mapping[str, Statement]
    told_lead: float | None
    peak: Density | None
    confirmed: bool

    @property
    def event(self) -> str:
        """``first_crack.start`` -> ``first_crack``, as "not yet" names it."""
        return self.what.removesuffix(".start")

    def undo(self, statements: Statements) -> None:
        """Brings ``statements`` back to where they were before it."""
        now, before = statements.get(self.what), self.before.get(self.what)
        if self.kind == "key" and now is not None:
            statements.put(self.what, replace(now, marked=None if before is None else before.marked))
        elif self.kind == "given" and now is not None:
            statements.put(self.what, replace(now, given=None))
        for what, statement in self.before.items():  # what fell with it
            if what not in statements and (what != self.what or self.kind == "not_yet"):
                statements.put(what, statement)


class Steps:
    """The steps of a roast, the last one on top."""

    def __init__(self) -> None:
        self._steps: list[Step] = []

    def __iter__(self) -> Iterator[Step]:
        return iter(self._steps)

    @property
    def last(self) -> Step | None:
        """What undo takes back; ``None`` where there is nothing to undo."""
        return self._steps[-1] if self._steps else None

    def take(self, step: Step) -> None:
        """It was done."""
        if step.event in TAKEN_BACK_WITH:
            self._steps.insert(self._place(step), step)
            del self._steps[:-_MOST_STEPS]

    def undo(self) -> Step | None:
        """The last one, which is a step no more."""
        return self._steps.pop() if self._steps else None

    def _place(self, step: Step) -> int:
        """On top; but what was heard while the person's word holds, which nobody sees, is undone after that."""
        place = len(self._steps)
        if step.kind != "heard":
            return place
        for number in reversed(range(place)):
            other = self._steps[number]
            if other.what == step.what and other.kind in ("key", "given"):
                place = number
            elif other.event == step.event:
                break
        return place
