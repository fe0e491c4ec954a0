"""Questions to the person at the terminal."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

import click

from crackdetect.errors import SettingError
from crackdetect.terminal.lines import tell

_Value = TypeVar("_Value")

#: How often the wait for an answer looks whether Ctrl-C was pressed, seconds.
WAKE_S = 0.2
#: What is typed to leave a step out.
SKIP = "s"


def can_answer() -> bool:
    """Whether there is a person at this terminal."""
    return sys.stdin is not None and sys.stdin.isatty() and sys.stderr.isatty()


def asker() -> Callable[[str, bool], bool] | None:
    """What asks: it takes a question and the default answer, and gives the person's; ``None`` where there is nobody.

    What is usually not done takes a yes; all else is a no, and is not asked again. Ctrl-C raises click.Abort.
    """
    return yes_or_no if can_answer() else None


def yes_or_no(question: str, default: bool) -> bool:
    """The person's answer. Ctrl-C raises click.Abort."""
    tell(question)
    with _asking():
        if default:
            return click.confirm("Your answer", default=True, err=True)
        answer = click.prompt("Your answer [y/N]", default="", show_default=False, err=True)
    return answer.strip().casefold() in ("y", "yes")


def confirmed(what: str, *, skip: bool = True) -> bool:
    """Waits for Enter; False where the person skips. what: what Enter does. Ctrl-C raises click.Abort."""
    with _asking():
        prompt = f"{what}: press Enter" + (f" ({SKIP} and Enter skips it)" if skip else "")
        answer = click.prompt(prompt, default="", show_default=False, prompt_suffix=" ", err=True)
    return not (skip and answer.strip().casefold() in (SKIP, "skip"))


def answered(question: str, *, default: str, read: Callable[[str], _Value]) -> _Value:
    """What the person types, as ``read`` makes it of it; asked again while that raises SettingError."""
    while True:
        with _asking():
            typed = click.prompt(question, default=default, err=True)
        try:
            return read(typed.strip())
        except SettingError as error:
            tell(f"{error}.")


@contextmanager
def _asking() -> Iterator[None]:
    try:
        with _woken():
            yield
    except click.Abort:
        click.echo(err=True)  # what comes now is not to stand behind the question
        raise


@contextmanager
def _woken() -> Iterator[None]:
    """Wakes a waiting read now and then, so that Python looks at its signals. Main thread only.

    A Ctrl-C just before the read, or to another thread, would else be heeded only after the answer.
    """
    if sys.platform == "win32":  # has no such timer
        yield
        return
    before = signal.signal(signal.SIGALRM, lambda number, frame: None)
    signal.setitimer(signal.ITIMER_REAL, WAKE_S, WAKE_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
