"""A person's own roasts in the full training, and whether it is better for them.

Only what the person has said teaches: their answers to single sounds, and first crack where they say that it began.
What came well before it is the machine's own; what came after it and was not asked about teaches nothing, for that
would be to learn from one's own guesses. Each roast is judged by networks that have not met it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from crackdetect.deciding.own_machine import OwnMachineModel
from crackdetect.deciding.recent import TICK_S
from crackdetect.synth.truth import UNSURE, Truth, TruthEvent
from crackdetect.teach.comparison import TeachingRoast, Told, told_of
from crackdetect.teach.heard_again import answers_of
from crackdetect.teach.lesson import BEFORE_S, LATE_S
from crackdetect.train.own_machine import MachineScene

#: A crack that a person heard is taken for one of so many dB: they hear none that nobody could tell from noise.
_HEARD_DB = 20.0
#: What is likelier to be a crack than this may be one before first crack, as a bean that cracks early.
_MAY_BE = 0.5
_ANSWERED = "answered by a person"


@dataclass(frozen=True, slots=True, eq=False)
class OwnRoasts:
    """Roasts of the log of which a person has said when first crack began, or that it did not.

    Attributes
    ----------
    roasts : sequence of TeachingRoast
        As the model before heard them.
    tell : callable
        Takes how they are heard before, and by networks that have not met them.
    """

    roasts: Sequence[TeachingRoast]
    tell: Callable[[Told, Told], None]

    def scenes(self, folder: Path, *, hidden: int) -> list[Path]:
        """Files of them as scenes, one a roast. hidden: units of the classifier's last hidden layer."""
        paths = [folder / f"own-{number}.npz" for number in range(len(self.roasts))]
        for roast, path in zip(self.roasts, paths, strict=True):
            MachineScene.of(roast.heard, truth_of(roast), hidden=hidden).save(path)
        return paths

    def gain_by(self, judges: Sequence[OwnMachineModel]) -> bool:
        """Whether they are heard better by these, one a roast; tells both first."""
        after = [answers_of(roast.heard, judge) for roast, judge in zip(self.roasts, judges, strict=True)]
        before, then = told_of(self.roasts, [roast.untaught for roast in self.roasts]), told_of(self.roasts, after)
        self.tell(before, then)
        return then.better_than(before)


def truth_of(roast: TeachingRoast) -> Truth:
    """What a person has said of a roast, as far as it can teach; what they have not said is unsure."""
    lesson, start_s = roast.lesson, roast.lesson.start_s
    events = []
    for time, probability in zip(roast.heard.times, roast.untaught.probabilities.tolist(), strict=True):
        is_crack = lesson.answers.get(time)
        before = start_s is None or time < start_s - BEFORE_S
        if is_crack:
            kind = "stray" if start_s is None or time < start_s - LATE_S else "first"
            events.append(TruthEvent(time, kind, _HEARD_DB, _ANSWERED))
        elif is_crack is None and (time in lesson.untold or not before or probability >= _MAY_BE):
            events.append(TruthEvent(time, UNSURE, float("-inf"), ""))
    return Truth(
        samplerate=0,  # nobody asks: times are seconds
        duration_s=len(roast.heard.ticks) * TICK_S,
        charge_s=None,
        first_crack_start_s=start_s,
        first_crack_end_s=lesson.end_s,
        second_crack_start_s=None,
        drop_s=None,
        peak_per_minute=0.0,
        events=tuple(events),
    )
