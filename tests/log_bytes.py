"""A roast log in which a byte is not as it was, and what becomes of a roast that is heard meanwhile.

Promised: whatever is said of the log is a sentence of ours, the roast is heard to its summary, its journal is not set
aside, and it is in the log once that is mended. ``python tests/trials.py bytes`` tries each byte of the header and of
the schema and 2,500 others.
"""

from __future__ import annotations

import contextlib
import io
import json
import random
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path

from commands import EndingMicrophone
from roasts import roast_events

from crackdetect.audio import microphone
from crackdetect.cli import entry
from crackdetect.errors import LogError, OutputError
from crackdetect.model import Model
from crackdetect.settings.remembered import last_of
from crackdetect.storage import recovery
from crackdetect.storage.log_file import FILE
from crackdetect.storage.roast_store import RoastLog

#: SQLite's header (sqlite.org/fileformat.html, 1.3), and the pages of this log that hold its schema.
HEADER, SCHEMA = 100, 3 * 4096
#: What may be said of a log that is not a good one.
_SAID = ("log rescue", "another crackdetect", "newer", "not a roast log")
_ROASTS = 3


def path_in(home: Path) -> Path:
    """Of the log, where CRACKDETECT_HOME is ``home``."""
    return home / "data" / FILE


def fill(path: Path) -> bytes:
    """A log of three roasts with a note and a plan; its content."""
    with RoastLog(path) as log:
        for number in range(_ROASTS):
            log.keep(roast_events(f"roast-{number}", cracks=10, about={"coffee": "Trial", "green_g": 200.0}))
        log.note(log.find("roast-1"), text="good", cup=1)
        log.plan("Trial", target=None, green_g=200.0, expect=(400.0, 500.0))
    return path.read_bytes()


def write(path: Path, content: bytes) -> None:
    """The log becomes this one."""
    for end in ("-wal", "-shm"):
        path.with_name(path.name + end).unlink(missing_ok=True)
    path.write_bytes(content)


def damaged(content: bytes, places: Iterable[int], *, seed: int) -> Iterator[bytes]:
    """One byte changed to another value, at each of the places."""
    chance = random.Random(seed)
    for at in places:
        one = bytearray(content)
        one[at] = (one[at] + chance.randrange(1, 256)) % 256
        yield bytes(one)


def some(places: range, count: int, *, seed: int) -> list[int]:
    """So many places of these, drawn."""
    return random.Random(seed).sample(places, min(count, len(places)))


def told(path: Path, content: bytes) -> bool:
    """Whether the log, used in every way that a roast needs, said that it is damaged."""
    write(path, content)
    said = False
    try:
        with RoastLog(path) as log:
            for roast in log.roasts():
                log.record(roast)
            log.last_of("Trial")
            log.keep(roast_events("new", about={"coffee": "Trial"}))
    except (LogError, OutputError):  # a header that says "read only" is told as that
        said = True
    assert last_of("Trial") is not None, "a damaged log must not keep anybody from roasting"
    return said


def heard(path: Path, good: bytes, content: bytes, *, plain: Path, model: Model) -> int:
    """A roast is heard with this log; the exit code. microphone.MicrophoneSource is the one that ends."""
    write(path, content)
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = entry.main(["listen", "--format", "jsonl", "--quiet", "--no-record", "--model", str(plain)])
    said = err.getvalue()
    assert "defect" not in said, said
    assert "Traceback" not in said, said
    assert [json.loads(line)["type"] for line in out.getvalue().splitlines()] == ["roast.start", "summary"], said
    assert code in (0, 6, 8), said
    assert code != 8 or any(words in said for words in _SAID), said
    (folder,) = (path.parent / "roasts").iterdir()
    assert not (folder / "damaged.jsonl").exists(), said
    if code:
        write(path, good)
        for cut_off in recovery.find(path.parent):
            recovery.close(cut_off, model)
        with RoastLog(path) as log:
            assert log.count() == _ROASTS + 1
    assert (folder / "roast.jsonl").exists(), "taken in by the log"
    shutil.rmtree(folder)
    return code


def with_ending_microphone() -> contextlib.AbstractContextManager[object]:
    """Every microphone gives a second of sound meanwhile."""
    from unittest import mock

    return mock.patch.object(microphone, "MicrophoneSource", EndingMicrophone)
