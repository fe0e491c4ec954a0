"""What this person has seen already, by marks in the data folder."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

#: ``cautions``: the words of safety were read; ``guided``: the first roast was offered; ``listened``: the notes at the
#: start of a roast were read; the others are steps of the first roast.
Step = Literal["cautions", "guided", "place", "machine", "sound", "listened"]


def was_seen(folder: Path, step: Step) -> bool:
    """Whether it is remembered. folder: the data folder."""
    try:
        return _mark(folder, step).exists()
    except OSError:
        return False


def remember(folder: Path, step: Step) -> None:
    """From now on it was seen. Where nothing can be written in the folder, it is new every time."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _mark(folder, step).touch()
    except OSError:
        pass


def is_first_use(folder: Path, step: Step = "cautions") -> bool:
    """True once; from then on it is remembered."""
    seen = was_seen(folder, step)
    remember(folder, step)
    return not seen


def _mark(folder: Path, step: Step) -> Path:
    return folder / f"{step}-shown"
