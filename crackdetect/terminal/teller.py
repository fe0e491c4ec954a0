"""Sentences and lines to the person from a thread of their own."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence

from crackdetect.errors import CrackdetectError, OutputError
from crackdetect.notice import Notices, defect
from crackdetect.terminal import lines
from crackdetect.worker import Worker

#: What the terminal may take at the end, seconds; then the roast is more important.
TAKES_S = 2.0


class Teller:
    """Tells the person during a roast; whoever tells is never held up.

    A terminal takes nothing while it is stopped by a key (Ctrl-S), or hangs with its network: neither the hearing nor
    the log may wait for that. Once closed it writes at once.

    Parameters
    ----------
    notices
        Told once of a defect in it.
    """

    def __init__(self, notices: Notices) -> None:
        self._notices = notices
        self._told = False
        self._worker: Worker[Callable[[], None]] | None = None
        with contextlib.suppress(OutputError):  # without a thread it writes at once
            self._worker = Worker(lambda write: write(), name="teller", failed=self._fail)

    def complain(self, sentence: str) -> None:
        """See :func:`crackdetect.terminal.lines.complain`."""
        self._write(lambda: lines.complain(sentence))

    def print_lines(self, written: Sequence[str]) -> None:
        """See :func:`crackdetect.terminal.lines.print_lines`."""
        self._write(lambda: lines.print_lines(written))

    def close(self) -> None:
        """Lets it write what waits, for a moment. May be called twice."""
        if self._worker is not None:
            self._worker.close(within_s=TAKES_S)

    def _fail(self, error: BaseException) -> None:
        """What the terminal does not take has nobody who would read it; anything else is a defect."""
        if self._told or isinstance(error, OSError | ValueError | CrackdetectError):
            return
        self._told = True
        self._notices.put(defect("a sentence could not be told, the roast is listened to all the same", error))

    def _write(self, write: Callable[[], None]) -> None:
        if self._worker is None or self._worker.closing:
            write()
        else:
            self._worker.put(write)
