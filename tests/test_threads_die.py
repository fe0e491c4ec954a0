"""Each thread beside the hearing ends of something nobody has foreseen: it is told, and hearing goes on.

The exception is drawn by the seed in the test's name; with ``-m long`` each thread meets each.
"""

from __future__ import annotations

import json
import random
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest
from commands import RATE, SOUND, EndingMicrophone, LostMicrophone, Run
from patience import PATIENCE_S

from crackdetect.audio import microphone
from crackdetect.blocks import Block
from crackdetect.mic import silent_check
from crackdetect.notice import Notice, no_silent_ends
from crackdetect.page.live import LivePage
from crackdetect.page.stream import Stream
from crackdetect.roast.marking import Mark
from crackdetect.sound import announcer as announcers
from crackdetect.sound import own_sound, player, voice
from crackdetect.storage.journal import Journal
from crackdetect.storage.recording import Recorder
from crackdetect.terminal.keys import TypedKeys
from crackdetect.terminal.teller import Teller
from crackdetect.webhook.courier import Courier

#: None of them may be raised by what works as it should.
EXCEPTIONS = (KeyError, TypeError, AssertionError, MemoryError, SystemExit, RecursionError)
#: Of each thread what it does, and how often it does so unharmed before.
THREADS: dict[str, tuple[type, str, int]] = {
    "outlet": (Journal, "send", 3),
    "recorder": (Recorder, "_write", 5),
    "announcer": (announcers.Announcer, "_sound", 0),
    "courier": (Courier, "_send_all", 0),
    "microphone-check": (silent_check.SilentCheck, "_tell_findings", 0),
    "page": (Stream, "run", 0),
    "page's board": (LivePage, "send", 20),
}


#: What is heard when no thread ends, once it was.
USUAL: list[dict[str, Any]] = []


class Loudspeaker:
    def __init__(self, **options: object) -> None: ...

    def check(self) -> None: ...

    def play(self, signal: object, *, enough: Callable[[], bool]) -> None: ...


