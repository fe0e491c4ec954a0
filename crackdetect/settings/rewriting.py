"""The settings file written anew: what is not changed stays as the person wrote it, comments and rights too."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from crackdetect.errors import OutputError, SettingError

if TYPE_CHECKING:
    from tomlkit import TOMLDocument


def rewrite(path: Path, change: Callable[[TOMLDocument], TOMLDocument]) -> None:
    """Writes what ``change`` makes of the settings; a file that is not there yet is made.

    Raises
    ------
    OutputError
        With the reason alone, when the file cannot be written, or is none of settings; then it is as it was.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    from crackdetect.storage.atomic_file import whole_file

    try:
        content = change(tomlkit.parse(path.read_text(encoding="utf-8") if path.exists() else ""))
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(path, replace=True) as part:
            part.write_text(tomlkit.dumps(content), encoding="utf-8")
    except (OSError, UnicodeDecodeError, RecursionError, TOMLKitError, OutputError, SettingError) as error:
        reason = getattr(error, "strerror", None) or "it is not a settings file that can be written"
        raise OutputError(reason) from None
