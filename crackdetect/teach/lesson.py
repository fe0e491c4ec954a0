"""What a kept roast teaches of its machine, and how far each word of it is trusted.

A person's answer to a single sound is certain. When first crack began is known from the person (a mark, a confirmed or
corrected moment) or from what was heard and never corrected. Then what came well before it is the machine's own, the
more the less likely it is a crack, and what came after it and was likely a crack counts as one by a share only. Where
the person says that there was no first crack, all is the machine's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.notation import clock
from crackdetect.roast.corrections import SAME_CRACK_S
from crackdetect.roast.record import FAR_S, Roast, RoastRecord

#: All numbers below are chosen.
#: What came this long before first crack is the machine's own; a mark may be this much late, seconds.
BEFORE_S, LATE_S = 15.0, 5.0
#: Of a likely crack's probability counts so much: where the person said when first crack began, and where nobody did.
_MARKED, _HEARD = 0.5, 0.25
#: After first crack began, what is less likely a crack than this is the machine's own.
_SURELY_NONE = 0.1
#: A mark with fewer than so many likely cracks within FAR_S, and first crack or so many of them elsewhere, is asked
#: about before it teaches.
_FEW = 3.0


@dataclass(frozen=True, slots=True)
class Lesson:
    """What a roast teaches.

    Attributes
    ----------
    machine, cracks : float64, shape (n,)
        How much each candidate counts as the machine's own, and as one of its cracks, 0 to 1.
    start_s, end_s : float or None
        When first crack began, and until when it can be heard, as far as it is known; seconds from the first sample.
    whose : str
        Whose word that is, see :attr:`crackdetect.roast.record.Moment.whose`; ``confirmed`` where it was said yes to.
    answers : dict of float to bool
        Of candidates (their times) that a person listened to: whether they were cracks.
    untold : frozenset of float
        Of those that they listened to and could not tell.
    said : bool
        Whether the person has said when first crack began, or that it did not.
    question : str
        What must be answered before the roast teaches anything; nothing where it teaches.
    """

    machine: Doubles
    cracks: Doubles
    start_s: float | None
    whose: str
    answers: dict[float, bool]
    said: bool
    question: str = ""
    end_s: float | None = None
    untold: frozenset[float] = frozenset()


def lesson_of(record: RoastRecord, times: Sequence[float], probabilities: Doubles) -> Lesson:
    """What a roast teaches.

    Parameters
    ----------
    record : RoastRecord
    times : sequence of float
        Of its candidates, heard again, in order, seconds.
    probabilities : float64, shape (n,)
        Of their being cracks.
    """
    at = np.asarray(times, np.float64)
    moment = record.roast.moment("first_crack.start")
    start_s, whose = moment.at_s, "confirmed" if moment.confirmed and moment.whose == "heard" else moment.whose
    machine, cracks = np.zeros(len(at)), np.zeros(len(at))
    ends = (record.roast.at_s(what) for what in ("drop", "cooled", "first_crack.end"))
    end_s = next((end for end in ends if end is not None), None)
    question = ""
    if moment.corrected and start_s is None:
        machine = np.ones(len(at))
    elif start_s is None:
        question = f"{record.roast.name} has no first crack: give it by 'crackdetect review {record.roast.number}'"
    else:
        question = _question(record, start_s, whose, at, probabilities)
        before, after = at < start_s - BEFORE_S, (at > start_s - LATE_S) & (at < (np.inf if end_s is None else end_s))
        machine = np.where(before, 1 - probabilities, np.where(after & (probabilities < _SURELY_NONE), 1.0, 0.0))
        cracks = np.where(after, (_HEARD if whose == "heard" else _MARKED) * probabilities, 0.0)
    answers, untold = {}, set()
    for label in record.corrections.cracks:
        place = int(np.argmin(np.abs(at - label.at))) if len(at) else 0
        if not len(at) or abs(at[place] - label.at) > SAME_CRACK_S:
            continue
        machine[place], cracks[place] = float(label.is_crack is False), float(label.is_crack is True)
        if label.is_crack is not None:
            answers[float(at[place])] = label.is_crack
        else:
            untold.add(float(at[place]))
    if question:
        machine, cracks = np.zeros(len(at)), np.zeros(len(at))
    said = is_said(record.roast)
    return Lesson(machine, cracks, start_s, whose, answers, said, question, end_s, frozenset(untold))


def is_said(roast: Roast) -> bool:
    """Whether the person has said when first crack began, or that it did not."""
    moment = roast.moment("first_crack.start")
    return moment.corrected or moment.marked_s is not None or (moment.confirmed and moment.heard_s is not None)


def _question(record: RoastRecord, start_s: float, whose: str, at: Doubles, probabilities: Doubles) -> str:
    """Whether a mark may have been a slip: it lies far from what was heard, and hardly a crack near it."""
    moment = record.roast.moment("first_crack.start")
    near = np.abs(at - start_s) <= FAR_S
    if whose != "marked" or probabilities[near].sum() >= _FEW:
        return ""
    heard_s = moment.heard_s if moment.may_be_a_slip else None
    if moment.heard_s is None and (most := _densest(at[~near], probabilities[~near])) is not None:
        heard_s = most
    if heard_s is None:
        return ""
    roast, times = record.roast, tuple(clock(record.roast.roast_time(one) or 0.0) for one in (start_s, heard_s))
    where = f"heard at {times[1]}" if moment.may_be_a_slip else f"likely cracks about {times[1]}"
    return (
        f"{roast.name} has first crack marked at {times[0]}, {where}, and hardly a crack near the mark: say which is "
        f"right by 'crackdetect review {roast.number}'"
    )


def _densest(at: Doubles, probabilities: Doubles) -> float | None:
    """The beginning of the stretch of twice FAR_S with the most likely cracks, seconds; None where all have too few."""
    summed = np.append(0.0, np.cumsum(probabilities))
    within = summed[np.searchsorted(at, at + 2 * FAR_S)] - summed[:-1]
    return float(at[within.argmax()]) if within.max(initial=0.0) >= _FEW else None
