"""What is known of one machine, as data: the sums of its roasts, the later ones counting for more, and their labels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

from crackdetect.deciding.machine_sums import MachineSums, taught
from crackdetect.errors import ModelError
from crackdetect.model import Model, Taught
from crackdetect.roast.record import TAUGHT
from crackdetect.teach.lesson import Lesson
from crackdetect.teach.sound_sums import SoundSums

#: Whose word on first crack a label has.
WHOSE = ("", "heard", "marked", "confirmed", "corrected")
#: After so many roasts one counts half: machines wear, and get moved (chosen).
HALF_LIFE = 20.0

_Sums = TypeVar("_Sums", MachineSums, SoundSums)


@dataclass(frozen=True, slots=True)
class RoastLabels:
    """What the sums of a roast were made by.

    Attributes
    ----------
    start_s : float or None
        When first crack began, seconds from the first sample.
    whose : str
        Whose word that is, one of WHOSE; nothing where it is nobody's.
    answers : tuple of (float, bool)
        Of sounds that a person listened to: when, seconds, and whether it was a crack.
    """

    start_s: float | None
    whose: str
    answers: tuple[tuple[float, bool], ...]

    @classmethod
    def of(cls, lesson: Lesson) -> RoastLabels:
        """Of what a roast has taught."""
        return cls(lesson.start_s, lesson.whose, tuple(sorted(lesson.answers.items())))

    @property
    def said(self) -> bool:
        """Whether a person has said when first crack began, or that it did not."""
        return self.whose not in ("", "heard")


@dataclass(frozen=True, slots=True, eq=False)
class MachineProfile:
    """What is known of one machine.

    Attributes
    ----------
    machine : str
        As the person calls it.
    model : str
        Digest of the model that heard its roasts; it knows nothing for another.
    roasts : tuple of str
        Their identities, oldest first.
    sums : MachineSums
    digest : str
        Of all the rest; empty before it was kept.
    labels : tuple of RoastLabels
        One a roast; none in files of before.
    sound : SoundSums
        How loud the machine, its cracks and the microphone are; of nothing in files of before.
    """

    machine: str
    model: str
    roasts: tuple[str, ...]
    sums: MachineSums
    digest: str = ""
    labels: tuple[RoastLabels, ...] = ()
    sound: SoundSums = field(default_factory=SoundSums.none)

    def teaches_the_same_as(self, other: MachineProfile | None) -> bool:
        """Whether both are of the same roasts of one machine, by the same model, with the same sums to rounding."""
        return (
            other is not None
            and (self.machine, self.model, self.roasts) == (other.machine, other.model, other.roasts)
            and self.sums.is_near(other.sums)
        )

    def says_the_same_as(self, other: MachineProfile | None) -> bool:
        """Whether both teach the same, by the same labels and sounds."""
        if other is None or not self.teaches_the_same_as(other):
            return False
        return self.labels == other.labels and self.sound.is_near(other.sound)

    def foreign(self) -> MachineProfile:
        """As it is used elsewhere: its roasts are none of the log there, and its microphone is another."""
        roasts = tuple(f"imported {self.digest[:8]} {place + 1}" for place in range(len(self.roasts)))
        sound = replace(self.sound, levels=SoundSums.none().levels)
        return replace(self, roasts=roasts, sound=sound)

    def fits(self, model: Model) -> bool:
        """Whether it was made with this model."""
        own = model.own_machine
        return (
            own is not None and model.digest == self.model and len(own.adaptation.machine_mean) == len(self.sums.points)
        )

    def applied_to(self, model: Model) -> Model:
        """The model that knows this machine; its digest names both.

        Raises
        ------
        ModelError
            Where the profile was made with another model.
        """
        own = model.own_machine
        if own is None or not self.fits(model):
            raise ModelError(
                f"what is known of the machine {self.machine!r} was learnt with another model; teach it again: "
                f'crackdetect teach "{self.machine}"'
            )
        known = Taught(self.machine, self.digest, len(self.roasts))
        own_machine = taught(own, self.sums)
        return replace(model, digest=f"{model.digest}{TAUGHT}{self.digest}", own_machine=own_machine, taught=known)


def weighed(sums: Sequence[_Sums]) -> _Sums:
    """The sum of the roasts' sums (oldest first, at least one), each halved with every HALF_LIFE that came after it."""
    whole = sums[-1]
    for age, one in enumerate(reversed(sums[:-1]), start=1):
        whole = whole + math.exp2(-age / HALF_LIFE) * one
    return whole
