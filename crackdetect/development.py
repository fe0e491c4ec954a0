"""Development time and its ratio: the arithmetic, and what the cup is likely to say about it.

Development time is drop minus first-crack start; the ratio is development time over roast time (charge to
drop). The usual band of 15 to 25 % is common practice, no source.
"""

from __future__ import annotations

import math

from crackdetect.errors import SettingError

#: The usual band of the development time ratio (common practice, no source).
USUAL_LOW, USUAL_HIGH = 0.15, 0.25
#: Under these the roast was dropped "within some seconds" of first crack (common practice, no source).
FAR_BELOW, SHORT_S = 0.10, 30.0
FAR_ABOVE = 0.35


def development_ratio(first_crack_s: float, drop_s: float, *, charge_s: float) -> float:
    """(drop - first crack) / (drop - charge), seconds on one clock. Negative: dropped before first crack.

    Raises SettingError when drop does not come after charge.
    """
    if not drop_s > charge_s:
        raise SettingError(f"drop at {drop_s:g} s must come after charge at {charge_s:g} s; check the two times")
    return (drop_s - first_crack_s) / (drop_s - charge_s)


def development_verdict(ratio: float | None, seconds: float) -> str:
    """One plain sentence on a finished roast.

    ratio: development time ratio, below 1 (``None``: charge unknown, only the seconds are judged).
    seconds: development time. Both negative if the drop came before first crack.
    Raises SettingError for values that are not finite, or a ratio of 1 or more.
    """
    if not math.isfinite(seconds) or (ratio is not None and not (math.isfinite(ratio) and ratio < 1)):
        raise SettingError(f"development of {seconds} s at a ratio of {ratio} does not make sense; check the times")
    under = "expect a light, thin, dry, under-developed cup"
    if seconds < 0:
        return f"dropped {_span(-seconds)} before first crack: no development, {under}, grassy or sour"
    usual = f"the usual {USUAL_LOW * 100:.0f} to {USUAL_HIGH * 100:.0f} % (common practice)"
    if ratio is None:
        told = f"development {_span(seconds)}, charge unknown"
        if seconds < SHORT_S:
            return f"{told}: far shorter than usual (common practice): {under}"
        return f"{told}: mark the charge to compare the ratio with {usual}"
    told = f"development {_span(seconds)}, {ratio * 100:.1f} % of the roast"
    if ratio < FAR_BELOW:
        return f"{told}: far below {usual}: {under}"
    if ratio < USUAL_LOW:
        return f"{told}: below {usual}: expect a lighter, sharper cup, perhaps under-developed"
    if ratio <= USUAL_HIGH:
        return f"{told}: inside {usual}"
    if ratio <= FAR_ABOVE:
        return f"{told}: above {usual}: expect a rounder, duller cup"
    return f"{told}: far above {usual}: expect a flat cup, baked or dark"


def _span(seconds: float) -> str:
    """``10 s`` or ``2 min 5 s``."""
    minutes, rest = divmod(round(seconds), 60)
    if not minutes:
        return f"{rest} s"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"
