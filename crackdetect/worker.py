"""A thread that works beside the hearing: what it is given waits in order, and whoever gives it is never held up."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

from crackdetect.errors import OutputError

Item = TypeVar("Item")


def begin(thread: threading.Thread) -> None:
    """Begins a thread beside the hearing. Raises OutputError where the system gives none."""
    try:
        thread.start()
    except RuntimeError as error:
        raise OutputError("the system has no room for a further thread; end other programs") from error


class Worker(Generic[Item]):
    """Does one thing with each item, in a thread of its own that is begun at once.

    Whatever the work raises is handed on, and the next item is taken: a defect in one of them ends nothing in silence.

    Parameters
    ----------
    work
        Called in the thread with each item.
    name
        Of the thread.
    failed
        Called in the thread with what ``work``, ``idle`` or ``finish`` raised.
    arrange
        May leave out or reorder what waits, each time when something was put. Without it everything waits in its order,
        so that whoever puts must keep a bound.
    idle
        Called in the thread whenever nothing waits any more.
    idle_every_s
        Calls ``idle`` also when nothing came for so many seconds.
    finish
        Called in the thread when it ends.

    Raises
    ------
    OutputError
        Where the system gives no thread.

    Examples
    --------
    >>> done = []
    >>> worker = Worker(done.append, name="example", failed=print)
    >>> worker.put(1), worker.put(2), worker.close(within_s=5)
    (None, None, True)
    >>> done
    [1, 2]
    """

    def __init__(
        self,
        work: Callable[[Item], None],
        *,
        name: str,
        failed: Callable[[BaseException], None],
        arrange: Callable[[list[Item]], None] | None = None,
        idle: Callable[[], None] | None = None,
        idle_every_s: float | None = None,
        finish: Callable[[], None] | None = None,
    ) -> None:
        self._work = work
        self._failed = failed
        self._arrange = arrange
        self._idle = idle
        self._idle_every_s = idle_every_s
        self._finish = finish
        self._waiting: list[Item] = []
        self._state = threading.Condition()
        self._closing = False
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        begin(self._thread)

    def put(self, item: Item) -> None:
        """Returns at once."""
        with self._state:
            self._waiting.append(item)
            if self._arrange is not None:
                self._arrange(self._waiting)
            self._state.notify()

    @property
    def waiting(self) -> tuple[Item, ...]:
        """What nobody has begun with."""
        with self._state:
            return tuple(self._waiting)

    @property
    def closing(self) -> bool:
        """Whether it is to end as soon as it can."""
        return self._closing

    def close(self, *, within_s: float, discard: bool = False) -> bool:
        """Lets it do what waits, for so many seconds at most; whether it has ended. May be called twice.

        discard: what waits is left undone.
        """
        with self._state:
            self._closing = True
            if discard:
                self._waiting.clear()
            self._state.notify()
        self._thread.join(within_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        while (items := self._next()) is not None:
            for item in items:
                self._guarded(lambda item=item: self._work(item))  # type: ignore[misc]
            if self._idle is not None and not self._waiting:
                self._guarded(self._idle)
        if self._finish is not None:
            self._guarded(self._finish)

    def _next(self) -> list[Item] | None:
        """The next item; an empty list when none came in time, ``None`` at the end."""
        with self._state:
            if not self._waiting and not self._closing:
                self._state.wait(self._idle_every_s)
            if self._waiting:
                return [self._waiting.pop(0)]
            return None if self._closing else []

    def _guarded(self, action: Callable[[], None]) -> None:
        try:
            action()
        except BaseException as error:  # an exit that is raised in a thread ends that thread only, and silently
            self._failed(error)
