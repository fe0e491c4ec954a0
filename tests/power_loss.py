"""What the disk may hold after a power cut, worked out from what a program did to a folder.

A disk has for sure what was synced: of a file its bytes (``fsync`` of the file), of a folder its names (of the folder).
Of what came after, anything: each write is whole, missing, torn at 512 bytes (a sector), or, behind what was there,
only length and zeros; of the names that were made, changed and taken away since, the first few, in order (so do
journalling file systems; which is why a new file is synced before it gets its name).

``Tape`` follows a folder: it looks at it before every ``fsync`` and after every change of a name, and whenever it is
told to, so that writes in C are seen as well. SQLite's files are left out: its own promise is trusted, and a state has
them as they were.
"""

from __future__ import annotations

import os
import random
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from crackdetect.blocks import Samples

SECTOR = 512
_SQLITE = ".sqlite3"


@dataclass
class Bytes:
    """A write. start: where. data: what. size: of the file after it. over: what was there before, not behind it."""

    start: int
    data: bytes
    size: int
    over: bool = False


@dataclass
class Inode:
    """A file: what the disk has of it for sure, what came since, and what the program sees."""

    sure: bytes = b""
    since: list[Bytes] = field(default_factory=list)
    now: bytes = b""

    def change(self, new: bytes) -> None:
        old = self.now
        if new == old:
            return
        common = min(len(old), len(new))
        start = next((i for i in range(common) if old[i] != new[i]), common)
        if start < common:
            end = next(i for i in range(common, start, -1) if old[i - 1] != new[i - 1])
            self.since.append(Bytes(start, new[start:end], len(old), over=True))
        if len(old) != len(new):
            self.since.append(Bytes(common, new[common:], len(new)))
        self.now = new

    def sync(self) -> None:
        self.sure, self.since = self.now, []

    def after_a_cut(self, chance: random.Random) -> bytes:
        content = bytearray(self.sure)
        for one in self.since:
            fate = chance.choice(("whole", "missing", "torn") if one.over else ("whole", "missing", "torn", "zero"))
            data = one.data
            if fate == "missing":
                continue
            if fate == "torn" and data:
                sectors = (one.start + len(data)) // SECTOR - one.start // SECTOR
                data = data[: max(0, (one.start // SECTOR + chance.randint(0, sectors)) * SECTOR - one.start)]
            elif fate == "zero":
                data = bytes(len(data))
            content[len(content) :] = bytes(max(0, one.start + len(data) - len(content)))
            content[one.start : one.start + len(data)] = data
            if fate != "torn":
                del content[one.size :]
        return bytes(content)


@dataclass
class Folder:
    """Names to numbers of files (``None`` = a folder): for sure, and each change since."""

    sure: dict[str, int | None] = field(default_factory=dict)
    since: list[dict[str, int | None]] = field(default_factory=list)
    now: dict[str, int | None] = field(default_factory=dict)

    def change(self, new: dict[str, int | None]) -> None:
        if new != self.now:
            self.since.append(new)
            self.now = new

    def sync(self) -> None:
        self.sure, self.since = self.now, []

    def after_a_cut(self, chance: random.Random) -> dict[str, int | None]:
        return chance.choice([self.sure, *self.since])


@dataclass(frozen=True)
class Promised:
    """What the program has said to be on the disk. events: their numbers. sound: parts by their first sample."""

    events: frozenset[int] = frozenset()
    sound: Mapping[int, Samples] = field(default_factory=dict)


@dataclass
class Moment:
    """The folder at one moment, from which states after a cut are drawn.

    log: SQLite's files by their path. promised: as the tape's.
    """

    files: dict[int, Inode]
    folders: dict[str, Folder]
    log: dict[str, bytes]
    promised: Promised

    def lay_out(self, target: Path, *, seed: int) -> None:
        """One state after a cut at this moment, below ``target``."""
        chance = random.Random(seed)
        self._lay_out("", target, chance)
        for name, content in self.log.items():
            if (target / name).parent.is_dir():
                (target / name).write_bytes(content)

    def _lay_out(self, name: str, target: Path, chance: random.Random) -> None:
        target.mkdir(exist_ok=True)
        for entry, number in sorted(self.folders[name].after_a_cut(chance).items()):
            if number is None:
                self._lay_out(f"{name}{entry}/", target / entry, chance)
            else:
                (target / entry).write_bytes(self.files[number].after_a_cut(chance))

    def sure(self, ending: str) -> list[bytes]:
        """Contents of files that the disk has for sure under a name with this ending."""
        return [
            self.files[number].sure
            for folder in self.folders.values()
            for name, number in folder.sure.items()
            if number is not None and name.endswith(ending)
        ]


class Tape:
    """Follows all below ``root``, which is on the disk; keeps every moment at which something was another.

    promised: set by whoever lets the program run; it holds for all moments that follow. Several threads write: what is
    synced is what was there when the sync began, so nobody looks meanwhile.
    """

    def __init__(self, root: Path, patch: pytest.MonkeyPatch) -> None:
        self.root = root
        self.moments: list[Moment] = []
        self.promised = Promised()
        self._files: dict[int, Inode] = {}
        self._folders: dict[str, Folder] = {"": Folder()}
        self._log: dict[str, bytes] = {}
        self._numbers: dict[int, int] = {}  # of the system, which gives them again, to ours
        self._next = 0
        self._turn = threading.RLock()
        fsync = os.fsync

        def synced(descriptor: int) -> None:
            with self._turn:
                self.look()
                fsync(descriptor)
                self._sync(descriptor)

        patch.setattr(os, "fsync", synced)
        for name in ("replace", "rename", "unlink", "remove", "mkdir"):
            self._follow(name, patch)

    def _follow(self, name: str, patch: pytest.MonkeyPatch) -> None:
        call = getattr(os, name)

        def followed(*arguments: object, **options: object) -> object:
            with self._turn:
                self.look()
                try:
                    return call(*arguments, **options)
                finally:
                    self.look()

        patch.setattr(os, name, followed)

    def look(self) -> None:
        """Takes in what is another since the last look."""
        with self._turn:
            seen: set[int] = set()
            changed = self._look("", self.root, seen)
            self._numbers = {theirs: ours for theirs, ours in self._numbers.items() if theirs in seen}
            if changed:
                self._keep()

    def _look(self, name: str, place: Path, seen: set[int]) -> bool:
        names: dict[str, int | None] = {}
        changed = False
        for entry in sorted(os.scandir(place), key=lambda one: one.name):
            if entry.is_dir():
                names[entry.name] = None
                below = f"{name}{entry.name}/"
                self._folders.setdefault(below, Folder())
                changed |= self._look(below, Path(entry.path), seen)
            elif _SQLITE in entry.name:
                content = Path(entry.path).read_bytes()
                changed |= self._log.get(name + entry.name) != content
                self._log[name + entry.name] = content
            elif not entry.name.endswith(".lock"):
                theirs = entry.inode()
                seen.add(theirs)
                if theirs not in self._numbers:
                    self._numbers[theirs] = self._next
                    self._files[self._next] = Inode()
                    self._next += 1
                names[entry.name] = number = self._numbers[theirs]
                content = Path(entry.path).read_bytes()
                changed |= self._files[number].now != content
                self._files[number].change(content)
        changed |= self._folders[name].now != names
        self._folders[name].change(names)
        return changed

    def _sync(self, descriptor: int) -> None:
        there = os.fstat(descriptor)
        if there.st_ino in self._numbers:
            self._files[self._numbers[there.st_ino]].sync()
        for name, folder in self._folders.items():
            place = self.root / name
            if place.is_dir() and place.stat().st_ino == there.st_ino:
                folder.sync()
        self._keep()

    def _keep(self) -> None:
        files = {number: Inode(one.sure, list(one.since), one.now) for number, one in self._files.items()}
        folders = {name: Folder(dict(one.sure), list(one.since), dict(one.now)) for name, one in self._folders.items()}
        self.moments.append(Moment(files, folders, dict(self._log), self.promised))


def digests(root: Path) -> Iterator[tuple[str, bytes]]:
    """Every file below a folder but SQLite's and locks, with its content."""
    for path in sorted(root.rglob("*")):
        if path.is_file() and _SQLITE not in path.name and path.suffix != ".lock":
            yield str(path.relative_to(root)), path.read_bytes()
