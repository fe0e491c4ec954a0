"""Is a machine heard better by what its roasts teach? Each roast is judged by what all the others teach.

All teach, but only where the person has said when first crack began are delays, misses and false announcements counted:
what the program itself heard cannot judge it. Judged is the evidence at the usual sensitivity, without a known charge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from crackdetect.deciding.machine_sums import MachineSums, taught
from crackdetect.deciding.own_machine import OwnMachineModel
from crackdetect.deciding.recent import TICK_S
from crackdetect.roast.record import RoastRecord
from crackdetect.teach.heard_again import Answers, HeardAgain, answers_of
from crackdetect.teach.lesson import Lesson, lesson_of
from crackdetect.teach.machine_profile import weighed
from crackdetect.teach.sound_sums import SoundSums, crack_levels, level_sums, stretches

#: An announcement is false from so long before first crack began, seconds.
_EARLY_S = 10.0
#: What is at least so likely counts as a crack.
_LIKELY = 0.5
#: Delays of less than this apart are alike, seconds: a roast's own is known no better.
_ALIKE_S = 1.0
#: Roasts whose first crack the person has said that a comparison needs.
LEAST = 2


@dataclass(frozen=True, slots=True)
class Told:
    """How a machine's roasts are heard.

    Attributes
    ----------
    roasts, announced, false : int
        In how many the person has said when first crack began, in how many of them it was announced, and in how many
        more than _EARLY_S before it began, or where it did not happen.
    late_s : float or None
        Of those announced, the mean delay, seconds; one that comes a little early has none.
    pops_per_minute : float
        Sounds before first crack that were taken for cracks; beans that crack early are among them.
    asked, right : int
        Sounds that a person listened to, and those that the program has as they said.
    cracks, missed : int
        Those that were cracks as they said, and those of them that the program takes for none.
    """

    roasts: int
    announced: int
    false: int
    late_s: float | None
    pops_per_minute: float
    asked: int
    right: int
    cracks: int = 0
    missed: int = 0

    @property
    def wrong(self) -> int:
        """Sounds that were none as the person said, and are taken for cracks."""
        return self.asked - self.right - self.missed

    def better_than(self, other: Told) -> bool:
        """Whether something is better and nothing worse.

        A second more or less of delay is alike, and where more starts are announced the new ones may be late ones.
        Pops before first crack are told and not judged: nobody knows which of them were beans.
        """
        sooner = 0.0 if self.late_s is None or other.late_s is None else other.late_s - self.late_s
        gains = self.announced - other.announced, self.right - other.right
        if min(gains) < 0 or self.false > other.false or (sooner < -_ALIKE_S and self.announced == other.announced):
            return False
        return max(gains) > 0 or sooner > _ALIKE_S


@dataclass(frozen=True, slots=True, eq=False)
class TeachingRoast:
    """A roast that teaches.

    Attributes
    ----------
    heard : HeardAgain
    untaught : Answers
        Of the model as shipped.
    lesson : Lesson
    sums : MachineSums
    sound : SoundSums
    """

    heard: HeardAgain
    untaught: Answers
    lesson: Lesson
    sums: MachineSums
    sound: SoundSums = field(default_factory=SoundSums.none)

    @classmethod
    def of(cls, record: RoastRecord, heard: HeardAgain, untaught: Answers) -> TeachingRoast:
        """What the person said of a roast, and what was heard in it: at least one candidate."""
        lesson = lesson_of(record, heard.times, untaught.probabilities)
        return cls(heard, untaught, lesson, _sums_of(heard, lesson), _sound_of(record, heard, untaught, lesson))


def _sums_of(heard: HeardAgain, lesson: Lesson) -> MachineSums:
    """What the roast adds to its machine's sums."""
    vectors = np.array([one.sound.vector for one in heard.candidates], np.float64)
    points = np.array([np.append(one.sound.hidden, one.crack_llr) for one in heard.candidates], np.float64)
    return MachineSums.of(vectors, points, machine=lesson.machine, cracks=lesson.cracks)


def _sound_of(record: RoastRecord, heard: HeardAgain, untaught: Answers, lesson: Lesson) -> SoundSums:
    """How loud it was. Sounds that could be cracks are counted to the drop, as the model as shipped takes them."""
    times = np.array(heard.times)
    end_s, drop_s = record.roast.at_s("first_crack.end"), record.roast.at_s("drop")
    length_s = heard.length_s if drop_s is None else min(max(drop_s, 0.0), heard.length_s)
    counted = times <= length_s
    likely = stretches(
        times[counted], untaught.probabilities[counted], start_s=lesson.start_s, end_s=end_s, length_s=length_s
    )
    return SoundSums(level_sums(heard.levels), crack_levels(record, times, lesson.cracks), *likely)


def compared(roasts: Sequence[TeachingRoast], model: OwnMachineModel) -> tuple[Told, Told]:
    """How roasts are heard.

    Parameters
    ----------
    roasts : sequence of TeachingRoast
        Oldest first, LEAST or more.
    model : OwnMachineModel
        That heard them.

    Returns
    -------
    untaught, taught : Told
        By the model, and each by what all the others teach.
    """
    after = []
    for place, one in enumerate(roasts):
        others = [other.sums for number, other in enumerate(roasts) if number != place]
        after.append(answers_of(one.heard, taught(model, weighed(others))))
    return told_of(roasts, [one.untaught for one in roasts]), told_of(roasts, after)


def told_of(roasts: Sequence[TeachingRoast], answers: Sequence[Answers]) -> Told:
    """How roasts are heard by what gave these answers, one a roast."""
    delays, starts, false = [], 0, 0
    pops, minutes, asked, right, cracks, missed = 0, 0.0, 0, 0, 0, 0
    for one, of_it in zip(roasts, answers, strict=True):
        lesson, times = one.lesson, np.array(one.heard.times)
        likely = of_it.probabilities >= _LIKELY
        said = {time: bool(is_crack) for time, is_crack in zip(times.tolist(), likely, strict=True)}
        asked += len(lesson.answers)
        right += sum(said[time] == is_crack for time, is_crack in lesson.answers.items())
        cracks += sum(lesson.answers.values())
        missed += sum(is_crack and not said[time] for time, is_crack in lesson.answers.items())
        if not lesson.said:
            continue
        start = math.inf if lesson.start_s is None else lesson.start_s
        starts += lesson.start_s is not None
        announced_s = of_it.announced_s
        if announced_s is not None and announced_s < start - _EARLY_S:
            false += 1
        elif announced_s is not None:
            delays.append(max(0.0, announced_s - start))
        before_s = min(start - _EARLY_S, len(of_it.begun) * TICK_S)
        pops += int((likely & (times < before_s)).sum())
        minutes += max(0.0, before_s) / 60
    late = float(np.mean(delays)) if delays else None
    return Told(starts, len(delays), false, late, pops / max(minutes, 1e-9), asked, right, cracks, missed)
