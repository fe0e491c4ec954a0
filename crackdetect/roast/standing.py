"""How a roast stands, in words and figures: what every board shows, whatever it is drawn on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from crackdetect.events import Event
from crackdetect.notation import clock
from crackdetect.roast.record import NO_TROUBLE, TAUGHT, Trouble
from crackdetect.roast.stage import pops
from crackdetect.roast.state import CONFIRMED, READY_S, RoastState
from crackdetect.roast.statements import Statement

#: Trouble stays on a board this long, seconds.
TROUBLE_S = 60.0
#: After these a microphone is no longer lost: it is there again, or the roast is gone on with.
_HEARS_AGAIN = frozenset({"device_back", "interrupted"})
_HOW = {"heard": "heard", "key": "marked by you", "given": "as given"}
_DONE = {
    "charge": "You marked charge",
    "first_crack.start": "You marked first crack",
    "first_crack.end": "You marked the end of first crack",
    "second_crack.start": "You marked second crack",
    "drop": "You marked the drop",
}
_UNDONE = {
    "charge.not_yet": "Charge is taken back.",
    "first_crack.not_yet": "First crack is taken back; listening for it.",
    "second_crack.not_yet": "Second crack is taken back.",
    "drop.not_yet": "The drop is taken back; the roast goes on.",
}
_AGAIN = {
    "charge": "Charge is at {} since listening began again.",
    "first_crack.start": "First crack is at {} again.",
    "second_crack.start": "Second crack is at {} again.",
    "drop": "The drop is at {} again.",
}


class Leading(NamedTuple):
    """The one large figure. name: what it is. note: said beside it, may be empty. seconds: of the figure."""

    name: str
    note: str
    seconds: float


class Fact(NamedTuple):
    """A figure beside the large one. value: may be empty, where the name says it all. loud: not to be missed."""

    name: str
    value: str = ""
    loud: bool = False


def described(state: RoastState) -> list[str]:
    """What was said of the roast beforehand, each in a few words."""
    green = None if state.about.green_g is None else f"{state.about.green_g:g} g"
    wish = None if state.settings.target is None else f"target {state.settings.target}"
    known = f"{state.about.machine or 'the machine'} as taught" if TAUGHT in state.model["hash"] else None
    return [word for word in (state.about.coffee, green, wish, known) if word]


def leading(state: RoastState, now: float) -> Leading:
    """What matters most. now: seconds from the first sample."""
    if state.drop is not None:
        left = state.cooling(now)
        if state.cooled is not None:
            return Leading("since the drop", "the cooling time is over", now - state.drop.at)
        if left is not None:
            return Leading("cooling", f"still to go of {clock(state.settings.cool_s)}", left)
        return Leading("since the drop", "", now - state.drop.at)
    development = state.development(now)
    if development is not None and state.first_crack is not None:
        return Leading("development", since(state, now), development)
    roast_time = state.roast_time(now)
    if roast_time is not None and state.charge is not None:
        return Leading("roast time", f"since charge, {_HOW[state.charge.how]}", roast_time)
    return Leading("listening", "charge is not known yet", now)


def countdown(state: RoastState, now: float) -> Leading | None:
    """The time to the target, or past it, once it runs; ``None`` before, and after the drop."""
    remaining, goal = state.remaining(now), state.goal
    if state.drop is not None or remaining is None or goal is None:
        return None
    return Leading("to the target" if remaining > 0 else "past the target", f"development {clock(goal)}", remaining)


def since(state: RoastState, now: float) -> str:
    """Since when first crack is, how that is known, and whether it is unusual here; empty before it."""
    if state.first_crack is None:
        return ""
    strange = unusual(state, state.first_crack.at) if state.first_crack.how == "heard" else ""
    return "; ".join(filter(None, [_dated(state, state.first_crack, "first crack"), strange]))


def _dated(state: RoastState, statement: Statement, name: str) -> str:
    base = 0.0 if state.charge is None else state.charge.at
    told = f"{name} at {clock(statement.at - base)}, {_HOW[statement.how]}"
    if statement.interval is not None:
        earliest, latest = statement.interval
        told += f", between {clock(earliest - base)} and {clock(latest - base)}"
    return told


def facts(state: RoastState, now: float) -> list[Fact]:
    """What stands beside it, the most telling first. now: seconds from the first sample."""
    found = []
    ratio, remaining = state.ratio(now), state.remaining(now)
    if state.drop is not None:
        found += [] if state.development(now) is None else [Fact("development", clock(state.development(now)))]
    elif remaining is not None:
        to_go = Fact("to the target", clock(remaining), loud=True)
        found.append(to_go if remaining > 0 else Fact("past the target", clock(-remaining), loud=True))
    if ratio is not None:
        found.append(Fact("development ratio", f"{100 * ratio:.1f} %"))
    if state.first_crack is not None or state.drop is not None:
        roast_time = state.roast_time(now)
        found += [] if roast_time is None else [Fact("roast time", clock(roast_time))]
    if state.second_crack is not None:
        found.append(Fact("second crack", loud=True))
    elif state.first_crack_end is not None and state.drop is None:
        found.append(Fact("first crack ended"))
    return found


def coming(state: RoastState, now: float, *, press: Mapping[str, str]) -> str:
    """What happens next, in one line.

    Parameters
    ----------
    now
        Seconds from the first sample.
    press
        What is pressed for ``charge``, ``first_crack.start``, ``drop``, and for the ``end`` of the roast.
    """
    roast_time, expect = state.roast_time(now), state.about.expect
    if state.drop is not None:
        if state.cooling(now):
            return f"the end of cooling, with its own signal; then {press['end']} ends the roast."
        return f"{press['end']} ends the roast with its summary."
    if state.first_crack is not None:
        goal, remaining = state.goal, state.remaining(now)
        if goal is None or remaining is None:
            return f"the drop, when you decide; press {press['drop']} when the beans leave."
        if remaining > 0:
            when = "" if roast_time is None else f" at roast time {clock(roast_time + remaining)}"
            return f"the target, development {clock(goal)}{when}; press {press['drop']} at the drop."
        return f"the drop; press {press['drop']} when the beans leave."
    if now < state.ready_at:
        mark = f"; {press['charge']} marks the charge" if roast_time is None else ""
        return f"first crack can be announced after {READY_S:.0f} s of listening{mark}."
    if roast_time is None:
        return f"charge; press {press['charge']} as the beans go in."
    if state.coming:
        return f"first crack? {pops(state, now)}; press {press['first_crack.start']} if you hear it too."
    by_hand = f"{press['first_crack.start']} marks it by hand."
    usual = state.settings.usual_start
    if expect is None and usual is not None and state.charge is not None:
        last = usual.window_s[1]
        if usual.differs(roast_time) != "later":
            return f"first crack, {usual}."
        return f"first crack, which usually comes by {clock(last)} on this machine; trust your own ears, {by_hand}"
    if expect is None:
        return f"first crack, announced when it has begun; {by_hand}"
    if roast_time < expect[0]:
        return f"first crack, expected between {clock(expect[0])} and {clock(expect[1])}."
    if roast_time <= expect[1]:
        return f"first crack, expected now until {clock(expect[1])}."
    return f"first crack was expected by {clock(expect[1])}; trust your own ears, {by_hand}"


def marked(event: Event, state: RoastState, *, undo: str) -> str:
    """What a board answers to a ``mark``. state: the roast with it. undo: what is pressed to undo it."""
    what, undone = str(event.fields["what"]), "undo" in event.fields
    if what in _UNDONE:
        return _UNDONE[what]
    if what == CONFIRMED:
        at = clock_of(state, 0.0 if state.first_crack is None else state.first_crack.at)
        return f"Not confirmed; first crack stays at {at}." if undone else f"Confirmed: first crack is at {at}."
    if undone and what in _AGAIN:
        return _AGAIN[what].format(clock(event.at) if what == "charge" else clock_of(state, event.at))
    at = clock(event.at) if what == "charge" else clock_of(state, event.at)
    of = " since listening began" if what == "charge" else ""
    return f"{_DONE.get(what, what)} at {at}{of}; {undo} undoes it."


def clock_of(state: RoastState, seconds: float) -> str:
    """A moment (s from the first sample) as roast time, or as recording time while charge is not known."""
    return clock(seconds if state.charge is None else seconds - state.charge.at)


def trouble(state: RoastState, now: float) -> Trouble | None:
    """The newest trouble that still matters: for a minute, and a lost microphone until it is back."""
    lasting: list[Trouble] = []
    for one in state.series.troubles:
        if one.kind in _HEARS_AGAIN:
            lasting = [before for before in lasting if before.kind != "device_lost"]
        if one.kind not in NO_TROUBLE and (one.kind == "device_lost" or now - one.at_s < TROUBLE_S):
            lasting.append(one)
    return max(reversed(lasting), key=lambda one: (one.kind == "device_lost", one.at_s), default=None)


def unusual(state: RoastState, at: float) -> str:
    """How a beginning of first crack at these seconds differs from what is usual here; nothing where it does not.

    As in ``"earlier than this roaster's usual 8:10 to 9:20"``.
    """
    usual, time = state.settings.usual_start, state.roast_time(at)
    if usual is None or time is None or state.charge is None or not (how := usual.differs(time)):
        return ""
    first, last = usual.window_s
    return f"{how} than this roaster's usual {clock(first)} to {clock(last)}"
