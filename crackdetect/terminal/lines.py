"""Lines for the person: written whole, broken between words, to standard output or standard error.

This is the one gate to a terminal. Names of coffees, devices and files, and keys of the settings, may hold codes that
steer it: they are shown, never sent.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Iterable
from typing import TextIO

import click

from crackdetect.errors import OutputError

#: Columns of what is written into a file or pipe; no line on a wide terminal is longer, as it could not be read well.
WIDTH = 80
#: What steers a terminal, or the order of writing: C0 and C1 of ECMA-48, DEL, and the overrides of Unicode's UAX 9.
_STEERING = re.compile("[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


class Styled(str):
    """A line with codes of our own in it; what is from elsewhere in it has passed :func:`visible`."""

    __slots__ = ()


def visible(text: str) -> str:
    r"""The text with its codes shown as JSON writes them, so that a line of JSON stays the same JSON.

    >>> print(visible("Lot 4\x1b[2J"))
    Lot 4\u001b[2J
    """
    return _STEERING.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def write_line(stream: TextIO, line: str) -> None:
    """Writes and flushes a line. Raises OutputError (disk full) or BrokenPipeError (nobody reads any more)."""
    try:
        click.echo(line if isinstance(line, Styled) else visible(line), file=stream)
    except OSError as error:
        # Windows says EINVAL where others say EPIPE
        if error.errno == errno.EPIPE or (sys.platform == "win32" and error.errno == errno.EINVAL):
            raise BrokenPipeError(errno.EPIPE, "closed pipe") from None
        reason = error.strerror or "unknown reason"
        raise OutputError(
            f"the output cannot be written ({reason}); free some space or send it to another place"
        ) from None


def print_line(line: str = "") -> None:
    """A line on standard output. Raises as :func:`write_line`."""
    write_line(sys.stdout, line)


def print_lines(lines: Iterable[str]) -> None:
    """Lines on standard output. Raises as :func:`write_line`."""
    for line in lines:
        print_line(line)


def tell(sentence: str) -> None:
    """A sentence on standard error: one line, which a terminal gets broken between words.

    Where nobody can read it any more, as of a terminal that was closed, there is nobody to be told of that either.
    """
    sentence = visible(" ".join(sentence.splitlines()))
    if sys.stderr.isatty():
        sentence = "\n".join(broken(sentence, shutil.get_terminal_size().columns))
    with contextlib.suppress(OSError):
        click.echo(sentence, err=True)


def complain(sentence: str) -> None:
    """What went wrong, on standard error."""
    tell(f"crackdetect: {sentence}")


def columns() -> int:
    """Of what is written as text: those of the terminal, but no more than can be read well."""
    return min(WIDTH, shutil.get_terminal_size().columns) if sys.stdout.isatty() else WIDTH


def may_style(stream: TextIO) -> bool:
    """Whether bold letters are welcome: a terminal that is not dumb, and NO_COLOR not set (no-color.org)."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def broken(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    """Between words only, so that a figure or a name stays whole however narrow the terminal is."""
    return textwrap.wrap(
        text,
        max(width, len(rest) + 12),
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )
