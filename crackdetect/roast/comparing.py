"""Roasts side by side and over time: what differs, how far they spread, and whether the numbers can carry it. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from crackdetect.notation import clock, percent, whole_seconds
from crackdetect.roast.record import CUPS, Note, Roast
from crackdetect.roast.words import shown

# -- spread ----------------------------------------------------------------------------------------------------

#: From this many values on their own spread says where the next will be; with fewer it is only guessed.
ENOUGH = 3


@dataclass(frozen=True, slots=True)
class Spread:
    """A few values.

    Attributes
    ----------
    n
        How many.
    mean, sd
        Their mean, and their standard deviation with n - 1 in the denominator; ``None`` for fewer than two.

    Examples
    --------
    >>> Spread.of([10.0, 14.0, 12.0])
    Spread(n=3, mean=12.0, sd=2.0)
    """

    n: int
    mean: float
    sd: float | None

    @classmethod
    def of(cls, values: Iterable[float]) -> Spread | None:
        """Of any values; ``None`` for no values at all."""
        found = list(values)
        if not found:
            return None
        mean = math.fsum(found) / len(found)
        if len(found) == 1:
            return cls(1, mean, None)
        return cls(len(found), mean, math.sqrt(math.fsum((value - mean) ** 2 for value in found) / (len(found) - 1)))

    def next_within(self, *, share: float = 0.9, at_least: float, guess: float) -> tuple[float, float]:
        """Where the next value falls with probability ``share``: mean ± t sd sqrt(1 + 1/n), Student's t of n - 1.

        That is the prediction interval of a normal sample (from memory: Hahn and Meeker, Statistical Intervals).

        Parameters
        ----------
        share
            0 to 1.
        at_least
            No side is narrower, in the unit of the values.
        guess
            Each side with fewer than ENOUGH values, which is not measured.
        """
        if self.n < ENOUGH or self.sd is None:
            side = guess
        else:
            from scipy.special import stdtrit

            side = max(at_least, float(stdtrit(self.n - 1, 0.5 + share / 2)) * self.sd * math.sqrt(1 + 1 / self.n))
        return self.mean - side, self.mean + side


def off_target(roasts: Sequence[Roast]) -> list[float]:
    """Development minus what the target asked for, seconds, of the roasts that have both."""
    return [
        roast.development - roast.wanted
        for roast in roasts
        if roast.development is not None and roast.wanted is not None
    ]


# -- side by side ----------------------------------------------------------------------------------------------

#: Most roasts that are compared at once: more lines cannot be told apart.
MOST = 8


@dataclass(frozen=True, slots=True)
class Measure:
    """One line of the comparison.

    Attributes
    ----------
    name
        As it is called.
    value
        Of a roast, ``None`` where it is not known: seconds, or a share.
    show, gap
        A value and a difference in words.
    telling
        The least difference that is worth a word (chosen).
    dated
        It rests on the date of first crack, and is no surer than that.
    """

    name: str
    value: Callable[[Roast], float | None]
    show: Callable[[float], str]
    gap: Callable[[float], str]
    telling: float
    dated: bool = False


MEASURES = (
    Measure("first crack", lambda roast: roast.first_crack, clock, whole_seconds, 30, dated=True),
    Measure("development", lambda roast: roast.development, clock, whole_seconds, 10, dated=True),
    Measure(
        "development ratio",
        lambda roast: roast.ratio,
        percent,
        lambda gap: f"{100 * gap:.1f} points",
        0.02,
        dated=True,
    ),
    Measure("total", lambda roast: roast.total, clock, whole_seconds, 30),
    Measure("weight loss", lambda roast: roast.loss, percent, lambda gap: f"{100 * gap:.1f} points", 0.01),
)


def half_interval(roast: Roast, measure: Measure) -> float:
    """How far the date of first crack leaves a measure open to each side, in its unit; 0 where a person set it."""
    interval = roast.moment("first_crack.start").interval_s if measure.dated else None
    if interval is None:
        return 0.0
    half = (interval[1] - interval[0]) / 2
    return half / roast.total if measure.name == "development ratio" and roast.total else half


def differs_most(roasts: Sequence[Roast]) -> str:
    """One sentence on the measure whose extremes lie furthest apart, as multiples of ``telling``.

    A difference that the 90 % intervals of first crack could make by themselves is not called one: their halves,
    added as variances are (root of the sum of squares), must be smaller.
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


