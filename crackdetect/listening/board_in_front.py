"""A roast with the board in front: the board has the main thread, the roast is heard in another one."""

from __future__ import annotations

import io
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from crackdetect.running.signals import ENDING, HUNG_UP, ended_by_signals

if TYPE_CHECKING:
    from crackdetect.notice import Notices
    from crackdetect.terminal.board import Board

_POLL_S = 0.2


class Hearing:
    """The roast in a thread of its own.

    Parameters
    ----------
    hear
        Hears the roast to its end and returns its exit code.
    finished
        Called when it has ended, in any way.
    """

    def __init__(self, hear: Callable[[], int], *, finished: Callable[[], None]) -> None:
        self._hear = hear
        self._finished = finished
        self._code = 0
        self._ended = False
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="hearing")

    def begin(self) -> None:
        """Begins to hear, in the thread."""
        self._thread.start()

    def _run(self) -> None:
        try:
            self._code = self._hear()
        except BaseException as error:  # handed on to the main thread
            self._failure = error
        finally:
            self._ended = True  # the board that closes now has not failed
            self._finished()

    @property
    def running(self) -> bool:
        """Whether the roast still goes on."""
        return self._thread.is_alive() and not self._ended

    def result(self) -> int:
        """The exit code, once it has ended. Raises what the roast raised."""
        while self._thread.is_alive():
            self._thread.join(_POLL_S)  # in steps, so that Ctrl-C is heard on every system
        if self._failure is not None:
            raise self._failure
        return self._code


def run(
    board: Board,
    hearing: Hearing,
    *,
    stop: threading.Event,
    notices: Notices,
    say: Callable[[str], None],
    signalled: Callable[[str], None] = lambda name: None,
) -> int:
    """Shows the board until the roast ends, and returns the roast's exit code.

    A board that fails ends nothing: the roast is heard on.

    Parameters
    ----------
    board
        Begins ``hearing`` once it stands.
    hearing
        The roast.
    stop
        Ends it.
    notices
        Where it is told that the terminal was closed.
    say
        Takes a sentence when the board has failed.
    signalled
        Told the name of the signal that ended it.
    """

    def first(name: str) -> None:
        signalled(name)
        if name == "SIGHUP":
            notices.put(HUNG_UP)
        stop.set()

    with ended_by_signals(first, *ENDING):
        with _own_terminal():
            board.run()
        if board.hung_up and not stop.is_set():
            signal.raise_signal(signal.SIGHUP)  # ends the roast, or is ignored where whoever started it wants that
        if hearing.running and not stop.is_set():
            say("the board has failed; the roast is heard on and told at its end, Ctrl-C ends it")
        return hearing.result()


@contextmanager
def _own_terminal() -> Iterator[None]:
    """The board draws on a handle of its own; what libraries write to standard error meanwhile goes nowhere.

    Audio libraries comment in C on what they do, in the middle of the screen; and ``quiet`` turns standard error away
    from everybody for moments, the board too. On Windows the board draws on standard output, which nobody turns away.
    """
    if sys.platform == "win32" or sys.__stderr__ is None:
        yield
        return
    kept = sys.__stderr__
    try:
        own = os.dup(kept.fileno())
    except (OSError, ValueError, io.UnsupportedOperation):
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    terminal = open(own, "w", encoding="utf-8", errors="replace")  # noqa: SIM115 - a closed terminal takes no last word
    sys.__stderr__ = terminal  # type: ignore[misc]
    os.dup2(nowhere, kept.fileno())
    try:
        yield
    finally:
        with suppress(OSError):
            terminal.flush()
        os.dup2(own, kept.fileno())
        sys.__stderr__ = kept  # type: ignore[misc]
        os.close(nowhere)
        with suppress(OSError):
            terminal.close()
