"""What is heard on families that a model was never taught, beside what one hears that was: the estimate for a stranger.

A folder holds the models, each named by the families that it was taught without, such as
``crack-modes+kind-wire cage.json``: kind of family, ``-``, name; ``+`` between them (``synth.wide.FAMILIES``).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from crackdetect.errors import InputError
from crackdetect.evaluate.scoring import Score
from crackdetect.evaluate.sets import Task
from crackdetect.synth.wide import FAMILIES


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A model's file, and the families (of ``synth.wide.FAMILIES``) that it was taught without."""

    path: Path
    families: frozenset[str]

    @property
    def name(self) -> str:
        """The families, for people."""
        return " + ".join(sorted(self.families))

    @classmethod
    def of(cls, path: Path) -> LeftOut:
        """By the file's name. Raises InputError on one that names no family."""
        families = frozenset(part.strip().replace("-", ":", 1) for part in path.stem.split("+"))
        unknown = sorted(families - set(FAMILIES))
        if unknown:
            raise InputError(
                f"model {path} is not named by the families that it was taught without ({unknown[0]!r} is none); "
                "name it such as crack-modes+kind-oven.json"
            )
        return cls(path, families)


def find_models(folder: Path) -> list[LeftOut]:
    """Those of a folder, by name. Raises InputError when there is none, or one is named by no family."""
    found = [LeftOut.of(path) for path in sorted(folder.glob("*.json"))]
    if not found:
        raise InputError(f"folder {folder} holds no model (such as crack-modes+kind-oven.json)")
    return found


def hear_left_out(
    models: Sequence[LeftOut],
    tasks: Sequence[Task],
    hear: Callable[[Sequence[Task], Path | None], Mapping[str, Sequence[Score]]],
) -> dict[str, list[Score]]:
    """Scores of each model on the families that it does not know, and of the usual one on the same recordings.

    Parameters
    ----------
    models : sequence of LeftOut
    tasks : sequence of Task
        Set 7.
    hear : callable
        Scores by row for tasks and the file of a model (None: the usual model).

    Returns
    -------
    dict of str to list of Score
        Two rows a model, and two of all.

    Raises
    ------
    InputError
        When no recording is of a model's families.
    """
    rows: dict[str, list[Score]] = {"all, left out": [], "all, known": []}
    for model in models:
        chosen = [task for task in tasks if not model.families.isdisjoint(_families(task))]
        if not chosen:
            raise InputError(f"no recording is of {model.name}; recorded sounds need --sounds DIR")
        for how, path in (("left out", model.path), ("known", None)):
            scores = [score for own in hear(chosen, path).values() for score in own]
            rows[f"{model.name}, {how}"] = scores
            rows[f"all, {how}"] += scores
    return rows


def _families(task: Task) -> frozenset[str]:
    return frozenset() if task.plan is None or task.plan.wide is None else task.plan.wide.families
