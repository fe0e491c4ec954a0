"""Lines written to a terminal, a file or a pipe: how they look, and what becomes of them when they cannot be."""

from __future__ import annotations

import errno
import io
from collections.abc import Mapping

import pytest

from crackdetect.errors import OutputError
from crackdetect.terminal.lines import may_style, write_line


@pytest.mark.parametrize(
    ("variables", "welcome"),
    [({}, True), ({"NO_COLOR": "1"}, False), ({"NO_COLOR": ""}, True), ({"TERM": "dumb"}, False)],
)
def test_no_color_is_honoured(monkeypatch: pytest.MonkeyPatch, variables: Mapping[str, str], *, welcome: bool) -> None:
    # no-color.org: "when present and not an empty string"
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    assert may_style(Terminal()) is welcome
    assert not may_style(io.StringIO())


class Broken(io.StringIO):
    def __init__(self, number: int) -> None:
        super().__init__()
        self._number = number

    def write(self, text: str) -> int:
        raise OSError(self._number, "no")


def test_a_full_disk_is_an_output_error_of_one_sentence() -> None:
    with pytest.raises(OutputError, match=r"cannot be written \(no\); free some space"):
        write_line(Broken(errno.ENOSPC), "x")


def test_a_closed_pipe_is_a_closed_pipe_on_every_system(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(BrokenPipeError):
        write_line(Broken(errno.EPIPE), "x")
    monkeypatch.setattr("sys.platform", "win32")
    with pytest.raises(BrokenPipeError):
        write_line(Broken(errno.EINVAL), "x")
