"""What is known of one machine, as data: the sums of its roasts, the later ones counting for more."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from crackdetect.deciding.machine_sums import MachineSums, taught
from crackdetect.errors import ModelError
from crackdetect.model import Model, Taught
from crackdetect.roast.record import TAUGHT

#: After so many roasts one counts half: machines wear, and get moved (chosen).
HALF_LIFE = 20.0


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
    """

    machine: str
    model: str
    roasts: tuple[str, ...]
    sums: MachineSums
    digest: str = ""

    def says_the_same_as(self, other: MachineProfile | None) -> bool:
        """Whether both are of the same roasts of one machine, by the same model, with the same sums to rounding."""
        return (
            other is not None
            and (self.machine, self.model, self.roasts) == (other.machine, other.model, other.roasts)
            and self.sums.is_near(other.sums)
        )

    def applied_to(self, model: Model) -> Model:
        """The model that knows this machine; its digest names both.

        Raises
        ------
        ModelError
            Where the profile was made with another model.
        """
        own = model.own_machine
        if own is None or model.digest != self.model or len(own.adaptation.machine_mean) != len(self.sums.points):
            raise ModelError(
                f"what is known of the machine {self.machine!r} was learnt with another model; teach it again: "
                f'crackdetect teach "{self.machine}"'
            )
        known = Taught(self.machine, self.digest, len(self.roasts))
        own_machine = taught(own, self.sums)
        return replace(model, digest=f"{model.digest}{TAUGHT}{self.digest}", own_machine=own_machine, taught=known)


def weighed(sums: Sequence[MachineSums]) -> MachineSums:
    """The sum of the roasts' sums (oldest first, at least one), each halved with every HALF_LIFE that came after it."""
    whole = sums[-1]
    for age, one in enumerate(reversed(sums[:-1]), start=1):
        whole = whole + math.exp2(-age / HALF_LIFE) * one
    return whole
