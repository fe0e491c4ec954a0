"""A word from a part that works beside the hearing: it becomes a ``health`` event and is told to the person."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from queue import SimpleQueue
from typing import TypeAlias

#: Kind of what does not work as it should; the program then ends with the exit code of an output that failed.
FAILED = "output_failed"


@dataclass(frozen=True, slots=True)
class Notice:
    """kind: of the ``health`` event (``device_lost``, ``disk_full``). message: one sentence. count: how many."""

    kind: str
    message: str
    count: int = 1


def defect(what: str, error: BaseException) -> Notice:
    """Something beside the hearing does not work as it should. what: the beginning of the sentence."""
    return Notice(FAILED, f"{what}: a defect of crackdetect, {type(error).__name__}: {error}")


@contextmanager
def no_silent_ends(notices: Notices) -> Iterator[None]:
    """A thread that ends by an error meanwhile is told; Python would write to standard error, or nothing at all."""
    names: set[str] = set()

    def told(ended: threading.ExceptHookArgs) -> None:
        name = "a part" if ended.thread is None else f"the part {ended.thread.name!r}"
        error = ended.exc_value if ended.exc_value is not None else ended.exc_type()
        if name in names:  # begun anew, and ended anew
            return
        names.add(name)
        notices.put(defect(f"{name} has ended, the roast is listened to all the same", error))

    before = threading.excepthook
    threading.excepthook = told
    try:
        yield
    finally:
        threading.excepthook = before


#: Put by any thread, taken by the loop between blocks. Whoever puts says a thing once, so it stays short.
Notices: TypeAlias = SimpleQueue[Notice]
