"""The loop: every way in which a roast may end sums it up, and no sink can stop the listening."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from queue import SimpleQueue
from typing import Literal

import numpy as np
import pytest

from crackdetect.blocks import Block
from crackdetect.errors import CrackdetectError, DeviceLost, InputError, OutputError, SettingError
from crackdetect.events import Event, Sink
from crackdetect.model import Model
from crackdetect.notice import Notice
from crackdetect.pipeline import Pipeline
from crackdetect.roast.marking import Mark
from crackdetect.running import loop, outlets
from crackdetect.running.loop import Hearing, listen

RATE = 16_000
Kind = Literal["microphone", "file", "stdin"]


class Source:
    """Blocks, calls and errors in the order in which they come."""

    samplerate = RATE
    name = "source"

    def __init__(self, *steps: Block | Callable[[], None] | BaseException, kind: Kind = "file") -> None:
        self.kind: Kind = kind
        self.steps = steps
        self.closed = 0

    def __iter__(self) -> Iterator[Block]:
        for step in self.steps:
            if isinstance(step, Block):
                yield step
            elif isinstance(step, BaseException):
                raise step
            else:
                step()

    def close(self) -> None:
        self.closed += 1


class Fake:
    """Says one density event a block; the pipeline's contract and nothing more."""

    def __init__(self) -> None:
        self.seq = 0

    def _event(self, type_: str, /, **fields: object) -> list[Event]:
        self.seq += 1
        return [Event(type_, 0.0, 0.0, None, self.seq - 1, "roast", fields)]

    def start(self) -> list[Event]:
        return self._event("roast.start")

    def push(self, block: Block) -> list[Event]:
        return self._event("density", per_minute=len(block.samples))

    def mark(self, what: str, *, at: float | None = None) -> list[Event]:
        if what == "nonsense":
            raise SettingError("mark 'nonsense' is unknown; choose another")
        return self._event("mark", what=what)

    def notice(self, kind: str, *, message: str, count: int = 1) -> list[Event]:
        return self._event("health", kind=kind, message=message, count=count)

    def finish(self) -> list[Event]:
        return self._event("summary")


class Notebook:
    """A sink that keeps what it gets."""

    def __init__(self) -> None:
        self.events: list[Event] = []

    def send(self, event: Event) -> None:
        self.events.append(event)

    @property
    def types(self) -> list[str]:
        return [event.type for event in self.events]


class Broken(Notebook):
    """A sink that raises from the n-th event on."""

    def __init__(self, error: Exception, *, after: int = 0) -> None:
        super().__init__()
        self.error = error
        self.after = after

    def send(self, event: Event) -> None:
        super().send(event)
        if len(self.events) > self.after:
            raise self.error


B = Block(np.zeros(100, np.float32))


def hear(source: Source, *sinks: Sink, **options: object) -> tuple[int, list[str]]:
    """Exit code, and what the person was told."""
    told: list[str] = []
    code = listen(source, Fake(), sinks, say=told.append, **options)  # type: ignore[arg-type]
    assert source.closed == 1
    return code, told


@pytest.mark.parametrize("kind", ["file", "stdin", "microphone"])
def test_every_event_reaches_every_sink_in_order(kind: Kind) -> None:
    first, second = Notebook(), Notebook()
    assert hear(Source(B, B, kind=kind), first, second) == (0, [])
    assert first.types == ["roast.start", "density", "density", "summary"]
    assert [event.seq for event in first.events] == [0, 1, 2, 3]
    assert second.events == first.events


def test_stop_ends_the_roast_with_its_summary() -> None:
    stop, notebook = threading.Event(), Notebook()
    assert hear(Source(B, stop.set, B, B), notebook, stop=stop) == (0, [])
    assert notebook.types == ["roast.start", "density", "density", "summary"]


def test_a_lost_microphone_is_told_and_the_roast_summed_up() -> None:
    notebook = Notebook()
    lost = DeviceLost("microphone 'x' was lost; check its cable")
    assert hear(Source(B, lost, kind="microphone"), notebook) == (4, [str(lost)])
    assert notebook.types == ["roast.start", "density", "health", "summary"]
    assert notebook.events[2].fields == {"kind": "device_lost", "message": str(lost), "count": 1}


def test_a_recording_that_cannot_be_read_on_is_told_and_summed_up() -> None:
    notebook = Notebook()
    assert hear(Source(B, InputError("damaged; export it again")), notebook) == (
        3,
        ["damaged; export it again"],
    )
    assert notebook.types == ["roast.start", "density", "summary"]


def test_even_a_defect_of_ours_loses_nothing_that_was_heard() -> None:
    notebook, source = Notebook(), Source(B, ZeroDivisionError())
    with pytest.raises(ZeroDivisionError):
        listen(source, Fake(), [notebook])
    assert notebook.types == ["roast.start", "density", "summary"]
    assert source.closed == 1


