"""Ends a program of its own just before its n-th renaming or removing of a file, as a kill or a crash would."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

#: SQLite's own changes are whole by themselves.
_KILLED = """
import os, sys
from pathlib import Path
left, folder = int(sys.argv[1]), Path(sys.argv[2])

def hook(event, arguments):
    global left
    if event in ("os.rename", "os.remove"):
        left -= 1
        if left == 0:
            os._exit(9)

"""


def run(code: str, folder: Path, *, kill: int = 0) -> bool:
    """Runs code that knows ``folder``; whether it came to its end. kill: before which renaming, from 1; 0 = none."""
    done = subprocess.run(
        [sys.executable, "-c", _KILLED + code, str(kill), str(folder)],
        cwd=Path(__file__).parent,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""
    assert done.returncode in (0, 9)
    return done.returncode == 0
