"""Keeps C libraries from talking to the person in their own way; what matters of it is raised as an error."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_STANDARD_ERROR = 2
_lock = threading.Lock()
_inside = 0
_kept: int | None = None


@contextmanager
def quiet() -> Iterator[None]:
    """Sends what is written to standard error, by any thread, nowhere; to be held for one call of a library.

    May be nested and held by several threads at once: the last to leave restores standard error. Does nothing where
    there is no standard error. (On Windows it reaches libraries that share Python's C runtime.)
    """
    _enter()
    try:
        yield
    finally:
        _leave()


def _enter() -> None:
    global _inside, _kept
    with _lock:
        _inside += 1
        if _inside > 1:
            return
        try:
            _kept = os.dup(_STANDARD_ERROR)
        except OSError:  # there is no standard error to keep clean
            _kept = None
            return
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, _STANDARD_ERROR)
        os.close(nowhere)


def _leave() -> None:
    global _inside, _kept
    with _lock:
        _inside -= 1
        if _inside == 0 and _kept is not None:
            os.dup2(_kept, _STANDARD_ERROR)
            os.close(_kept)
            _kept = None