# -- sinks that fail -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["file", "microphone"])
@pytest.mark.parametrize(
    ("error", "told", "health"),
    [
        (
            OutputError("the log cannot be written; free some space"),
            "the log cannot be written",
            "output_failed",
        ),
        (OSError(errno.ENOSPC, "No space left on device"), "No space left on device", "disk_full"),
        (ValueError("closed file"), "closed file", "output_failed"),
    ],
)
def test_a_sink_that_raises_is_told_once_and_the_roast_goes_on(
    kind: Kind, error: Exception, told: str, health: str
) -> None:
    broken, notebook = Broken(error, after=1), Notebook()
    code, said = hear(Source(B, B, B, kind=kind), broken, notebook)
    assert code == 6
    assert len(said) == 1
    assert told in said[0]
    assert notebook.types.count("density") == 3
    assert notebook.types[-1] == "summary"
    told_events = [event for event in notebook.events if event.type == "health"]
    if kind == "file":  # in a thread the failure may come too late to be an event
        assert [event.fields["kind"] for event in told_events] == [health]
    assert "summary" in broken.types  # it may have recovered


def test_a_lost_microphone_weighs_more_than_a_failed_sink() -> None:
    code, told = hear(Source(B, DeviceLost("lost; check"), kind="microphone"), Broken(OSError("full")))
    assert code == 4
    assert len(told) == 2


def test_a_closed_pipe_ends_quietly_where_that_is_asked_for() -> None:
    gone, notebook = Broken(BrokenPipeError(), after=1), Notebook()
    assert hear(Source(B, B, B, B), gone, notebook, end_on_closed_pipe=True) == (0, [])
    assert notebook.types == ["roast.start", "density", "summary"]


def test_a_closed_pipe_is_done_without_elsewhere() -> None:
    gone, notebook = Broken(BrokenPipeError(), after=1), Notebook()
    assert hear(Source(B, B, B), gone, notebook) == (0, [])
    assert notebook.types == ["roast.start", "density", "density", "density", "summary"]
    assert gone.types == ["roast.start", "density"]


@pytest.mark.parametrize("error", [KeyError("at"), TypeError("x"), AssertionError(), MemoryError(), SystemExit(1)])
def test_a_defect_in_a_sink_of_a_live_roast_is_told_and_the_sink_gets_what_follows(error: BaseException) -> None:
    """Its thread would else end in silence, with an exit code of 0."""

    class Once(Notebook):
        def send(self, event: Event) -> None:
            super().send(event)
            if len(self.events) == 2:
                raise error

    sink, notebook = Once(), Notebook()
    code, told = hear(Source(B, B, B, kind="microphone"), sink, notebook)
    assert code == 6
    what = f"a defect of crackdetect, {type(error).__name__}: {error}"
    assert told == [f"an output cannot be written ({what}); the roast is listened to all the same"]
    assert sink.types == notebook.types
    assert sink.types[-1] == "summary"


