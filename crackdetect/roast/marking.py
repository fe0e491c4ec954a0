"""What a key of the person means now: it marks, it asks once more, it confirms, or it cannot be.

Every place with keys asks here: the board, typed letters, a page.
"""

from __future__ import annotations

from typing import NamedTuple

from crackdetect.notation import clock
from crackdetect.roast.course import UNDO
from crackdetect.roast.record import SPOKEN
from crackdetect.roast.state import CONFIRMED, RoastState

#: Asks before the roast ends: a key pressed by mistake must not do it.
END = "end"
#: Time to press a key a second time, seconds.
AGAIN_S = 5.0
#: First crack marked so soon after its announcement is a yes to it, seconds.
CONFIRMS_S = 20.0


class Mark(NamedTuple):
    """A statement for :meth:`crackdetect.pipeline.Pipeline.mark`. at: seconds from the first sample, ``None`` = now."""

    what: str
    at: float | None = None


class Answer(NamedTuple):
    """What came of a key: a mark to make, or a sentence for the person. ends: the roast ends."""

    mark: Mark | None
    sentence: str = ""
    ends: bool = False


class Keys:
    """The keys of one roast; it remembers what it has asked.

    Parameters
    ----------
    speed
        Times real time, of a roast that is played: a person needs the same time for a key all the same.

    Examples
    --------
    >>> from crackdetect.roast.state import RoastState
    >>> Keys().press("charge", "c", RoastState(), 12.0)
    Answer(mark=Mark(what='charge', at=None), sentence='', ends=False)
    """

    def __init__(self, *, speed: float = 1.0) -> None:
        self._speed = speed
        self._asked: Mark | None = None

    def press(self, what: str, key: str, state: RoastState, now: float) -> Answer:
        """A key was pressed.

        Parameters
        ----------
        what
            What it marks: ``charge``, ``first_crack.start``, ``second_crack.start`` or ``drop``; or ``undo``, or END.
        key
            How it is called, for the question.
        state
            What holds in the roast.
        now
            Seconds from the first sample.
        """
        asked, self._asked = self._asked, None
        now = max(now, state.until)  # a clock that has heard nothing stands at 0
        again = asked is not None and asked.what == what and self._in_time(asked, now)
        if what == END:
            if again:
                return Answer(None, "Ending the roast.", ends=True)
            self._asked = Mark(END, now)
            return Answer(None, f"Press {key} again to end the roast. Ending it switches nothing off.")
        if what == UNDO:
            return Answer(Mark(UNDO)) if state.steps.last is not None else Answer(None, "There is nothing to undo.")
        if again:
            return Answer(asked)
        holds = state.statements.get(what)
        if what == "first_crack.start" and holds is not None and holds.how == "heard" and not state.confirmed:
            announced_at = holds.at if holds.announced_at is None else holds.announced_at
            if now - announced_at <= self._speed * CONFIRMS_S:
                return Answer(Mark(CONFIRMED))
        if (wrong := state.what_is_wrong(what, now)) is not None:
            return Answer(None, f"{wrong[:1].upper()}{wrong[1:]}.")
        if holds is None:
            return Answer(Mark(what))
        self._asked = Mark(what, now)
        charge = state.charge
        zero = 0.0 if charge is None or what == "charge" else charge.at
        name = SPOKEN[what].capitalize()
        return Answer(
            None, f"{name} is already at {clock(holds.at - zero)}. Press {key} again to move it to {clock(now - zero)}."
        )

    def asks(self, now: float) -> bool:
        """Whether a question waits for its second press. now: seconds from the first sample."""
        return self._asked is not None and self._in_time(self._asked, now)

    def _in_time(self, asked: Mark, now: float) -> bool:
        return now - (asked.at or 0.0) <= self._speed * AGAIN_S
