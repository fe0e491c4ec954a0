"""A word from a part that works beside the hearing: it becomes a ``health`` event and is told to the person."""

from __future__ import annotations

from dataclasses import dataclass
from queue import SimpleQueue
from typing import TypeAlias


@dataclass(frozen=True, slots=True)
class Notice:
    """kind: of the ``health`` event (``device_lost``, ``disk_full``). message: one sentence. count: how many."""

    kind: str
    message: str
    count: int = 1


#: Put by any thread, taken by the loop between blocks. Whoever puts says a thing once, so it stays short.
Notices: TypeAlias = SimpleQueue[Notice]
