"""Sounds that were almost taken for cracks, kept when a recording is heard again: what ``review`` may ask about.

When and how probable, no sound. Of a recording that has changed since they say nothing.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from crackdetect.errors import OutputError
from crackdetect.roast.record import Crack, Roast
from crackdetect.storage import atomic_file

_FORMAT, _VERSION = "crackdetect-sounds", 1
#: Of a roast at most, the likeliest.
_MOST = 200
_MOST_BYTES = 100_000


def _place(roast: Roast, folder: Path) -> Path | None:
    """A recording may lie anywhere; what is learnt of it lies with what is learnt of machines. None: it has no hash."""
    known = re.fullmatch("[0-9a-f]{64}", roast.recording_sha256 or "")
    return None if known is None else folder / "machines" / f"{known[0]}.sounds"


def keep(roast: Roast, sounds: Sequence[tuple[float, float]], *, folder: Path) -> None:
    """Keeps them; where that cannot be, nothing is lost but questions.

    Parameters
    ----------
    roast : Roast
    sounds : sequence of (float, float)
        When, seconds, and the probability of a crack, under that of a ``crack`` event.
    folder : pathlib.Path
        The data folder.
    """
    path = _place(roast, folder)
    if path is None:
        return
    likeliest = sorted(sorted(sounds, key=lambda one: -one[1])[:_MOST])
    content = {"format": _FORMAT, "format_version": _VERSION, "sounds": likeliest}
    with suppress(OSError, OutputError):
        atomic_file.make_folder(path.parent)
        path.parent.chmod(0o700)
        with atomic_file.whole_file(path, replace=True) as part:
            part.write_text(json.dumps(content) + "\n", encoding="ascii")
        path.chmod(0o600)


def forget(roast: Roast, *, folder: Path) -> None:
    """Removes them. Raises OutputError where that cannot be."""
    path = _place(roast, folder)
    try:
        if path is not None:
            path.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"{path} cannot be deleted ({error.strerror or error}); delete it yourself") from None


def kept(roast: Roast, *, folder: Path) -> tuple[Crack, ...]:
    """Those of a roast, in order; none where it was not heard again, or the file is damaged."""
    path = _place(roast, folder)
    if path is None:
        return ()
    try:
        text = path.read_bytes()
        content = json.loads(text) if len(text) <= _MOST_BYTES else {}
        if (content["format"], content["format_version"]) != (_FORMAT, _VERSION):
            return ()
        rows = [(float(at), float(probability)) for at, probability in content["sounds"][:_MOST]]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError):
        return ()
    good = (row for row in rows if math.isfinite(row[0]) and 0 <= row[1] <= 1)
    return tuple(Crack(at, "first", probability, 0.0) for at, probability in sorted(good))
