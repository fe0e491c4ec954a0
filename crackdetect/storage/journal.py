"""The journal of a roast: every event on the disk within a second of its happening, whatever becomes of the program.

A folder a roast below ``roasts`` in the data folder. ``events.jsonl`` holds the events as JSON Lines, ``roast.start``
with the wall clock of the first sample first, and ``clock`` after it, a reading of the clock that nobody sets; the last
field of each line is a checksum of the line without it. While the roast is listened to the folder is locked; once the
roast is in the log the file is called ``roast.jsonl``. So an ``events.jsonl`` without a lock is a roast that was cut
off.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import time
import zlib
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crackdetect.errors import OutputError
from crackdetect.events import Event
from crackdetect.notice import FAILED, Notice, Notices
from crackdetect.roast.event_reader import number, text
from crackdetect.storage import boot_clock
from crackdetect.storage.atomic_file import make_folder, replace_for_good, sync_folder
from crackdetect.storage.boot_clock import BootTime

if TYPE_CHECKING:
    from filelock import BaseFileLock

OPEN_NAME = "events.jsonl"
KEPT_NAME = "roast.jsonl"
#: A second copy of ``roast.start``, without which the other events are nothing.
_START_NAME = "start.jsonl"
_LOCK_NAME = "in-use.lock"
#: Events that wait in memory for a disk that does not take them, at most; then the oldest are lost (chosen: those of
#: more than two hours).
MOST_UNWRITTEN = 50_000
#: Type of the line that is no event.
_CLOCK = "clock"
_CHECKED = re.compile(rb'(.*),"crc32":"([0-9a-f]{8})"}', re.DOTALL)
#: An event waits at most this long for the disk while others keep coming (chosen: half of the promised second).
_SYNC_EVERY_S = 0.5


def roasts_folder(data: Path) -> Path:
    """The folder of all roasts. data: the data folder, see :mod:`crackdetect.storage.paths`."""
    return data / "roasts"


def new_folder(data: Path, roast: str) -> Path:
    """Makes the folder of a new roast. Raises OutputError; FileExistsError when there is such a roast already."""
    folder = roasts_folder(data) / roast
    try:
        make_folder(folder.parent)
    except FileExistsError as error:  # not a roast of that name: a file stands where the roasts belong
        raise _no_place(folder.parent, "it is not a folder") from error
    except OSError as error:
        raise _no_place(folder.parent, error.strerror) from error
    try:
        folder.mkdir(mode=0o700)
        sync_folder(folder.parent)
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

    ``send`` writes, ``settle`` makes sure that the disk has it; whoever sends calls that as soon as nothing waits. What
    a full or failing disk does not take stays in memory, in its order, and is written as soon as it can be.

    Parameters
    ----------
    folder
        Of the roast; it exists. An ``events.jsonl`` in it is gone on with, a line that was cut off is dropped.
    lock
        Where the folder is ``held`` already.
    monotonic
        Seconds that never run back.

    Attributes
    ----------
    clock
        Read when the roast begins.
    notices
        Where it is told that the disk takes events again, and from then on that it does not.

    Raises
    ------
    OutputError
        When the folder cannot be written to, or another process listens to this roast.
    """

    def __init__(
        self,
        folder: Path,
        *,
        lock: BaseFileLock | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.folder = folder
        self._own_lock = _lock(folder) if lock is None else None
        self.notices: Notices | None = None
        self._monotonic = monotonic
        self.clock: Callable[[], BootTime] = boot_clock.now
        self._dirty_since: float | None = None
        self._unwritten: deque[bytes] = deque()
        self._unsure: list[bytes] = []  # written, and the disk was not asked yet
        self._lost = 0
        self._failing = False
        self._told_back = False
        try:
            # open as long as the roast
            self._file = open(folder / OPEN_NAME, "a+b", buffering=0, opener=_own)  # noqa: SIM115
            with contextlib.ExitStack() as undo:
                undo.callback(self._file.close)
                self._end = _end_of_last_line(self._file.fileno())
                self._file.truncate(self._end)
                sync_folder(folder)
                undo.pop_all()
        except OSError as error:
            self._let_go()
            raise _cannot_write(folder, error) from error

    @property
    def missing(self) -> int:
        """Events that are not on the disk: those in memory, and those for which there was no room there either."""
        return len(self._unwritten) + self._lost

    def send(self, event: Event) -> None:
        """Raises OutputError as long as the disk does not take it; it need not be sent again."""
        if len(self._unwritten) >= MOST_UNWRITTEN:
            self._unwritten.popleft()
            self._lost += 1
        line = _line(event.to_json())
        if event.type == "roast.start":
            line += _line(json.dumps({"type": _CLOCK, **asdict(self.clock())}))
            with contextlib.suppress(OSError):  # what matters is told by the journal itself
                _write_own(self.folder / _START_NAME, line)
        self._unwritten.append(line)
        self._write()
        if self._dirty_since is not None and self._monotonic() - self._dirty_since > _SYNC_EVERY_S:
            self.settle()

    def settle(self) -> None:
        """Waits until the disk has everything. Raises OutputError."""
        self._write()
        if self._dirty_since is None:
            return
        self._dirty_since = None
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            self._write_again()
            raise self._failed(error) from error
        self._unsure.clear()
        if self._failing:
            self._failing, self._told_back = False, True
            lost = f"; {self._lost} found no room in memory either and are lost" if self._lost else ""
            message = f"the events of this roast are kept again, those of the meantime among them{lost}"
            self._tell("disk_back", message)

    def close(self) -> None:
        """Lets go of the folder; ``missing`` tells what it has not. May be called twice."""
        if self._file.closed:
            return
        with contextlib.suppress(OutputError):
            self.settle()
        self._file.close()
        self._let_go()

    def _write(self) -> None:
        while self._unwritten:
            self._write_line(self._unwritten[0])
            self._unsure.append(self._unwritten.popleft())

    def _write_line(self, line: bytes) -> None:
        try:
            written = 0
            while written < len(line):
                written += self._file.write(line[written:]) or 0
        except OSError as error:
            with contextlib.suppress(OSError):  # half a line would spoil the next one
                self._file.truncate(self._end)
            raise self._failed(error) from error
        self._end += len(line)
        if self._dirty_since is None:
            self._dirty_since = self._monotonic()

    def _write_again(self) -> None:
        """The system may have forgotten what the disk did not take, and says so only once: fsync(2)."""
        end = self._end - sum(map(len, self._unsure))
        with contextlib.suppress(OSError):  # else it is there, as far as can be known
            self._file.truncate(end)
            self._end = end
            self._unwritten.extendleft(reversed(self._unsure))
        self._unsure.clear()

    def _failed(self, error: OSError) -> OutputError:
        """What is raised. The first time whoever sends tells of it, later ones are told here."""
        told = _cannot_write(self.folder, error)
        if self._told_back and not self._failing:
            self._tell("disk_full" if error.errno == errno.ENOSPC else FAILED, str(told))
        self._failing = True
        return told

    def _tell(self, kind: str, message: str) -> None:
        if self.notices is not None:
            self.notices.put(Notice(kind, message))

    def _let_go(self) -> None:
        if self._own_lock is not None:
            self._own_lock.release()


def _line(fields: str) -> bytes:
    """With a checksum as its last field. fields: JSON, at least one."""
    line = fields.encode("utf-8")
    return b'%s,"crc32":"%08x"}\n' % (line[:-1], zlib.crc32(line))


@dataclass(frozen=True, slots=True)
class Journaled:
    """What a journal holds.

    Attributes
    ----------
    events
        As told by ``Event.to_dict``, in order.
    damaged
        Lines that are not as they were written, and were passed over.
    clock
        Read when the roast began; ``None`` where that is not known.
    """

    events: list[dict[str, Any]]
    damaged: int
    clock: BootTime | None = None


def read_journal(folder: Path) -> Journaled:
    """The events of a roast, as far as they reached the disk whole. Raises OSError."""
    path = folder / OPEN_NAME
    if not path.exists():
        path = folder / KEPT_NAME
    *lines, cut_off = path.read_bytes().split(b"\n")
    found = [_event_of(line) for line in lines if line]
    there = [event for event in (*found, _event_of(cut_off)) if event is not None]
    if not there or there[0]["type"] != "roast.start":
        with contextlib.suppress(OSError):
            copied = map(_event_of, (folder / _START_NAME).read_bytes().splitlines())
            there = [*(event for event in copied if event is not None), *there]
    clock = next((_clock_of(event) for event in there if event["type"] == _CLOCK), None)
    return Journaled([event for event in there if event["type"] != _CLOCK], found.count(None), clock)


def _clock_of(fields: dict[str, Any]) -> BootTime | None:
    try:
        return BootTime(text(fields.get("boot")), number(fields.get("at_s")))
    except (TypeError, ValueError):  # damaged: the wall clock has to do
        return None


def read_events(folder: Path) -> list[dict[str, Any]]:
    """As ``read_journal``, the events alone."""
    return read_journal(folder).events


def _event_of(line: bytes) -> dict[str, Any] | None:
    """None for a line that is damaged: cut off, zeros where the power went, a bit that turned.

    Lines without a checksum are those of older journals.
    """
    if (marked := _CHECKED.fullmatch(line)) is not None:
        line = marked[1] + b"}"
        if zlib.crc32(line) != int(marked[2], 16):
            return None
    try:
        event = json.loads(line)
    except (ValueError, RecursionError):  # brackets without end among them
        return None
    return event if isinstance(event, dict) and isinstance(event.get("type"), str) else None


@contextlib.contextmanager
def held(folder: Path) -> Iterator[BaseFileLock]:
    """No other process listens to this roast, or puts it into the log, meanwhile. Raises InUse, OutputError."""
    lock = _lock(folder)
    try:
        yield lock
    finally:
        lock.release()


def reopen_folder(folder: Path) -> None:
    """The roast is gone on with after it went into the log. Raises OutputError."""
    try:
        if not (folder / OPEN_NAME).exists():
            replace_for_good(folder / KEPT_NAME, folder / OPEN_NAME)
    except OSError as error:
        raise _cannot_write(folder, error) from error


def close_folder(folder: Path) -> None:
    """The roast is in the log: its journal is from now on only a copy. Raises OutputError."""
    try:
        replace_for_good(folder / OPEN_NAME, folder / KEPT_NAME)
    except OSError as error:
        raise _cannot_write(folder, error) from error
    with contextlib.suppress(OSError):  # some systems keep it while it is held; it does no harm
        (folder / _START_NAME).unlink(missing_ok=True)
        (folder / _LOCK_NAME).unlink(missing_ok=True)


def _own(path: str | Path, flags: int) -> int:
    """Opens a file that only this user may read where it is new."""
    return os.open(path, flags, 0o600)


def _write_own(path: Path, content: bytes) -> None:
    with os.fdopen(_own(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0)), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


class InUse(OutputError):
    """Another process listens to this roast."""


def _lock(folder: Path) -> BaseFileLock:
    from filelock import FileLock, Timeout

    lock = FileLock(folder / _LOCK_NAME, mode=0o600, thread_local=False)
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
            f"the disk is full: events of this roast wait in memory until there is room; free space for {folder}"
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
