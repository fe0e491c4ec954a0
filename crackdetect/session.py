"""The loop of a roast: blocks from a source through the pipeline to the sinks, until the end comes."""

from __future__ import annotations

import errno
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from queue import Empty, SimpleQueue
from types import FrameType
from typing import Any, Literal, Protocol, TypeVar, runtime_checkable

from crackdetect.blocks import Block
from crackdetect.capture import DeviceLost
from crackdetect.errors import CrackdetectError, OutputError, SettingError
from crackdetect.events import Event
from crackdetect.notice import Notices

#: Events that may wait for a slow sink of a live roast, at most; then the least telling ones are dropped.
WAITING_EVENTS = 2_000
#: Those that may be dropped. An announcement never is.
DROPPABLE = frozenset({"density", "crack", "development", "health"})
#: What a sink may take at the end of a live roast to send what still waits.
DRAIN_S = 5.0
_Item = TypeVar("_Item")
#: What a sink may raise without being a defect of ours.
_SINK_ERRORS = (CrackdetectError, OSError, ValueError, RuntimeError)


class Source(Protocol):
    """Where blocks come from."""

    @property
    def samplerate(self) -> int: ...
    @property
    def kind(self) -> Literal["microphone", "file", "stdin"]: ...
    @property
    def name(self) -> str: ...
    def __iter__(self) -> Iterator[Block]: ...
    def close(self) -> None: ...


class Hearing(Protocol):
    """What :class:`crackdetect.pipeline.Pipeline` is to the loop."""

    def start(self) -> list[Event]: ...
    def push(self, block: Block) -> list[Event]: ...
    def mark(self, what: str) -> list[Event]: ...
    def notice(self, kind: str, *, message: str, count: int = 1) -> list[Event]: ...
    def finish(self) -> list[Event]: ...


class Sink(Protocol):
    """Where events go. A sink that fails is said to, once, and the roast goes on."""

    def send(self, event: Event) -> None: ...


@runtime_checkable
class Settling(Protocol):
    """A sink that gathers: ``settle`` is called as soon as no further event waits for it."""

    def settle(self) -> None: ...


class _Outlet:
    """A sink with its failures. ``failures`` are those not yet told, ``failed`` that there ever was one."""

    def __init__(self, sink: Sink) -> None:
        self.sink = sink
        self.failures: deque[Exception] = deque()
        self.failed = False
        self.closed_pipe = False
        self.dropped = 0

    def send(self, event: Event) -> None:
        if not self.closed_pipe:
            self._try(lambda: self.sink.send(event))

    def settle(self) -> None:
        if isinstance(self.sink, Settling):
            self._try(self.sink.settle)

    def _try(self, action: Callable[[], None]) -> None:
        try:
            action()
        except BrokenPipeError:
            self.closed_pipe = True
        except _SINK_ERRORS as error:
            if not self.failed:
                self.failures.append(error)
            self.failed = True

    def drain(self, within_s: float) -> bool:
        """Whether everything was sent."""
        self.settle()
        return True


class _ThreadedOutlet(_Outlet):
    """A sink in a thread of its own, so that a slow or hung one never delays the hearing."""

    def __init__(self, sink: Sink) -> None:
        super().__init__(sink)
        self._waiting: deque[Event] = deque()
        self._lock = threading.Condition()
        self._ending = False
        self._thread = threading.Thread(target=self._run, name="outlet", daemon=True)
        self._thread.start()

    def send(self, event: Event) -> None:
        with self._lock:
            if len(self._waiting) >= WAITING_EVENTS:
                self._drop_one()
            self._waiting.append(event)
            self._lock.notify()

    def _drop_one(self) -> None:
        for i, event in enumerate(self._waiting):
            if event.type in DROPPABLE:
                del self._waiting[i]
                self.dropped += 1
                return

    def _run(self) -> None:
        while True:
            with self._lock:
                while not self._waiting:
                    if self._ending:
                        return
                    self._lock.wait()
                event = self._waiting.popleft()
                last = not self._waiting
            super().send(event)
            if last:
                self.settle()

    def drain(self, within_s: float) -> bool:
        with self._lock:
            self._ending = True
            self._lock.notify()
        self._thread.join(within_s)
        return not self._thread.is_alive()


def listen(
    source: Source,
    pipeline: Hearing,
    sinks: Sequence[Sink],
    *,
    stop: threading.Event | None = None,
    marks: SimpleQueue[str] | None = None,
    notices: Notices | None = None,
    end_on_closed_pipe: bool = False,
    say: Callable[[str], None] | None = None,
) -> int:
    """Hears ``source`` to its end and returns the exit code.

    Whatever ends it (the end of the sound, ``stop``, Ctrl-C, a lost microphone, a damaged recording), the
    pipeline is finished, so that the summary is sent, and the source is closed. A second Ctrl-C quits at
    once.

    stop: set by anyone to end the roast. marks: the person's statements, put by any thread, taken between
    blocks. notices: what other parts have to say, taken in the same way; each becomes a ``health`` event.
    end_on_closed_pipe: end, with exit code 0, when a sink's reader has gone; else go on without that sink.
    say: takes sentences for the person; standard error when ``None``.
    Exit codes: 0, or that of the error that ended it (a lost microphone 4, input 3), or of a failed sink (6).
    """
    stop = threading.Event() if stop is None else stop
    say = _say if say is None else say
    live = source.kind == "microphone"
    outlets = [_ThreadedOutlet(sink) if live else _Outlet(sink) for sink in sinks]
    loop = _Loop(
        source,
        pipeline,
        outlets,
        stop=stop,
        marks=marks,
        notices=notices,
        say=say,
        end_on_closed_pipe=end_on_closed_pipe,
    )
    with _interrupts(loop):
        try:
            loop.run()
        finally:
            try:
                loop.finish()
            finally:
                source.close()
                loop.drain()
    return loop.exit_code


