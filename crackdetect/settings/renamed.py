"""Settings that had another name once: the settings file is read all the same, and written anew."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crackdetect.errors import OutputError, SettingError

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

#: The name that holds by the one that held.
RENAMED: Mapping[str, str] = {"green": "batch"}


def as_named_now(values: Mapping[str, Any]) -> dict[str, Any]:
    """Values of the settings file by the names that hold. Raises SettingError where both names of one are there."""
    for old, new in RENAMED.items():
        if old in values and new in values:
            raise SettingError(f"has {old} and {new}, which are one setting, called {new}; take {old} out")
    return {RENAMED.get(name, name): value for name, value in values.items()}


def convert(path: Path, *, tell: Callable[[str], None]) -> None:
    """Gives the settings of the file the names that hold, and tells of it. A file that cannot be read is left alone."""
    from crackdetect.settings.rewriting import rewrite

    try:
        with path.open("rb") as file:
            old = [name for name in tomllib.load(file) if name in RENAMED]
    except (OSError, ValueError, RecursionError):  # whoever reads all of it tells what is wrong
        return
    if not old:
        return
    names = ", ".join(f"{name} is called {RENAMED[name]}" for name in old)
    try:
        rewrite(path, _renamed)
    except OutputError as error:
        tell(f"note: in the settings file {path} {names} now; it could not be written ({error})")
    else:
        tell(f"note: {names} now; the settings file {path} was changed accordingly")


def _renamed(content: TOMLDocument) -> TOMLDocument:
    import tomlkit

    made = tomlkit.TOMLDocument(parsed=True)  # which leaves empty lines where they are
    for key, value in content.body:
        made.append(tomlkit.key(RENAMED[key.key]) if key is not None and key.key in RENAMED else key, value)
    return made
