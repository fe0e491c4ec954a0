"""Seconds of scenes that were not met, and what would be announced in them at a threshold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from crackdetect.blocks import Doubles, Flags
from crackdetect.deciding.own_machine import MOST_LOG_ODDS
from crackdetect.synth.truth import Truth

#: False announcements an hour before first crack for which the threshold is chosen, on scenes that were not met. An
#: announcement is early from EARLY_S before the start, and comes after the first seconds.
FALSE_PER_HOUR, EARLY_S, _READY_S = 0.125, 10.0, 20.0
#: The model's card tells what is announced at the thresholds for these.
CURVE_PER_HOUR = (0.03, 0.05, 0.1, FALSE_PER_HOUR, 0.2, 0.3, 0.5)
#: So long after its end first crack is missed, seconds.
_LATE_S = 15.0


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Seconds of a scene.

    Attributes
    ----------
    seconds : float64, shape (n,)
    numbers : float64, shape (n, begun.COUNT) or (n,)
        What the network ``begun`` sees, or what it answers.
    begun, taught : bool, shape (n,)
        Whether first crack had begun, and whether the second teaches anything.
    truth : Truth
    wide : bool
        Whether the machine is of the wide family.
    """

    seconds: Doubles
    numbers: Doubles
    begun: Flags
    taught: Flags
    truth: Truth
    wide: bool

    @property
    def free_until(self) -> float:
        """An announcement before this second is false."""
        if begun_before(self.truth):
            return 0.0
        start = self.truth.first_crack_start_s
        return self.truth.duration_s if start is None else start - EARLY_S

    def peak(self) -> float:
        """The largest answer before it."""
        free = self.numbers[(self.seconds > _READY_S) & (self.seconds < self.free_until)]
        return float(free.max(initial=-MOST_LOG_ODDS))


def begun_before(truth: Truth) -> bool:
    """Whether first crack began before the recording did, so that nobody can tell when."""
    return truth.first_crack_start_s is None and any(event.kind in ("first", "second") for event in truth.events)


def threshold_for(courses: Sequence[Course], *, per_hour: float) -> float:
    """The least that is reached so seldom, before first crack.

    Parameters
    ----------
    courses : sequence of Course
        With answers.
    per_hour : float
        Of listening before first crack, recordings that reach it.
    """
    peaks = np.sort([course.peak() for course in courses])[::-1]
    hours = sum(max(0.0, course.free_until) for course in courses) / 3600
    return round(float(peaks[min(int(per_hour * hours), len(peaks) - 1)]) + 0.005, 2)


def told_of(courses: Sequence[Course], threshold: float) -> dict[str, float]:
    """What would be announced: how many starts there are, how many are missed, false ones, and the mean delay (s)."""
    starts = missed = false = 0
    delays, hours = [], 0.0
    for course in courses:
        truth, reached = course.truth, course.seconds[(course.numbers >= threshold) & (course.seconds > _READY_S)]
        starts += truth.first_crack_start_s is not None
        hours += max(0.0, course.free_until) / 3600
        if len(reached) and reached[0] < course.free_until:
            false += 1
        elif truth.first_crack_start_s is not None:
            last = truth.first_crack_end_s or truth.duration_s
            if len(reached) and reached[0] <= last + _LATE_S:
                delays.append(reached[0] - truth.first_crack_start_s)
            else:
                missed += 1
    mean = round(float(np.mean(delays)), 1) if delays else 0.0
    return {"starts": starts, "missed": missed, "false": false, "hours": round(hours, 1), "mean_delay_s": mean}


def told_at(courses: Sequence[Course], *, per_hour: float) -> dict[str, Any]:
    """What would be announced at the threshold for so many false announcements an hour."""
    threshold = threshold_for(courses, per_hour=per_hour)
    families = {
        name: told_of([course for course in courses if course.wide == wide], threshold)
        for name, wide in (("narrow", False), ("wide", True))
    }
    return {"false_per_hour": per_hour, "threshold": threshold, **families}
