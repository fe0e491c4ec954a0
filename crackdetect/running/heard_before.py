"""Recordings that were heard from end to end, kept in a folder, so that an interrupted run goes on where it was.

One compressed JSON file a recording, named by a digest of all that the answer depends on. What has changed is heard
again.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from crackdetect import __version__
from crackdetect.errors import OutputError
from crackdetect.events import Event

_READ_AT_ONCE = 1 << 20


class Kept(NamedTuple):
    """What a recording came to: its events, the last one a summary; notes, and a few words for a table (tags)."""

    events: list[Event]
    notes: list[str]
    tags: list[str]


def place(recording: Path, *, depends_on: Sequence[Any], folder: Path) -> Path:
    """Where in the folder the answer is or would be.

    Parameters
    ----------
    recording
        Its sound and its place count, and the version of this program.
    depends_on
        What else the answer depends on: JSON.

    Raises
    ------
    OSError
        When the recording cannot be read.
    """
    digest = hashlib.sha256(json.dumps([__version__, os.fsdecode(recording.absolute()), *depends_on]).encode())
    with recording.open("rb") as file:
        while part := file.read(_READ_AT_ONCE):
            digest.update(part)
    return folder / f"{digest.hexdigest()[:32]}.json.gz"


def load(file: Path) -> Kept | None:
    """What is kept there. What is damaged counts as not there."""
    try:
        with gzip.open(file, "rt", encoding="utf-8") as lines:
            kept = json.load(lines)
        events = [Event.from_dict(event) for event in kept["events"]]
        notes, tags = ([str(text) for text in kept[name]] for name in ("notes", "tags"))
    except (OSError, EOFError, ValueError, KeyError, TypeError):
        return None
    return Kept(events, notes, tags) if events and events[-1].type == "summary" else None


def save(kept: Kept, file: Path) -> None:
    """Keeps it, whole or not at all. Raises OutputError."""
    content = {"events": [event.to_dict() for event in kept.events], "notes": kept.notes, "tags": kept.tags}
    unfinished = file.with_suffix(f".{os.getpid()}.part")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        unfinished.touch(0o600)  # it holds what was said of the roast
        with gzip.open(unfinished, "wt", compresslevel=3, encoding="utf-8") as lines:
            json.dump(content, lines)
        unfinished.replace(file)
    except OSError as error:
        raise OutputError(
            f"{file.parent} cannot be written ({error.strerror or error}), so this recording would be heard again; "
            "make room there, or leave --resume out"
        ) from None
