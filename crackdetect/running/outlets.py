"""Sinks as the loop sees them: one that fails, is slow or hangs never stops the listening, and is told."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Protocol, runtime_checkable

from crackdetect.errors import CrackdetectError, OutputError
from crackdetect.events import Event, Sink
from crackdetect.worker import Worker

#: Events that may wait for a slow sink of a live roast, at most; then the least telling ones are dropped.
WAITING_EVENTS = 2_000
#: Those that may be dropped. An announcement never is.
DROPPABLE = frozenset({"density", "crack", "development", "health"})
#: What a sink may raise without being a defect of ours.
_SINK_ERRORS = (CrackdetectError, OSError, ValueError, RuntimeError)


@runtime_checkable
class Settling(Protocol):
    """A sink that gathers: ``settle`` is called as soon as no further event waits for it."""

    def settle(self) -> None:
        """Makes ready what was gathered."""


class Outlet:
    """A sink with its failures.

    Attributes
    ----------
    failures
        Those not yet told; a sink's first one only.
    failed
        Whether there ever was one.
    closed_pipe
        Whether the reader of what it writes has gone; it gets nothing more.
    dropped
        Events that it did not get, as it was too slow.
    """

    def __init__(self, sink: Sink) -> None:
        self.failures: deque[BaseException] = deque()
        self.failed = False
        self.closed_pipe = False
        self.dropped = 0
        self._sink = sink

    def send(self, event: Event) -> None:
        """Hands it on. What a sink may raise is kept, what it may not is raised."""
        if not self.closed_pipe:
            self._try(lambda: self._sink.send(event))

    def drain(self, within_s: float) -> bool:
        """Waits until everything was sent, for so many seconds at most; whether it was."""
        self._settle()
        return True

    def _settle(self) -> None:
        if isinstance(self._sink, Settling):
            self._try(self._sink.settle)

    def _try(self, action: Callable[[], None]) -> None:
        try:
            action()
        except BrokenPipeError:
            self.closed_pipe = True
        except _SINK_ERRORS as error:
            self._fail(error)

    def _fail(self, error: BaseException) -> None:
        if not self.failed:
            self.failures.append(error)
        self.failed = True


class ThreadedOutlet(Outlet):
    """A sink in a thread of its own, so that a slow or hung one never delays the hearing.

    A defect in the sink is a failure like any other here: the thread goes on with the next event.
    """

    def __init__(self, sink: Sink) -> None:
        super().__init__(sink)
        self._worker: Worker[Event] = Worker(
            super().send, name="outlet", failed=self._fail, arrange=self._keep_bound, idle=self._settle
        )

    def send(self, event: Event) -> None:
        """Returns at once."""
        self._worker.put(event)

    def drain(self, within_s: float) -> bool:
        """Whether all that waited was sent within so many seconds."""
        return self._worker.close(within_s=within_s)

    def _keep_bound(self, waiting: list[Event]) -> None:
        """One of the droppable goes for the new one; an announcement is kept beyond the bound."""
        if len(waiting) <= WAITING_EVENTS:
            return
        for i, event in enumerate(waiting[:-1]):
            if event.type in DROPPABLE:
                del waiting[i]
                self.dropped += 1
                return


def threaded(sink: Sink) -> Outlet:
    """In a thread of its own; where the system gives none, the hearing has to wait for it, which is told."""
    try:
        return ThreadedOutlet(sink)
    except OutputError as error:
        outlet = Outlet(sink)
        outlet.failures.append(error)
        return outlet
