"""The trade's arithmetic: lengths, development and its ratio, weight loss, and what they say of the cup.

Times are seconds on one clock. The bands are common practice, no source.
"""

from __future__ import annotations

import math

from crackdetect.config import Target
from crackdetect.errors import SettingError
from crackdetect.notation import span

#: The usual band of the development time ratio (common practice, no source).
USUAL_LOW, USUAL_HIGH = 0.15, 0.25
#: Under these the roast was dropped "within some seconds" of first crack (common practice, no source).
FAR_BELOW, SHORT_S = 0.10, 30.0
FAR_ABOVE = 0.35
#: Upper border of each level, share of the green weight (common practice, no source: light 11 to 13 %, medium 14 to
#: 16 %, dark 17 to 20 % and more; half points between belong to the nearer band). They shift with the beans' moisture.
LEVELS = ((0.105, "hardly roasted"), (0.135, "light"), (0.165, "medium"), (0.205, "dark"), (1.0, "very dark"))


def total_time(charge: float | None, drop: float | None) -> float | None:
    """Charge to drop, seconds; ``None`` where either is unknown, or the charge is another roast's: not before the drop.

    Examples
    --------
    >>> total_time(30, 750), total_time(750, 30)
    (720, None)
    """
    return None if charge is None or drop is None or drop <= charge else drop - charge


def development_ratio(first_crack: float | None, end: float | None, *, charge: float | None) -> float | None:
    """Development time over roast time, (end - first crack) / (end - charge).

    Parameters
    ----------
    first_crack, charge
        Seconds; ``None`` where unknown.
    end
        Seconds: the drop, or the present moment of a roast that goes on.

    Returns
    -------
    float or None
        At most 1; negative for a drop before first crack. ``None`` where a time is unknown, and where the charge lies
        after first crack or not before the end, for then it is another roast's.

    Examples
    --------
    >>> development_ratio(576, 720, charge=0)
    0.2
    """
    total = total_time(charge, end)
    if total is None or end is None or charge is None or first_crack is None or first_crack < charge:
        return None
    return (end - first_crack) / total


def development_goal(target: Target | None, first_crack: float | None, *, charge: float | None) -> float | None:
    """Development time (seconds) at which the target is reached.

    ``None`` without target or first crack; and of a ratio where no charge before first crack is known.

    Examples
    --------
    >>> round(development_goal(Target(ratio=0.2), 576, charge=0), 6)
    144.0
    """
    if target is None or first_crack is None:
        return None
    return target.drop_after(None if charge is None or charge > first_crack else first_crack - charge)


def development_verdict(ratio: float | None, seconds: float, *, tasted: str | None = None) -> str:
    """One plain sentence on a finished roast.

    Parameters
    ----------
    ratio
        Development time ratio, below 1; ``None``: charge unknown, only the seconds are judged.
    seconds
        Development time. Both are negative if the drop came before first crack.
    tasted
        The cup in a word, where it is known: it stands in the place of a forecast.

    Raises
    ------
    SettingError
        For values that are not finite, or a ratio of 1 or more.
    """
    if not math.isfinite(seconds) or (ratio is not None and not (math.isfinite(ratio) and ratio < 1)):
        raise SettingError(f"development of {seconds} s at a ratio of {ratio} does not make sense; check the times")
    judged = _forecast(ratio, seconds)
    if tasted is None:
        return judged
    return f"{judged.partition(': expect')[0].partition(', expect')[0]}; it tasted {tasted}"


def _forecast(ratio: float | None, seconds: float) -> str:
    under = "expect a light, thin, dry, under-developed cup"
    if seconds < 0:
        return f"dropped {span(-seconds)} before first crack: no development, {under}, grassy or sour"
    usual = f"the usual {USUAL_LOW * 100:.0f} to {USUAL_HIGH * 100:.0f} % (common practice)"
    if ratio is None:
        told = f"development {span(seconds)}, charge unknown"
        if seconds < SHORT_S:
            return f"{told}: far shorter than usual (common practice): {under}"
        return f"{told}: mark the charge to compare the ratio with {usual}"
    told = f"development {span(seconds)}, {ratio * 100:.1f} % of the roast"
    if ratio < FAR_BELOW:
        return f"{told}: far below {usual}: {under}"
    if ratio < USUAL_LOW:
        return f"{told}: below {usual}: expect a lighter, sharper cup, perhaps under-developed"
    if ratio <= USUAL_HIGH:
        return f"{told}: inside {usual}"
    if ratio <= FAR_ABOVE:
        return f"{told}: above {usual}: expect a darker cup, perhaps over-developed"
    return f"{told}: far above {usual}: expect an over-developed cup, dark, bitter or ashy"


def weight_loss(green_g: float, roasted_g: float) -> float:
    """(green - roasted) / green, 0 to 1, of weights in grams.

    Raises
    ------
    SettingError
        Unless 0 < roasted < green.

    Examples
    --------
    >>> weight_loss(200, 168)
    0.16
    """
    if not 0 < roasted_g < green_g:
        raise SettingError(
            f"roasted weight {roasted_g:g} g must be above 0 and below the green weight {green_g:g} g; "
            "check which of the two is which"
        )
    return (green_g - roasted_g) / green_g


def roast_level(loss: float) -> str:
    """``light``, ``medium``, …: what a weight loss (0 to 1) suggests. Common practice, no source."""
    return next(level for border, level in LEVELS if loss < border or border == 1.0)
