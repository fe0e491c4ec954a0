"""Finished recordings of the benchmark, kept in a folder, so that an interrupted run goes on where it was.

One small JSON file a recording, named by a digest of all that its score depends on: the model's hash, this program's
code, the numerical libraries, the plan of the recording, the real sounds or the file it was made from, and the
sensitivity. What has changed is heard again, what has not is read.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from crackdetect.errors import OutputError
from crackdetect.evaluate.real_sounds import RealSounds
from crackdetect.evaluate.scoring import Score
from crackdetect.evaluate.sets import Task
from crackdetect.train.heard import code_version

#: Rooms that a score depends on, beside the modules at the top.
_ROOMS = ("audio", "hearing", "deciding", "roast", "synth", "train", "evaluate")
#: Of them, what only shows or keeps scores.
_APART = tuple(
    f"evaluate/{name}.py"
    for name in ("table", "overview", "figure", "intervals", "tradeoff", "reliability", "score_cache")
)


class ScoreCache:
    """The scores kept in a folder. Raises OutputError when it cannot be written.

    Parameters
    ----------
    folder : pathlib.Path
        Made when first written to.
    setup : str
        What is the same for every recording of the run (``run.Setup.identity``): scores of another setup are not found.
    sounds : RealSounds or None
        The real sounds of the run.
    """

    def __init__(self, folder: Path, *, setup: str, sounds: RealSounds | None) -> None:
        self.folder = folder
        self._common = f"{setup} {code_version(*_ROOMS, apart=_APART)}"
        self._sounds = "" if sounds is None else sounds.digest

    def _path(self, task: Task) -> Path:
        digest = hashlib.sha256(self._common.encode())
        digest.update(json.dumps(asdict(task), sort_keys=True).encode())
        if task.real:
            digest.update(self._sounds.encode())
        if task.path is not None:
            for path in (Path(task.path), Path(task.path).with_suffix(".json")):
                digest.update(path.read_bytes())
        return self.folder / f"{digest.hexdigest()[:32]}.json"

    def load(self, tasks: Sequence[Task]) -> dict[int, Score]:
        """Scores kept of these tasks, by index. A file that is damaged counts as not there."""
        found: dict[int, Score] = {}
        for i, task in enumerate(tasks):
            try:
                found[i] = Score.from_dict(json.loads(self._path(task).read_text(encoding="utf-8")))
            except (OSError, ValueError, KeyError, TypeError):
                continue
        return found

    def save(self, task: Task, score: Score) -> None:
        """Keeps a score; whole or not at all."""
        path = self._path(task)
        unfinished = path.with_suffix(f".{os.getpid()}.part")
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            unfinished.write_text(json.dumps(score.to_dict()), encoding="utf-8")
            unfinished.replace(path)
        except OSError as error:
            raise OutputError(
                f"{self.folder} cannot be written ({error.strerror}); choose another folder with --work"
            ) from None
