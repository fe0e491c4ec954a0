"""Roasts side by side: what differs, by how much, and whether the numbers can carry it. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from crackdetect.events import clock
from crackdetect.log.roast import CUPS, Note, Roast

#: Most roasts that are compared at once: more lines cannot be told apart.
MOST = 8


@dataclass(frozen=True, slots=True)
class Measure:
    """One line of the comparison.

    value: of a roast, None where it is not known. show, gap: a value and a difference in words. telling: the least
    difference that is worth a word (chosen). dated: rests on the date of first crack, and is no surer than that.
    """

    name: str
    value: Callable[[Roast], float | None]
    show: Callable[[float], str]
    gap: Callable[[float], str]
    telling: float
    dated: bool = False


def percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def seconds(value: float) -> str:
    return f"{value:.0f} s"


MEASURES = (
    Measure("first crack", lambda roast: roast.first_crack, clock, seconds, 30, dated=True),
    Measure("development", lambda roast: roast.development, clock, seconds, 10, dated=True),
    Measure(
        "development ratio",
        lambda roast: roast.ratio,
        percent,
        lambda gap: f"{100 * gap:.1f} points",
        0.02,
        dated=True,
    ),
    Measure("total", lambda roast: roast.total, clock, seconds, 30),
    Measure("weight loss", lambda roast: roast.loss, percent, lambda gap: f"{100 * gap:.1f} points", 0.01),
)


def half_interval(roast: Roast, measure: Measure) -> float:
    """What the date of first crack leaves open in a measure, in its unit; 0 where the date is the person's own."""
    interval = roast.moment("first_crack.start").interval_s if measure.dated else None
    if interval is None:
        return 0.0
    half = (interval[1] - interval[0]) / 2
    return half / roast.total if measure.name == "development ratio" and roast.total else half


def differs_most(roasts: Sequence[Roast]) -> str:
    """One sentence on the measure whose extremes lie furthest apart, in units of what is worth a word.

    A difference that the 90 % intervals of first crack could make by themselves is not called one.
    """
    best: tuple[float, str] | None = None
    unsure: tuple[float, str] | None = None
    for measure in MEASURES:
        known = [(value, roast) for roast in roasts if (value := measure.value(roast)) is not None]
        if len(known) < 2:
            continue
        low, high = min(known, key=lambda pair: pair[0]), max(known, key=lambda pair: pair[0])
        gap = high[0] - low[0]
        left_open = math.hypot(half_interval(low[1], measure), half_interval(high[1], measure))
        weight = gap / measure.telling
        sentence = (
            f"{measure.name} differs most: {measure.show(low[0])} in {low[1].name}, {measure.show(high[0])} in "
            f"{high[1].name}, {measure.gap(gap)} apart"
        )
        if left_open:
            sentence += f" (the dating of first crack leaves {measure.gap(left_open)} open)"
        if weight >= 1 and gap > left_open:
            best = max(best or (0.0, ""), (weight, sentence))
        elif weight >= 1:
            unsure = max(unsure or (0.0, ""), (weight, measure.name))
    if best is not None:
        return f"{best[1][0].upper()}{best[1][1:]}."
    if unsure is not None:
        return f"Nothing differs for certain: the {unsure[1]} by less than the dating of first crack leaves open."
    return "Nothing differs by an amount worth a word." if len(roasts) > 1 else "There is nothing to compare it with."


def tasting(notes: Sequence[Note]) -> str:
    """The last tasting in a word and a figure: ``thin 3/5``."""
    if not notes:
        return ""
    last = notes[-1]
    parts = [CUPS[last.cup]] if last.cup is not None else []
    parts += [f"{last.liking}/5"] if last.liking is not None else []
    return " ".join(parts)


def liked_best(roasts: Sequence[Roast], notes: Mapping[int, Sequence[Note]]) -> str | None:
    """One sentence on the roast liked best, where one stands out."""
    likings = {
        roast.number: liking
        for roast in roasts
        if (liking := next((note.liking for note in reversed(notes.get(roast.number, ())) if note.liking), None))
    }
    if len(likings) < 2 or list(likings.values()).count(max(likings.values())) > 1:
        return None
    best = next(roast for roast in roasts if likings.get(roast.number) == max(likings.values()))
    figures = [] if best.development is None else [f"development {clock(best.development)}"]
    figures += [] if best.ratio is None else [percent(best.ratio)]
    figures += [] if best.loss is None else [f"weight loss {percent(best.loss)}"]
    return f"Liked best: {best.name} ({likings[best.number]} of 5){''.join(f', {figure}' for figure in figures)}."
