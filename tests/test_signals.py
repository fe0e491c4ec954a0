"""Signals, and a terminal that is closed, during a roast: it ends with its summary and is in the log."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path
from typing import get_args

import pytest
from patience import PATIENCE_S, wait_until

from crackdetect.storage import recovery
from crackdetect.storage.first_use import Step, remember
from crackdetect.storage.roast_store import RoastLog

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows knows no such terminals")

#: The real command with a microphone of steady noise, as the leader of a session whose terminal is its standard input.
_LISTEN = """
import fcntl, os, sys, termios, time
import numpy as np
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
from crackdetect.audio import microphone
from crackdetect.blocks import Block

class Microphone:
    kind, name, samplerate, channel_note = "microphone", "test", 16_000, None

    def __init__(self, *arguments, **options):
        pass

    def __iter__(self):
        random = np.random.default_rng(1)
        while True:
            time.sleep(0.1)
            yield Block(random.normal(0, 0.01, 1_600).astype(np.float32))

    def close(self):
        pass

microphone.MicrophoneSource = Microphone
from crackdetect.cli.entry import main
sys.exit(main(["listen", "--quiet", "--no-record", *sys.argv[1:]]))
"""


HOWS = {"lines": ["--plain"], "json lines": ["--format", "jsonl"], "board": []}
#: How a roast may be ended from outside; the terminal's end is that of the whole session.
ENDS = {"HUP": getattr(signal, "SIGHUP", None), "TERM": signal.SIGTERM, "INT": signal.SIGINT, "closed": None}
#: Of all of them those of every day; ``-m long`` tries all.
FEW = {("HUP", "json lines"), ("TERM", "lines"), ("INT", "board"), ("closed", "board")}


@pytest.mark.parametrize(
    ("end", "how"),
    [pytest.param(end, how, marks=[] if (end, how) in FEW else pytest.mark.long) for end in ENDS for how in HOWS],
)
def test_a_roast_that_is_ended_from_outside_is_in_the_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, end: str, how: str
) -> None:
    process, person = _begun(tmp_path, monkeypatch, how)
    sent = ENDS[end]
    if sent is None:
        os.close(person)
    else:
        process.send_signal(sent)
        assert b"Save it?" not in _rest(process, person)  # nobody may be there to answer
        os.close(person)
    process.wait(PATIENCE_S)
    with RoastLog() as log:
        (roast,) = log.roasts()
    assert roast.finished
    assert not list(tmp_path.glob("data/roasts/*/events.jsonl"))
    last = recovery.last_ended(tmp_path / "data")
    assert last is not None
    assert last.may_still_run(datetime.now().astimezone()) == (end in ("HUP", "closed")), "the person has ended it"


@pytest.mark.long
def test_a_board_whose_terminal_is_closed_is_heard_on_where_that_is_ignored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)  # the program inherits it, as from nohup
    try:
        process, person = _begun(tmp_path, monkeypatch, "board")
    finally:
        signal.signal(signal.SIGHUP, before)
    os.close(person)
    time.sleep(2)
    assert process.poll() is None
    assert list(tmp_path.glob("data/roasts/*/events.jsonl")), "the roast is under way"
    process.send_signal(signal.SIGTERM)
    process.wait(PATIENCE_S)
    with RoastLog() as log:
        (roast,) = log.roasts()
    assert roast.finished


@pytest.mark.parametrize("how", ["lines", pytest.param("json lines", marks=pytest.mark.long)])
def test_a_terminal_that_is_stopped_holds_up_neither_the_hearing_nor_the_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    """Ctrl-S stops what is written to a terminal, Ctrl-Q lets it go on (XOFF and XON: termios(3), IXON)."""
    process, person = _begun(tmp_path, monkeypatch, how)
    os.write(person, b"\x13")
    time.sleep(1.5)  # some lines of which nothing can be written
    process.send_signal(signal.SIGTERM)
    wait_until(lambda: list(tmp_path.glob("data/roasts/*/roast.jsonl")))
    with RoastLog() as log:
        assert log.roasts()[0].finished
    os.write(person, b"\x11")
    _rest(process, person)
    os.close(person)


def _rest(process: subprocess.Popen[bytes], person: int) -> bytes:
    """What comes on the terminal until the program has ended."""
    seen = b""

    def ended() -> bool:
        nonlocal seen
        with contextlib.suppress(OSError):
            seen += os.read(person, 65_536)
        return process.poll() is not None

    wait_until(ended)
    return seen


def _begun(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str) -> tuple[subprocess.Popen[bytes], int]:
    """A roast that has been heard for a second, and its person's end of the terminal."""
    monkeypatch.setenv("CRACKDETECT_HOME", str(tmp_path))
    for step in get_args(Step):  # nobody is asked to read what is shown once
        remember(tmp_path / "data", step)
    person, program = os.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", _LISTEN, *HOWS[how]],
        stdin=program, stdout=program, stderr=program, start_new_session=True, env={**os.environ, "TERM": "xterm"},
    )  # fmt: skip
    os.close(program)
    os.set_blocking(person, False)
    seen = b""
    begun = None
    until = time.monotonic() + PATIENCE_S
    while begun is None or time.monotonic() < begun + 1:  # a terminal that takes nothing would hold the board
        assert time.monotonic() < until, seen
        try:
            seen += os.read(person, 65_536)
        except BlockingIOError:
            time.sleep(0.02)
        if begun is None and list(tmp_path.glob("data/roasts/*/start.jsonl")):
            begun = time.monotonic()
    return process, person
