"""What the last roast of a coffee was like, in a line of words for the board."""

from __future__ import annotations

import os
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from crackdetect.errors import CrackdetectError
from crackdetect.notation import clock

if TYPE_CHECKING:
    from crackdetect.roast.record import Note, Roast


def last_time(data: Path, *, coffee: str | None, green_g: float | None) -> str:
    """The newest roast of that coffee and batch; of that coffee where there is none of the batch; else nothing.

    A log that cannot be read keeps nobody from roasting: its own commands tell of it.

    Parameters
    ----------
    data
        The data folder.
    coffee, green_g
        Of the roast to come; grams.
    """
    from crackdetect.storage.log_file import FILE
    from crackdetect.storage.roast_store import RoastLog

    if coffee is None or not os.path.exists(data / FILE):
        return ""
    try:
        with closing(RoastLog(data / FILE)) as log:
            found = log.roasts(coffee=coffee, green_g=green_g, most=1) or log.roasts(coffee=coffee, most=1)
            notes = log.notes(found).get(found[0].number, ()) if found else ()
    except CrackdetectError:
        return ""
    return told(found[0], notes[-1] if notes else None) if found else ""


def told(roast: Roast, note: Note | None) -> str:
    """As in ``"last time: first crack 5:34, drop 7:12, balanced 4/5"``; empty where neither moment is known."""
    from crackdetect.roast.record import CUPS

    at = {"first crack": roast.first_crack, "drop": roast.total}
    words = [f"{name} {clock(seconds)}" for name, seconds in at.items() if seconds is not None]
    if not words:
        return ""
    if note is not None:
        cup = "" if note.cup is None else CUPS[note.cup]
        liking = "" if note.liking is None else f"{note.liking}/5"
        words += [word for word in [f"{cup} {liking}".strip()] if word]
    return f"last time: {', '.join(words)}"
