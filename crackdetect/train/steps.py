"""How far a training is: its steps, and what each takes beside the others."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple


class Step(NamedTuple):
    """A part of the training.

    Attributes
    ----------
    word : str
        By which it is told.
    scenes : int
        So many are heard in it, at most; 0 = networks are fitted, on what was heard before.
    each_s : float
        Seconds of a core that one of them takes, or all of the fitting.
    """

    word: str
    scenes: int
    each_s: float

    @property
    def whole_s(self) -> float:
        """Seconds of a core for all of it."""
        return self.each_s * max(1, self.scenes)


#: Seconds of a core that a scene takes to be rendered and heard, and a fit for each scene that it is on: worked out of
#: what was measured (``DECISIONS.md``). Only what they are beside each other counts.
_SCENE_S = {"train": 0.8, "calibrate": 0.8, "context": 5.0, "machines": 4.5}
_FIT_S = {"fitting": 0.4, "fitting the context classifier": 1.4}
_OWN_FIT_S = {"the average machine": 0.1, "relative features": 0.4, "cracks and first crack on this machine": 1.7}
_FAMILIES_S = {"families left out": 4.5}


def steps(*, train: int, calibrate: int, context: int, machines: int, families: bool) -> list[Step]:
    """The steps of a training on so many scenes of each kind; of a kind that is left out 0."""
    found = []
    for word, count in (("train", train), ("calibrate", calibrate)):
        found += [Step(word, count, _SCENE_S[word])] if count else []
    if calibrate:
        found.append(Step("fitting", 0, _FIT_S["fitting"] * train))
    if context:
        found.append(Step("context", context, _SCENE_S["context"]))
        found.append(Step("fitting the context classifier", 0, _FIT_S["fitting the context classifier"] * context))
    found.append(Step("machines", machines, _SCENE_S["machines"]))
    fits = _OWN_FIT_S | (_FAMILIES_S if families else {})
    return [*found, *(Step(word, 0, each * machines) for word, each in fits.items())]


class Progress:
    """Where a training is in its steps, as it is told of them: of scenes after each, of a fit before it."""

    def __init__(self, steps: Iterable[Step]) -> None:
        self._steps = list(steps)
        self._word, self._heard = "", 0
        #: Seconds of a core that all of it takes.
        self.whole_s = sum(step.whole_s for step in self._steps)

    def told(self, word: str) -> float:
        """Seconds of a core that are behind it now; never fewer than before."""
        self._heard = self._heard + 1 if word == self._word else 1
        self._word = word
        place = next(number for number, step in enumerate(self._steps) if step.word == word)
        before = sum(step.whole_s for step in self._steps[:place])
        return before + self._steps[place].each_s * self._heard if self._steps[place].scenes else before
