"""The next batch, from the roasts of the same coffee: when first crack is to be expected, when to drop, what to change.

Pure: roasts and notes in, a plan out. Rules of thumb are common practice, no source; their step sizes are chosen.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from crackdetect.config import Target
from crackdetect.notation import clock
from crackdetect.roast.arithmetic import USUAL_HIGH, USUAL_LOW
from crackdetect.roast.comparing import ENOUGH, Spread, off_target
from crackdetect.roast.record import CUPS, Note, Roast

#: Roasts looked back at, at most: machine, season and hand change.
LOOK_BACK = 12
#: The dates themselves are some seconds off (models/README.md): no window is narrower on a side, seconds.
DATING_S = 15.0
#: Each side of the window when one or two roasts cannot say how far they spread, seconds (chosen, not measured).
GUESSED_S = 60.0
#: By how much to change development for a cup, seconds: small steps, one thing at a time (common practice; sizes
#: chosen).
STEP_S = {-2: 20.0, -1: 10.0, 1: -10.0, 2: -20.0}
#: Words of a note that name a cup, where none was chosen (common practice, no source).
_UNDER = frozenset({"thin", "dry", "light", "sour", "grassy", "sharp", "hay", "raw", "under", "underdeveloped"})
_OVER = frozenset({"bitter", "ashy", "burnt", "smoky", "over", "overdeveloped"})
_STALLED = frozenset({"flat", "baked", "bready", "dull", "stalled"})
STALLED = 3


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be expected of the next batch. Times in seconds since charge, durations in seconds.

    Attributes
    ----------
    roasts
        Those it rests on, newest first.
    same_weight
        Whether they are of the wanted weight.
    green_g, target
        Green weight (grams) and development wanted, as given, as the last cup suggests, or as last time.
    first_crack
        Of those roasts; ``None`` where none has one.
    window
        Where the next first crack is expected, see :meth:`Spread.next_within`.
    guessed
        The width of the window is not measured.
    drop
        For a first crack at the beginning of the window, at the mean, at its end.
    after, by_cup
        Drop so long after first crack, at the mean; and whether that is as the last cup suggests.
    advice
        Sentences on what the last cup suggests.
    off
        Development minus what the target asked for, over the roasts that had one.
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
    after: float | None = None
    by_cup: bool = False


def make_plan(
    roasts: Sequence[Roast],
    notes: Mapping[int, Sequence[Note]],
    *,
    green_g: float | None,
    target: Target | None,
    same: float,
) -> Plan:
    """The plan from the roasts of one coffee.

    Parameters
    ----------
    roasts
        Newest first; the latest LOOK_BACK count.
    notes
        By number of the roast, oldest first.
    green_g, target
        Green weight (grams) and development wanted; ``None``: as last time.
    same
        Share of the weight within which two weights count as the same, 0 to 1.
    """
    green_g = green_g or next((roast.green_g for roast in roasts if roast.green_g), None)
    advice, wanted = _advice(roasts, notes)
    by_cup = target is None and wanted is not None
    if by_cup:
        target = Target(seconds=wanted)
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
        after=None if drop is None or first_crack is None else drop[1] - first_crack.mean,
        by_cup=by_cup,
        off=Spread.of(off_target(roasts[:LOOK_BACK])),
    )


def cup_of(note: Note) -> int | None:
    """The cup that was chosen; else the one that the words name, if they name one side only."""
    if note.cup is not None:
        return note.cup
    words = set(re.findall(r"[a-z]+", note.text.casefold().replace("-", "")))
    named = [cup for cup, those in ((-1, _UNDER), (1, _OVER), (STALLED, _STALLED)) if words & those]
    return named[0] if len(named) == 1 else None


def _advice(roasts: Sequence[Roast], notes: Mapping[int, Sequence[Note]]) -> tuple[list[str], float | None]:
    """What the last tasting suggests, in words, and the development in seconds where it asks for another one."""
    if not roasts:
        return [], None
    tasted = next(((roast, notes[roast.number][-1]) for roast in roasts if notes.get(roast.number)), None)
    if tasted is None:
        told = "no tasting is noted yet; 'crackdetect log note' after the next cup lets a plan say what to change"
        return [told], None
    roast, note = tasted
    cup = cup_of(note)
    when = f"{roast.name}, tasted {note.tasted_on.isoformat()}"
    if cup is None:
        return [f"{when}: the note names no side (thin, dry; bitter, ashy; flat, baked); nothing is suggested"], None
    word, development, ratio = CUPS[cup], roast.development, roast.ratio
    if cup == 0:
        return [f"{when}: {word}; aim for the same development again"], None
    if cup == STALLED:
        told = (
            f"{when}: {word}: keep the heat up towards and through first crack, so that the beans never stop getting "
            "hotter, and leave development as it is (common practice, no source)"
        )
        return [told], None
    if development is None:
        return [f"{when}: {word}, but its development is not known; mark or give the drop next time"], None
    figures = clock(development) + ("" if ratio is None else f", {100 * ratio:.1f} %")
    if cup < 0 and ratio is not None and ratio > USUAL_HIGH:
        told = (
            f"{when}: {word} after a long development ({figures}): longer will hardly mend it; look at the heat before "
            "first crack instead (common practice, no source)"
        )
        return [told], None
    if cup > 0 and ratio is not None and ratio < USUAL_LOW:
        told = (
            f"{when}: {word} after a short development ({figures}): shorter will hardly mend it; look at the heat and "
            "the total time instead (common practice, no source)"
        )
        return [told], None
    step = STEP_S[cup]
    direction = "longer" if step > 0 else "shorter"
    goal = max(1.0, round(development + step))
    told = (
        f"{when}: {word} after {figures}: {direction} by about {abs(step):.0f} s, to {clock(goal)}, and nothing else "
        "at the same time (common practice, no source)"
    )
    if step > 0:
        told += ". Do not go past second crack unwatched"
    return [told], goal