def title(roasts: Sequence[Roast], notes: Mapping[int, Sequence[Note]]) -> str:
    """What is compared, and whose cup won: ``Meadow Lane, 3 roasts; roast 2 won in the cup (balanced 4/5)``."""
    names = dict.fromkeys(shown(roast.coffee) or "no coffee named" for roast in roasts)
    told = f"{' and '.join(names) if len(names) < 3 else f'{len(names)} coffees'}, {len(roasts)} roasts"
    best = liked_best(roasts, notes)
    if best is None:
        return told
    return f"{told}; {best.name} won in the cup ({tasting(notes[best.number])})"


def liked_best(roasts: Sequence[Roast], notes: Mapping[int, Sequence[Note]]) -> Roast | None:
    """The roast liked best, where one stands out."""
    likings = {
        roast.number: liking
        for roast in roasts
        if (liking := next((note.liking for note in reversed(notes.get(roast.number, ())) if note.liking), None))
    }
    if len(likings) < 2 or list(likings.values()).count(max(likings.values())) > 1:
        return None
    return next(roast for roast in roasts if likings.get(roast.number) == max(likings.values()))


def best_told(best: Roast, notes: Sequence[Note]) -> str:
    """One sentence on the roast liked best. notes: its own."""
    figures = [] if best.development is None else [f"development {clock(best.development)}"]
    figures += [] if best.ratio is None else [percent(best.ratio)]
    figures += [] if best.loss is None else [f"weight loss {percent(best.loss)}"]
    return f"Liked best: {best.name} ({tasting(notes)}){''.join(f', {figure}' for figure in figures)}."


# -- over time -------------------------------------------------------------------------------------------------

#: The latest roasts that are set against those before.
LATEST = 5


@dataclass(frozen=True, slots=True)
class Trend:
    """One coffee over time.

    Attributes
    ----------
    roasts
        Those with a development, oldest first.
    development, ratio, off
        Spread of development (seconds), of its ratio (0 to 1), and of development minus target (seconds).
    latest, before
        Spread of the last LATEST and of all before them, where both have at least three: of ``off`` where every roast
        had a target, else of development.
    """

    roasts: tuple[Roast, ...]
    development: Spread | None
    ratio: Spread | None
    off: Spread | None
    latest: Spread | None
    before: Spread | None


def trend_of(roasts: Sequence[Roast]) -> Trend:
    """The trend of one coffee. roasts: newest first."""
    usable = [roast for roast in reversed(roasts) if roast.development is not None]
    # against their targets where all have one, for a wanted change of development is no lack of repeatability
    values = off_target(usable)
    if len(values) < len(usable):
        values = [roast.development or 0.0 for roast in usable]
    split = len(values) >= LATEST + 3
    return Trend(
        roasts=tuple(usable),
        development=Spread.of(roast.development for roast in usable if roast.development is not None),
        ratio=Spread.of(roast.ratio for roast in usable if roast.ratio is not None),
        off=Spread.of(off_target(usable)),
        latest=Spread.of(values[-LATEST:]) if split else None,
        before=Spread.of(values[:-LATEST]) if split else None,
    )


def verdict(trend: Trend) -> str:
    """One sentence on repeatability that the numbers support."""
    if trend.development is None:
        return "No roast of this coffee has a development yet: first crack and drop must both be known."
    n = trend.development.n
    if n < 3:
        return f"{n} roast{'s' if n > 1 else ''} cannot say how repeatable you are; from three on there is a spread."
    if trend.off is not None and trend.off.n >= 3 and trend.off.sd is not None:
        side = "past" if trend.off.mean >= 0 else "short of"
        told = (
            f"Against the target you dropped {abs(trend.off.mean):.0f} s {side} it on average, with a spread of "
            f"{trend.off.sd:.0f} s (standard deviation of {trend.off.n} roasts)"
        )
    else:
        told = f"Development spread by {trend.development.sd or 0:.0f} s (standard deviation of {n} roasts)"
    if trend.latest is None or trend.before is None or not trend.latest.sd or not trend.before.sd:
        return f"{told}."
    change = f"the last {trend.latest.n} spread by {trend.latest.sd:.0f} s, those before by {trend.before.sd:.0f} s"
    ratio = (trend.latest.sd / trend.before.sd) ** 2
    return f"{told}; {change}{_judged(ratio, trend.latest.n - 1, trend.before.n - 1)}."


def _judged(ratio: float, degrees: int, other_degrees: int) -> str:
    """Whether a ratio of variances can be told from chance: F test, two-sided at 10 %."""
    from scipy.special import fdtr

    below = float(fdtr(degrees, other_degrees, ratio))
    if below < 0.05:
        return ", which is steadier"
    if below > 0.95:
        return ", which is less steady"
    return ", which may be chance"
