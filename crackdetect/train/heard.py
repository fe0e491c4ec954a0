"""What was heard of scenes, kept in a folder, so that an interrupted training goes on where it was.

One file a scene, named by a digest of its plan, in a folder named by a digest of all else that it depends on: this
program's code, the numerical libraries, the model that hears, the real sounds. What has changed is heard again. What is
read gives the same model as what has just been heard, bit for bit.
"""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from functools import lru_cache
from pathlib import Path
from typing import IO, Protocol

import numpy
import scipy

import crackdetect
from crackdetect.errors import OutputError
from crackdetect.train.scenes import Scene

#: The rooms that hear a scene, and what in them comes only after that which is kept.
_ROOMS = ("hearing", "deciding", "roast", "synth", "train", "teach")
_APART = (
    *("deciding/adaptation.py", "deciding/begun.py", "deciding/ranks.py", "deciding/replay.py"),
    *("train/courses.py", "train/families.py", "train/network.py", "train/own_roasts.py"),
    *("teach/comparison.py", "teach/lesson.py", "teach/machine_profile.py"),
)


class Keeps(Protocol):
    """What a scene came to."""

    def save(self, path: Path) -> None:
        """Writes it to a file, with :func:`written_whole`."""


def heard_into(scene: Scene, *, hear: Callable[[Scene], Keeps], folder: Path) -> Path:
    """The file of a scene in ``folder``; heard now, unless it is there.

    Raises OutputError when it cannot be written.
    """
    path = folder / f"{_digest(json.dumps(asdict(scene), sort_keys=True))}.npz"
    if not zipfile.is_zipfile(path):  # one that a power cut left behind is not
        met = hear(scene)
        try:
            met.save(path)
        except OSError as error:
            raise OutputError(f"{folder} cannot be written ({error.strerror}); choose another with --heard") from None
    return path


@contextmanager
def written_whole(path: Path) -> Iterator[IO[bytes]]:
    """A file to write, which is there whole or not at all."""
    unfinished = path.with_suffix(f".{os.getpid()}.part")
    with unfinished.open("wb") as file:
        yield file
        file.flush()
        os.fsync(file.fileno())
    unfinished.replace(path)


def stage_folder(folder: Path, *depends_on: object) -> Path:
    """The folder of a stage in ``folder``, made where it is not there. depends_on: JSON, beside code and libraries."""
    code = code_version(*_ROOMS, apart=_APART)
    found = folder / _digest(json.dumps([code, *depends_on]))
    found.mkdir(parents=True, exist_ok=True)
    return found


@lru_cache(maxsize=4)
def sounds_digest(folder: Path | None) -> str:
    """Of the names and contents of all files below a folder of real sounds; of none ""."""
    if folder is None:
        return ""
    digest = hashlib.sha256()
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        digest.update(path.relative_to(folder).as_posix().encode())
        with path.open("rb") as file:
            digest.update(hashlib.file_digest(file, "sha256").digest())
    return digest.hexdigest()[:16]


@lru_cache(maxsize=4)
def code_version(*rooms: str, apart: tuple[str, ...] = ()) -> str:
    """Digest of the sources of some rooms and of the modules at the top, and of the numerical libraries' versions.

    apart: files that do not count, as ``room/name.py``.
    """
    root = Path(crackdetect.__file__).parent
    digest = hashlib.sha256(f"numpy {numpy.__version__} scipy {scipy.__version__}".encode())
    paths = [*root.glob("*.py"), *(path for room in rooms for path in (root / room).glob("*.py"))]
    for path in sorted(path for path in paths if path.relative_to(root).as_posix() not in apart):
        digest.update(path.relative_to(root).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:32]
