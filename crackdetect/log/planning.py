"""The next batch, from the roasts of the same coffee: when first crack is to be expected, when to drop, what to change.

Pure: roasts and notes in, a plan out. Rules of thumb are common practice, no source; their step sizes are chosen.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from crackdetect.config import Target
from crackdetect.development import USUAL_HIGH, USUAL_LOW
from crackdetect.events import clock
from crackdetect.log.roast import CUPS, Note, Roast
from crackdetect.log.spread import ENOUGH, Spread

#: Roasts looked back at, at most: machine, season and hand change.
LOOK_BACK = 12
#: The dates themselves are some seconds off (README.md, "Limits"): no window is narrower on a side, seconds.
DATING_S = 15.0
#: Each side of the window when one or two roasts cannot say how far they spread, seconds (chosen, not measured).
GUESSED_S = 60.0
#: By how much to change development for a cup, seconds: small steps, one thing at a time (common practice; sizes
#: chosen).
STEP_S = {-2: 20.0, -1: 10.0, 1: -10.0, 2: -20.0}
#: Words of a note that name a cup, where none was chosen (common practice, no source).
_UNDER = frozenset({"thin", "dry", "light", "sour", "grassy", "sharp", "hay", "underdeveloped"})
_OVER = frozenset({"flat", "bitter", "dull", "ashy", "baked", "burnt", "smoky", "overdeveloped"})


@dataclass(frozen=True, slots=True)
class Plan:
    """Times in seconds since charge, durations in seconds.

    roasts: those it rests on, newest first; same_weight: whether they are of the wanted weight. first_crack: of those
    roasts, None where none has one. window: where the next first crack is expected; guessed: its width is not measured.
    drop: for a first crack at the beginning of the window, at the mean, at the window's end. advice: sentences.
    off: development minus what the target asked for, over the roasts that had one.
    """

    roasts: tuple[Roast, ...]
    same_weight: bool
    green_g: float | None
    target: Target | None
    first_crack: Spread | None
    window: tuple[float, float] | None
    guessed: bool
    drop: tuple[float, float, float] | None
    advice: tuple[str, ...]
    off: Spread | None


def make_plan(
    roasts: Sequence[Roast],
    notes: Mapping[int, Sequence[Note]],
    *,
    green_g: float | None,
    target: Target | None,
    same: float,
) -> Plan:
    """roasts: of one coffee, newest first. notes: by number of the roast. green_g, target: wanted, else the last ones.

    same: share of the weight within which two weights count as the same.
    """
    last = roasts[0] if roasts else None
    green_g = green_g or next((roast.green_g for roast in roasts if roast.green_g), None)
    target = target or next((roast.target for roast in roasts if roast.target), None)
    alike = [r for r in roasts if green_g and r.green_g and abs(r.green_g - green_g) <= same * green_g]
    used = tuple((alike or list(roasts))[:LOOK_BACK])
    first_crack = Spread.of(roast.first_crack for roast in used if roast.first_crack is not None)
    window = None
    if first_crack is not None:
        low, high = first_crack.next_within(at_least=DATING_S, guess=GUESSED_S)
        window = max(0.0, low), high
    drop = None
    if first_crack is not None and window is not None and target is not None:
        low, mid, high = (
            start + (target.drop_after(start) or 0.0) for start in (window[0], first_crack.mean, window[1])
        )
        drop = low, mid, high
    advice = [] if last is None else _advice(roasts, notes)
    return Plan(
        roasts=used,
        same_weight=bool(alike),
        green_g=green_g,
        target=target,
        first_crack=first_crack,
        window=window,
        guessed=first_crack is not None and first_crack.n < ENOUGH,
        drop=drop,
        advice=tuple(advice),
        off=Spread.of(off_target(roasts[:LOOK_BACK])),
    )


def off_target(roasts: Sequence[Roast]) -> list[float]:
    """Development minus what the target asked for, seconds, of the roasts that have both."""
    return [
        roast.development - roast.wanted
        for roast in roasts
        if roast.development is not None and roast.wanted is not None
    ]


def cup_of(note: Note) -> int | None:
    """The cup that was chosen; else the one that the words name, if they name one side only."""
    if note.cup is not None:
        return note.cup
    words = set(re.findall(r"[a-z]+", note.text.casefold().replace("-", "")))
    under, over = bool(words & _UNDER), bool(words & _OVER)
    if under == over:
        return None
    return -1 if under else 1


def _advice(roasts: Sequence[Roast], notes: Mapping[int, Sequence[Note]]) -> list[str]:
    """What the last tasting suggests."""
    tasted = next(((roast, notes[roast.number][-1]) for roast in roasts if notes.get(roast.number)), None)
    if tasted is None:
        return ["no tasting is noted yet; 'crackdetect log note' after the next cup lets a plan say what to change"]
    roast, note = tasted
    cup = cup_of(note)
    when = f"{roast.name}, tasted {note.tasted_on.isoformat()}"
    if cup is None:
        return [f"{when}: the note names no side (thin, dry, light or flat, bitter); nothing is suggested"]
    word = CUPS[cup]
    if cup == 0:
        return [f"{when}: {word}; aim for the same development again"]
    step = STEP_S[cup]
    ratio, development = roast.ratio, roast.development
    if development is None:
        return [f"{when}: {word}, but its development is not known; mark or give the drop next time"]
    figures = clock(development) + ("" if ratio is None else f", {100 * ratio:.1f} %")
    if cup < 0 and ratio is not None and ratio > USUAL_HIGH:
        return [
            f"{when}: {word} after a long development ({figures}): longer will hardly mend it; look at the heat before "
            "first crack instead (common practice)"
        ]
    if cup > 0 and ratio is not None and ratio < USUAL_LOW:
        return [
            f"{when}: {word} after a short development ({figures}): shorter will hardly mend it; look at the heat and "
            "the total time instead (common practice)"
        ]
    direction = "longer" if step > 0 else "shorter"
    goal = max(0.0, development + step)
    return [
        f"{when}: {word} after {figures}: {direction} by about {abs(step):.0f} s, to {clock(goal)}, and nothing else "
        "at the same time (common practice)"
    ]
