"""Files that are there whole or not at all, and never in the place of something that is not ours to replace.

A new file is on the disk before it gets its name, and the name is on the disk before anything builds on it: without
that a power cut leaves an empty file under the right name.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from crackdetect.errors import OutputError, SettingError

#: What a file of ours says of itself, near its beginning or its end.
MARKS = {
    "html": b'<meta name="generator" content="crackdetect',
    "png": b"Software\0crackdetect",
    "svg": b"<dc:title>crackdetect</dc:title>",
    "pdf": b"/Creator (crackdetect)",
}
#: Bytes at either end of a file in which its mark is looked for.
_MARK_WITHIN = 8192


def is_own(kind: str) -> Callable[[Path], bool]:
    """Tells files that this program wrote. kind: one of MARKS."""

    def own(path: Path) -> bool:
        with path.open("rb") as file:
            head = file.read(_MARK_WITHIN)
            file.seek(-min(_MARK_WITHIN, path.stat().st_size), os.SEEK_END)
            return MARKS[kind] in head or MARKS[kind] in file.read()

    return own


def place_of(path: Path, *, replace: bool, own: Callable[[Path], bool] | None = None) -> Path:
    """Where a file is really written: ``path``, or what a link there points to, so that the link stays.

    Free are a name that nothing has, an empty file, and one that ``own`` knows for ours. What is not an ordinary file
    (a device, a pipe, a folder) is never replaced.

    Parameters
    ----------
    replace
        Whether any other ordinary file may go as well.
    own
        Tells files of ours.

    Raises
    ------
    SettingError
        When the place is not free.
    OutputError
        When it cannot be looked at.
    """
    try:
        place = Path(os.path.realpath(path))
        found = place.stat()
        if not stat.S_ISREG(found.st_mode):
            raise SettingError(f"{path} is not an ordinary file and is not replaced; name another place")
        if found.st_size and not replace and not (own is not None and own(place)):
            theirs = "is there already" if own is None else "is there already and is not of crackdetect's making"
            raise SettingError(f"{path} {theirs}; name another file, or add --replace")
    except FileNotFoundError:
        pass
    except (OSError, ValueError) as error:  # a name that no system takes is a ValueError
        raise _cannot_write(path, error) from None
    return place


@contextmanager
def whole_file(path: Path, *, replace: bool, own: Callable[[Path], bool] | None = None) -> Iterator[Path]:
    """Gives the name of an empty file to write into, which becomes ``path`` when all went well.

    Parameters
    ----------
    replace, own
        See :func:`place_of`.

    Raises
    ------
    SettingError
        When the place is not free.
    OutputError
        When it cannot be written; what the block raises of the system's becomes one too.
    """
    place = place_of(path, replace=replace, own=own)
    # a name of its own: whatever lies beside it under another one stays
    part = place.with_name(f"{place.name[:100]}.{secrets.token_hex(4)}.part")
    try:
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666))
        yield part
        with contextlib.suppress(FileNotFoundError):
            shutil.copymode(place, part)
        sync_file(part)
        replace_for_good(part, place)
    except OSError as error:
        raise _cannot_write(path, error) from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def make_own(path: Path) -> None:
    """Makes a file, where there is none, that only this user may read. Raises OSError."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))


def make_folder(folder: Path) -> None:
    """Makes a folder, and those around it; the disk has the names of all when it returns. Raises OSError."""
    missing = [one for one in (folder, *folder.parents) if not one.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for one in missing:
        sync_folder(one.parent)


def sync_file(path: Path) -> None:
    """Waits until the disk has what the file holds. Raises OSError."""
    descriptor = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_folder(folder: Path) -> None:
    """Waits until the disk has the names in the folder. Raises OSError."""
    if os.name == "nt":  # folders cannot be opened there; the file system does it by itself
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def replace_for_good(path: Path, place: Path) -> None:
    """Renames within a folder; the disk has the new name when it returns. Raises OSError."""
    os.replace(path, place)
    sync_folder(place.parent)


def _cannot_write(path: Path, error: OSError | ValueError) -> OutputError:
    reason = getattr(error, "strerror", None) or error
    return OutputError(f"{path} cannot be written ({reason}); choose another place")
