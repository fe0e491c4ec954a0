"""How repeatable the person has been with one coffee, roast by roast. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from crackdetect.log.planning import off_target
from crackdetect.log.roast import Roast
from crackdetect.log.spread import Spread

#: The latest roasts that are set against those before.
LATEST = 5


@dataclass(frozen=True, slots=True)
class Trend:
    """roasts: oldest first, those with a development. development: seconds. ratio: 0 to 1. off: seconds from target.

    latest, before: spread of the last LATEST developments and of all before them, where both have at least three.
    """

    roasts: tuple[Roast, ...]
    development: Spread | None
    ratio: Spread | None
    off: Spread | None
    latest: Spread | None
    before: Spread | None


def trend_of(roasts: Sequence[Roast]) -> Trend:
    """roasts: of one coffee, newest first."""
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
