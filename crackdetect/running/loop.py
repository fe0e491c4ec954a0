"""The loop of a roast: blocks from a source through the pipeline to the sinks, until the end comes."""

from __future__ import annotations

import errno
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from queue import Empty, SimpleQueue
from typing import Protocol, TypeVar

from crackdetect.blocks import Block, Source
from crackdetect.errors import CrackdetectError, DeviceLost, OutputError, SettingError
from crackdetect.events import Event, Sink
from crackdetect.notice import FAILED, Notices
from crackdetect.roast.marking import Mark
from crackdetect.running.outlets import Outlet, threaded
from crackdetect.running.signals import ENDING, HUNG_UP, ended_by_signals
from crackdetect.terminal.lines import tell

#: What a sink may take at the end of a live roast to send what still waits.
DRAIN_S = 5.0
_Item = TypeVar("_Item")


class Hearing(Protocol):
    """What :class:`crackdetect.pipeline.Pipeline` is to the loop."""

    def start(self) -> list[Event]:
        """The first events; none when they were told."""

    def push(self, block: Block) -> list[Event]:
        """Events of the next block."""

    def mark(self, what: str, *, at: float | None = None) -> list[Event]:
        """Events of a person's mark. at: seconds from the first sample, now when ``None``."""

    def notice(self, kind: str, *, message: str, count: int = 1) -> list[Event]:
        """A ``health`` event of what the outside noticed."""

    def finish(self) -> list[Event]:
        """The last events."""


def listen(
    source: Source,
    pipeline: Hearing,
    sinks: Sequence[Sink],
    *,
    stop: threading.Event | None = None,
    marks: SimpleQueue[Mark] | None = None,
    notices: Notices | None = None,
    end_on_closed_pipe: bool = False,
    say: Callable[[str], None] | None = None,
    signalled: Callable[[str], None] = lambda name: None,
) -> int:
    """Hears ``source`` to its end and returns the exit code.

    Whatever ends it (the end of the sound, ``stop``, Ctrl-C, a lost microphone, a damaged recording), the pipeline is
    finished, so that the summary is sent, and the source is closed. A second Ctrl-C quits at once.

    Parameters
    ----------
    source, pipeline, sinks
        What gives the blocks, what hears them, and who gets the events: each sink of a microphone in a thread of its
        own.
    stop
        Set by anyone to end the roast.
    marks
        The person's statements, put by any thread, taken between blocks.
    notices
        What other parts have to say, taken in the same way; each becomes a ``health`` event.
    end_on_closed_pipe
        Ends, with exit code 0, when a sink's reader has gone; else it goes on without that sink.
    say
        Takes sentences for the person; standard error when ``None``.
    signalled
        Told the name of the signal that ended it.

    Returns
    -------
    int
        0, or that of the error that ended it (a lost microphone 4, input 3), or of a failed sink (6).
    """
    stop = threading.Event() if stop is None else stop
    say = tell if say is None else say
    live = source.kind == "microphone"
    outlets = [threaded(sink) if live else Outlet(sink) for sink in sinks]
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
    with _interrupts(loop, signalled):
        loop.run_to_its_end()
    return loop.exit_code


class _Loop:
    def __init__(
        self,
        source: Source,
        pipeline: Hearing,
        outlets: Sequence[Outlet],
        *,
        stop: threading.Event,
        marks: SimpleQueue[Mark] | None,
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

    def run_to_its_end(self) -> None:
        """Whatever is raised, the roast is summed up, the source closed, and what waits is sent."""
        try:
            self.run()
        finally:
            try:
                self.finish()
            finally:
                self.source.close()
                self.drain()

    def run(self) -> None:
        self.send(self.pipeline.start())
        blocks = iter(self.source)
        try:
            while not self.ended():
                block = self._next(blocks)
                if block is None:
                    return
                self.send(self.pipeline.push(block))
                for mark in _taken(self.marks):
                    self._mark(mark)
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

    def _mark(self, mark: Mark) -> None:
        try:
            self.send(self.pipeline.mark(mark.what, at=mark.at))
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
            if notice.kind == FAILED:
                self.exit_code = self.exit_code or OutputError.exit_code
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


def _failure(error: BaseException) -> str:
    if isinstance(error, CrackdetectError):
        return str(error)
    reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
    if not isinstance(error, OSError | ValueError | RuntimeError) or isinstance(error, RecursionError):
        reason = f"a defect of crackdetect, {type(error).__name__}: {error}"
    return f"an output cannot be written ({reason}); the roast is listened to all the same"


@contextmanager
def _interrupts(loop: _Loop, signalled: Callable[[str], None]) -> Iterator[None]:
    """A signal ends the roast with its summary; signals belong to the main thread, elsewhere ``stop`` is the way."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def first(name: str) -> None:
        signalled(name)
        if name == "SIGHUP" and loop.notices is not None:
            loop.notices.put(HUNG_UP)
        loop.stop.set()
        if loop.waiting:
            loop.waiting = False
            raise KeyboardInterrupt

    with ended_by_signals(first, *ENDING):
        yield
