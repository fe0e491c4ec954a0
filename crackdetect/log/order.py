"""Whether moments that a person corrected can have been so: their order, and the length of what was heard. Pure."""

from __future__ import annotations

from collections.abc import Collection

from crackdetect.events import clock
from crackdetect.log.roast import SPOKEN, Roast

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
    """One sentence, None where nothing is. corrected: moments just corrected; what stood before is not judged anew."""
    for what in corrected:
        if (sentence := _out_of_reach(roast, what)) is not None:
            return sentence
    for first, others in _BEFORE.items():
        for second in others:
            before, after = roast.at_s(first), roast.at_s(second)
            if before is None or after is None or before < after or not {first, second} & set(corrected):
                continue
            # a charge that is wrong is no clock to tell other times by
            shown = clock if first == "charge" else lambda at_s: clock(roast.roast_time(at_s))
            clocks = " (times of the recording)" if first == "charge" else ""
            return (
                f"{SPOKEN[second]} {shown(after)} must come after {SPOKEN[first]} {shown(before)}{clocks}; check the "
                "two times, and correct both at once if both are wrong"
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
