"""When first crack usually begins on a machine, after charge: from its roasts, by coffee and batch.

The time from charge is log-normal. Its median differs between machines, and on one machine between coffees and batches,
so those of few roasts are drawn towards the machine's others, and a machine of few roasts towards what is usual on any
(:mod:`crackdetect.roast.pooling`). The width is earned: without a roast it is that of any machine.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from crackdetect.config import UsualStart
from crackdetect.deciding.first_crack import ANY_MACHINE
from crackdetect.roast.pooling import partly_pooled
from crackdetect.roast.record import Roast

#: All numbers below are chosen.
#: Roasts of a machine before anything is said of it, and the newest that count.
LEAST, _MOST = 3, 40
#: A time from charge to first crack that can be, seconds.
_SHORTEST_S, _LONGEST_S = 60.0, 2700.0
#: From roast to roast of one coffee and batch the logarithm of the time has this standard deviation; it is believed as
#: if so many roasts had shown it.
_WITHIN, _WITHIN_ROASTS = 0.2, 4
#: And between coffees and batches of one machine one of these.
_BETWEEN = np.linspace(0, 0.3, 16)
#: The medians of machines, so that nothing known of a machine is ANY_MACHINE.
_MACHINES = math.sqrt(ANY_MACHINE.spread**2 - _WITHIN**2 - float((_BETWEEN**2).mean()))
#: Batches within a tenth are one, as a rule.
_ALIKE = 0.1


def usual_start(
    roasts: Sequence[Roast], *, machine: str | None, coffee: str | None, green_g: float | None
) -> UsualStart | None:
    """What to expect of the next roast; None while the machine has fewer than LEAST whose times are known.

    Parameters
    ----------
    roasts : sequence of Roast
        Newest first, of any machine.
    machine, coffee, green_g
        Of the roast to come; grams.
    """
    groups: defaultdict[tuple[str, int | None], list[float]] = defaultdict(list)
    here = (roast for roast in roasts if (roast.machine or "").casefold() == (machine or "").casefold())
    known = [
        (_group(roast.coffee, roast.green_g), math.log(roast.first_crack))
        for roast in here
        if roast.first_crack is not None and _SHORTEST_S <= roast.first_crack <= _LONGEST_S
        if not roast.moment("first_crack.start").may_be_a_slip
    ][:_MOST]
    if len(known) < LEAST:
        return None
    for group, log_s in known:
        groups[group].append(log_s)
    means = np.array([np.mean(times) for times in groups.values()])
    counts = np.array([len(times) for times in groups.values()])
    squares = sum(float(np.sum((np.array(times) - np.mean(times)) ** 2)) for times in groups.values())
    within2 = (_WITHIN_ROASTS * _WITHIN**2 + squares) / (_WITHIN_ROASTS + len(known) - len(groups))
    centre = math.log(ANY_MACHINE.median_s), _MACHINES
    pooled = partly_pooled(means, np.sqrt(within2 / counts), between=_BETWEEN, centre=centre)
    wanted = _group(coffee, green_g)
    place = list(groups).index(wanted) if wanted in groups else len(groups)
    spread = min(1.0, math.sqrt(float(pooled.sds[place]) ** 2 + within2))
    return UsualStart(round(math.exp(float(pooled.means[place])), 1), round(spread, 4), len(known))


def usual_before(roasts: Sequence[Roast], roast: Roast) -> UsualStart | None:
    """What its machine's earlier roasts let expect of a roast. roasts: all of the log, newest first."""
    place = next((number for number, one in enumerate(roasts, start=1) if one.number == roast.number), len(roasts))
    return usual_start(roasts[place:], machine=roast.machine, coffee=roast.coffee, green_g=roast.green_g)


def _group(coffee: str | None, green_g: float | None) -> tuple[str, int | None]:
    return (coffee or "").casefold(), None if not green_g else round(math.log(green_g) / _ALIKE)
