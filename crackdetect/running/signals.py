"""Signals that end a roast politely: Ctrl-C, a polite kill, a closed terminal."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

from crackdetect.notice import Notice

#: Those that end a roast. A closed terminal (SIGHUP) is told to the program once, and nothing can be asked after it.
ENDING = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
#: The beans may still be in the roaster then: nobody has ended that roast.
HUNG_UP = Notice("interrupted", "the terminal was closed; the roast ends here, and the next start can go on with it")


@contextmanager
def ended_by_signals(first: Callable[[str], None], *names: str) -> Iterator[None]:
    """Calls ``first`` on the first of these signals; the second one ends the program at once. Main thread only.

    Parameters
    ----------
    first
        Called by the signal handler, with the signal's name.
    names
        As in ``signal``; those that this system does not have are left out, and SIGHUP where whoever started the
        program has it ignored, as ``nohup`` does.
    """
    before: dict[int, Any] = {}

    def handle(number: int, frame: FrameType | None) -> None:
        for other in before:
            signal.signal(other, signal.SIG_DFL)
        first(signal.Signals(number).name)

    for name in names:
        number = getattr(signal, name, None)
        if number is None or (name == "SIGHUP" and signal.getsignal(number) is signal.SIG_IGN):
            continue
        before[number] = signal.signal(number, handle)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
