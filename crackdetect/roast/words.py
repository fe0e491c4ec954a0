"""Text that people type: kept as they meant it, and harmless wherever it is shown."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable
from typing import Any

#: A name longer than this is kept, and cut where it is shown in a table or a title.
SHOWN = 40
#: Longest text that is kept of one field, characters.
LONGEST = 20_000
#: Order-of-writing overrides: within a line they could make other text look different from what it is.
_OVERRIDES = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def clean(text: Any, *, lines: bool = False) -> str | None:
    """What is kept of a typed text: without control characters, ``None`` where nothing is left.

    Control characters could move a terminal's cursor; halves of characters could not be written anywhere. lines:
    whether line ends stay.
    """
    if text is None:
        return None
    whole = str(text).encode("utf-8", "replace").decode("utf-8").replace("\r\n", "\n")
    kept = "".join(
        letter if unicodedata.category(letter) != "Cc" else letter if letter == "\n" and lines else " "
        for letter in whole[:LONGEST]
    ).strip()
    return kept or None


def shown(text: str | None, *, most: int = SHOWN) -> str:
    """A text in one line of a terminal or a figure: cut to ``most`` characters, without overrides of its direction."""
    line = " ".join("".join(letter for letter in text or "" if letter not in _OVERRIDES).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def near_miss(name: str, known: Iterable[str]) -> str | None:
    """The known name that was probably meant; None where none is near."""
    by_folded = {one.casefold(): one for one in known}
    near = difflib.get_close_matches(name.casefold(), by_folded, n=1)
    return by_folded[near[0]] if near else None


def file_name(text: str) -> str:
    """A text as a part of a file's name: letters, digits and dashes, at most 60, never empty."""
    plain = "".join(letter if letter.isalnum() or letter in "-_" else "-" for letter in text)
    return "-".join(part for part in plain.split("-") if part)[:60].rstrip("-") or "roast"
