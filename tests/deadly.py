"""Work that ends the process it is done in, for other processes to import."""

from __future__ import annotations

import os
import signal
import threading
import time
from pathlib import Path


def killed_once(marks: Path) -> str:
    """Its name in capitals; but "once" kills its process when it is first met, and "deadly" each time."""
    mark = marks.with_suffix(".met")
    if marks.stem.startswith("bad"):
        raise ValueError(f"{marks.stem} is damaged")
    if marks.stem.startswith("deadly") or (marks.stem.startswith("once") and not mark.exists()):
        with mark.open("a") as file:
            file.write("met\n")
        os.kill(os.getpid(), signal.SIGKILL)
    return marks.stem.upper()


def killed_once_asked(marks: Path, stop: threading.Event) -> str:
    """The same, for work that may be told to end."""
    return killed_once(marks)


def slow(marks: Path) -> int:
    """Says that it is at work, and works longer than anyone waits."""
    marks.write_text(str(os.getpid()))
    time.sleep(600)
    return 0
