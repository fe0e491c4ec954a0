"""The real commands on a real terminal (a pseudo-terminal of 80 by 24) and the virtual microphone."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
import vmic
from clicks import clicks_in_noise
from patience import PATIENCE_S

from crackdetect.storage.first_use import Step, remember
from crackdetect.storage.paths import HOME

pytestmark = pytest.mark.live

if sys.platform != "win32":
    import fcntl
    import pty
    import struct
    import termios


class Terminal:
    """A command on a terminal: what it wrote, and keys pressed."""

    def __init__(self, environment: dict[str, str], *arguments: str) -> None:
        ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.process = subprocess.Popen(
            [sys.executable, "-m", "crackdetect", *arguments],
            env={**environment, "TERM": "xterm-256color"},
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
        )
        os.close(theirs)
        self._terminal = ours
        self._written = bytearray()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        while True:
            try:
                piece = os.read(self._terminal, 4096)
            except OSError:  # Linux says so when the other side has closed
                return
            self._written += piece

    @property
    def text(self) -> str:
        """Everything written so far, without the control sequences."""
        return re.sub(
            r"\x1b(\[[0-9;?<>=]*[a-zA-Z]|[P\]].*?(\x1b\\|\x07)|.)", "", self._written.decode("utf-8", "replace")
        )

    def until(self, words: str) -> None:
        ends = time.monotonic() + PATIENCE_S
        while words not in self.text:
            assert time.monotonic() < ends, f"{words!r} did not come; there is: {self.text[-2000:]}"
            assert self.process.poll() is None or words in self.text, self.text[-2000:]
            time.sleep(0.05)

    def press(self, keys: str) -> None:
        os.write(self._terminal, keys.encode())

    def finish(self, keys: str) -> int:
        """Presses what ends the roast, which takes a second press in time: once more where that came too late, for the
        virtual microphone runs faster than a clock."""
        while self.process.poll() is None:
            self.press(keys)
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.process.wait(5)
        return self.end()

    def end(self) -> int:
        code = self.process.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)
        return code

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._terminal)


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    vmic.require()
    # clicks all the time: what is played here runs faster than a clock
    sound = clicks_in_noise([0.5 + 1.5 * n for n in range(30)], samplerate=vmic.RATE, duration_s=50)
    for step in get_args(Step):  # nobody is asked to read what is shown once
        remember(tmp_path / "home" / "data", step)
    return {**vmic.file_microphone(tmp_path, sound, silence_s=3_000), HOME: str(tmp_path / "home")}


@pytest.fixture
def listening(environment: dict[str, str], model_path: Path) -> Iterator[list[Terminal]]:
    opened: list[Terminal] = []
    yield opened
    for terminal in opened:
        terminal.close()


OPTIONS = ("listen", "--device", "vmic", "--channel", "1", "--quiet", "--no-record", "--coffee", "Meadow Lane")


def test_in_lines_the_same_marks_are_typed(environment: dict[str, str], listening: list[Terminal]) -> None:
    lines = Terminal(environment, *OPTIONS, "--plain")
    listening.append(lines)
    lines.until("Mark with a letter and Enter")
    lines.press("c\n")
    lines.until("charge, marked by you")
    assert lines.finish("e e\n") == 0
    assert "Summary (roast time, from charge)" in lines.text


def test_ctrl_c_on_the_board_ends_the_roast_with_its_summary(
    environment: dict[str, str], listening: list[Terminal]
) -> None:
    board = Terminal(environment, *OPTIONS)
    listening.append(board)
    board.until("LISTENING")
    board.press("c")  # a roast of which nothing is known would be asked about
    board.until("You marked charge")
    board.press("\x03")
    assert board.end() == 0
    assert "Summary" in board.text


def test_recording_is_asked_about_once_and_only_where_there_is_a_microphone(
    environment: dict[str, str], listening: list[Terminal]
) -> None:
    asked = tuple(option for option in OPTIONS if option != "--no-record")
    nowhere = Terminal(environment, "listen", "--device", "nosuch")
    listening.append(nowhere)
    assert nowhere.end() == 4
    assert "Shall the sound" not in nowhere.text
    interrupted = Terminal(environment, *asked, "--plain")
    listening.append(interrupted)
    interrupted.until("Your answer [y/N]")
    interrupted.process.send_signal(signal.SIGINT)
    assert interrupted.end() == 130
    assert interrupted.text.endswith("\r\ncrackdetect: interrupted\r\n")
    first = Terminal(environment, *asked, "--plain")
    listening.append(first)
    first.until("Your answer [y/N]")
    first.press("perhaps\n")
    first.until("Mark with a letter and Enter")
    first.press("c\n")
    first.until("charge, marked by you")
    assert first.finish("e e\n") == 0
    assert first.text.count("Your answer") == 1
    second = Terminal(environment, *asked, "--plain")
    listening.append(second)
    second.until("Mark with a letter and Enter")
    second.press("c\n")
    second.until("charge, marked by you")
    assert second.finish("e e\n") == 0
    assert "Shall the sound" not in second.text


def test_the_microphone_check_hears_the_clicks(tmp_path: Path) -> None:
    vmic.require()
    clicks = clicks_in_noise([0.5 + 1.5 * n for n in range(40)], samplerate=vmic.RATE, duration_s=60)
    environment = vmic.file_microphone(tmp_path, np.tile(clicks, 10), silence_s=600)
    done = subprocess.run(
        [sys.executable, "-m", "crackdetect", "mic", "--device", "vmic", "--channel", "1", "--seconds", "1"],
        env=environment,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.stdout.startswith("  0  vmic")
    assert "Checking vmic, 44,100 Hz" in done.stdout
    assert (done.returncode, done.stdout.count("  click ") >= 3) == (0, True), done
    assert "Traceback" not in done.stderr


def test_the_demonstration_on_the_board_ends_with_one_next_step(
    environment: dict[str, str], listening: list[Terminal]
) -> None:
    demo = Terminal(environment, "demo", "--quiet", "--speed", "100")
    listening.append(demo)
    demo.until("Target reached")
    assert demo.end() == 0
    assert "beside the truth" in demo.text
    assert demo.text.rstrip().endswith("Next, for a roast of your own: crackdetect first")


def test_the_first_roast_is_led_from_safety_to_the_board(tmp_path: Path, listening: list[Terminal]) -> None:
    vmic.require()
    sound = clicks_in_noise([0.5 + 1.5 * n for n in range(30)], samplerate=vmic.RATE, duration_s=50)
    fresh = {**vmic.file_microphone(tmp_path, sound, silence_s=3_000), HOME: str(tmp_path / "new")}
    first = Terminal(fresh, "listen", "--device", "vmic", "--channel", "1", "--quiet", "--plain")
    listening.append(first)
    for words, keys in (
        ("This is your first start", "\n"),
        ("When you have read it", "\n"),
        ("When it stands there", "s\n"),
        ("To let it be listened to", "s\n"),
        ("To hear the signal", "s\n"),
        ("Coffee [First coffee]", "Meadow Lane\n"),
        ("Batch, green weight [200g]", "\n"),
        ("development as a time or share [1:30]", "18\n"),
        ("could be seconds or percent", "18%\n"),
        ("to begin listening", "\n"),
        ("Mark with a letter and Enter", "c\n"),
    ):
        first.until(words)
        first.press(keys)
    first.until("charge, marked by you")
    assert first.finish("e e\n") == 0
    assert "Shall the sound" not in first.text
    assert "Summary" in first.text
