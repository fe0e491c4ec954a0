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
from functools import lru_cache
from pathlib import Path

import numpy
import scipy

import crackdetect
from crackdetect.errors import OutputError
from crackdetect.evaluate.hearing import Hearing
from crackdetect.evaluate.real_sounds import RealSounds
from crackdetect.evaluate.scoring import Score
from crackdetect.evaluate.sets import Task

#: Packages and modules that do not touch a score: what only shows or serves.
_APART = ("cli.py", "console.py", "command.py", "table.py", "figure.py", "kept.py", "workers.py")


@lru_cache(maxsize=1)
def code_version() -> str:
    """Digest of this package's sources and the versions of the numerical libraries."""
    root = Path(crackdetect.__file__).parent
    digest = hashlib.sha256(f"numpy {numpy.__version__} scipy {scipy.__version__}".encode())
    for path in sorted(root.rglob("*.py")):
        if path.name not in _APART:
            digest.update(path.relative_to(root).as_posix().encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


class KeptScores:
    """The scores in ``folder`` (made when first written to). Raises OutputError when it cannot be written."""

    def __init__(self, folder: Path, *, hearing: Hearing, sounds: RealSounds | None) -> None:
        self.folder = folder
        self._common = (
            f"{hearing.model.digest} {code_version()} {hearing.sensitivity} {hearing.rivals} {hearing.compare}"
        )
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