class Sounding(LostMicrophone):
    """The whole sound, some three hundred times as fast as it happened."""

    def __init__(self, device: str | None, **options: object) -> None: ...

    def __iter__(self) -> Iterator[Block]:
        for start in range(0, len(SOUND), RATE // 20):
            time.sleep(0.0005)
            yield Block(SOUND[start : start + RATE // 20])


@pytest.fixture
def at_home(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(microphone, "MicrophoneSource", Sounding)
    monkeypatch.setattr(player, "Player", Loudspeaker)
    monkeypatch.setattr(voice, "find_voice", lambda volume: None)
    # what is masked depends on how long a signal takes, not on what ends
    monkeypatch.setattr(own_sound.OwnSound, "sounding", lambda self: nullcontext())
    monkeypatch.setattr("crackdetect.listening.kept_roast.SEND_S", 0.1)


def listen(run: Run, plain: Path, *, page: bool = False) -> tuple[int, list[dict[str, Any]], str]:
    more = ("--page", "here") if page else ()
    done = run("listen", "--record", "--model", plain, "--webhook", "http://127.0.0.1:9/", "--target", "0:10", *more)
    return done.code, [json.loads(line) for line in done.out.splitlines()], done.err


def heard(events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What was detected, without what differs from roast to roast, and what was told of the trouble."""
    own = ("seq", "roast", "about", "health")
    return [
        {name: value for name, value in event.items() if name not in own}
        for event in events
        if event["type"] != "health"
    ]


def _dies(run: Run, plain: Path, monkeypatch: pytest.MonkeyPatch, thread: str, exception: type[BaseException]) -> None:
    if not USUAL:
        USUAL.extend(heard(listen(run, plain)[1]))
    kind, name, unharmed = THREADS[thread]
    work, calls = getattr(kind, name), [0]

    def fails(self: object, *arguments: object) -> object:
        calls[0] += 1
        if calls[0] == unharmed + 1:
            raise exception("on purpose")
        return work(self, *arguments)

    monkeypatch.setattr(kind, name, fails)
    code, events, err = listen(run, plain, page=thread.startswith("page"))
    assert calls[0] > unharmed, "it was to fail"
    told = [event for event in events if event["type"] == "health" and "a defect of crackdetect" in event["message"]]
    assert told, err
    assert exception.__name__ in told[0]["message"]
    assert code == 6
    assert events[-1]["type"] == "summary"
    assert heard(events) == USUAL
    assert "Traceback" not in err


@pytest.mark.usefixtures("at_home")
@pytest.mark.parametrize("seed", range(len(THREADS)))
def test_a_thread_that_dies_is_told_and_nothing_else_changes(
    run: Run, plain: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    _dies(run, plain, monkeypatch, list(THREADS)[seed], random.Random(seed).choice(EXCEPTIONS))


@pytest.mark.long
@pytest.mark.usefixtures("at_home")
@pytest.mark.parametrize("exception", EXCEPTIONS)
@pytest.mark.parametrize("thread", THREADS)
def test_each_thread_may_die_of_anything(
    run: Run, plain: Path, monkeypatch: pytest.MonkeyPatch, thread: str, exception: type[BaseException]
) -> None:
    _dies(run, plain, monkeypatch, thread, exception)


# -- a system that gives no thread -----------------------------------------------------------------------------------

#: What else is used.
WAYS = {"webhook": ("--webhook", "http://127.0.0.1:9/"), "page": ("--page", "here")}


@pytest.mark.usefixtures("at_home")
@pytest.mark.parametrize("way", WAYS)
def test_each_thread_in_turn_is_not_given_and_the_roast_is_heard(
    run: Run, plain: Path, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    """``RuntimeError`` of ``Thread.start``, as where a user may have no more of them (RLIMIT_NPROC: setrlimit(2))."""
    monkeypatch.setattr(microphone, "MicrophoneSource", EndingMicrophone)
    start = threading.Thread.start
    names: list[str] = []
    refused = -1

    def refuses(self: threading.Thread) -> None:
        names.append(self.name)
        if len(names) - 1 == refused:
            raise RuntimeError("can't start new thread")
        start(self)

    monkeypatch.setattr(threading.Thread, "start", refuses)
    count = 0
    while refused < count:
        names.clear()
        done = run("listen", "--record", "--model", plain, *WAYS[way])
        assert [event["type"] for event in done.events if event["type"] != "health"] == ["roast.start", "summary"]
        assert "defect" not in done.err + done.out, done.err
        if 0 <= refused < len(names) and names[refused] in ("recorder", "outlet", "announcer", "page"):
            assert "no room for a further thread" in done.err + done.out, names[refused]
        count = max(count, len(names) - 1)
        refused += 1
    assert {"teller", "recorder", "outlet", "announcer"} <= set(names)


# -- any other thread ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("exception", EXCEPTIONS)
def test_a_thread_that_nobody_guards_is_told_once(exception: type[BaseException]) -> None:
    def ends() -> None:
        raise exception("on purpose")

    notices: SimpleQueue[Notice] = SimpleQueue()
    with no_silent_ends(notices):
        for _ in range(2):
            thread = threading.Thread(target=ends, name="look-for-microphone")
            thread.start()
            thread.join()
    assert notices.qsize() == 1
    told = notices.get()
    assert told.kind == "output_failed"
    assert told.message == (
        "the part 'look-for-microphone' has ended, the roast is listened to all the same: a defect of crackdetect, "
        f"{exception.__name__}: on purpose"
    ).replace("KeyError: on purpose", "KeyError: 'on purpose'")


@pytest.mark.parametrize("exception", EXCEPTIONS)
def test_a_sentence_that_cannot_be_told_is_told_of_once(exception: type[BaseException]) -> None:
    def fails() -> None:
        raise exception("on purpose")

    written: list[str] = []
    notices: SimpleQueue[Notice] = SimpleQueue()
    teller = Teller(notices)
    for write in (fails, fails, lambda: written.append("the next one")):
        teller._write(write)
    teller.close()
    assert written == ["the next one"]
    assert notices.qsize() == 1
    assert f"a defect of crackdetect, {exception.__name__}" in notices.get().message


def test_a_terminal_that_is_gone_is_no_defect() -> None:
    def fails() -> None:
        raise BrokenPipeError

    notices: SimpleQueue[Notice] = SimpleQueue()
    teller = Teller(notices)
    teller._write(fails)
    teller.close()
    assert notices.empty()


@pytest.mark.parametrize("exception", EXCEPTIONS)
def test_typed_keys_are_read_again_once(exception: type[BaseException]) -> None:
    typed: SimpleQueue[bytes | None] = SimpleQueue()
    marks: SimpleQueue[Mark] = SimpleQueue()
    notices: SimpleQueue[Notice] = SimpleQueue()

    def read() -> bytes:
        given = typed.get(timeout=PATIENCE_S)
        if given is None:
            raise exception("on purpose")
        return given

    with no_silent_ends(notices):
        keys = TypedKeys(marks=marks, end=lambda: None, say=lambda sentence: None, read=read)
        keys.begin()
        typed.put(None)
        assert "typed-keys" in notices.get(timeout=PATIENCE_S).message
        typed.put(b"c\n")
        assert marks.get(timeout=PATIENCE_S).what == "charge"
        typed.put(b"")
