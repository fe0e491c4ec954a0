"""Which cracks a person should listen to: those whose answer teaches most."""

from __future__ import annotations

import math
from dataclasses import dataclass

from crackdetect.notation import percent_sure
from crackdetect.roast.record import Crack, RoastRecord

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
        Of the crack in the record.
    crack : Crack
    why : str
        One sentence on why it is asked about.
    """

    place: int
    crack: Crack
    why: str


def doubtful(record: RoastRecord, *, most: int) -> list[Doubtful]:
    """Cracks that nobody has listened to yet, the one that teaches most first.

    An answer teaches most where the program knew least, 4 p (1 - p) for a probability p (uncertainty sampling: Lewis
    and Gale, SIGIR 1994, from memory), and less where its like has been asked about: times 1 - exp(-d / ALIKE_S), d
    being the distance in time to the nearest one that was. So the order is spread over the roast. What was heard before
    charge and after the drop is no question of the roast.

    Parameters
    ----------
    record : RoastRecord
    most : int
        So many at most.
    """
    charge, drop = record.roast.at_s("charge"), record.roast.at_s("drop")
    first, last = charge or 0.0, math.inf if drop is None else drop
    asked = [label.at for label in record.corrections.cracks]
    open_ = {
        place: min((abs(crack.at_s - at) for at in asked), default=math.inf)
        for place, crack in enumerate(record.cracks)
        if first <= crack.at_s <= last and crack.probability < SURE and record.corrections.of_crack(crack.at_s) is None
    }
    found: list[Doubtful] = []
    while open_ and len(found) < most:
        best = max(open_, key=lambda place: (_teaches(record.cracks[place], open_[place]), -place))
        crack = record.cracks[best]
        found.append(Doubtful(best, crack, _why(record, best)))
        del open_[best]
        for place, distance in open_.items():
            open_[place] = min(distance, abs(record.cracks[place].at_s - crack.at_s))
    return found


def _teaches(crack: Crack, distance_s: float) -> float:
    return 4 * crack.probability * (1 - crack.probability) * -math.expm1(-distance_s / ALIKE_S)


def _why(record: RoastRecord, place: int) -> str:
    crack, roast = record.cracks[place], record.roast
    said = [f"The program was {percent_sure(crack.probability)} % sure of it"]
    start, end = roast.moment("first_crack.start"), roast.at_s("first_crack.end")
    begun = roast.at_s("first_crack.start")
    if start.interval_s is not None and start.interval_s[0] <= crack.at_s <= start.interval_s[1]:
        said.append("it lies where first crack may have begun")
    elif begun is not None and crack.at_s < begun:
        said.append("it came before first crack")
    elif end is not None and crack.at_s > end:
        said.append("it came after first crack had ended")
    neighbours = (record.cracks[other].at_s for other in (place - 1, place + 1) if 0 <= other < len(record.cracks))
    if all(abs(at - crack.at_s) > ALONE_S for at in neighbours):
        said.append("it stands alone")
    return f"{', and '.join([', '.join(said[:-1]), said[-1]]) if len(said) > 1 else said[0]}."
