"""A line of progress on standard error, with lines above it."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from crackdetect.terminal.lines import Styled, print_line, tell, visible

#: The time left goes by the speed of so many seconds: steps are long, and some are longer than others.
_SPEED_OVER_S = 900.0


@dataclass(frozen=True, slots=True)
class ProgressLine:
    """What a command does with its progress.

    Attributes
    ----------
    advance
        Takes how much is done.
    write, say
        Take a line for standard output and for standard error; it stands above the progress.
    label
        Takes what goes on, where that changes.
    """

    advance: Callable[[float], None]
    write: Callable[[str], None]
    say: Callable[[str], None]
    label: Callable[[str], None]

    def complain(self, sentence: str) -> None:
        """What went wrong, on standard error."""
        self.say(f"crackdetect: {sentence}")

    def note(self, sentence: str) -> None:
        """What is worth knowing, on standard error."""
        self.say(f"note: {sentence}")


@contextmanager
def progress_line(label: str, *, total: float | None) -> Iterator[ProgressLine]:
    """A progress line on standard error while the block lasts; only on a terminal, otherwise it does nothing.

    Parameters
    ----------
    label
        What goes on.
    total
        What ``advance`` will reach, ``None`` = not known.
    """
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield ProgressLine(lambda done: None, print_line, tell, lambda text: None)
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn
    from rich.text import Text

    screen = Console(stderr=True, highlight=False)
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    # without the redirections lines go where they belong even when only one of the two streams is a terminal
    with Progress(
        *columns,
        console=screen,
        transient=True,
        redirect_stdout=False,
        redirect_stderr=False,
        speed_estimate_period=_SPEED_OVER_S,
    ) as progress:
        task = progress.add_task(label, total=total)

        def above(line: str) -> None:
            screen.print(Text.from_ansi(line) if isinstance(line, Styled) else Text(visible(line)), soft_wrap=True)

        yield ProgressLine(
            advance=lambda done: progress.update(task, completed=done),
            write=above if sys.stdout.isatty() else print_line,
            say=lambda line: screen.print(Text(visible(line))),
            label=lambda text: progress.update(task, description=visible(text)),
        )
