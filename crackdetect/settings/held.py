"""Which value holds: an option before the environment, before the settings file, before the last roast of the coffee.

Every value says where it comes from, and one that makes no sense is told with the place in which it stands.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crackdetect.errors import SettingError
from crackdetect.settings.known import KNOWN, NAMES, Known

#: What the last roast of a coffee tells: values by name; empty when there was none.
LastOf = Callable[[str], Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class Held:
    """value: as read. origin: where it comes from, in words. said: whether anybody said it."""

    value: Any
    origin: str
    said: bool = True


def read_file(path: Path) -> dict[str, Any]:
    """The settings file; empty where there is none. Raises SettingError (not TOML, unknown names, not readable)."""
    try:
        if path.exists() and not path.is_file():  # a pipe could keep every start waiting without end
            raise OSError(None, "it is not an ordinary file")
        with path.open("rb") as file:
            values = tomllib.load(file)
    except FileNotFoundError:
        return {}
    except (ValueError, RecursionError) as error:  # what is not TOML, not UTF-8, or nested without end
        reason = "it is nested too deep" if isinstance(error, RecursionError) else error
        raise SettingError(f"the settings file {path} is not TOML ({reason}); mend it or move it away") from None
    except OSError as error:
        raise SettingError(f"the settings file {path} cannot be read ({error.strerror}); mend or move it") from None
    if unknown := sorted(set(values) - set(NAMES)):
        raise SettingError(
            f"the settings file {path} has {', '.join(unknown)}, which is no setting; known are {', '.join(NAMES)}"
        )
    return values


def hold(
    given: Mapping[str, Any],
    *,
    environment: Mapping[str, str],
    path: Path,
    last_of: LastOf,
) -> dict[str, Held]:
    """Every setting by name. given: options; None, or an empty tuple, is not given. path: of the settings file.

    Raises SettingError.
    """
    file = read_file(path)
    held: dict[str, Held] = {}
    for known in KNOWN:
        held[known.name] = _said(known, given, environment, file, path) or Held(known.usual, "usual value", said=False)
    coffee = held["coffee"].value
    if coffee is not None:
        remembered = last_of(coffee)
        for known in KNOWN:
            value = remembered.get(known.name)
            if known.remembered and value is not None and not held[known.name].said:
                held[known.name] = Held(value, f"last roast or plan of {coffee}")
    return held


def _said(
    known: Known, given: Mapping[str, Any], environment: Mapping[str, str], file: Mapping[str, Any], path: Path
) -> Held | None:
    option = given.get(known.name)
    if option is not None and option != ():
        return Held(known.read(known.name.replace("_", "-"), option), f"option {known.option}")
    if text := environment.get(known.variable):
        return Held(_read(known, text, known.variable), f"environment {known.variable}")
    if known.name in file:
        return Held(_read(known, file[known.name], str(path)), "settings file")
    return None


def _read(known: Known, given: Any, place: str) -> Any:
    try:
        return known.read(known.name, given)
    except SettingError as error:
        raise SettingError(f"{place}: {error}") from None
