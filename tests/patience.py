"""Waiting for something, not for a length of time: a machine that does much else makes no test fail."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

#: Whatever is waited for may take so long, seconds.
PATIENCE_S = 180.0


def wait_until(holds: Callable[[], object]) -> None:
    """Until it does. Raises AssertionError after a long time."""
    ends = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < ends
        time.sleep(0.01)


@contextmanager
def no_thread_left() -> Iterator[None]:
    """What is begun inside has ended soon after; a thread of an earlier test may end whenever it likes."""
    before = set(threading.enumerate())
    yield
    wait_until(lambda: before.issuperset(threading.enumerate()))
