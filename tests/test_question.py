"""A question at the terminal: what is a yes, and what Ctrl-C does to it."""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
import threading
from collections.abc import Callable

import click
import pytest

from crackdetect.cli import entry
from crackdetect.terminal.question import asker

#: Takes a question and the usual answer, gives the person's.
Ask = Callable[[str, bool], bool]


def asker_at_a_terminal(monkeypatch: pytest.MonkeyPatch, answer: Callable[[], str]) -> tuple[Ask, list[str]]:
    """What asks, and the questions it has put."""
    asked: list[str] = []

    def visible(prompt: str) -> str:
        asked.append(prompt)
        return answer()

    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    monkeypatch.setattr("click.termui.visible_prompt_func", visible)
    ask = asker()
    assert ask is not None
    return ask, asked


@pytest.mark.parametrize(
    ("typed", "answer"), [("", False), ("no", False), ("perhaps", False), ("Yes", True), ("y ", True)]
)
def test_only_a_yes_is_a_yes_and_is_asked_for_once(
    typed: str, answer: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    ask, asked = asker_at_a_terminal(monkeypatch, lambda: typed)
    assert ask("Record?", False) is answer
    assert len(asked) == 1
    assert "Record?" in capsys.readouterr().err


def test_ctrl_c_at_a_question_ends_with_130(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted() -> str:
        raise KeyboardInterrupt

    ask, _ = asker_at_a_terminal(monkeypatch, interrupted)
    for usual in (True, False):
        told = io.StringIO()
        with pytest.raises(click.Abort), contextlib.redirect_stderr(told):
            ask("Record?", usual)
        assert told.getvalue().endswith("\n")
    monkeypatch.setattr(entry.cli, "main", lambda *_, **__: ask("Record?", False))
    assert entry.main([]) == 130


@pytest.mark.skipif(sys.platform == "win32", reason="has no timer that wakes a read")
@pytest.mark.parametrize("usual", [True, False])
def test_ctrl_c_that_does_not_disturb_the_read_ends_the_question(usual: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """As between the prompt and the read: the signal is noted, and the read goes on waiting."""
    reading, writing = os.pipe()
    answered: list[str] = []

    def answer() -> None:
        answered.append("n")
        os.write(writing, b"n")

    unheard = threading.Timer(5, answer)

    def waiting() -> str:
        threading.Timer(0.2, signal.raise_signal, (signal.SIGINT,)).start()  # to the timer's own thread
        return os.read(reading, 1).decode()

    ask, _ = asker_at_a_terminal(monkeypatch, waiting)
    unheard.start()
    try:
        with pytest.raises(click.Abort):
            ask("Record?", usual)
        assert answered == []
    finally:
        unheard.cancel()
        unheard.join()
        os.close(reading)
        os.close(writing)
    assert signal.getitimer(signal.ITIMER_REAL) == (0, 0)
