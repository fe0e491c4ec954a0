"""System calls that fail once: the n-th of a kind on anything below a folder, with an error of the system's.

Calls of Python are counted, with those of pathlib and ``open`` among them; what SQLite and libsndfile do in C is not.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
import threading
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

#: Errors that each may give (POSIX.1-2017).
ERRORS = (errno.EIO, errno.ENOSPC, errno.EACCES, errno.EMFILE)
CALLS = ("open", "mkdir", "stat", "scandir", "fsync", "replace", "unlink", "write")


class FailingCalls:
    """Counts calls on what lies below ``root``; the one that is asked for fails.

    Parameters
    ----------
    fail
        Name of the call, which one of its kind from 0, and the error's number; ``None`` = none fails.

    Attributes
    ----------
    seen
        How often each was called.
    failed
        Whether the one that was to fail came.
    """

    def __init__(self, root: Path, patch: pytest.MonkeyPatch, *, fail: tuple[str, int, int] | None = None) -> None:
        self.seen: Counter[str] = Counter()
        self.failed = False
        self._root = str(root)
        self._fail = fail
        self._lock = threading.Lock()
        for name in ("mkdir", "stat", "scandir", "fsync", "replace", "unlink", "open", "write"):
            patch.setattr(os, name, self._watched(name, getattr(os, name)))
        patch.setattr(builtins, "open", self._opened(builtins.open))
        patch.setattr(io, "open", self._opened(io.open))

    def _watched(self, name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def watched(*arguments: Any, **options: Any) -> Any:
            self.count(name, arguments[0] if arguments else ".")
            return call(*arguments, **options)

        return watched

    def _opened(self, call: Callable[..., Any]) -> Callable[..., Any]:
        def opened(file: Any, mode: str = "r", buffering: int = -1, *arguments: Any, **options: Any) -> Any:
            if options.get("opener") is None:  # an opener calls os.open
                self.count("open", file)
            made = call(file, mode, buffering, *arguments, **options)
            return _File(self, made, file) if self._below(file) and buffering == 0 else made

        return opened

    def _below(self, place: Any) -> bool:
        if isinstance(place, int):
            try:
                place = os.readlink(f"/proc/self/fd/{place}")
            except OSError:
                return False
        try:
            return os.fsdecode(place).startswith(self._root)
        except TypeError:
            return False

    def count(self, name: str, place: Any) -> None:
        """Raises OSError when it is the one that is to fail."""
        if not self._below(place):
            return
        with self._lock:
            number = self.seen[name]
            self.seen[name] += 1
            if self._fail is None or self._fail[:2] != (name, number):
                return
            self.failed = True
        raise OSError(self._fail[2], os.strerror(self._fail[2]), place if isinstance(place, str) else None)


class _File:
    """An unbuffered file whose writes are counted."""

    def __init__(self, calls: FailingCalls, file: Any, place: Any) -> None:
        self._calls, self._file, self._place = calls, file, place

    def write(self, data: bytes) -> int:
        self._calls.count("write", self._place)
        return int(self._file.write(data))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)
