"""Numbers as a person reads them: times, durations, shares, weights."""

from __future__ import annotations

import math


def clock(seconds: float | None) -> str:
    """Minutes and seconds, rounded to the second, halves away from zero.

    Parameters
    ----------
    seconds
        Of any sign; ``None``, NaN and infinity give ``"-"``.

    Examples
    --------
    >>> clock(576.4), clock(-65), clock(None)
    ('9:36', '-1:05', '-')
    """
    if seconds is None or not math.isfinite(seconds):
        return "-"
    whole = int(abs(seconds) + 0.5)
    sign = "-" if seconds < 0 and whole else ""
    return f"{sign}{whole // 60}:{whole % 60:02d}"


def whole_seconds(seconds: float) -> str:
    """A difference of two times: ``"12 s"``."""
    return f"{seconds:.0f} s"


def span(seconds: float) -> str:
    """A duration in a sentence, 0 s or more.

    Examples
    --------
    >>> span(10), span(120), span(125.2)
    ('10 s', '2 min', '2 min 5 s')
    """
    minutes, rest = divmod(round(seconds), 60)
    if not minutes:
        return f"{rest} s"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"


def percent(share: float) -> str:
    """A share (1 = all) to a tenth of a per cent: ``0.1815`` gives ``"18.1 %"``."""
    return f"{100 * share:.1f} %"


def percent_sure(probability: float) -> str:
    """Per cent of a probability, 99 at most, for nothing that was heard is certain: ``0.904`` gives ``"90"``."""
    return f"{min(99.0, 100 * probability):.0f}"


def grams(weight: float | None) -> str:
    """A weight to a tenth of a gram: ``"200 g"``, ``"171.5 g"``; ``"-"`` for ``None``."""
    return "-" if weight is None else f"{weight:.1f}".removesuffix(".0") + " g"
