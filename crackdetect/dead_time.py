"""How many cracks merge when they fall closer together than the detector can tell apart, and how to undo it.

Cracks come as a Poisson process of rate r; a hold-off of tau seconds merges some of them. Three models:

``paralyzable``      every crack starts the hold-off anew: m = r exp(-r tau). A crack is lost when another one
                     came less than tau before it: the share lost is 1 - exp(-r tau).
``non-paralyzable``  only a counted crack starts the hold-off: m = r / (1 + r tau).
``local-maximum``    a crack counts if none within tau *on either side* is stronger: with strengths
                     independent of time, m = (1 - exp(-2 r tau)) / (2 tau). This is our onset detector ("a
                     local maximum with a hold-off"). It loses as many as the others while r tau is small,
                     and never counts more than 1 / (2 tau).

Sources: the first two, G. F. Knoll, Radiation Detection and Measurement, chapter 4 (from memory); the third
is the type II hard-core process of B. Matérn, Spatial Variation, 1960 (from memory), in one dimension.
"""

from __future__ import annotations

import math
from typing import Literal, get_args

from crackdetect.errors import SettingError

DeadTime = Literal["paralyzable", "non-paralyzable", "local-maximum"]


def dead_time_loss(rate_per_minute: float, hold_off_s: float, *, model: DeadTime = "paralyzable") -> float:
    """Share of cracks (0 to 1) that go uncounted at a true rate of ``rate_per_minute`` >= 0."""
    load = _checked(rate_per_minute, hold_off_s, model) * hold_off_s
    if load == 0:
        return 0.0
    if model == "paralyzable":
        return -math.expm1(-load)
    if model == "non-paralyzable":
        return load / (1 + load)
    return 1 + math.expm1(-2 * load) / (2 * load)


def dead_time_correct(observed_per_minute: float, hold_off_s: float, *, model: DeadTime = "local-maximum") -> float:
    """True rate, cracks a minute, from the counted one: the inverse of :func:`dead_time_loss`.

    Of the two rates that a paralyzable counter shows alike, the lower one is given. Raises SettingError when
    the count is more than any true rate could give (``exp(-1)``, 1 and 1/2 counts a hold-off, in the order
    above).
    """
    count = _checked(observed_per_minute, hold_off_s, model) * hold_off_s
    most = {"paralyzable": math.exp(-1), "non-paralyzable": 1.0, "local-maximum": 0.5}[model]
    if count >= most:
        raise SettingError(
            f"{observed_per_minute:g} cracks a minute cannot be counted with a hold-off of "
            f"{hold_off_s * 1000:g} ms; it allows fewer than {60 * most / hold_off_s:.0f}"
        )
    if count < 1e-12:  # nothing to correct, and too small to divide by
        return observed_per_minute
    if model == "paralyzable":
        return 60 * _lower_load(count) / hold_off_s
    if model == "non-paralyzable":
        return observed_per_minute / (1 - count)
    return -30 * math.log1p(-2 * count) / hold_off_s


def _lower_load(count: float) -> float:
    """The solution x < 1 of x exp(-x) = count, by Newton's method from below, where it converges."""
    x = count
    for _ in range(100):
        step = (count * math.exp(x) - x) / (1 - count * math.exp(x))
        x += step
        if step <= 1e-15 * x:
            break
    return x


def _checked(rate_per_minute: float, hold_off_s: float, model: str) -> float:
    """The rate in cracks a second."""
    if model not in get_args(DeadTime):
        raise SettingError(f"dead-time model {model!r} is unknown; choose one of {', '.join(get_args(DeadTime))}")
    if not (math.isfinite(rate_per_minute) and rate_per_minute >= 0):
        raise SettingError(f"rate {rate_per_minute} a minute is out of range; give 0 or more")
    if not (math.isfinite(hold_off_s) and hold_off_s >= 0):
        raise SettingError(f"hold-off {hold_off_s} s is out of range; give 0 s or more")
    return rate_per_minute / 60
