"""Families left out: how scenes are dealt so that a family does not teach what judges it, and what is heard then."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Doubles, Flags
from crackdetect.synth.truth import Truth
from crackdetect.synth.wide import FAMILIES
from crackdetect.train.courses import FALSE_PER_HOUR, Course, threshold_for, told_of
from crackdetect.train.labelled_rows import OTHER, label

FOLDS = 3
#: Cracks from here on must be found, dB.
LOUD_DB = 12.0


@dataclass(frozen=True, slots=True)
class Dealt:
    """Of each scene the fold that judges it, and the folds whose networks it does not teach."""

    judge: tuple[int, ...]
    kept_from: tuple[frozenset[int], ...]


def deal(families: Sequence[Sequence[str]], by: str) -> Dealt:
    """Deals scenes into folds.

    Parameters
    ----------
    families : sequence of sequence of str
        Of each scene, as ``wide.FAMILIES`` names them; none for one of the narrow family, which is dealt by its number.
    by : {"crack", "kind", "blow", "chance"}
        All scenes of a family together; or each by its number.
    """
    own = [[FAMILIES.index(name) % FOLDS for name in names if name.startswith(f"{by}:")] for names in families]
    own = [folds or [number % FOLDS] for number, folds in enumerate(own)]
    return Dealt(tuple(folds[0] for folds in own), tuple(map(frozenset, own)))


def left_out_table(
    found: Sequence[Found],
    families: Sequence[Sequence[str]],
    courses: Mapping[str, Sequence[Course]],
    odds: Mapping[str, Sequence[Doubles]],
) -> dict[str, dict[str, Any]]:
    """Of each family what is heard on its scenes when it taught no network, and when other scenes of it did.

    The average machine and the kinds of crack are of all scenes. Each way's threshold is chosen on what it judges.

    Parameters
    ----------
    found, families
        Of each scene.
    courses : dict of str to sequence of Course
        Of each scene with answers, by how they were dealt (see :func:`deal`), each at its own threshold for
        FALSE_PER_HOUR.
    odds : dict of str to sequence of float64, shape (n,)
        Of each scene's candidates, likewise.

    Returns
    -------
    dict
        Of each family ``left_out`` and ``known``, and of all together each way of dealing: what :func:`told_of` gives,
        and the shares of the cracks from LOUD_DB that are found at one and at three false ones a minute.
    """
    threshold = {by: threshold_for(own, per_hour=FALSE_PER_HOUR) for by, own in courses.items()}

    def told(by: str, chosen: Sequence[int]) -> dict[str, Any]:
        of_scenes, own = [found[i] for i in chosen], [odds[by][i] for i in chosen]
        shares = {f"recall_{n}": recall(of_scenes, own, per_minute=n) for n in (1, 3)}
        return told_of([courses[by][i] for i in chosen], threshold[by]) | shares

    table: dict[str, dict[str, Any]] = {}
    judge = {by: deal(families, by).judge for by in courses}
    for number, name in enumerate(FAMILIES):
        by = name.partition(":")[0]
        # where some blows are of another family, those networks judge that have not met the first
        chosen = [i for i, names in enumerate(families) if name in names and judge[by][i] == number % FOLDS]
        if chosen:
            table[name] = {"scenes": len(chosen), "left_out": told(by, chosen), "known": told("chance", chosen)}
    wide = [i for i, names in enumerate(families) if names]
    return table | {"all": {"scenes": len(wide), **{by: told(by, wide) for by in courses}}}


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Which candidates are no cracks, and for each crack from LOUD_DB which candidate is it (-1: none)."""

    other: Flags
    loud: npt.NDArray[np.int64]
    minutes: float

    @classmethod
    def of(cls, times: Doubles, truth: Truth) -> Found:
        """Of candidates at these times, seconds."""
        labels, snr_db, missed = label(times, truth)
        found = np.flatnonzero(snr_db >= LOUD_DB)
        loud = np.concatenate([found, np.full(int((missed >= LOUD_DB).sum()), -1)])
        return cls(labels == OTHER, loud.astype(np.int64), truth.duration_s / 60)


def recall(scenes: Sequence[Found], odds: Sequence[Doubles], *, per_minute: float) -> float | None:
    """Share of the loud cracks found at so many false ones a minute, all scenes by one threshold; None without any."""
    false = np.sort(np.concatenate([own[scene.other] for scene, own in zip(scenes, odds, strict=True)]))[::-1]
    allowed = int(per_minute * sum(scene.minutes for scene in scenes))
    threshold = false[allowed] if allowed < len(false) else -np.inf
    loud = [
        np.where(scene.loud < 0, -np.inf, own[scene.loud] if len(own) else -np.inf)
        for scene, own in zip(scenes, odds, strict=True)
    ]
    found = np.concatenate(loud) > threshold
    return round(float(found.mean()), 3) if len(found) else None
