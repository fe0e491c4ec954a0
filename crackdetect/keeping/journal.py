"""The journal of a roast: every event on the disk within a second of its happening, whatever becomes of the program.

A folder a roast below ``roasts`` in the data folder. ``events.jsonl`` holds the events as JSON Lines, ``roast.start``
with the wall clock of the first sample first. While the roast is listened to the folder is locked; once the roast is
in the log the file is called ``roast.jsonl``. So an ``events.jsonl`` without a lock is a roast that was cut off.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crackdetect.errors import OutputError
from crackdetect.events import Event

if TYPE_CHECKING:
    from filelock import BaseFileLock

OPEN_NAME = "events.jsonl"
KEPT_NAME = "roast.jsonl"
_LOCK_NAME = "in-use.lock"
#: An event waits at most this long for the disk while others keep coming (chosen: half of the promised second).
_SYNC_EVERY_S = 0.5


def roasts_folder(data: Path) -> Path:
    """data: the data folder, see :mod:`crackdetect.places`."""
    return data / "roasts"


def new_folder(data: Path, roast: str) -> Path:
    """Makes the folder of a new roast. Raises OutputError; FileExistsError when there is such a roast already."""
    folder = roasts_folder(data) / roast
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:  # not a roast of that name: a file stands where the roasts belong
        raise _no_place(folder.parent, "it is not a folder") from error
    except OSError as error:
        raise _no_place(folder.parent, error.strerror) from error
    try:
        folder.mkdir()
        _sync_folder(folder.parent)
    except FileExistsError:
        raise
    except OSError as error:
        raise _no_place(folder.parent, error.strerror) from error
    return folder


def _no_place(roasts: Path, reason: str | None) -> OutputError:
    return OutputError(
        f"the roast cannot be kept in {roasts} ({reason}) and would be lost if the program were ended: free some space "
        "there, check its permissions, or move away what is in its place"
    )


class Journal:
    """A sink that writes events to the disk.

    folder: of the roast; it exists. An ``events.jsonl`` in it is gone on with, a line that was cut off is dropped.
    lock: where the folder is ``held`` already.
    ``send`` writes, ``settle`` makes sure that the disk has it; ``session`` calls that as soon as nothing waits.
    Raises OutputError when the folder cannot be written to or another process listens to this roast.
    """

    def __init__(self, folder: Path, *, lock: BaseFileLock | None = None) -> None:
        self.folder = folder
        self._own_lock = _lock(folder) if lock is None else None
        self._dirty_since: float | None = None
        try:
            self._file = open(folder / OPEN_NAME, "a+b", buffering=0)  # noqa: SIM115 - open as long as the roast
            self._end = _end_of_last_line(self._file.fileno())
            self._file.truncate(self._end)
            _sync_folder(folder)
        except OSError as error:
            self._let_go()
            raise _cannot_write(folder, error) from error

    def send(self, event: Event) -> None:
        line = event.to_json().encode("utf-8") + b"\n"
        try:
            written = 0
            while written < len(line):
                written += self._file.write(line[written:]) or 0
        except OSError as error:
            with contextlib.suppress(OSError):  # half a line would spoil the next one
                self._file.truncate(self._end)
            raise _cannot_write(self.folder, error) from error
        self._end += len(line)
        now = time.monotonic()
        if self._dirty_since is None:
            self._dirty_since = now
        elif now - self._dirty_since > _SYNC_EVERY_S:
            self.settle()

    def settle(self) -> None:
        """Waits until the disk has everything."""
        if self._dirty_since is None:
            return
        self._dirty_since = None
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            raise _cannot_write(self.folder, error) from error

    def close(self) -> None:
        """Lets go of the folder. May be called twice."""
        if self._file.closed:
            return
        with contextlib.suppress(OutputError):
            self.settle()
        self._file.close()
        self._let_go()

    def _let_go(self) -> None:
        if self._own_lock is not None:
            self._own_lock.release()


def read_events(folder: Path) -> list[dict[str, Any]]:
    """Events of a roast, as far as they reached the disk; a damaged line is passed over. Raises OSError."""
    path = folder / OPEN_NAME
    if not path.exists():
        path = folder / KEPT_NAME
    return list(_whole_lines(path.read_bytes()))


def _whole_lines(text: bytes) -> Iterator[dict[str, Any]]:
    for line in text.split(b"\n"):
        try:
            event = json.loads(line)
        except (ValueError, RecursionError):  # cut off, or zeros where the power went; or brackets without end
            continue
        if isinstance(event, dict) and isinstance(event.get("type"), str):
            yield event


@contextlib.contextmanager
def held(folder: Path) -> Iterator[BaseFileLock]:
    """No other process listens to this roast, or puts it into the log, meanwhile. Raises InUse, OutputError."""
    lock = _lock(folder)
    try:
        yield lock
    finally:
        lock.release()


def close_folder(folder: Path) -> None:
    """The roast is in the log: its journal is from now on only a copy. Raises OutputError."""
    try:
        os.replace(folder / OPEN_NAME, folder / KEPT_NAME)
    except OSError as error:
        raise _cannot_write(folder, error) from error
    with contextlib.suppress(OSError):  # some systems keep it while it is held; it does no harm
        (folder / _LOCK_NAME).unlink(missing_ok=True)


class InUse(OutputError):
    """Another process listens to this roast."""


def _lock(folder: Path) -> BaseFileLock:
    from filelock import FileLock, Timeout

    lock = FileLock(folder / _LOCK_NAME, thread_local=False)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        raise InUse(f"the roast in {folder} is being listened to by another crackdetect; end that one first") from None
    except OSError as error:
        raise _cannot_write(folder, error) from error
    return lock


def _cannot_write(folder: Path, error: OSError) -> OutputError:
    if error.errno == errno.ENOSPC:
        return OutputError(
            f"the disk is full, the events of this roast are not kept from here on; free space for {folder}"
        )
    return OutputError(f"the events of this roast cannot be kept in {folder} ({error.strerror}); check its permissions")


def _end_of_last_line(descriptor: int) -> int:
    """Bytes up to and with the last line end."""
    size = os.lseek(descriptor, 0, os.SEEK_END)
    step = 65_536
    for start in range(max(0, size - step), -step, -step):
        start = max(0, start)
        os.lseek(descriptor, start, os.SEEK_SET)
        at = os.read(descriptor, step).rfind(b"\n")
        if at >= 0:
            return start + at + 1
        if start == 0:
            break
    return 0


def _sync_folder(folder: Path) -> None:
    """Makes sure that the disk has the name of a new file as well."""
    if os.name == "nt":  # folders cannot be opened there; the file system does it by itself
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
