"""How dense the cracks are, cracks a minute: counted, freed of dead time, and at the peak of first crack.

**Rate.** The number of cracks in a window of T heard seconds is N = sum p over its candidates (p: the probability of a
crack), with variance V = sum p (1 - p). With c, the sum of p over a true crack, and its variation cv between machines
(both learnt in training), the rate has the gamma posterior of Jeffreys' prior widened to all three uncertainties:

    mean (N + 1/2) / (c T),   relative variance (N + 1/2 + V) / (N + 1/2)**2 + cv**2.

**Dead time.** A hold-off of tau seconds merges cracks that come as a Poisson process of rate r. Three models:

``paralyzable``      every crack starts the hold-off anew: m = r exp(-r tau). A crack is lost when another one
                     came less than tau before it: the share lost is 1 - exp(-r tau).
``non-paralyzable``  only a counted crack starts the hold-off: m = r / (1 + r tau).
``local-maximum``    a crack counts if none within tau *on either side* is stronger: with strengths
                     independent of time, m = (1 - exp(-2 r tau)) / (2 tau). This is our onset detector ("a
                     local maximum with a hold-off"). It loses as many as the others while r tau is small,
                     and never counts more than 1 / (2 tau).

Sources: the first two, G. F. Knoll, Radiation Detection and Measurement, chapter 4 (from memory); the third is the type
II hard-core process of B. Matérn, Spatial Variation, 1960 (from memory), in one dimension.

**Peak.** The largest of many noisy densities is too large; :func:`shrunken_peak` makes it smaller again.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal, NamedTuple, get_args

from crackdetect.errors import SettingError

if TYPE_CHECKING:
    from crackdetect.deciding.recent import Recent

# scipy is imported where a rate is asked for: the log works out peaks without it, and starts sooner

#: Two cracks nearer than this are one candidate, seconds.
HOLD_OFF_S = 0.012
#: Cracks a hold-off, at most, that a density may say were counted; at 0.5 the true rate would be infinite.
_MOST_COUNTED = 0.45
#: Less heard time in a window says nothing, seconds.
_LEAST_HEARD_S = 2.0


class Density(NamedTuple):
    """Cracks a minute, with the 90 % interval."""

    per_minute: float
    low: float
    high: float


class CrackRate(NamedTuple):
    """Gamma posterior of the rate of counted cracks. shape: without unit. scale: cracks a second."""

    shape: float
    scale: float

    def probability_below(self, per_second: float) -> float:
        """That the rate is below this one."""
        import scipy.special

        return float(scipy.special.gammainc(self.shape, per_second / self.scale))

    def density(self) -> Density:
        """The mean and the 5 % and 95 % points, freed of dead time."""
        import scipy.special

        low, high = scipy.special.gammaincinv(self.shape, (0.05, 0.95)).tolist()
        # in a window of which little was heard the interval reaches beyond what can be counted at all
        most = 60 * _MOST_COUNTED / HOLD_OFF_S
        mean, low, high = (
            round(dead_time_correct(min(60 * self.scale * v, most), HOLD_OFF_S), 2) for v in (self.shape, low, high)
        )
        return Density(mean, min(low, mean), max(high, mean))


def crack_rate(recent: Recent, *, now: float, window_s: float, counted: float, counted_cv: float) -> CrackRate | None:
    """The rate in the ``window_s`` seconds before ``now`` (seconds); None when too little of them was heard.

    counted, counted_cv: c and cv, see :class:`deciding.context.ContextModel`.
    """
    start = now - window_s
    observed = recent.heard_since(start)
    if observed < _LEAST_HEARD_S:
        return None
    number, variance = recent.cracks_since(start)
    mean = number + 0.5
    shape = 1 / ((mean + variance) / mean**2 + counted_cv**2)
    return CrackRate(shape, mean / shape / (counted * observed))


# -- the peak ----------------------------------------------------------------------------------------------------

#: Standard deviations from a density down to the lower end of its 90 % interval, were it normal.
_FIFTH_PERCENTILE = 1.645
#: The width of a peak's 90 % interval over that of a single density's.
_WIDTH = 0.7


class Peak(NamedTuple):
    """The density that first crack reached, cracks a minute, with its 90 % interval."""

    per_minute: float
    low: float
    high: float


def shrunken_peak(per_minute: float, low: float, high: float) -> Peak:
    """What a density and its 90 % interval (cracks a minute) say of the peak; the largest answer of a chorus is taken.

    One standard deviation less than the density. A chorus stays near its peak for many windows of 15 s, and the largest
    of what was counted there is that of the luckiest one: 1.4 times the peak on 339 of the benchmark's roasts, in the
    median. One standard deviation down it is 1.04 times; within 15 % are 54 of 100 for 14, and the interval, narrower
    than a single density's, holds the peak in 93 of 100 (chosen on these). It depends on how long the chorus lasts:
    with 10 s at the peak it is some 8 % too small, with 60 s some 15 % too large.
    """
    reached = per_minute - (per_minute - low) / _FIFTH_PERCENTILE
    return Peak(
        round(reached, 2),
        round(max(0.0, reached - _WIDTH * (per_minute - low)), 2),
        round(reached + _WIDTH * (high - per_minute), 2),
    )


# -- dead time ---------------------------------------------------------------------------------------------------

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
