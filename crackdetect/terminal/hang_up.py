"""Whether the terminal was closed: a signal says so, but not to who ignores it or is in another session."""

from __future__ import annotations

import os
import select
import sys


class HangUp:
    """The terminal of standard input. On Windows a program ends with its terminal, and nothing is noticed here."""

    def __init__(self) -> None:
        self._poll = None
        terminal = sys.__stdin__
        if sys.platform != "win32" and terminal is not None and not terminal.closed and os.isatty(terminal.fileno()):
            self._poll = select.poll()
            self._poll.register(terminal.fileno(), 0)  # a hang-up is told all the same, see poll(2)

    def happened(self) -> bool:
        """Whether it has been closed since."""
        return self._poll is not None and any(told & select.POLLHUP for _, told in self._poll.poll(0))