class _Loop:
    def __init__(
        self,
        source: Source,
        pipeline: Hearing,
        outlets: Sequence[_Outlet],
        *,
        stop: threading.Event,
        marks: SimpleQueue[str] | None,
        notices: Notices | None,
        say: Callable[[str], None],
        end_on_closed_pipe: bool,
    ) -> None:
        self.source = source
        self.pipeline = pipeline
        self.outlets = outlets
        self.stop = stop
        self.marks = marks
        self.notices = notices
        self.say = say
        self.end_on_closed_pipe = end_on_closed_pipe
        self.exit_code = 0
        self.waiting = False  # for standard input, which only an exception can interrupt

    def run(self) -> None:
        self.send(self.pipeline.start())
        blocks = iter(self.source)
        try:
            while not self.ended():
                block = self._next(blocks)
                if block is None:
                    return
                self.send(self.pipeline.push(block))
                for what in _taken(self.marks):
                    self._mark(what)
                self._tell_notices()
                self._tell_failures()
        except KeyboardInterrupt:
            if not self.stop.is_set():  # not ours
                raise
        except DeviceLost as error:
            self.send(self.pipeline.notice("device_lost", message=str(error)))
            self._fail(error)
        except CrackdetectError as error:
            self._fail(error)

    def _mark(self, what: str) -> None:
        try:
            self.send(self.pipeline.mark(what))
        except SettingError as error:
            self.say(str(error))

    def ended(self) -> bool:
        closed = self.end_on_closed_pipe and any(outlet.closed_pipe for outlet in self.outlets)
        return closed or self.stop.is_set()

    def _next(self, blocks: Iterator[Block]) -> Block | None:
        try:
            self.waiting = self.source.kind == "stdin"
            return next(blocks, None)
        finally:
            self.waiting = False

    def _tell_notices(self) -> None:
        for notice in _taken(self.notices):
            self.send(self.pipeline.notice(notice.kind, message=notice.message, count=notice.count))

    def send(self, events: Iterable[Event]) -> None:
        for event in events:
            for outlet in self.outlets:
                outlet.send(event)

    def _fail(self, error: CrackdetectError) -> None:
        self.exit_code = error.exit_code
        self.say(str(error))

    def _tell_failures(self, *, as_events: bool = True) -> None:
        for outlet in self.outlets:
            while outlet.failures:
                error = outlet.failures.popleft()
                message = _failure(error)
                self.say(message)
                self.exit_code = self.exit_code or OutputError.exit_code
                if as_events:
                    full = getattr(error, "errno", getattr(error.__cause__, "errno", None)) == errno.ENOSPC
                    self.send(self.pipeline.notice("disk_full" if full else "output_failed", message=message))

    def finish(self) -> None:
        self._tell_notices()
        self._tell_failures()
        self.send(self.pipeline.finish())

    def drain(self) -> None:
        hung = [outlet for outlet in self.outlets if not outlet.drain(DRAIN_S)]
        self._tell_failures(as_events=False)
        if hung:
            self.exit_code = self.exit_code or OutputError.exit_code
            self.say(
                f"{len(hung)} output(s) did not take what was sent within {DRAIN_S:g} s and were left "
                "behind; check whether their reader still runs"
            )
        if dropped := sum(outlet.dropped for outlet in self.outlets):
            self.say(f"{dropped} events were dropped because an output was too slow; no announcement is among them")


def _taken(queue: SimpleQueue[_Item] | None) -> Iterator[_Item]:
    """What is in the queue now."""
    while queue is not None:
        try:
            yield queue.get_nowait()
        except Empty:
            return


def _failure(error: Exception) -> str:
    if isinstance(error, CrackdetectError):
        return str(error)
    reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return f"an output cannot be written ({reason}); the roast is listened to all the same"


def _say(sentence: str) -> None:
    print(sentence, file=sys.stderr, flush=True)


@contextmanager
def _interrupts(loop: _Loop) -> Iterator[None]:
    """Ctrl-C and a polite kill end the roast with its summary; signals belong to the main thread, elsewhere ``stop``
    is the way."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def first() -> None:
        loop.stop.set()
        if loop.waiting:
            loop.waiting = False
            raise KeyboardInterrupt

    with ended_by_signals(first, "SIGINT", "SIGTERM", "SIGBREAK"):
        yield


@contextmanager
def ended_by_signals(first: Callable[[], None], *names: str) -> Iterator[None]:
    """Calls ``first`` on the first of these signals; the second one ends the program at once. Main thread only.

    names: as in ``signal``; those that this system does not have are left out.
    """
    before: dict[int, Any] = {}

    def handle(number: int, frame: FrameType | None) -> None:
        for other in before:
            signal.signal(other, signal.SIG_DFL)
        first()

    for name in names:
        if number := getattr(signal, name, None):
            before[number] = signal.signal(number, handle)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
