"""Whether the sound of roasts is recorded: the person's answer, kept in the settings file."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Callable
from pathlib import Path

from crackdetect.errors import OutputError

_KEY = "record"
_LINE = re.compile(rf"^{_KEY}[ \t]*=.*$", re.MULTILINE)


def recording_wanted(
    given: bool | None, *, settings: Path, ask: Callable[[str, bool], bool] | None, tell: Callable[[str], None]
) -> bool:
    """Whether the sound is recorded: as given, else as kept in the settings, else as the person answers, once.

    settings: the file. ask: ``None`` where nobody can answer; then the sound is not recorded, and nothing is kept.
    """
    from crackdetect.keeping.recording import PRIVACY

    if given is not None:
        return given
    if (kept := kept_choice(settings)) is not None:
        return kept
    if ask is None:
        return False
    answer = ask(f"{PRIVACY} Shall the sound of your roasts be recorded, to hear and compare them later?", False)
    try:
        keep_choice(settings, answer)
    except OutputError as error:
        tell(str(error))
    else:
        tell(f"This is asked once; {_KEY} in {settings} changes it, or --record and --no-record for one roast.")
    return answer


def kept_choice(settings: Path) -> bool | None:
    """``None`` = there is none yet. A settings file that cannot be read is told by whoever reads all of it."""
    try:
        with settings.open("rb") as file:
            kept = tomllib.load(file).get(_KEY)
    except (OSError, ValueError, RecursionError):
        return None
    return kept if isinstance(kept, bool) else None


def keep_choice(settings: Path, choice: bool) -> None:
    """All else in the file stays as it is. Raises OutputError."""
    line = f"{_KEY} = {'true' if choice else 'false'}"
    settings = Path(os.path.realpath(settings))  # a link to a file kept elsewhere stays one
    try:
        text = settings.read_text(encoding="utf-8") if settings.exists() else ""
        head, table, tables = text.partition("\n[") if not text.startswith("[") else ("", "[", text[1:])
        head = _LINE.sub(line, head) if _LINE.search(head) else f"{line}\n{head}"
        settings.parent.mkdir(parents=True, exist_ok=True)
        unfinished = settings.with_suffix(".new")
        unfinished.write_text(head + table + tables, encoding="utf-8")
        os.replace(unfinished, settings)
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not text"
        raise OutputError(f"the answer cannot be kept in {settings} ({reason}); write '{line}' into it") from None
