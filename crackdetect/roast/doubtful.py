"""Which cracks, and which sounds that were almost taken for one, a person should listen to: what teaches most."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from crackdetect.notation import percent_sure
from crackdetect.roast.record import Crack, RoastRecord

#: Sounds that were taken for none are asked about from this probability on; few of the others are cracks (chosen).
UNLIKELY = 0.2
#: A crack that the program is at least this sure of is not asked about (chosen).
SURE = 0.9
#: So far from a crack that was asked about another one teaches two thirds of what it would alone, seconds (chosen):
#: within some seconds the machine, the room and the beans sound alike.
ALIKE_S = 10.0
#: No other crack within this: it stands alone, seconds (chosen).
ALONE_S = 10.0


@dataclass(frozen=True, slots=True)
class Doubtful:
    """A crack to listen to.

    Attributes
    ----------
    place : int
        Of the crack in the record; of what was taken for none among those, counted on.
    crack : Crack
    why : str
        One sentence on why it is asked about.
    """

    place: int
    crack: Crack
    why: str


def doubtful(record: RoastRecord, *, most: int, unsaid: Sequence[Crack] = ()) -> list[Doubtful]:
    """Cracks that nobody has listened to yet, the one that teaches most first.

    An answer teaches most where the program knew least, 4 p (1 - p) for a probability p (uncertainty sampling: Lewis
    and Gale, SIGIR 1994, from memory), and less where its like has been asked about: times 1 - exp(-d / ALIKE_S), d
    being the distance in time to the nearest one that was. So the order is spread over the roast. What was heard before
    charge and after the drop is no question of the roast. Of answers about what was said alone, whoever hears otherwise
    than the program could only lose.

    Parameters
    ----------
    record : RoastRecord
    most : int
        So many at most.
    unsaid : sequence of Crack, optional
        Sounds that the program took for none.
    """
    charge, drop = record.roast.at_s("charge"), record.roast.at_s("drop")
    first, last = charge or 0.0, math.inf if drop is None else drop
    asked = [label.at for label in record.corrections.cracks]
    cracks = [*record.cracks, *unsaid]
    open_ = {
        place: min((abs(crack.at_s - at) for at in asked), default=math.inf)
        for place, crack in enumerate(cracks)
        if first <= crack.at_s <= last
        and UNLIKELY <= crack.probability < SURE
        and record.corrections.of_crack(crack.at_s) is None
    }
    found: list[Doubtful] = []
    while open_ and len(found) < most:
        best = max(open_, key=lambda place: (_teaches(cracks[place], open_[place]), -place))
        crack = cracks[best]
        found.append(Doubtful(best, crack, _why(record, crack, said=best < len(record.cracks))))
        del open_[best]
        for place, distance in open_.items():
            open_[place] = min(distance, abs(cracks[place].at_s - crack.at_s))
    return found


def _teaches(crack: Crack, distance_s: float) -> float:
    return 4 * crack.probability * (1 - crack.probability) * -math.expm1(-distance_s / ALIKE_S)


def _why(record: RoastRecord, crack: Crack, *, said: bool) -> str:
    """said: whether the program took it for a crack."""
    roast = record.roast
    why = [f"The program was {percent_sure(crack.probability)} % sure of it{'' if said else ', too little to say so'}"]
    start, end = roast.moment("first_crack.start"), roast.at_s("first_crack.end")
    begun = roast.at_s("first_crack.start")
    if start.interval_s is not None and start.interval_s[0] <= crack.at_s <= start.interval_s[1]:
        why.append("it lies where first crack may have begun")
    elif begun is not None and crack.at_s < begun:
        why.append("it came before first crack")
    elif end is not None and crack.at_s > end:
        why.append("it came after first crack had ended")
    if all(other is crack or abs(other.at_s - crack.at_s) > ALONE_S for other in record.cracks):
        why.append("it stands alone")
    return f"{', and '.join([', '.join(why[:-1]), why[-1]]) if len(why) > 1 else why[0]}."
