"""Standard error as C libraries write to it: silent for a while, and the same as before afterwards."""

from __future__ import annotations

import os
import subprocess
import sys
import threading

import pytest
from patience import PATIENCE_S

from crackdetect.audio.silenced_stderr import quiet


def write(text: str) -> None:
    os.write(2, text.encode())  # past Python's own buffer, as a C library does


def test_what_is_written_inside_is_not_seen(capfd: pytest.CaptureFixture[str]) -> None:
    write("before ")
    with quiet():
        write("inside ")
        with quiet():
            write("deeper ")
        write("still inside ")
    write("after")
    assert capfd.readouterr().err == "before after"


def test_an_error_inside_gives_standard_error_back(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(ZeroDivisionError), quiet():
        raise ZeroDivisionError
    write("after")
    assert capfd.readouterr().err == "after"


def test_threads_that_overlap_give_standard_error_back(capfd: pytest.CaptureFixture[str]) -> None:
    """The first to enter leaves first; each keeping a copy of its own would leave silence for ever."""
    first_in, second_in, first_out = threading.Event(), threading.Event(), threading.Event()

    def first() -> None:
        with quiet():
            first_in.set()
            assert second_in.wait(PATIENCE_S)
        first_out.set()

    def second() -> None:
        assert first_in.wait(PATIENCE_S)
        with quiet():
            second_in.set()
            assert first_out.wait(PATIENCE_S)
            write("still inside ")

    threads = [threading.Thread(target=target) for target in (first, second)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    write("after")
    assert capfd.readouterr().err == "after"


def test_no_file_is_left_open() -> None:
    def next_free() -> int:
        free = os.dup(1)
        os.close(free)
        return free

    before = next_free()
    for _ in range(3):
        with quiet():
            pass
    assert next_free() == before


def test_a_process_without_standard_error() -> None:
    code = "import os; os.close(2)\nfrom crackdetect.audio.silenced_stderr import quiet\nwith quiet(): print('heard')"
    done = subprocess.run(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, timeout=PATIENCE_S, check=True
    )
    assert done.stdout == "heard\n"