class Hung:
    """A sink that takes nothing until it is let go."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self.free = threading.Event()

    def send(self, event: Event) -> None:
        self.free.wait(30)
        self.events.append(event)


def test_a_hung_sink_delays_neither_the_hearing_nor_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loop, "DRAIN_S", 0.1)
    hung, notebook = Hung(), Notebook()
    code, told = hear(Source(*[B] * 50, kind="microphone"), hung, notebook)
    assert hung.events == []
    assert notebook.types.count("density") == 50
    assert code == 6
    assert "1 output(s) did not take what was sent" in told[0]
    hung.free.set()


def test_for_a_slow_sink_densities_are_dropped_and_never_an_announcement(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(outlets, "WAITING_EVENTS", 5)
    hung = Hung()
    marks: SimpleQueue[Mark] = SimpleQueue()
    steps = [step for i in range(40) for step in (B, lambda i=i: marks.put(Mark(f"mark {i}")))]
    code, told = hear(Source(*steps, hung.free.set, kind="microphone"), hung, marks=marks)
    assert [event.fields["what"] for event in hung.events if event.type == "mark"] == [f"mark {i}" for i in range(39)]
    assert hung.events[-1].type == "summary"
    assert code == 0
    assert len(told) == 1
    assert "events were dropped because an output was too slow; no announcement is among them" in told[0]


# -- the person ----------------------------------------------------------------------------------------------


def test_marks_are_taken_between_blocks_and_a_wrong_one_ends_nothing() -> None:
    marks: SimpleQueue[Mark] = SimpleQueue()
    for what in ("charge", "nonsense", "drop"):
        marks.put(Mark(what))
    notebook = Notebook()
    code, told = hear(Source(B, B), notebook, marks=marks)
    assert notebook.types == ["roast.start", "density", "mark", "mark", "density", "summary"]
    assert (code, told) == (0, ["mark 'nonsense' is unknown; choose another"])


def test_what_other_parts_notice_becomes_health_between_blocks_and_at_the_end() -> None:
    notices: SimpleQueue[Notice] = SimpleQueue()
    notebook = Notebook()
    first, last = Notice("disk_full", "the disk is full"), Notice("webhook_down", "it takes nothing", 3)
    steps = (B, lambda: notices.put(first), B, lambda: notices.put(last))
    assert hear(Source(*steps), notebook, notices=notices) == (0, [])
    assert notebook.types == ["roast.start", "density", "density", "health", "health", "summary"]
    assert notebook.events[3].fields == {"kind": "disk_full", "message": "the disk is full", "count": 1}
    assert notebook.events[4].fields == {"kind": "webhook_down", "message": "it takes nothing", "count": 3}


@pytest.mark.parametrize("kind", ["file", "microphone"])
def test_a_sink_that_gathers_is_settled_when_nothing_waits_for_it(kind: Kind) -> None:
    class Gathering(Notebook):
        def __init__(self) -> None:
            super().__init__()
            self.settled = 0

        def settle(self) -> None:
            self.settled = len(self.events)

    gathering = Gathering()
    assert hear(Source(B, B, kind=kind), gathering) == (0, [])
    assert gathering.settled == len(gathering.events) == 4


def test_a_sink_that_cannot_settle_is_told() -> None:
    class Unsettled(Notebook):
        def settle(self) -> None:
            raise OutputError("the log cannot be written; free some space")

    code, told = hear(Source(B, kind="microphone"), Unsettled())
    assert (code, told) == (6, ["the log cannot be written; free some space"])


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
@pytest.mark.skipif(sys.platform == "win32", reason="Windows cannot raise these at a process")
def test_a_signal_ends_the_roast_with_its_summary(name: str) -> None:
    number = getattr(signal, name)
    before = signal.getsignal(number)
    notebook = Notebook()
    assert hear(Source(B, lambda: signal.raise_signal(number), B, B), notebook) == (0, [])
    assert notebook.types == ["roast.start", "density", "density", "summary"]
    assert signal.getsignal(number) is before


@pytest.mark.skipif(sys.platform == "win32", reason="Windows knows no closed terminal")
def test_a_closed_terminal_that_is_to_be_ignored_ends_nothing() -> None:
    """As under nohup, which ignores it for the program that it starts."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        notebook = Notebook()
        assert hear(Source(B, lambda: signal.raise_signal(signal.SIGHUP), B, B), notebook) == (0, [])
    finally:
        signal.signal(signal.SIGHUP, before)
    assert notebook.types.count("density") == 3


@pytest.mark.skipif(sys.platform == "win32", reason="Windows cannot interrupt a read of a pipe")
def test_ctrl_c_reaches_a_read_that_waits_for_standard_input() -> None:
    read_end, write_end = os.pipe()
    timer = threading.Timer(0.1, lambda: os.kill(os.getpid(), signal.SIGINT))
    notebook = Notebook()
    source = Source(B, timer.start, lambda: time.sleep(0), lambda: blocking_read(read_end), kind="stdin")
    try:
        assert hear(source, notebook) == (0, [])
    finally:
        os.close(read_end)
        os.close(write_end)
        timer.join()
    assert notebook.types == ["roast.start", "density", "summary"]


def blocking_read(descriptor: int) -> None:
    """Waits for good, for nobody writes."""
    os.read(descriptor, 1)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows cannot raise these at a process")
def test_the_second_ctrl_c_quits_at_once() -> None:
    code = """
import signal, sys
sys.path.insert(0, sys.argv[1])
from test_loop import *
def twice():
    signal.raise_signal(signal.SIGINT)
    signal.raise_signal(signal.SIGINT)
print(listen(Source(B, twice, B), Fake(), [Notebook()]))
"""
    done = subprocess.run(
        [sys.executable, "-c", code, os.path.dirname(__file__)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (-signal.SIGINT, "", "")


def test_signals_are_left_alone_in_other_threads() -> None:
    notebook = Notebook()
    thread = threading.Thread(target=lambda: listen(Source(B), Fake(), [notebook]))
    thread.start()
    thread.join()
    assert notebook.types == ["roast.start", "density", "summary"]


def test_the_real_pipeline_fits_the_loop(plain_model: Model) -> None:
    """Two seconds of noise, then the microphone goes."""
    random = np.random.default_rng(8)
    blocks = [Block(random.normal(0, 0.01, RATE // 10).astype(np.float32)) for _ in range(20)]
    pipeline: Hearing = Pipeline(samplerate=RATE, model=plain_model, source="microphone")
    notebook, told = Notebook(), list[str]()
    lost: CrackdetectError = DeviceLost("microphone 'x' was lost; check its cable")
    marks: SimpleQueue[Mark] = SimpleQueue()
    marks.put(Mark("charge"))
    source = Source(*blocks, lost, kind="microphone")
    assert listen(source, pipeline, [notebook], marks=marks, say=told.append) == 4
    assert notebook.types[:3] == ["roast.start", "mark", "charge"]
    assert notebook.types[-2:] == ["health", "summary"]
    assert notebook.events[-1].fields["health"] == {"device_lost": 1}
    assert notebook.events[-1].at == 2.0
    assert [event.seq for event in notebook.events] == list(range(len(notebook.events)))
