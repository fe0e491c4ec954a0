"""Whether the sound of roasts is recorded: the person's answer, kept in the settings file."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from crackdetect.errors import OutputError

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

_KEY = "record"


def recording_wanted(
    given: bool | None, *, settings: Path, ask: Callable[[str, bool], bool] | None, tell: Callable[[str], None]
) -> bool:
    """Whether the sound is recorded: as given, else as kept in the settings, else as the person answers, once.

    Parameters
    ----------
    given
        By an option; ``None`` = it was not.
    settings
        The settings file, where the answer is kept.
    ask
        Takes a question and its usual answer; ``None`` where nobody can answer: then the sound is not recorded, and
        nothing is kept.
    tell
        Takes sentences for the person.
    """
    from crackdetect.storage.recording import PRIVACY

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
    """Writes the answer into the settings; all else in the file, comments and rights too, stays as it is.

    Raises
    ------
    OutputError
        When the file cannot be written, or is none of settings; then it is as it was.
    """
    from crackdetect.settings.rewriting import rewrite

    def with_choice(content: TOMLDocument) -> TOMLDocument:
        content[_KEY] = choice
        return content

    try:
        rewrite(settings, with_choice)
    except OutputError as error:
        line = f"{_KEY} = {'true' if choice else 'false'}"
        raise OutputError(f"the answer cannot be kept in {settings} ({error}); write '{line}' into it") from None
